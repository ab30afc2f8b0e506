"""`refine diff`: what differs between two shots."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from refine.commands import options, outputs


@click.command()
@click.argument("before", type=options.PATH)
@click.argument("after", type=options.PATH)
@click.option("--camera", metavar="NAME", help="Measure through this camera of BEFORE. Default: the first.")
@options.picture
@options.force
@options.common
def diff(
    before: Path,
    after: Path,
    camera: str | None,
    picture: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Show what differs between two shots, number by number, and what it does on screen. Exit 1 if anything does."""
    from refine.diff import as_document, difference
    from refine.formats import read
    from refine.report import difference_lines

    old, new = read(before), read(after)
    outputs.check_free((picture,), (*outputs.sources(old), *outputs.sources(new)), force)
    found = difference(old.shot, new.shot, camera)
    outputs.show_notes((found.note,) if found.note else (), quiet)
    if picture is not None:
        from refine.review.illustrate import of_difference

        drawn = of_difference(old.shot, new.shot, found, f"{before.name} and {after.name}", camera)
        if drawn is not None:
            outputs.write({picture: drawn.encode()}, force, quiet)
        elif not quiet:
            outputs.say("no picture: nothing that could be drawn differs")
    outputs.show_result(
        as_document(found, old.path.name, new.path.name)
        if as_json
        else difference_lines(found, old.shot.length_unit)
    )
    if found.any:
        sys.exit(outputs.FOUND)

"""`refine apply`: makes the changes of a suggestion, or undoes them."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from refine.commands import options, outputs


@click.command()
@options.file
@click.argument("suggestion", type=options.PATH)
@click.option("-o", "--out", type=options.PATH, metavar="OUT", help="Write the result to a new file.")
@click.option("--in-place", is_flag=True, help="Replace FILE; the old one is kept beside it.")
@click.option(
    "--only", multiple=True, metavar="CONTROL[.CHANNEL][@A:B]", help="Make only these changes. Repeatable."
)
@click.option("--undo", is_flag=True, help="Put back what the suggestion changed in FILE.")
@click.option(
    "--rebase", is_flag=True, help="FILE has changed since: make what still matches, name the rest."
)
@options.force
@options.common
def apply(
    file: Path, suggestion: Path, out: Path | None, in_place: bool, only: tuple[str, ...], undo: bool,
    rebase: bool, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Make the changes of a suggestion, or undo them; without -o or --in-place only show them."""
    from refine.application import applied, as_document, chosen
    from refine.formats import read, read_bytes
    from refine.report import already_lines, change_lines, left_lines
    from refine.suggestion import read_changes

    document = read(file)
    sha256, changes = read_changes(read_bytes(suggestion), suggestion.name)
    picked = chosen(changes, only, document.shot)
    result = applied(document, sha256, picked, undo=undo, rebase=rebase)
    if out is not None:
        outputs.check_free((out,), (*outputs.sources(document), suggestion), force)
    written = outputs.write_result(document, result, out, in_place, force, quiet)
    lines = [*change_lines(result.edits, document.shot.length_unit), *left_lines(result.left)] or [
        "nothing to change"
    ]
    lines += already_lines(result.already)
    outputs.show_result(as_document(result, written) if as_json else lines)
    if result.left:
        sys.exit(outputs.PARTLY)

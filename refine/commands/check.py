"""`refine check`: what is wrong with a shot, and what would mend it."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from refine.commands import options, outputs


@click.command()
@options.file
@click.option("--camera", metavar="NAME", help="Look through this camera. Default: the first.")
@click.option("--frames", metavar="A:B", help="Look at this range only, both frames included.")
@click.option("--controls", multiple=True, metavar="A,B", help="Look at these controls only. Repeatable.")
@click.option(
    "--at-least",
    type=click.Choice(["note", "warn", "error"]),
    default="warn",
    show_default=True,
    help="Show flags from this level on, and exit 1 if there are any.",
)
@options.thresholds
@click.option(
    "--keep", multiple=True, metavar="ID", help="I meant that: record it and don't flag it again. Repeatable."
)
@click.option("--pictures", type=options.PATH, metavar="FOLDER", help="Write a picture of each flag.")
@options.force
@options.common
def check(
    file: Path, camera: str | None, frames: str | None, controls: tuple[str, ...], at_least: str,
    thresholds: tuple[Path, ...], keep: tuple[str, ...], pictures: Path | None, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Look for faults through the shot's camera: what, where, how visible, what causes it, what would mend it."""
    from refine.commands import asked
    from refine.errors import InputError
    from refine.flags import check as checking
    from refine.flags.record import keep_flags
    from refine.formats import read

    if checking.ALL in keep:  # what isn't even listed would be meant as well
        words = "what was meant is named, flag by flag", "ids", "refine check lists them"
        raise InputError(f"--keep {checking.ALL}", *words)
    document = read(file)
    look = asked.look(document, camera, frames, controls, thresholds)
    stage = checking.stage_of(document.shot, look)
    flags = checking.in_question(stage)
    kept = checking.named(flags, keep, "--keep") if keep else []
    shown = checking.at_least([flag for flag in flags if flag not in kept], at_least)  # type: ignore[arg-type]
    slighter = sum(flag not in kept and flag not in shown and not flag.along for flag in flags)
    hidden = (f"{slighter} slighter ones not listed: --at-least note shows all",) if slighter else ()
    outputs.show_notes((stage.view.note, *document.shot.notes, *hidden), quiet)
    # Where a picture can't be written, nothing is recorded; where nothing can be recorded, no picture is left.
    with outputs.flag_pictures_written(document, look, shown, pictures, force, quiet):
        if kept:
            side = keep_flags(document, kept)
            if not quiet:
                outputs.say(f"recorded in {side}")
    outputs.show_result(checking.as_document(document, stage, shown) if as_json else checking.lines(shown))
    if shown:
        sys.exit(outputs.FOUND)

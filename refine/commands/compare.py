"""`refine compare`: strengths side by side."""

from __future__ import annotations

from pathlib import Path

import click

from refine.commands import options, outputs


@click.command()
@options.file
@options.of_a_range
@click.option(
    "--strengths",
    default="0.25,0.5,1,2,4",
    show_default=True,
    metavar="X,Y",
    help="The strengths to compare.",
)
@click.option("--retime", is_flag=True, help="Also try moving a key pose by one frame.")
@click.option(
    "-o",
    "--out",
    type=options.PATH,
    metavar="FOLDER",
    help="Write each variant's suggestion and a picture.",
)
@options.force
@options.common
def compare(
    file: Path, frames: str | None, controls: tuple[str, ...], pins: tuple[str, ...], camera: str | None,
    strengths: str, retime: bool, out: Path | None, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Compare strengths side by side. The knee is shown; the choice is yours."""
    from refine.commands import asked
    from refine.compare import as_document, table_lines
    from refine.compare import compare as compared
    from refine.formats import read

    document = read(file)
    request = asked.request(document, frames, controls, pins, camera, 1.0, None)
    given = asked.strengths(strengths)
    result = compared(document, request, given, retime)
    outputs.show_notes((result.view.note, *document.shot.notes), quiet)
    files = (
        outputs.write_comparison(result, document, given, camera, out, force, quiet)
        if out is not None
        else []
    )
    if retime and len(result.rows) == len(given) and not quiet:
        outputs.say("note: no shift of a key pose by one frame evens the spacing")
    outputs.show_result(
        as_document(result, files) if as_json else table_lines(result, document.shot.length_unit)
    )
    if result.idle is not None:
        outputs.refuse(result.idle)

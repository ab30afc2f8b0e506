"""`refine suggest`: mends of a flagged range or of flags, as a suggestion."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from refine.commands import options, outputs

if TYPE_CHECKING:  # annotations only, see outputs
    from refine.flags.look import Look
    from refine.formats import Document
    from refine.suggestion import Suggestion


@click.command()
@options.file
@options.of_a_range
@click.option(
    "--flag", "flags", multiple=True, metavar="ID", help="Mend this flag of `check`; all for all. Repeatable."
)
@options.thresholds
@click.option(
    "--strength", type=float, default=1.0, show_default=True, metavar="X",
    help="0 changes nothing, 0.5 goes half the way, 1 mends what was found; above 1 what was mended is smoothed "
    "too, X - 1 being the weight of its jerk against staying close. On baked channels the half-amplitude "
    "frequency is divided by X. With --flag, mends of a family's own stay as at 1 above 1.",
)  # fmt: skip
@click.option(
    "--candidate", "candidates", type=int, multiple=True, metavar="N",
    help="Take candidate N of the list as well; one only. To take another, apply the first and ask again.",
)  # fmt: skip
@click.option("-o", "--out", type=options.PATH, metavar="OUT", help="Write the suggestion file.")
@options.picture
@options.force
@options.common
def suggest(
    file: Path, flags: tuple[str, ...], frames: str | None, controls: tuple[str, ...], pins: tuple[str, ...],
    camera: str | None, thresholds: tuple[Path, ...], strength: float, candidates: tuple[int, ...],
    out: Path | None,
    picture: Path | None, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Suggest a fix for a flagged range: few keys moved, pins kept, a diff of every change."""
    from refine.commands import asked
    from refine.errors import InputError
    from refine.formats import read
    from refine.report import suggestion_lines
    from refine.suggest import suggest as suggested
    from refine.suggestion import applied
    from refine.suggestion import document as as_document

    if len(candidates) > 1:
        found = " ".join(f"--candidate {n}" for n in candidates)
        raise InputError(found, f"{len(candidates)} candidates", "one", "apply the first and ask again")
    candidate = candidates[0] if candidates else None
    document = read(file)
    outputs.check_free((picture, out), outputs.sources(document), force)
    left: Sequence[object] = ()
    if flags:
        if candidate is not None:
            raise InputError("--candidate", "given together with --flag", "one of the two")
        look = asked.look(document, camera, frames, controls, thresholds)
        result, left = _of_flags(document, look, flags, pins, strength)
    else:
        if thresholds:
            raise InputError(
                "--thresholds", "given without --flag", "together with --flag: flags are found by them"
            )
        request = asked.request(document, frames, controls, pins, camera, strength, candidate)
        result = suggested(document.shot, request, document)
    outputs.show_notes(result.notes, quiet)
    contents: dict[Path, bytes] = {}
    if picture is not None:
        from refine.names import controls as named
        from refine.review.illustrate import of_suggestion

        shown = named(controls, document.shot)
        drawn = of_suggestion(document.shot, applied(document.shot, result), result, shown, camera)
        contents[picture] = drawn.encode()
    if out is not None:
        contents[out] = result.text().encode()
    outputs.write(contents, force, quiet)
    outputs.show_result(
        as_document(result) if as_json else suggestion_lines(result, document.shot.length_unit)
    )
    outputs.refuse(result)
    if left:
        sys.exit(outputs.PARTLY)


def _of_flags(
    document: Document, look: Look, flags: tuple[str, ...], pins: tuple[str, ...], strength: float
) -> tuple[Suggestion, Sequence[object]]:
    """The mends of the flags that were named, and what is left."""
    from refine import names
    from refine.flags import check as checking
    from refine.flags.mend import suggested

    every = checking.in_question(checking.stage_of(document.shot, look))
    found = checking.named(every, flags)
    by_name = [flag.id for flag in checking.named(every, [name for name in flags if name != checking.ALL])]
    asked = (*by_name, *(checking.ALL for name in flags if name == checking.ALL))
    held = [names.pin(pin, document.shot) for pin in pins]
    return suggested(document, look, found, strength, held, asked)

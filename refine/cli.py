"""The command line: reads options, calls one function a command, prints, and says by its exit code how it went.

0 fine; 1 differences found; 2 bad input or usage; 3 no solution within the constraints; 4 partly done. The result
goes to stdout, messages go to stderr. What a command needs is imported when it runs, so that help is quick.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from refine import outputs
from refine.errors import RefineError

if TYPE_CHECKING:  # annotations only: numpy and the rest are loaded by the command that needs them
    from refine.flags.look import Look
    from refine.formats import Document
    from refine.prepared import Request
    from refine.suggestion import Suggestion

FOUND, PARTLY, INTERRUPTED = 1, 4, 130
_Command = TypeVar("_Command", bound=Callable[..., Any])


class _Path(click.Path):
    """A path that isn't empty: an unset variable of a shell must not mean the folder where one stands."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("an empty name; give a file or folder", param, ctx)
        return super().convert(value, param, ctx)


_PATH = _Path(path_type=Path)


class _Group(click.Group):
    """Turns every error that a user may see into one line and its exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except RefineError as error:
            click.echo(f"refine: {error}", err=True)
            ctx.exit(error.exit_code)
        except BrokenPipeError:  # the reader has seen enough: not an error, but nothing more can be printed
            outputs.close_stdout()
            ctx.exit(0)
        except KeyboardInterrupt:
            ctx.exit(INTERRUPTED)


def _common(command: _Command) -> _Command:
    """Options that every command has."""
    command = click.option("--quiet", "-q", is_flag=True, help="No messages on stderr, errors excepted.")(
        command
    )
    return click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")(command)


def _range_options(command: _Command) -> _Command:
    """Options of the commands that work on a range."""
    pins = click.option(
        "--pin", "pins", multiple=True, metavar="CONTROL[.CHANNEL]@FRAME[:FRAME]",
        help="Hold a key, a pose or a range, on top of the shot's own pins. Repeatable.",
    )  # fmt: skip
    controls = click.option(
        "--controls",
        multiple=True,
        metavar="A,B",
        help="Look at these controls only. Repeatable. Default: all.",
    )
    frames = click.option("--frames", metavar="A:B", help="The flagged range, both frames included.")
    camera = click.option("--camera", metavar="NAME", help="Measure through this camera. Default: the first.")
    for option in (camera, pins, controls, frames):
        command = option(command)
    return command


_file = click.argument("file", type=_PATH)
_force = click.option("--force", is_flag=True, help="Write over an existing output file.")
_picture = click.option(
    "--picture",
    type=_PATH,
    metavar="SVG",
    help="Write a picture: arc, spacing, curve, before and after.",
)


@click.group(cls=_Group, context_settings={"help_option_names": ["--help", "-h"]})
@click.version_option(package_name="motion-refine", prog_name="refine")
def main() -> None:
    """Suggest, prove and undo small fixes for the polish pass on a character shot.

    Reads *.shot.json, *.keys.csv and *.bvh. Nothing is written unless -o or --in-place says so.
    """


@main.command()
@_file
@_common
def show(file: Path, as_json: bool, quiet: bool) -> None:
    """Print the rig in solve order: what is keyed, baked, pinned."""
    from refine.formats import read
    from refine.show import as_document, lines

    document = read(file)
    outputs.show_notes(document.shot.notes, quiet)
    outputs.show_result(as_document(document) if as_json else lines(document.shot))


@main.command()
@_file
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
@click.option(
    "--thresholds",
    multiple=True,
    type=_PATH,
    metavar="TOML",
    help="Numbers of your own, over the built-in table. Repeatable.",
)
@click.option(
    "--keep", multiple=True, metavar="ID", help="I meant that: record it and don't flag it again. Repeatable."
)
@click.option("--pictures", type=_PATH, metavar="FOLDER", help="Write a picture of each flag.")
@_force
@_common
def check(
    file: Path, camera: str | None, frames: str | None, controls: tuple[str, ...], at_least: str,
    thresholds: tuple[Path, ...], keep: tuple[str, ...], pictures: Path | None, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Look for faults through the shot's camera: what, where, how visible, what causes it, what would mend it."""
    from refine.flags import check as checking
    from refine.flags.record import keep_flags
    from refine.formats import read

    document = read(file)
    look = _look(document, camera, frames, controls, thresholds)
    stage = checking.stage_of(document.shot, look)
    flags = checking.check(stage)
    kept = checking.named(flags, keep, "--keep") if keep else []
    shown = checking.at_least([flag for flag in flags if flag not in kept], at_least)  # type: ignore[arg-type]
    outputs.show_notes((stage.view.note, *document.shot.notes), quiet)
    if pictures is not None:  # before anything is recorded: where one may not be written, nothing is
        outputs.write_flag_pictures(document, look, shown, pictures, force, quiet)
    if kept:
        side = keep_flags(document, kept)
        if not quiet:
            click.echo(f"recorded in {side}", err=True)
    outputs.show_result(checking.as_document(document, stage, shown) if as_json else checking.lines(shown))
    if shown:
        sys.exit(FOUND)


@main.command()
@_file
@_range_options
@click.option(
    "--flag", "flags", multiple=True, metavar="ID", help="Mend this flag of `check`; all for all. Repeatable."
)
@click.option(
    "--strength", type=float, default=1.0, show_default=True, metavar="X",
    help="0 changes nothing, 0.5 goes half the way, 1 mends what was found; above 1 what was mended is smoothed "
    "too, X - 1 being the weight of its jerk against staying close. On baked channels the half-amplitude "
    "frequency is divided by X.",
)  # fmt: skip
@click.option("--candidate", type=int, metavar="N", help="Take candidate N of the list as well.")
@click.option("-o", "--out", type=_PATH, metavar="OUT", help="Write the suggestion file.")
@_picture
@_force
@_common
def suggest(
    file: Path, flags: tuple[str, ...], frames: str | None, controls: tuple[str, ...], pins: tuple[str, ...],
    camera: str | None, strength: float, candidate: int | None, out: Path | None, picture: Path | None, force: bool,
    as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Suggest a fix for a flagged range: few keys moved, pins kept, a diff of every change."""
    from refine.formats import read
    from refine.report import suggestion_lines
    from refine.suggest import suggest as suggested
    from refine.suggestion import applied
    from refine.suggestion import document as as_document

    document = read(file)
    outputs.check_free((picture, out), outputs.sources(document), force)
    left: Sequence[object] = ()
    if flags:
        result, left = _suggest_flags(document, flags, frames, controls, pins, camera, strength, candidate)
    else:
        request = _request(document, frames, controls, pins, camera, strength, candidate)
        result = suggested(document.shot, request, document)
    outputs.show_notes(result.notes, quiet)
    if picture is not None:
        from refine.review.illustrate import of_suggestion

        drawn = of_suggestion(document.shot, applied(document.shot, result), result, controls, camera)
        outputs.write(picture, drawn.encode(), force, quiet)
    if out is not None:
        outputs.write(out, result.text().encode(), force, quiet)
    outputs.show_result(
        as_document(result) if as_json else suggestion_lines(result, document.shot.length_unit)
    )
    if left:
        sys.exit(PARTLY)


@main.command()
@_file
@click.argument("suggestion", type=_PATH)
@click.option("-o", "--out", type=_PATH, metavar="OUT", help="Write the result to a new file.")
@click.option("--in-place", is_flag=True, help="Replace FILE; the old one is kept beside it.")
@click.option(
    "--only", multiple=True, metavar="CONTROL[.CHANNEL][@A:B]", help="Make only these changes. Repeatable."
)
@click.option("--undo", is_flag=True, help="Put back what the suggestion changed in FILE.")
@click.option(
    "--rebase", is_flag=True, help="FILE has changed since: make what still matches, name the rest."
)
@_force
@_common
def apply(
    file: Path, suggestion: Path, out: Path | None, in_place: bool, only: tuple[str, ...], undo: bool,
    rebase: bool, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Make the changes of a suggestion, or undo them; without -o or --in-place only show them."""
    from refine.application import applied, as_document, chosen
    from refine.changes import reversals
    from refine.formats import read, read_bytes
    from refine.report import change_lines, left_lines
    from refine.suggestion import read_changes

    document = read(file)
    sha256, changes = read_changes(read_bytes(suggestion), suggestion.name)
    picked = chosen(changes, only)
    result = applied(document, sha256, picked, undo=undo, rebase=rebase)
    if out is not None:
        outputs.check_free((out,), (*outputs.sources(document), suggestion), force)
    written = outputs.write_result(document, result, out, in_place, force, quiet)
    made = reversals(result.made) if undo else result.made
    lines = [*change_lines(made, document.shot.length_unit), *left_lines(result.left)] or [
        "nothing to change"
    ]
    outputs.show_result(as_document(result, written) if as_json else lines)
    if result.left:
        sys.exit(PARTLY)


@main.command()
@click.argument("before", type=_PATH)
@click.argument("after", type=_PATH)
@click.option("--camera", metavar="NAME", help="Measure through this camera of BEFORE. Default: the first.")
@_picture
@_force
@_common
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
            outputs.write(picture, drawn.encode(), force, quiet)
        elif not quiet:
            click.echo("no picture: nothing that could be drawn differs", err=True)
    outputs.show_result(
        as_document(found, old.path.name, new.path.name)
        if as_json
        else difference_lines(found, old.shot.length_unit)
    )
    if found.any:
        sys.exit(FOUND)


@main.command()
@_file
@_range_options
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
    type=_PATH,
    metavar="FOLDER",
    help="Write each variant's suggestion and a picture.",
)
@_force
@_common
def compare(
    file: Path, frames: str | None, controls: tuple[str, ...], pins: tuple[str, ...], camera: str | None,
    strengths: str, retime: bool, out: Path | None, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Compare strengths side by side. The knee is shown; the choice is yours."""
    from refine.compare import as_document, table_lines
    from refine.compare import compare as compared
    from refine.formats import read

    document = read(file)
    request = _request(document, frames, controls, pins, camera, 1.0, None)
    given = _strengths(strengths)
    result = compared(document, request, given, retime)
    outputs.show_notes((result.view.note, *document.shot.notes), quiet)
    files = (
        outputs.write_comparison(result, document, given, camera, out, force, quiet)
        if out is not None
        else []
    )
    if retime and len(result.rows) == len(given) and not quiet:
        click.echo("note: no shift of a key pose by one frame evens the spacing", err=True)
    outputs.show_result(as_document(result, files) if as_json else table_lines(result))


@main.command()
@click.argument("paths", nargs=-1, required=True, type=_PATH, metavar="PATH...")
@click.option(
    "-o", "--out", required=True, type=_PATH, metavar="FOLDER",
    help="Write the cleaned clips and the report into this folder.",
)  # fmt: skip
@click.option(
    "--strength", type=float, default=1.0, show_default=True, metavar="X",
    help="Divides the half-amplitude frequency that the noise asks for. 0 smooths nothing, yet mends gaps and spikes.",
)  # fmt: skip
@click.option(
    "--keep-below",
    type=float,
    metavar="HZ",
    help="Smooth all joints alike: half is left of what moves at HZ.",
)
@click.option(
    "--fill",
    type=float,
    metavar="SECONDS",
    help="Fill gaps up to this long; longer ones are listed. Default: 0.3.",
)
@click.option("--keys", is_flag=True, help="Reduce the samples to few keys and write NAME.shot.json.")
@click.option(
    "--within", metavar="AMOUNT", help="How far keys may be off, such as 2mm, 1px or 0.5deg. Default: 2mm."
)
@click.option(
    "--at-most", metavar="AMOUNT", help="Set aside, unchanged, what would move by more, such as 50mm or 20px."
)
@click.option("--fps", type=float, metavar="N", help="Give the clips another frame rate.")
@click.option("--camera", metavar="NAME", help="Measure through this camera. Default: each clip's first.")
@click.option(
    "--check",
    is_flag=True,
    help="Look the cleaned clips over as `refine check` does; takes about as long again.",
)
@click.option(
    "--jobs", type=click.IntRange(min=1), default=1, show_default=True, metavar="N",
    help="Work on so many clips at a time, each in a process of its own.",
)  # fmt: skip
@click.option(
    "--scheduler", metavar="ADDRESS", help="Let a cluster do the work: its dask.distributed scheduler."
)
@click.option("--resume", is_flag=True, help="Go on with a run that was stopped: do only what isn't done.")
@_force
@_common
def clean(
    paths: tuple[Path, ...], out: Path, strength: float, keep_below: float | None, fill: float | None, keys: bool,
    within: str | None, at_most: str | None, fps: float | None, camera: str | None, check: bool, jobs: int,
    scheduler: str | None, resume: bool, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Clean captured motion, a folder at a time: files, folders and patterns in; clips and a report out.

    A clip that can't be cleaned never stops the others; it is listed, and the exit code is 4.
    """
    outputs.one_thread()  # before anything that computes is loaded
    from refine.clean.folder.asked import settings as asked
    from refine.clean.folder.batch import Request, run
    from refine.clean.report.summary import document, lines
    from refine.errors import InputError

    if scheduler is not None and jobs != 1:
        raise InputError("--scheduler", "given together with --jobs", "one of the two")
    if resume and force:
        raise InputError("--resume", "given together with --force", "one of the two")
    settings = asked(strength, keep_below, fill, keys, within, at_most, fps, camera, check)
    request = Request(paths, out, settings, jobs, scheduler, resume, force)
    done = run(request, outputs.sayer(quiet))
    outputs.show_troubles(done, quiet)
    outputs.show_result(document(done.clips, settings) if as_json else lines(done.clips))
    if not done.whole:
        sys.exit(PARTLY)


# --- what the commands share ---


def _look(
    document: Document,
    camera: str | None,
    frames: str | None,
    controls: tuple[str, ...],
    thresholds: tuple[Path, ...],
) -> Look:
    from refine import names
    from refine.flags.look import Look
    from refine.formats import SIDE_ENDING, side_path

    stem = side_path(document.path).name.removesuffix(SIDE_ENDING)
    beside = document.path.with_name(f"{stem}.thresholds.toml")
    files = (beside, *thresholds) if beside.is_file() else thresholds
    chosen = names.controls(controls, document.shot)
    return Look(None if frames is None else names.frames(frames, "--frames"), chosen, camera, files)


def _suggest_flags(
    document: Document, flags: tuple[str, ...], frames: str | None, controls: tuple[str, ...],
    pins: tuple[str, ...], camera: str | None, strength: float, candidate: int | None,
) -> tuple[Suggestion, Sequence[object]]:  # fmt: skip
    from refine import names
    from refine.errors import InputError
    from refine.flags import check as checking
    from refine.flags.mend import suggested

    if candidate is not None:
        raise InputError("--candidate", "given together with --flag", "one of the two")
    look = _look(document, camera, frames, controls, ())
    found = checking.check(checking.stage_of(document.shot, look))
    chosen = checking.named(found, flags)
    held = [names.pin(pin, document.shot) for pin in pins]
    return suggested(document, look, chosen, strength, held, flags)


def _request(
    document: Document, frames: str | None, controls: tuple[str, ...], pins: tuple[str, ...],
    camera: str | None, strength: float, candidate: int | None,
) -> Request:  # fmt: skip
    from refine import names
    from refine.errors import InputError
    from refine.prepared import Request

    shot = document.shot
    if frames is None:
        remedy = f"the shot has frames {shot.first_frame} to {shot.last_frame}"
        raise InputError("--frames", "no range is flagged", "--frames A:B", remedy)
    return Request(
        frames=names.frames(frames, "--frames"),
        controls=names.controls(controls, shot),
        strength=strength,
        pins=tuple(names.pin(pin, shot) for pin in pins),
        candidate=candidate,
        camera=camera,
    )


def _strengths(text: str) -> list[float]:
    from refine.errors import InputError

    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = []
    if not found or not all(0 <= strength < float("inf") for strength in found):
        raise InputError(f"--strengths {text}", "not a list of strengths", "numbers of 0 or more: 0.25,0.5,1")
    return sorted(dict.fromkeys(found))

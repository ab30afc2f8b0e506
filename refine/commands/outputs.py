"""What the commands print and write: results on stdout, messages on stderr, files whole or not at all.

All outputs of a command are looked at before the first is written, and no output may be a source. The exit codes of
errors are in `errors`.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from refine.errors import InputError, NoSolution
from refine.text import BOLD, PLAIN, printable

if TYPE_CHECKING:  # annotations only: numpy and the rest are loaded by the command that needs them
    from refine.application import Applied
    from refine.clean.folder.batch import Run
    from refine.compare import Comparison
    from refine.flags.flag import Flag
    from refine.flags.look import Look
    from refine.formats import Document
    from refine.storage import New
    from refine.suggestion import Suggestion

FOUND, PARTLY = 1, 4  # exit codes
_MARKS = re.compile(f"({re.escape(BOLD)}|{re.escape(PLAIN)})")


def show_result(result: dict[str, Any] | list[str]) -> None:
    from refine.suggestion import json_text

    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    if isinstance(result, dict):
        text = json_text(result, encoding)
    else:  # a letter that the terminal can't show is shown by its number
        text = "\n".join(map(_line, result)).encode(encoding, "backslashreplace").decode(encoding)
    try:
        click.echo(text)
    except BrokenPipeError:
        raise
    except OSError as error:
        close_stdout()
        raise InputError("stdout", f"it can't be written: {error.strerror}") from error


def _line(text: str) -> str:
    """One line for sure, whatever names it holds; only our own marks of bold text steer the terminal."""
    return "".join(part if part in (BOLD, PLAIN) else printable(part) for part in _MARKS.split(text))


def say(text: str) -> None:
    """One line on stderr."""
    click.echo(printable(text), err=True)


def refuse(suggestion: Suggestion) -> None:
    """NoSolution where pins, limits or marks exclude every mend; the result is shown by then."""
    if suggestion.clash:
        from refine.search.in_the_way import held_by

        raise NoSolution(f"no solution within the constraints: {held_by(suggestion.clash)}", suggestion.clash)


def close_stdout() -> None:
    """Lets what Python still wants to print when it ends go nowhere, instead of failing once more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def one_thread() -> None:
    """Let array libraries that are loaded from now on compute with one thread: more of them sum up in another order."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"


def sayer(quiet: bool) -> Callable[[str], None]:
    """What prints a message on stderr, or keeps quiet."""
    return (lambda _: None) if quiet else say


def show_troubles(done: Run, quiet: bool) -> None:
    """What couldn't be done: clips too where nothing was said of them while they were worked on."""
    for clip in done.clips:
        if quiet and clip.status != "cleaned":
            say(f"refine: {clip.place}: {clip.status}: {'; '.join(clip.reasons)}")
    for trouble in done.troubles:
        say(f"refine: {trouble}")


def show_notes(notes: tuple[str, ...], quiet: bool) -> None:
    if not quiet:
        for note in notes:
            say(f"note: {note}")


def sources(document: Document) -> tuple[Path, ...]:
    """The files that a shot was read from."""
    return (document.path,) if document.side is None else (document.path, document.side)


def check_free(
    outputs: Sequence[Path | None], sources: Sequence[Path], force: bool, folder: bool = False
) -> None:
    from refine.storage import free_names

    free_names([path for path in outputs if path is not None], sources, force, folder)


def write(contents: dict[Path, bytes], force: bool, quiet: bool) -> None:
    """Writes these files, all or none."""
    from refine.storage import New, new_files

    with new_files([New(path, data, force) for path, data in contents.items()]):
        pass
    for path in contents if not quiet else ():
        say(f"wrote {path}")


def write_result(
    document: Document, result: Applied, out: Path | None, in_place: bool, force: bool, quiet: bool
) -> Path | None:
    """Proves the result by reading it back, also when it is only shown; writes what was asked for.

    What is written is read back and proved once more before it takes its name.
    """
    from refine.application import proof
    from refine.storage import New, new_files, replace_file

    if out is not None and in_place:
        raise InputError("-o", "given together with --in-place", "one of the two")
    target = document.path if out is None else out
    check = proof(document, result, target)
    check(result.data)
    if out is None and not in_place:
        return None
    if out is not None:
        beside, words = _side_file_along(document, target)
        with new_files([New(target, result.data, force, check), *beside]):
            message = f"wrote {target}{words}"
    elif result.data == document.data:
        message = f"left {target} as it is"
    else:
        kept = replace_file(target, result.data, check=check, read=document.data)
        message = f"replaced {target}, the old one is {kept}"
    if not quiet:
        say(message)
    return target


def _side_file_along(document: Document, target: Path) -> tuple[list[New], str]:
    """What a result gets of what its source has beside it, so that what is pinned or marked stays so, and what is to
    be said of it.
    """
    from refine.formats import read_bytes, side_path
    from refine.storage import New

    side = side_path(target)
    if document.side is None or side == document.side:
        return [], ""
    data = read_bytes(document.side)
    if not side.exists():
        if os.path.lexists(side):
            return [], f"; {side} is a link that leads nowhere and stays"
        return [New(side, data)], f", and {side}, as {document.side.name} is"
    same = read_bytes(side) == data
    words = f"; {side} was there before and stays, though {document.side.name} says otherwise"
    return [], "" if same else words


def write_comparison(
    result: Comparison,
    document: Document,
    given: Sequence[float],
    camera: str | None,
    out: Path,
    force: bool,
    quiet: bool,
) -> list[str]:
    from refine.review.illustrate import of_comparison

    contents: dict[str, bytes] = {}
    for n, (row, suggestion) in enumerate(zip(result.rows, result.suggestions, strict=True)):
        steady = row.name == f"{row.strength:g}"
        name = f"strength-{row.name}" if steady else f"retime-{n - len(given) + 1}"
        contents[f"{name}.suggestion.json"] = suggestion.text().encode()
    files = list(contents)
    contents["comparison.svg"] = of_comparison(document.shot, result, camera).encode()
    with folder_written(document, out, contents, force):
        pass
    if not quiet:
        say(f"wrote {len(files)} suggestion{'s' * (len(files) != 1)} and comparison.svg to {out}")
    return files


@contextmanager
def flag_pictures_written(
    document: Document, look: Look, flags: Sequence[Flag], folder: Path | None, force: bool, quiet: bool
) -> Iterator[None]:
    """Writes a picture of each flag into a folder, if there is one; see `folder_written`."""
    from refine.flags.mend import picture

    if folder is None:
        yield
        return

    names = [f"{flag.id}.svg" for flag in flags]
    # Before they are drawn, which takes long.
    check_free([folder / name for name in names], sources(document), force, folder=True)
    pictures = {name: picture(document, look, flag).encode() for name, flag in zip(names, flags, strict=True)}
    with folder_written(document, folder, pictures, force):
        yield
    if not quiet:
        say(f"wrote {len(pictures)} picture{'s' * (len(pictures) != 1)} to {folder}")


@contextmanager
def folder_written(
    document: Document, folder: Path, contents: dict[str, bytes], force: bool
) -> Iterator[None]:
    """Writes these files into a folder, made where it isn't there; taken away again where the block fails."""
    from refine.storage import New, made_folder, new_files

    check_free([folder / name for name in contents], sources(document), force, folder=True)
    files = [New(folder / name, data, force) for name, data in contents.items()]
    with made_folder(folder), new_files(files):
        yield

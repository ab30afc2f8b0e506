"""Reading and writing, one module a format.

The ending of a file's name says its format. Each format module has `read(data, name)`, `write(shot)` and
`spans(data, shot, places)`, and is imported when a file of its format comes along.
"""

from __future__ import annotations

import errno
import hashlib
import importlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol, cast

from refine.errors import InputError
from refine.formats.splice import Place, Span, spell, splice
from refine.shot import QUATERNION, ROTATIONS, Shot

ENDINGS = {".shot.json": "shot", ".keys.csv": "table", ".bvh": "bvh"}
SIDE_ENDING = ".marks.json"
# Decimals that a changed number gets at least: people type 3 for 3.0000, recorders don't.
LEAST_DECIMALS = {"shot": 4, "table": 4, "bvh": 0}

_MODULES = {"shot": "shot_file", "table": "keys_table", "bvh": "bvh"}
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)


class _Format(Protocol):
    """What a format module offers."""

    def read(self, data: bytes, name: str) -> Shot: ...
    def spans(self, data: bytes, shot: Shot, places: Sequence[Place]) -> list[Span]: ...
    def write(self, shot: Shot) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Document:
    """A shot and the file it was read from; `sha256` and `data` are that file's, not the side file's."""

    path: Path
    data: bytes
    sha256: str
    format: str  # "shot", "table" or "bvh"
    shot: Shot
    side: Path | None  # the side file beside it, if there is one


def read(path: Path) -> Document:
    """Read a shot in any known format, with its side file. Raises InputError."""
    kind, _ = _format_of(path)
    data = read_bytes(path)
    shot = _module(kind).read(data, path.name)
    side = side_path(path)
    beside = os.path.isfile(side)  # not Path.is_file, which raises for a name that is too long
    if beside:
        from refine.formats import marks

        shot = marks.merged(shot, read_bytes(side), side.name)
    if kind == "table":
        shot = replace(shot, notes=(*shot.notes, *_unseen(shot, side.name)))
    return Document(path, data, hashlib.sha256(data).hexdigest(), kind, shot, side if beside else None)


def _unseen(shot: Shot, side: str) -> tuple[str, ...]:
    """What is to be said of a table whose turns move nothing: they can't be judged, however wrong they are."""
    turns = any(channel.name in (*ROTATIONS, QUATERNION) for c in shot.controls for channel in c.channels)
    rig = any(c.parent is not None or c.tip is not None or any(c.pivot) for c in shot.controls)
    if rig or not turns:
        return ()
    words = (
        f"no control has a parent or a tip, so that nothing is seen of turns, nor of faults in them; {side}"
    )
    return (f"{words} would have to give each one's parent, rest and tip under controls",)


def parsed(data: bytes, path: Path) -> Shot:
    """The shot in some bytes, in the format of the path's ending and without a side file. Raises InputError."""
    kind, _ = _format_of(path)
    return _module(kind).read(data, path.name)


def side_path(path: Path) -> Path:
    """Where the side file of a shot's file stands, whether there is one or not."""
    _, ending = _format_of(path)
    return path.with_name(path.name[: -len(ending)] + SIDE_ENDING)


def read_bytes(path: Path) -> bytes:
    """The bytes of a file. InputError where it is missing, a folder or unreadable."""
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):  # a pipe would wait for ever
            raise InputError(str(path), "it is no regular file", "a file")
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(str(path), "there is no such file") from None
    except IsADirectoryError:
        raise InputError(str(path), "it is a folder", "a file") from None
    except (OSError, ValueError) as error:
        reason = error.strerror or "it can't be read" if isinstance(error, OSError) else str(error)
        remedy = "check its permissions" if getattr(error, "errno", 0) == errno.EACCES else ""
        raise InputError(str(path), f"it can't be read: {reason}", "a readable file", remedy) from None


def spellings(document: Document, places: Sequence[Place]) -> list[str]:
    """The source text of the number at each place. InputError where the file doesn't state it."""
    return [document.data[start:end].decode() for start, end in _spans(document, places)]


def patched(
    document: Document, edits: Sequence[tuple[Place, str]], others: Sequence[tuple[Span, str]] = ()
) -> bytes:
    """The file's bytes with the numbers at some places replaced by new text; all else identical to the byte.

    `others` are further spans with their new text, as `grown` gives them.

    InputError where the file doesn't state a number, or where one number would get two different texts, as
    the two slopes of a key that has a single one.
    """
    spans = _spans(document, [place for place, _ in edits])
    texts: dict[Span, str] = {}
    for span, (place, text) in zip(spans, edits, strict=True):
        if texts.setdefault(span, text) != text:
            where = f"{document.path.name}: {place.control}.{place.channel}@{place.frame:g} {place.field}"
            found = f"the same number would become {texts[span]} and {text}"
            raise InputError(
                where, found, "one value", "a key with a single slope keeps one: change both sides alike"
            )
    apart = [(span, _apart(document.data, span, text)) for span, text in texts.items()]
    return splice(document.data, [*apart, *others])


def _apart(data: bytes, span: Span, text: str) -> str:
    """The text of a number, with a plus where only a minus kept what stood there apart from the number before it."""
    before = data[span[0] - 1 : span[0]]
    return f"+{text}" if (before.isdigit() or before == b".") and text[0] not in "+-" else text


def respelled(old: str, values: Sequence[float], least_decimals: int = 0) -> str:
    """`old` with the numbers in it, one or a quaternion's four, replaced by values spelled like them."""
    if len(_NUMBER.findall(old)) != len(values):
        raise ValueError(f"{old!r} doesn't hold {len(values)} numbers")
    new = iter(values)
    return _NUMBER.sub(lambda match: spell(match[0], next(new), least_decimals), old)


def numbers(text: str) -> tuple[float, ...]:
    """The numbers in a spelling: one, or a quaternion's four."""
    return tuple(float(number) for number in _NUMBER.findall(text))


def write(shot: Shot, path: Path) -> bytes:
    """The shot as the bytes of a whole new file in the format of the path's ending; writes nothing yet."""
    kind, _ = _format_of(path)
    return _module(kind).write(shot)


def _format_of(path: Path) -> tuple[str, str]:
    """Format and ending of a file's name. InputError for an ending that isn't known."""
    for ending, kind in ENDINGS.items():
        if path.name.casefold().endswith(ending):
            return kind, ending
    if path.is_dir():
        raise InputError(str(path), "it is a folder", f"a file ending in {', '.join(ENDINGS)}")
    raise InputError(str(path), "its ending isn't known", f"a file ending in {', '.join(ENDINGS)}")


def _module(kind: str) -> _Format:
    return cast(_Format, importlib.import_module(f"refine.formats.{_MODULES[kind]}"))


def _spans(document: Document, places: Sequence[Place]) -> list[Span]:
    return _module(document.format).spans(document.data, document.shot, places) if places else []

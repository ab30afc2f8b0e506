"""Making the changes of a suggestion in the file that they belong to, and proving what was written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from refine.applicable import already_so, unfit
from refine.changes import Change, as_json, made, moved_keys, reversals
from refine.errors import InputError
from refine.formats import Document, numbers, parsed, patched
from refine.formats.checked import NOTED_LENGTH
from refine.formats.splice import Span
from refine.names import Selector, channel_names, selector
from refine.shot import QUATERNION, Array, Channel, Shot

SCHEMA = "motion-refine/applied/1"
_ROUNDING = 1e-7  # relative


@dataclass(frozen=True, slots=True)
class Applied:
    """The new bytes, the changes that were made, those that no longer match with the reason, and those that the
    document already had. `edits` are those made as they were made in the document: backwards where it is an undo.
    """

    data: bytes
    made: tuple[Change, ...]
    left: tuple[tuple[Change, str], ...]
    edits: tuple[Change, ...]
    already: tuple[Change, ...] = ()


def chosen(changes: Sequence[Change], only: Sequence[str], shot: Shot) -> list[Change]:
    """The changes that any of the selectors names; all of them without selectors. InputError."""
    if not only:
        return list(changes)
    known = {(change.control, change.channel) for change in changes}
    named = set[Change]()
    for text in only:
        wanted = _selector(text, known, shot)
        matching = [c for c in changes if wanted.matches(c.control, c.channel, c.frame)]
        if not matching:
            frames = sorted(
                {
                    c.frame
                    for c in changes
                    if replace(wanted, frames=None).matches(c.control, c.channel, c.frame)
                }
            )
            allowed = (
                f"frames {', '.join(f'{frame:g}' for frame in frames[:12])}{' ...' * (len(frames) > 12)}"
            )
            raise InputError(f"--only {text}", "the suggestion has no change there", allowed)
        named.update(matching)
    return [change for change in changes if change in named]


def _selector(text: str, known: set[tuple[str, str]], shot: Shot) -> Selector:
    """What is named of the `known` (control, channel) pairs. InputError, another one for what only the shot has."""
    try:
        return selector(text, known, "--only", between=True)
    except InputError as error:
        if not error.found.startswith("no "):  # else what is wrong is how it is spelled
            raise
        there = [name for c, ch in channel_names(shot) for name in (c, f"{c}.{ch}")]
        if any(text == name or text.startswith(f"{name}@") for name in there):
            allowed = ", ".join(sorted(".".join(pair) for pair in known)) or "none"
            why = "the suggestion has no change for it"
            raise InputError(f"--only {text}", why, allowed) from None
        raise


def applied(
    document: Document, sha256: str, changes: Sequence[Change], *, undo: bool = False, rebase: bool = False
) -> Applied:
    """The document's bytes with the changes made, or put back.

    A suggestion belongs to one file by its sha256: InputError for another one, unless `rebase` asks for what still
    matches. What can't be made is listed in `left`.
    """
    if undo:
        return take_back(document, changes)
    if document.sha256 != sha256 and not rebase:
        remedy = "make the suggestion anew, or say --rebase to make what still matches"
        raise InputError(
            document.path.name, "the suggestion was made for another file", "the file itself", remedy
        )
    return apply(document, changes)


def apply(document: Document, changes: Sequence[Change]) -> Applied:
    """Each change whose `before` stands in the document is made; the others are named."""
    judged = list(zip(changes, unfit(document, changes), strict=True))
    done = tuple(change for change, why in judged if not why)
    so = already_so(document, changes) if len(done) < len(changes) else [False] * len(changes)
    already = tuple(change for (change, why), is_so in zip(judged, so, strict=True) if why and is_so)
    left = tuple(each for each, is_so in zip(judged, so, strict=True) if each[1] and not is_so)
    numbers_of = [(change.place, change.after_text) for change in done if change.key is None]
    return Applied(patched(document, numbers_of, _grown(document, done)), done, left, done, already)


def _grown(document: Document, changes: Sequence[Change]) -> list[tuple[Span, str]]:
    """The spans of the keys that some changes put into a file or take out of it."""
    if all(change.key is None for change in changes):
        return []
    from refine.formats import grown

    puts = [
        grown.Put(c.place, c.key, "" if numbers(c.after_text) == (c.frame,) else c.after_text, c.line)
        for c in changes
        if c.key is not None and not c.taken
    ]
    return grown.edits(document, [c.place for c in changes if c.taken], puts, moved_keys(changes))


def take_back(document: Document, changes: Sequence[Change]) -> Applied:
    """Each change whose `after` stands in the document is put back, in the spelling it had; others are named."""
    reverse = reversals(changes)
    back = apply(document, reverse)
    original = dict(zip(reverse, changes, strict=True))
    left = tuple((original[change], why) for change, why in back.left)
    done, already = (tuple(original[change] for change in each) for each in (back.made, back.already))
    return Applied(back.data, done, left, back.made, already)


def proof(document: Document, result: Applied, target: Path) -> Callable[[bytes], None]:
    """A check of the bytes as read back: they parse to the shot with just these changes.

    InputError when the target's ending belongs to another format.
    """
    source = parsed(document.data, document.path)
    if _ending(target) != _ending(document.path):
        found, allowed = f"it ends in {_ending(target)!r}", f"a name ending in {_ending(document.path)}"
        raise InputError(str(target), found, allowed, "a change keeps the format of its source")

    def check(data: bytes) -> None:
        written = parsed(data, document.path)
        wanted = _expected(source, result)
        if not _same(written, wanted):
            raise InputError(str(target), "what was read back isn't what should have been written")

    return check


def _ending(path: Path) -> str:
    return "".join(path.suffixes[-2:]).casefold() if path.suffix.casefold() != ".bvh" else ".bvh"


def _expected(shot: Shot, result: Applied) -> Shot:
    """The source's shot after the changes, by the model and not by the splicer."""
    return made(shot, result.edits)


def _same(written: Shot, wanted: Shot) -> bool:
    """Whether two shots have the same numbers; quaternions once both are of unit length.

    A table's controls and channels stand in the order of their first keys, which may be other ones by now.
    """
    a, b = (
        {(control.name, channel.name): channel for control in shot.controls for channel in control.channels}
        for shot in (written, wanted)
    )
    names = {control.name for control in written.controls} == {control.name for control in wanted.controls}
    return names and a.keys() == b.keys() and all(a[n] == b[n] or _near(a[n], b[n]) for n in a)


def _near(written: Channel, wanted: Channel) -> bool:
    """Equal but for rounding, and for what a reader does to quaternions.

    It brings a value to unit length, and by the same factor its slopes, which may thus be off by NOTED_LENGTH.
    """
    if written.samples is not None and wanted.samples is not None:
        return _close(written.samples, _of_unit_length(wanted.samples), _ROUNDING)
    if written.keys is None or wanted.keys is None:
        return False
    if not _close(written.keys.values, _of_unit_length(wanted.keys.values), _ROUNDING):
        return False
    for name in ("incoming_reach", "outgoing_reach", "segment"):
        if not np.array_equal(getattr(written.keys, name), getattr(wanted.keys, name), equal_nan=True):
            return False
    within = _ROUNDING if wanted.name != QUATERNION else 2 * NOTED_LENGTH
    return _close(written.keys.frames, wanted.keys.frames, _ROUNDING) and all(
        _close(getattr(written.keys, side), getattr(wanted.keys, side), within)
        for side in ("incoming", "outgoing")
    )


def _close(a: Array, b: Array, within: float) -> bool:
    return a.shape == b.shape and np.allclose(a, b, within, 1e-9)


def _of_unit_length(values: Array) -> Array:
    """Quaternions (N, 4) normalised; other values (N, 1) as they are."""
    return values if values.shape[1] == 1 else values / np.linalg.norm(values, axis=1, keepdims=True)


def as_document(result: Applied, written: Path | None) -> dict[str, Any]:
    """The JSON form, described by refine/schemas/applied.schema.json."""
    return {
        "schema": SCHEMA,
        "written": None if written is None else written.name,
        "made": [as_json(change) for change in result.made],
        "already": [as_json(change) for change in result.already],
        "left": [{"change": as_json(change), "reason": reason} for change, reason in result.left],
    }

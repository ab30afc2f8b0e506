"""A change: one number of a shot, before and after, and how to make it, undo it and find it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from refine.formats import Document, numbers, patched, spellings
from refine.formats.shot_channels import written_key
from refine.formats.splice import Place, Span
from refine.key_rows import Key, key_at, matched, no_room, only, with_keys
from refine.rotation import turn
from refine.shot import QUATERNION, Array, Channel, Keys, Shot, frozen

Field = Literal["value", "incoming_slope", "outgoing_slope", "key"]
Number = float | tuple[float, ...]

_FIELDS: tuple[tuple[Field, str], ...] = (
    ("value", "values"),
    ("incoming_slope", "incoming"),
    ("outgoing_slope", "outgoing"),
)


@dataclass(frozen=True, slots=True)
class Change:
    """One number (or a quaternion's four, XYZW) of a key or sample.

    `field` "key" moves a key in time: before and after are frames. `before_text` is the source's own spelling,
    so that an undo gives back the same bytes. Slopes are per frame. `turn` is the rotation vector between two
    quaternions in degrees, on the child's side.

    A key that is added, or taken out (`taken`), stands in `key`; its `before`, or `after`, is null for a reader, and
    equal to the other, the frame, in here. The text of one that is taken out is all its text in the file, and `line`
    where that stood in a table. Both on one frame put another key in the place of one.
    """

    control: str
    channel: str
    frame: float
    field: Field
    before: Number
    after: Number
    before_text: str
    after_text: str
    unit: str
    turn: tuple[float, float, float] | None = None
    key: Key | None = None
    taken: bool = False
    line: int | None = None

    @property
    def place(self) -> Place:
        return Place(self.control, self.channel, self.frame, self.field)

    @property
    def result_place(self) -> Place:
        """Where the number stands once the change is made: a moved key is found on its new frame."""
        frame = float(np.ravel(self.after)[0]) if self.field == "key" else self.frame
        return Place(self.control, self.channel, frame, self.field)

    def reversed(self, frame: float | None = None) -> Change:
        """The change that undoes this one; `frame` is where its key stands by then, if another change moved it."""
        there = self.result_place.frame if frame is None else frame
        back = replace(self, before=self.after, after=self.before, frame=there)
        turned = None if self.turn is None else (-self.turn[0], -self.turn[1], -self.turn[2])
        if self.key is not None:
            back = replace(back, taken=not self.taken)
        return replace(back, before_text=self.after_text, after_text=self.before_text, turn=turned)


def reversals(changes: Sequence[Change]) -> list[Change]:
    """The changes that undo these, one for one: the numbers of a key that was moved are found on its new frame."""
    moved = _moved(changes)
    frames = (moved.get(replace(c.place, field="key")) if c.key is None else None for c in changes)
    return [change.reversed(frame) for change, frame in zip(changes, frames, strict=True)]


def _moved(changes: Iterable[Change]) -> dict[Place, float]:
    """Where the keys go that are moved in time."""
    return {c.place: c.result_place.frame for c in changes if c.field == "key" and c.key is None}


def number(row: Array) -> Number:
    return float(row[0]) if len(row) == 1 else tuple(float(value) for value in row)


def unit_of(channel: Channel, field: Field) -> str:
    if field == "key":
        return "frame"
    return channel.unit if field == "value" else f"{channel.unit or '1'}/frame"


def differences(before: Shot, after: Shot) -> list[Change]:
    """All changes between two shots with the same rig, channels and numbers of keys, spelled in full."""
    found: list[Change] = []
    for old, new in zip(before.controls, after.controls, strict=True):
        for channel, changed in zip(old.channels, new.channels, strict=True):
            if channel is not changed:
                found += channel_differences(before, old.name, channel, changed)
    return found


def channel_differences(shot: Shot, control: str, old: Channel, new: Channel) -> list[Change]:
    """The changes between two states of a channel with as many samples, or with keys changed, added and taken out."""
    found = []
    if old.samples is not None and new.samples is not None:
        for n in np.flatnonzero(np.any(old.samples != new.samples, axis=1)):
            frame = float(shot.first_frame + n)
            found.append(_change(control, old, frame, "value", old.samples[n], new.samples[n]))
    elif old.keys is not None and new.keys is not None:
        found += _key_differences(control, old, old.keys, new.keys)
    return found


def _key_differences(control: str, channel: Channel, old: Keys, new: Keys) -> list[Change]:
    """In order of frames; of a key in the place of another one, what goes first."""
    same, found = matched(old, new), []
    for k, frame in enumerate(old.frames.tolist()):
        if k not in same:
            found.append(_whole(control, channel, frame, key_at(old, k), taken=True))
            continue
        j = same[k]
        if frame != new.frames[j]:
            pair = old.frames[k : k + 1], new.frames[j : j + 1]
            found.append(_change(control, channel, frame, "key", *pair))
        for field, name in _FIELDS:
            row, now = getattr(old, name)[k], getattr(new, name)[j]
            if np.any(row != now):
                found.append(_change(control, channel, frame, field, row, now))
    added = sorted(set(range(len(new))) - set(same.values()))
    found += [_whole(control, channel, float(new.frames[j]), key_at(new, j), taken=False) for j in added]
    return sorted(found, key=lambda change: change.frame)


def _change(
    control: str, channel: Channel, frame: float, field: Field, before: Array, after: Array
) -> Change:
    old, new = number(before), number(after)
    by = turned(before, after) if channel.name == QUATERNION and field == "value" else None
    unit = unit_of(channel, field)
    return Change(control, channel.name, frame, field, old, new, _plain(old), _plain(new), unit, by)


def _whole(control: str, channel: Channel, frame: float, key: Key, taken: bool) -> Change:
    """A key that is added or taken out."""
    text = _plain(frame)
    texts = (text, "") if taken else ("", text)
    return Change(control, channel.name, frame, "key", frame, frame, *texts, "frame", key=key, taken=taken)


def turned(before: Array, after: Array) -> tuple[float, float, float]:
    """The rotation vector from one quaternion to another, in degrees, on the child's side."""
    x, y, z = np.rad2deg(turn(before, after))
    return float(x), float(y), float(z)


def _plain(value: Number) -> str:
    return repr(value) if isinstance(value, float) else "[" + ", ".join(map(repr, value)) + "]"


def made(shot: Shot, changes: Iterable[Change]) -> Shot:
    """The shot with the changes made. KeyError where a control, channel or key isn't there."""
    by_channel: dict[tuple[str, str], list[Change]] = {}
    for change in changes:
        by_channel.setdefault((change.control, change.channel), []).append(change)
    for (control, name), group in by_channel.items():
        channel = shot.controls[shot.index(control)].channel(name)
        if channel is None:
            raise KeyError(f"{control}.{name}")
        shot = shot.with_channel(control, _made_channel(shot, channel, group))
    return shot


def _made_channel(shot: Shot, channel: Channel, changes: list[Change]) -> Channel:
    if channel.samples is not None:
        samples = channel.samples.copy()
        for change in changes:
            samples[int(change.frame) - shot.first_frame] = change.after
        return replace(channel, samples=frozen(samples))
    assert channel.keys is not None
    return replace(channel, keys=_made_keys(channel.keys, changes))


def _made_keys(keys: Keys, changes: Sequence[Change]) -> Keys:
    arrays = {name: getattr(keys, name).copy() for _, name in _FIELDS}
    frames, kept = keys.frames.copy(), np.ones(len(keys), np.bool_)
    names: dict[str, str] = dict(_FIELDS)
    new = [change for change in changes if change.key is not None and not change.taken]
    for change in changes:
        if change in new:
            continue
        k = keys.index(change.frame)
        if k is None:
            raise KeyError(f"{change.control}.{change.channel}@{change.frame:g}")
        if change.taken:
            kept[k] = False
        elif change.field == "key":
            frames[k] = change.after
        else:
            arrays[names[change.field]][k] = change.after
    left = only(keys.changed(frames=frames, **arrays), kept)
    return with_keys(left, [c.frame for c in new], [c.key for c in new if c.key is not None])


@dataclass(frozen=True, slots=True)
class Applied:
    """The new bytes, the changes that were made, those that no longer match with the reason, and those that the
    document already had.
    """

    data: bytes
    made: tuple[Change, ...]
    left: tuple[tuple[Change, str], ...]
    undone: bool = False
    already: tuple[Change, ...] = ()


def apply(document: Document, changes: Sequence[Change]) -> Applied:
    """Each change whose `before` stands in the document is made; the others are named."""
    judged = list(zip(changes, _unfit(document, changes), strict=True))
    done = tuple(change for change, why in judged if not why)
    so = _already(document, changes) if len(done) < len(changes) else [False] * len(changes)
    already = tuple(change for (change, why), is_so in zip(judged, so, strict=True) if why and is_so)
    left = tuple(each for each, is_so in zip(judged, so, strict=True) if each[1] and not is_so)
    numbers_of = [(change.place, change.after_text) for change in done if change.key is None]
    return Applied(patched(document, numbers_of, _grown(document, done)), done, left, already=already)


def _already(document: Document, changes: Sequence[Change]) -> list[bool]:
    """Whether what each change wants stands in the document: its number is found there as to undo it.

    A key that was to go has gone also where another change puts or moves one to its frame.
    """
    shot = document.shot
    lands = {c.result_place for c in changes if c.field == "key" and not c.taken}
    plain = iter(_unfit_numbers(document, [c for c in reversals(changes) if c.key is None]))
    so = {}
    for change in changes:
        gone = change.place in lands or _standing(shot, replace(change.place, field="key")) is None
        if change.key is None:
            so[change] = not next(plain) and (change.field != "key" or gone)
        elif not change.taken:
            so[change] = _key_standing(shot, change.place) == change.key
    there = {change.result_place for change, is_so in so.items() if is_so}
    for change in changes:
        if change.taken:
            channel, key = _channel_at(shot, change.place), _key_standing(shot, change.place)
            emptied = channel is not None and channel.keys is not None and key is None
            so[change] = emptied or (key is not None and change.place in there)
    return [so[change] for change in changes]


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
    return grown.edits(document, [c.place for c in changes if c.taken], puts, _moved(changes))


def _unfit(document: Document, changes: Sequence[Change]) -> list[str]:
    """Why each change can't be made in a document; empty where it can.

    A key may go where another one stands that goes away at the same time, if that one can.
    """
    plain = iter(_unfit_numbers(document, [change for change in changes if change.key is None]))
    gone = {change.place for change in changes if change.taken}
    why = ["" if change.key is not None else next(plain) for change in changes]
    why = [w or _key_goes(c, gone) for c, w in zip(changes, why, strict=True)]
    for when in range(_LAST + 1):
        leaving = _leaving(changes, why)
        for n, change in enumerate(changes):
            if _turn(change) == when and not why[n]:
                why[n] = _no_room(document, change, leaving.get((change.control, change.channel), ()))
    return _with_one_kept(document, changes, why)


def _key_goes(change: Change, gone: set[Place]) -> str:
    other = change.key is None and replace(change.place, field="key") in gone
    return "its key is taken out" if other else ""


def _with_one_kept(document: Document, changes: Sequence[Change], why: list[str]) -> list[str]:
    """The reasons, with one where all keys of a channel would go: what comes instead has no place to go to."""
    taken: dict[tuple[str, str], int] = {}
    for change, reason in zip(changes, why, strict=True):
        if change.taken and not reason:
            name = change.control, change.channel
            taken[name] = taken.get(name, 0) + 1
    for n, change in enumerate(changes):
        count = taken.get((change.control, change.channel))
        keys = None if not count else getattr(_channel_at(document.shot, change.place), "keys", None)
        if change.key is not None and keys is not None and len(keys) == count:
            why[n] = why[n] or "all of the channel's keys would go"
    return why


_TAKEN, _MOVED, _SET, _LAST = range(4)


def _turn(change: Change) -> int:
    """When a change is judged: what goes first, then what may have to make room for it, at last what is put in."""
    if change.key is not None:
        return _TAKEN if change.taken else _LAST
    return _MOVED if change.field == "key" else _SET


def _leaving(changes: Sequence[Change], why: Sequence[str]) -> dict[tuple[str, str], list[float]]:
    """Of each channel the frames whose keys go away."""
    found: dict[tuple[str, str], list[float]] = {}
    for change, reason in zip(changes, why, strict=True):
        if not reason and _turn(change) in (_TAKEN, _MOVED):
            found.setdefault((change.control, change.channel), []).append(change.frame)
    return found


def _no_room(document: Document, change: Change, leaving: Sequence[float]) -> str:
    channel, turn = _channel_at(document.shot, change.place), _turn(change)
    if change.key is not None:
        return no_room(channel, change.frame, change.key, change.taken, leaving)
    frame = change.result_place.frame
    if turn == _SET or channel is None or channel.keys is None:
        return ""
    there = channel.keys.index(frame) is not None and frame not in leaving
    return f"a key stands on frame {frame:g}" if there else ""


def _unfit_numbers(document: Document, changes: Sequence[Change]) -> list[str]:
    here = [_standing(document.shot, change.place) for change in changes]
    # A reader brings quaternions to unit length, so that only their spelling says whether they are the same.
    turns = [n for n, c in enumerate(changes) if here[n] is not None and c.channel == QUATERNION]
    texts = dict(zip(turns, spellings(document, [changes[n].place for n in turns]), strict=True))
    found = [numbers(texts[n]) if n in texts else row for n, row in enumerate(here)]
    wanted = [
        numbers(c.before_text) if n in texts else tuple(np.ravel(c.before).tolist())
        for n, c in enumerate(changes)
    ]
    return [
        "" if row is not None and row == want else _why(row, change.before_text)
        for row, want, change in zip(found, wanted, changes, strict=True)
    ]


def undo(document: Document, changes: Sequence[Change]) -> Applied:
    """Each change whose `after` stands in the document is put back, in the spelling it had; others are named."""
    reverse = reversals(changes)
    back = apply(document, reverse)
    original = dict(zip(reverse, changes, strict=True))
    left = tuple((original[change], why) for change, why in back.left)
    done, already = (tuple(original[change] for change in each) for each in (back.made, back.already))
    return Applied(back.data, done, left, True, already)


def _why(found: tuple[float, ...] | None, wanted: str) -> str:
    if found is None:
        return "no such key or sample is there"
    return f"{', '.join(f'{value:g}' for value in found)} stands there, not {wanted}"


def _channel_at(shot: Shot, place: Place) -> Channel | None:
    control = next((control for control in shot.controls if control.name == place.control), None)
    return control.channel(place.channel) if control is not None else None


def _key_standing(shot: Shot, place: Place) -> Key | None:
    """The key on a frame, None where there is none."""
    channel = _channel_at(shot, place)
    keys = None if channel is None else channel.keys
    k = None if keys is None else keys.index(place.frame)
    return None if keys is None or k is None else key_at(keys, k)


def _standing(shot: Shot, place: Place) -> tuple[float, ...] | None:
    """The number or numbers at a place, None where nothing stands."""
    channel = _channel_at(shot, place)
    if channel is None:
        return None
    if channel.samples is not None:
        n = place.frame - shot.first_frame
        inside = place.field == "value" and n == int(n) and 0 <= n < len(channel.samples)
        return tuple(channel.samples[int(n)].tolist()) if inside else None
    assert channel.keys is not None
    k = channel.keys.index(place.frame)
    if k is None:
        return None
    if place.field == "key":
        return (float(channel.keys.frames[k]),)
    names: dict[str, str] = dict(_FIELDS)
    return tuple(getattr(channel.keys, names[place.field])[k].tolist())


def as_json(change: Change) -> dict[str, Any]:
    """The contract's form of a change."""
    beside = ("turn", "key", "taken", "line")
    plain: dict[str, Any] = {name: getattr(change, name) for name in Change.__slots__ if name not in beside}
    plain["before"], plain["after"] = _listed(change.before), _listed(change.after)
    if change.key is not None:
        side, word = ("after", "removed") if change.taken else ("before", "added")
        plain[side], plain[f"{side}_text"] = None, ""
        row = written_key(change.frame, change.key)
        plain[word] = {name: value for name, value in row.items() if name != "frame"}
        plain[word] |= {} if change.line is None else {"line": change.line}
    if change.turn is not None:
        plain["turn"] = list(change.turn)
    return plain


def _listed(value: Number) -> float | list[float]:
    return value if isinstance(value, float) else list(value)

"""A change: one number of a shot, before and after; those between two shots, and a shot that has them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from refine.formats.shot_channels import written_key
from refine.formats.splice import Place
from refine.key_rows import Key, key_at, matched, only, with_keys
from refine.rotation import turn
from refine.shot import QUATERNION, Array, Channel, Keys, Shot, frozen

Field = Literal["value", "incoming_slope", "outgoing_slope", "key"]
Number = float | tuple[float, ...]

FIELDS: tuple[tuple[Field, str], ...] = (
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
    moved = moved_keys(changes)
    frames = (moved.get(replace(c.place, field="key")) if c.key is None else None for c in changes)
    return [change.reversed(frame) for change, frame in zip(changes, frames, strict=True)]


def moved_keys(changes: Iterable[Change]) -> dict[Place, float]:
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
        for field, name in FIELDS:
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
        channel = shot.control(control).channel(name)
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
    arrays = {name: getattr(keys, name).copy() for _, name in FIELDS}
    frames, kept = keys.frames.copy(), np.ones(len(keys), np.bool_)
    names: dict[str, str] = dict(FIELDS)
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

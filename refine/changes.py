"""A change: one number of a shot, before and after, and how to make it, undo it and find it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from refine.formats import Document, numbers, patched, respelled, spellings
from refine.formats.checked import UNIT_LENGTH
from refine.formats.splice import Place, Span
from refine.key_rows import no_room, only, with_keys, without
from refine.rotation import turn
from refine.shot import QUATERNION, Array, Channel, Shot, frozen

Field = Literal["value", "incoming_slope", "outgoing_slope", "key"]
Number = float | tuple[float, ...]
ADDED_DECIMALS = 4  # of the value and the slope of a key that is added

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
    quaternions in degrees, on the child's side. A key that is added has `added`, its value and slope: its `before` is
    null for a reader, and equal to `after`, the frame, in here; `taken` says that it is taken out again.
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
    added: tuple[float, float] | None = None
    taken: bool = False

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
        if self.added is not None:
            back = replace(back, taken=not self.taken)
        return replace(back, before_text=self.after_text, after_text=self.before_text, turn=turned)


def reversals(changes: Sequence[Change]) -> list[Change]:
    """The changes that undo these, one for one: the numbers of a key that was moved are found on its new frame."""
    moved = {(c.control, c.channel, c.frame): c.result_place.frame for c in changes if c.field == "key"}
    return [change.reversed(moved.get((change.control, change.channel, change.frame))) for change in changes]


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
    """The changes between two states of a channel with as many samples, or as many keys and some added ones."""
    found = []
    if old.samples is not None and new.samples is not None:
        for n in np.flatnonzero(np.any(old.samples != new.samples, axis=1)):
            frame = float(shot.first_frame + n)
            found.append(_change(control, old, frame, "value", old.samples[n], new.samples[n]))
    elif old.keys is not None and new.keys is not None:
        rest = new.keys
        if len(rest) > len(old.keys):
            kept = np.isin(rest.frames, old.keys.frames)
            for at in np.flatnonzero(~kept).tolist():
                added = float(rest.values[at, 0]), float(rest.outgoing[at, 0])
                found.append(addition(control, old, float(rest.frames[at]), added))
            rest = only(rest, kept)
        for k, frame in enumerate(old.keys.frames):
            if frame != rest.frames[k]:
                pair = old.keys.frames[k : k + 1], rest.frames[k : k + 1]
                found.append(_change(control, old, float(frame), "key", *pair))
            for field, name in _FIELDS:
                row, now = getattr(old.keys, name)[k], getattr(rest, name)[k]
                if np.any(row != now):
                    found.append(_change(control, old, float(frame), field, row, now))
    return found


def _change(
    control: str, channel: Channel, frame: float, field: Field, before: Array, after: Array
) -> Change:
    old, new = number(before), number(after)
    by = turned(before, after) if channel.name == QUATERNION and field == "value" else None
    unit = unit_of(channel, field)
    return Change(control, channel.name, frame, field, old, new, _plain(old), _plain(new), unit, by)


def addition(control: str, channel: Channel, frame: float, added: tuple[float, float]) -> Change:
    """A key added to a channel, with its value and slope."""
    text = _plain(frame)
    return Change(control, channel.name, frame, "key", frame, frame, "", text, "frame", added=added)


def turned(before: Array, after: Array) -> tuple[float, float, float]:
    """The rotation vector from one quaternion to another, in degrees, on the child's side."""
    x, y, z = np.rad2deg(turn(before, after))
    return float(x), float(y), float(z)


def _plain(value: Number) -> str:
    return repr(value) if isinstance(value, float) else "[" + ", ".join(map(repr, value)) + "]"


def spelled(changes: Sequence[Change], document: Document, least_decimals: int) -> list[Change]:
    """The changes as the file will spell them; what its own decimals can't show is left out."""
    found = [_rounded(change) for change in changes if change.added is not None]
    changes = [change for change in changes if change.added is None]
    texts = spellings(document, [change.place for change in changes])
    lengths = _stated_lengths(changes, document)
    for change, text, length in zip(changes, texts, lengths, strict=True):
        after = respelled(text, (np.ravel(change.after) * length).tolist(), least_decimals)
        if numbers(after) != numbers(text):
            value = tuple(part / length for part in numbers(after))
            exact = value[0] if len(value) == 1 else value
            found.append(replace(change, before_text=text, after_text=after, after=exact))
    return found


def _rounded(change: Change) -> Change:
    """An added key to the digits that it will have in the file."""
    assert change.added is not None
    value, slope = (round(number, ADDED_DECIMALS) for number in change.added)
    return replace(change, added=(value, slope))


def _stated_lengths(changes: Sequence[Change], document: Document) -> list[float]:
    """The length of the quaternion that the file states at each change's key or sample; 1 for other channels.

    A reader brings it to 1, and its slopes by the same factor. The file keeps its length, so that slopes which
    nobody changes mean the same as before.
    """
    turns = [n for n, change in enumerate(changes) if change.channel == QUATERNION and change.field != "key"]
    texts = spellings(document, [replace(changes[n].place, field="value") for n in turns])
    lengths = [1.0] * len(changes)
    for n, text in zip(turns, texts, strict=True):
        length = float(np.linalg.norm(numbers(text)))
        lengths[n] = length if abs(length - 1) > UNIT_LENGTH else 1.0
    return lengths


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
    arrays = {name: getattr(channel.keys, name).copy() for _, name in _FIELDS}
    frames = channel.keys.frames.copy()
    names: dict[str, str] = dict(_FIELDS)
    grown = [change for change in changes if change.added is not None]
    for change in changes:
        if change.added is not None:
            continue
        k = channel.keys.index(change.frame)
        if k is None:
            raise KeyError(f"{change.control}.{change.channel}@{change.frame:g}")
        if change.field == "key":
            frames[k] = change.after
        else:
            arrays[names[change.field]][k] = change.after
    keys = channel.keys.changed(frames=frames, **arrays)
    new = [(change.frame, change.added) for change in grown if change.added is not None and not change.taken]
    keys = without(keys, [change.frame for change in grown if change.taken])
    keys = with_keys(keys, [frame for frame, _ in new], [added for _, added in new]) if new else keys
    return replace(channel, keys=keys)


@dataclass(frozen=True, slots=True)
class Applied:
    """The new bytes, the changes that were made, and those that no longer match with the reason."""

    data: bytes
    made: tuple[Change, ...]
    left: tuple[tuple[Change, str], ...]
    undone: bool = False


def apply(document: Document, changes: Sequence[Change]) -> Applied:
    """Each change whose `before` stands in the document is made; the others are named."""
    judged = list(zip(changes, _unfit(document, changes), strict=True))
    done = tuple(change for change, why in judged if not why)
    left = tuple((change, why) for change, why in judged if why)
    numbers_of = [(change.place, change.after_text) for change in done if change.added is None]
    return Applied(patched(document, numbers_of, _grown(document, done)), done, left)


def _grown(document: Document, changes: Sequence[Change]) -> list[tuple[Span, str]]:
    """The spans of the keys that some changes put into a file or take out of it."""
    keys = [(change.place, change.added, change.taken) for change in changes if change.added is not None]
    if not keys:
        return []
    from refine.formats import grown

    cut = grown.taken_out(document, [place for place, _, taken in keys if taken])
    new = [(place, added) for place, added, taken in keys if not taken]
    return [*((span, "") for span in cut), *grown.put_in(document, new)]


def _unfit(document: Document, changes: Sequence[Change]) -> list[str]:
    """Why each change can't be made in a document; empty where it can."""
    grown = {
        n: no_room(_channel_at(document.shot, c.place), c.frame, c.added, c.taken)
        for n, c in enumerate(changes)
        if c.added is not None
    }
    plain = iter(_unfit_numbers(document, [change for change in changes if change.added is None]))
    return [grown[n] if n in grown else next(plain) for n in range(len(changes))]


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
    return Applied(back.data, tuple(original[change] for change in back.made), left, undone=True)


def _why(found: tuple[float, ...] | None, wanted: str) -> str:
    if found is None:
        return "no such key or sample is there"
    return f"{', '.join(f'{value:g}' for value in found)} stands there, not {wanted}"


def _channel_at(shot: Shot, place: Place) -> Channel | None:
    control = next((control for control in shot.controls if control.name == place.control), None)
    return control.channel(place.channel) if control is not None else None


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
    beside = ("turn", "added", "taken")
    plain: dict[str, Any] = {name: getattr(change, name) for name in Change.__slots__ if name not in beside}
    plain["before"], plain["after"] = _listed(change.before), _listed(change.after)
    if change.added is not None:
        side = "after" if change.taken else "before"
        plain[side], plain[f"{side}_text"] = None, ""
        plain["added"] = {"value": change.added[0], "slope": change.added[1]}
    if change.turn is not None:
        plain["turn"] = list(change.turn)
    return plain


def _listed(value: Number) -> float | list[float]:
    return value if isinstance(value, float) else list(value)

"""What differs between two shots, number by number, and what it does on screen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from refine.changes import Change, as_json, channel_differences
from refine.curve import sample
from refine.key_rows import only
from refine.measure import Move, largest_moves
from refine.pose import pose, reposed
from refine.rig import descendants
from refine.rotation import turn
from refine.shot import Array, Channel, Control, Shot
from refine.view import check_camera, view

SCHEMA = "motion-refine/diff/1"
MOST = 5000  # frames that a difference is measured on, evenly spread where there are more


@dataclass(frozen=True, slots=True)
class Difference:
    """Changes in solve order, what else differs in words, and the controls that moved with their moves on screen.

    The last two are empty where the rigs differ. Controls come as in the changes, then those told apart by samples.
    """

    changes: tuple[Change, ...]
    others: tuple[str, ...]
    moved: tuple[str, ...]
    moves: tuple[Move, ...]
    camera: str
    note: str

    @property
    def any(self) -> bool:
        return bool(self.changes or self.others)


def difference(before: Shot, after: Shot, camera: str | None = None) -> Difference:
    """All that differs. What is seen is measured through the camera of `before`. InputError if it isn't there."""
    check_camera(before, camera)
    others = list(_document_differences(before, after))
    old, new = ({control.name: control for control in shot.controls} for shot in (before, after))
    others += [f"control {name} is only in the first" for name in old if name not in new]
    others += [f"control {name} is only in the second" for name in new if name not in old]
    changes: list[Change] = []
    sampled: list[str] = []
    for name in (name for name in old if name in new):
        found, words = _control_differences(before, old[name], new[name])
        apart = _apart(before, after, old[name], new[name])
        changes += found
        others += [*words, *apart]
        sampled += [name] if apart else []
    moved = tuple(dict.fromkeys([*(change.control for change in changes), *sampled]))
    moves, seen, note = _moves(before, after, moved, [] if sampled else changes, camera)
    return Difference(tuple(changes), tuple(others), moved if moves else (), moves, seen, note)


def _document_differences(before: Shot, after: Shot) -> Iterable[str]:
    for name in ("fps", "first_frame", "last_frame", "up", "metres_per_unit", "loop"):
        if getattr(before, name) != getattr(after, name):
            yield f"{name.replace('_', ' ')}: {getattr(before, name)} -> {getattr(after, name)}"
    for name in ("cameras", "marks", "pins", "gazes"):
        if getattr(before, name) != getattr(after, name):
            yield f"{name} differ"


def _control_differences(shot: Shot, old: Control, new: Control) -> tuple[list[Change], list[str]]:
    changes: list[Change] = []
    words = [
        f"{old.name}: {name.replace('_', ' ')} differs"
        for name in Control.__slots__
        if name != "channels" and getattr(old, name) != getattr(new, name)
    ]
    words += [
        f"{old.name}.{c.name} is only in the first" for c in old.channels if new.channel(c.name) is None
    ]
    words += [
        f"{old.name}.{c.name} is only in the second" for c in new.channels if old.channel(c.name) is None
    ]
    for channel in old.channels:
        other = new.channel(channel.name)
        if other is None or channel == other:
            continue
        changes += channel_differences(shot, old.name, *_counterparts(channel, other))
        words += _channel_words(old.name, channel, other)
    return changes, words


def _comparable(old: Channel, new: Channel) -> bool:
    """Whether each number of one has its counterpart in the other."""
    if old.samples is not None and new.samples is not None:
        return old.samples.shape == new.samples.shape
    return old.keys is not None and new.keys is not None and old.keys.values.shape == new.keys.values.shape


def _counterparts(old: Channel, new: Channel) -> tuple[Channel, Channel]:
    """The channels with the keys that both have, and with all else as the first has it: that differs in words."""
    if old.keys is None or new.keys is None or old.keys.values.shape[1] != new.keys.values.shape[1]:
        return (old, new) if _comparable(old, new) else (old, old)
    one, other = old.keys, new.keys
    if len(one) != len(other):
        one = only(one, np.isin(one.frames, other.frames))
        other = only(other, np.isin(other.frames, one.frames))
    rest = {name: getattr(one, name) for name in ("incoming_reach", "outgoing_reach", "corner", "segment")}
    return replace(old, keys=one), replace(new, keys=replace(other, **rest))


def _channel_words(control: str, old: Channel, new: Channel) -> list[str]:
    name = f"{control}.{old.name}"
    words = [f"{name}: limits differ"] if old.limits != new.limits else []
    if old.keys is None or new.keys is None:
        return words
    if not _comparable(old, new):
        gone = np.setdiff1d(old.keys.frames, new.keys.frames)
        added = np.setdiff1d(new.keys.frames, old.keys.frames)
        words += [f"{name}: key at frame {frame:g} is only in the first" for frame in gone]
        return words + [f"{name}: key at frame {frame:g} is only in the second" for frame in added]
    for field in ("incoming_reach", "outgoing_reach", "corner", "segment"):
        a, b = getattr(old.keys, field), getattr(new.keys, field)
        same = (a == b) | (np.isnan(a) & np.isnan(b)) if field.endswith("reach") else a == b
        at = ", ".join(f"{frame:g}" for frame in old.keys.frames[~same])
        words += [f"{name}: {field.replace('_', ' ')} differs at frame {at}"] if at else []
    return words


def _apart(before: Shot, after: Shot, old: Control, new: Control) -> list[str]:
    """How far channels are apart that have no counterparts number by number, on the whole frames of both shots."""
    found = []
    frames = np.intersect1d(before.frames, after.frames)
    for channel in old.channels:
        other = new.channel(channel.name)
        if other is None or _comparable(channel, other):
            continue
        words = f"{old.name}.{channel.name}: {_held(channel)} -> {_held(other)}"
        if len(frames) and before.fps == after.fps:
            a, b = sample(channel, before, frames), sample(other, after, frames)
            size = np.rad2deg(np.linalg.norm(turn(a, b), axis=1)) if a.shape[1] > 1 else np.abs(b - a)[:, 0]
            k, unit = int(np.argmax(size)), "deg" if a.shape[1] > 1 else channel.unit
            most = f"{size[k]:.3g} {unit}".rstrip()
            words += f", on whole frames at most {most} apart, at frame {frames[k]:g}"
        found.append(words)
    return found


def _held(channel: Channel) -> str:
    """What holds a channel's motion, counted."""
    rows, word = (channel.samples, "sample") if channel.keys is None else (channel.keys.frames, "key")
    assert rows is not None
    return f"{len(rows)} {word}{'s' * (len(rows) != 1)}"


def _moves(
    before: Shot, after: Shot, moved: Sequence[str], changes: Sequence[Change], camera: str | None
) -> tuple[tuple[Move, ...], str, str]:
    """Largest move of each control that differs and what it carries, where both shots have the same rig and frames.

    On the frames that the changes can move; without changes on all of them.
    """
    rigs = [[(c.name, c.parent) for c in shot.controls] for shot in (before, after)]
    baked = any(channel.baked for control in after.controls for channel in control.channels)
    shifted = (before.first_frame, before.last_frame) != (after.first_frame, after.last_frame)
    if not moved or rigs[0] != rigs[1] or (baked and shifted):
        return (), "", ""
    frames = _around(before, changes)
    old = pose(before, frames)
    seen = view(before, old, camera)
    moves = []
    for name in moved:
        # each control's own doing: with what else changed left as it was
        alone = _with_control(before, after, name)
        names = (name, *descendants(before, name))
        moves.append(largest_moves(alone, seen, old, reposed(old, alone, [name]), names)[0])
    return tuple(moves), seen.name, seen.note


def _around(shot: Shot, changes: Sequence[Change]) -> Array:
    """Whole frames that the changes can move: as far as the neighbours of each changed key; all without changes.

    At most MOST of them.
    """
    first, last = (np.inf, -np.inf) if changes else (shot.first_frame, shot.last_frame)
    for change in changes:
        channel = shot.control(change.control).channel(change.channel)
        keys = channel.keys if channel is not None else None
        low = high = change.frame
        if keys is not None:
            k = int(np.searchsorted(keys.frames, change.frame))
            low = keys.frames[k - 1] if k > 0 else shot.first_frame
            high = keys.frames[k + 1] if k + 1 < len(keys) else shot.last_frame
        first, last = min(first, low), max(last, high)
    low, high = max(np.floor(first), shot.first_frame), min(np.ceil(last), shot.last_frame)
    low = min(low, high)
    count = min(int(high - low) + 1, MOST)
    return np.unique(np.rint(np.linspace(low, high, count)))


def _with_control(before: Shot, after: Shot, name: str) -> Shot:
    i, j = before.index(name), after.index(name)
    controls = (*before.controls[:i], after.controls[j], *before.controls[i + 1 :])
    return replace(before, controls=controls)


def as_document(found: Difference, before: str, after: str) -> dict[str, Any]:
    """The JSON form, described by refine/schemas/diff.schema.json."""
    return {
        "schema": SCHEMA,
        "before": before,
        "after": after,
        "camera": found.camera,
        "changes": [as_json(change) for change in found.changes],
        "others": list(found.others),
        "moved": list(found.moved),
        "moves": [
            {"value": move.pixels, "unit": "px", "control": move.control, "frame": move.frame}
            for move in found.moves
        ],
    }

"""What pins and limits forbid an edit that may reach beyond the range that `Locks` look at, and what it has to keep."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample
from refine.shot import Channel, Keys, Pin, Shot

KEPT = ("accent", "meant")  # marks whose keys, or samples, stay as they are
NEARLY = 1e-6  # frames by which a key may miss a frame and stand on it
SAME = 1e-6  # of a unit: less isn't a change


def concerning(pins: Sequence[Pin], control: str, channel: str) -> list[Pin]:
    """The pins that hold a channel or all of its control."""
    return [pin for pin in pins if pin.control == control and pin.channel in (None, channel)]


def pinned_keys(pins: Sequence[Pin], control: str, channel: str, keys: Keys) -> NDArray[np.bool_]:
    """(K,) keys that no edit may touch.

    A pin on a key's own frame holds that key. A pin on a range, or between keys, holds every key that moves
    something in it: those from the last key before it to the first one after it.
    """
    before = np.concatenate([[-np.inf], keys.frames[:-1]])
    after = np.concatenate([keys.frames[1:], [np.inf]])
    held = np.zeros(len(keys), np.bool_)
    for pin in concerning(pins, control, channel):
        a, b = pin.frames
        own = None if pin.is_range else keys.index(a)
        if own is not None:
            held[own] = True
        else:
            held |= (before < b) & (after > a)
    return held


def reaches(pins: Sequence[Pin], control: str, channel: str, first: float, last: float) -> bool:
    """Whether a pin holds anything strictly between two frames, which may be infinite."""
    return any(pin.frames[0] < last and pin.frames[1] > first for pin in concerning(pins, control, channel))


def within(old: Channel, new: Channel) -> bool:
    """Whether no value that was changed lies outside the channel's limits."""
    if new.limits is None:
        return True
    before, after = (c.samples if c.keys is None else c.keys.values for c in (old, new))
    assert before is not None
    assert after is not None
    outside = (after < new.limits.lower) | (after > new.limits.upper)
    return not bool(np.any(outside & (before != after)))


def disturbed(before: Shot, after: Shot) -> tuple[str, ...]:
    """The pins, marked accents and ranges that are meant, by name, that a change of a shot doesn't keep."""
    channels = [
        (control.name, old, new)
        for control, then in zip(before.controls, after.controls, strict=True)
        for old, new in zip(control.channels, then.channels, strict=True)
        if old is not new
    ]
    pins = [
        f"pin {pin}"
        for pin in before.pins
        if any(
            not _holds(before, old, new, pin.frames, not pin.is_range)
            for name, old, new in channels
            if concerning([pin], name, old.name)
        )
    ]
    marks = [
        f"{mark.kind} {mark.frames[0]:g}:{mark.frames[1]:g} of {' and '.join(mark.controls) or 'all'}"
        for mark in before.marks
        if mark.kind in KEPT
        and any(
            not _holds(before, old, new, mark.frames, True)
            for name, old, new in channels
            if not mark.controls or name in mark.controls
        )
    ]
    return (*pins, *marks)


def _holds(shot: Shot, old: Channel, new: Channel, span: tuple[float, float], by_keys: bool) -> bool:
    """Whether a channel is the same in a range: the keys that stand in it, where there are any and they are what is
    held, else its values on whole frames."""
    a, b = span
    if by_keys and old.keys is not None and new.keys is not None:
        first, second = (_inside(keys, a, b) for keys in (old.keys, new.keys))
        if len(first) or len(second):
            return first == second
    frames = np.array([a]) if a == b else np.arange(np.ceil(a), np.floor(b) + 1.0)
    frames = frames[(frames >= shot.first_frame) & (frames <= shot.last_frame)]
    return bool(np.allclose(sample(old, shot, frames), sample(new, shot, frames), rtol=0.0, atol=SAME))


def _inside(keys: Keys, a: float, b: float) -> list[tuple[object, ...]]:
    """Frame, values and slopes of the keys in a range."""
    at = np.flatnonzero((keys.frames >= a - NEARLY) & (keys.frames <= b + NEARLY))
    rows = (keys.frames, keys.values, keys.incoming, keys.outgoing)
    return [tuple(np.ravel(row[k]).tolist() for row in rows) for k in at]

"""What pins and limits forbid an edit that may reach beyond the range that `Locks` look at."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from refine.shot import Channel, Keys, Pin


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

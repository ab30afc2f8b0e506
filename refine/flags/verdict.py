"""What a look at a shot says of a mend: whether the flag is gone or much smaller, and nothing else got worse."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from refine.flags.check import TRIES, at_least
from refine.flags.flag import SAID, Flag, twin
from refine.flags.keys import OF_KEYS
from refine.flags.stage import Stage
from refine.flags.told import IN_SAMPLES
from refine.key_rows import content, key_at

BESIDE = 4  # frames beside one that is out of place, by which it is told [judge]
LITTLE = 1 / 3  # [judge] of its frames that may move of a tremor that was there before
MANY = 2  # [judge] times as many new warnings as there were, for which these aren't worth a mend
SMALLER = 0.5  # [judge] of its amount that a flag may keep and still count as mended


def worse(flag: Flag, before: Sequence[Flag], after: Sequence[Flag]) -> str:
    """Why a mend isn't accepted; "" if it is."""
    return stays(flag, after) or next((each.why for each in brought([flag], before, after)), "")


def stays(flag: Flag, after: Sequence[Flag]) -> str:
    """How much is left of a flag; "" where it is gone or much smaller."""
    rest = twin(flag, after)
    if rest is None or rest.amount <= SMALLER * flag.amount:
        return ""
    if rest.amount >= flag.amount:
        return "nothing that could be tried makes it smaller"
    return f"what could be tried leaves {rest.amount:.3g} {rest.unit} of {flag.amount:.3g}"


class Brought(NamedTuple):
    """A new flag for which a mend isn't accepted, and that in words."""

    flag: Flag
    why: str


def brought(mended: Sequence[Flag], before: Sequence[Flag], after: Sequence[Flag]) -> Iterator[Brought]:
    """What mends bring that they mustn't: new errors, those of their own fault, and for warnings many others.

    Where one of several is chosen, it brings no new flag at all.
    """
    faults = {flag.fault for flag in mended}
    new = [other for other in at_least(after, "warn") if is_new(other, before)]
    light = all(flag.severity != "error" for flag in mended)
    every = not faults.isdisjoint(TRIES) or (light and len(new) > MANY * len(mended))
    for other in new:
        if every or other.severity == "error" or other.fault in faults:
            why = f"mending it would make a new {SAID[other.severity]}: {other.control}: {other.message}"
            yield Brought(other, why)


def is_new(flag: Flag, before: Sequence[Flag]) -> bool:
    """Whether a finding wasn't there, or stood elsewhere by the same cause and less."""
    same = twin(flag, before)
    return same is None or (same.control != flag.control and flag.amount > same.amount)


def outshone(before: Stage, after: Stage, mended: Sequence[Flag], found: Sequence[Flag]) -> list[Flag]:
    """Flags that what is mended outshone: of its faults where nothing moved, of what a control's own motion shows where
    nothing moved beside it either, and what untouched keys tell."""
    faults = {flag.fault for flag in mended}
    return [
        other
        for other in found
        if (other.fault in faults and still(before, after, other))
        or (other.fault in IN_SAMPLES and still(before, after, other, BESIDE))
        or untouched(before, after, other)
    ]


def untouched(before: Stage, after: Stage, flag: Flag) -> bool:
    """Whether a flag is of keys that are as they were: they tell more once the shot's habit is clearer."""
    if flag.fault not in OF_KEYS or flag.cause.channel is None:
        return False
    old, new = (stage.control(flag.cause.control).channel(flag.cause.channel) for stage in (before, after))
    if old is None or new is None or old.keys is None or new.keys is None:
        return False
    return old is new or content(old.keys) == content(new.keys)


def as_they_were(before: Stage, after: Stage, flag: Flag) -> bool:
    """Whether the keys that a flag names, or some of them, are as they were."""
    old, new = (
        stage.control(flag.cause.control).channel(flag.cause.channel or "") for stage in (before, after)
    )
    if old is None or new is None or old.keys is None or new.keys is None:
        return False
    at = [(old.keys.index(frame), new.keys.index(frame)) for frame in flag.cause.frames]
    return any(j is not None and k is not None and key_at(old.keys, j) == key_at(new.keys, k) for j, k in at)


def still(before: Stage, after: Stage, flag: Flag, beside: int = 0) -> bool:
    """Whether nothing moved where a flag stands and some frames `beside` it, or little of a tremor."""
    i, (a, b) = before.control_at[flag.control], (frame - before.range[0] for frame in flag.frames)
    if flag.fault != "jitter":
        a, b = max(a - beside, 0), min(b + beside, len(before.frames) - 1)
    moved = np.zeros(b + 1 - a, np.bool_)
    for name in ("linear", "origin"):
        old, new = (
            getattr(stage.posed, name)[i, a : b + 1].reshape(len(moved), -1) for stage in (before, after)
        )
        moved |= np.any(old != new, axis=1)
    return float(np.mean(moved)) <= (LITTLE if flag.fault == "jitter" else 0.0)

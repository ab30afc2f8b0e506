"""A share of the way from one state of a channel or a shot to another, for strengths below 1."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from refine.shot import Array, Channel, Keys, Shot, frozen


def part_way(before: Channel, after: Channel, share: float) -> Channel:
    """The keys or samples of a channel, gone `share` of the way from `before` to `after`."""
    if before.samples is not None and after.samples is not None:
        return replace(after, samples=frozen(_mixed(before.samples, after.samples, share)))
    assert before.keys is not None
    assert after.keys is not None
    values = _mixed(before.keys.values, after.keys.values, share)
    slopes = {
        name: _between(getattr(before.keys, name), getattr(after.keys, name), share)
        for name in ("incoming", "outgoing")
    }
    return replace(after, keys=before.keys.changed(values=values, **slopes))


def shot_part_way(
    before: Shot, after: Shot, share: float, whole: Collection[str] = ()
) -> tuple[Shot, tuple[str, ...]]:
    """The shot gone `share` of the way, and the controls of which a channel went all of it.

    Such are those named `whole`, and those whose keys were added, taken out, moved in time or broken: between a key
    and none there is no half way.
    """
    kept: list[str] = []
    for old, new in zip(before.controls, after.controls, strict=True):
        for channel, changed in zip(old.channels, new.channels, strict=True):
            if channel is changed or channel == changed:
                continue
            if old.name in whole or not _alike(channel.keys, changed.keys):
                kept.append(old.name)
            else:
                after = after.with_channel(old.name, part_way(channel, changed, share))
    return after, tuple(dict.fromkeys(kept))


def _between(old: Array, new: Array, share: float) -> Array:
    return old + share * (new - old)  # a step from `old`, so that what doesn't differ stays to the last bit


def _mixed(old: Array, new: Array, share: float) -> Array:
    """(N, D) values between others; quaternions that changed are brought to unit length."""
    values = _between(old, new, share)
    if values.shape[1] == 4:
        changed = np.any(values != old, axis=1)
        values[changed] /= np.linalg.norm(values[changed], axis=1, keepdims=True)
    return values


def _alike(old: Keys | None, new: Keys | None) -> bool:
    """Whether keys differ in values and slopes alone."""
    if old is None or new is None:
        return old is new
    return len(old) == len(new) and all(
        np.array_equal(getattr(old, name), getattr(new, name), equal_nan=name.endswith("reach"))
        for name in ("frames", "incoming_reach", "outgoing_reach", "corner", "segment")
    )

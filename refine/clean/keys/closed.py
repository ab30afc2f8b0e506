"""A loop is keyed with its first frame once more after its last one: so its curves run into themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.clean.loop import round_adds
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Array, Channel, Shot, frozen


def closed(shot: Shot) -> Shot:
    """A loop with one frame more, on which it begins again: turned on if it spins, farther on if it travels."""

    def channel(old: Channel) -> Channel:
        if old.samples is None:
            return old
        first, last = old.samples[0], old.samples[-1]
        if old.name == QUATERNION:
            again = first if first @ last >= 0 else -first  # both are the same turn
        elif old.name in ROTATIONS:
            again = first + round_adds("angles", old.samples)
        else:
            again = first + round_adds("place" if old.name in TRANSLATIONS else "number", old.samples)
        return replace(old, samples=frozen(np.concatenate([old.samples, again[None]])))

    controls = [replace(each, channels=tuple(map(channel, each.channels))) for each in shot.controls]
    return replace(shot, last_frame=shot.last_frame + 1, controls=tuple(controls))


def around(name: str, samples: Array, reach: int) -> Array:
    """(N + 2 reach, D) a channel of a closed loop, which goes on over both its ends."""
    adds, sign = samples[-1] - samples[0], 1.0
    if name == QUATERNION:
        adds, sign = np.zeros_like(adds), 1.0 if samples[0] @ samples[-1] >= 0 else -1.0
    before, after = samples[-1 - reach : -1], samples[1 : 1 + reach]
    return np.concatenate([sign * before - adds, samples, sign * after + adds])

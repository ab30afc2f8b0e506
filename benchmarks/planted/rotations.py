"""Angle wraps planted into clean shots: one jump of a known control, channel and place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmarks.corpus import slopes_by
from refine.shot import ROTATIONS, Array, Channel, Control, Keys, Shot, make_keys

Size = Literal["warn", "error"]
Way = Literal["turn", "sawn, new slopes", "sawn", "triple"]
WAYS: tuple[Way, ...] = ("turn", "sawn, new slopes", "sawn", "triple")
WARN_STEP = (30.0, 85.0)  # deg that the motion itself turns across the jump; what is left of 360 is a warning
TRIED = 400


@dataclass(frozen=True, slots=True)
class Truth:
    """One planted fault: the control, its channel (None: all of it) and the key frames around it."""

    fault: str
    control: str
    channel: str | None
    frames: tuple[float, ...]
    way: str = ""


def plant(shot: Shot, seed: int, size: Size, way: Way | None = None) -> tuple[Shot, Truth]:
    """The shot with one angle wrap. warn: a sawn-off angle whose own motion is large, so that 275 to 330 deg jump.

    turn: whole turns added from a key on, slopes kept. sawn: the channel put where it crosses 180 deg between two
    keys, values brought into -180 to 180, slopes kept. sawn, new slopes: then chord slopes set anew at both keys.
    triple: the other triple of angles from a key on, slopes of the middle angle with the other sign.
    """
    rng = np.random.default_rng([seed, 77, ("warn", "error").index(size)])
    chosen = way or ("sawn" if size == "warn" else WAYS[rng.integers(len(WAYS))])
    for control, channel, k in _places(shot, rng):
        keys = channel.keys
        assert keys is not None
        step = abs(float(keys.values[k + 1, 0] - keys.values[k, 0]))
        if not (WARN_STEP[0] <= step <= WARN_STEP[1] if size == "warn" else 0.5 < step < WARN_STEP[1]):
            continue
        frames = float(keys.frames[k]), float(keys.frames[k + 1])
        if chosen == "triple":
            new = _triple(shot, control, frames)
            if new is None:
                continue
            return new, Truth("angle wrap", control.name, None, frames, chosen)
        spoilt = _turned(keys, k, rng) if chosen == "turn" else _sawn(keys, k, chosen == "sawn, new slopes")
        if np.abs(np.diff(spoilt.values[:, 0])).max() < 180:
            continue
        new = shot.with_channel(control.name, replace(channel, keys=spoilt))
        return new, Truth("angle wrap", control.name, channel.name, frames, chosen)
    raise ValueError(f"{shot.name}: no place for an angle wrap of size {size}")


def _places(shot: Shot, rng: np.random.Generator) -> Iterator[tuple[Control, Channel, int]]:
    turning = [
        (c, ch)
        for c in shot.controls
        for ch in c.channels
        if ch.name in ROTATIONS and ch.keys is not None and len(ch.keys) > 6
    ]
    for _ in range(TRIED if turning else 0):
        control, channel = turning[rng.integers(len(turning))]
        assert channel.keys is not None
        yield control, channel, int(rng.integers(1, len(channel.keys) - 2))


def _turned(keys: Keys, k: int, rng: np.random.Generator) -> Keys:
    values = keys.values.copy()
    values[k + 1 :] += 360.0 if rng.random() < 0.5 else -360.0
    return keys.changed(values=values)


def _sawn(keys: Keys, k: int, slopes_anew: bool) -> Keys:
    middle = float(keys.values[k : k + 2, 0].mean())
    values: Array = (keys.values - middle + 180.0 + 180.0) % 360.0 - 180.0
    slopes = keys.outgoing.copy()
    if slopes_anew:
        slopes[k : k + 2] = slopes_by("chord", keys.frames, values[:, 0])[k : k + 2, None]
    return make_keys(keys.frames, values, slopes)


def _triple(shot: Shot, control: Control, frames: tuple[float, float]) -> Shot | None:
    channels = [control.channel(name) for name in ROTATIONS]
    if any(c is None or c.keys is None or c.keys.index(frames[1]) is None for c in channels):
        return None
    for channel in channels:
        assert channel is not None
        assert channel.keys is not None
        later = channel.keys.frames[:, None] >= frames[1]
        middle = channel.name[-1] == control.order[1]
        sign = -1.0 if middle else 1.0
        values = np.where(later, 180.0 + sign * channel.keys.values, channel.keys.values)
        slopes = np.where(later, sign * channel.keys.outgoing, channel.keys.outgoing)
        shot = shot.with_channel(
            control.name, replace(channel, keys=make_keys(channel.keys.frames, values, slopes))
        )
    return shot

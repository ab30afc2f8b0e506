"""Angle wraps planted into clean shots: one jump of a known control, channel and place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import numpy as np

from benchmarks.corpus import slopes_by
from benchmarks.planted.planted import Planted, Size, Truth, rng_of
from refine.curve import sample
from refine.shot import ROTATIONS, Array, Channel, Control, Keys, Shot, frozen, make_keys

Way = Literal["turn", "sawn, new slopes", "sawn", "triple"]
WAYS: tuple[Way, ...] = ("turn", "sawn, new slopes", "sawn", "triple")
WARN_STEP = (30.0, 85.0)  # deg that the motion itself turns across the jump; what is left of 360 is a warning
TRIED = 400


FAULT = "angle wrap"


def plant(shot: Shot, seed: int, size: Size, way: Way | None = None) -> Planted:
    """The shot with one angle wrap. warn: a sawn-off angle whose own motion is large, so that 275 to 330 deg jump.

    turn: whole turns added from a key on, slopes kept. sawn: the channel put where it crosses 180 deg between two
    keys, values brought into -180 to 180, slopes kept. sawn, new slopes: then chord slopes set anew at both keys.
    triple: the other triple of angles from a key on, slopes of the middle angle with the other sign.
    """
    rng = rng_of(seed, FAULT, size)
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
            names = tuple(channel.name for channel in control.channels if channel.name in ROTATIONS)
            return new, _truth(new, control, names, frames, chosen)
        spoilt = _turned(keys, k, rng) if chosen == "turn" else _sawn(keys, k, chosen == "sawn, new slopes")
        if np.count_nonzero(np.abs(np.diff(spoilt.values[:, 0])) > 180) != 1:
            continue
        new = shot.with_channel(control.name, replace(channel, keys=spoilt))
        truth = _truth(new, control, (channel.name,), frames, chosen)
        if chosen != "turn":  # the same motion about another middle
            whole = make_keys(keys.frames, keys.values + _middle(keys, k), keys.outgoing)
            truth = replace(truth, sound=shot.with_channel(control.name, replace(channel, keys=whole)))
        return new, truth
    return None


def _truth(
    shot: Shot, control: Control, channels: tuple[str, ...], keys: tuple[float, float], way: str
) -> Truth:
    span = int(np.floor(keys[0])), int(np.ceil(keys[1]))
    truth = Truth((FAULT,), (control.name,), channels, span, 0.0, keys, way=way)
    return replace(truth, size=measure(shot, shot, truth))


def measure(shot: Shot, clean: Shot, truth: Truth) -> float:
    """deg: the largest step of an Euler angle between the two keys, or from frame to frame where it is baked."""
    channels = [c for c in shot.control(truth.control).channels if c.name in truth.channels]
    ends = np.array(truth.keys)
    return max(float(np.abs(np.diff(sample(channel, shot, ends)[:, 0]))[0]) for channel in channels)


def plant_baked(shot: Shot, seed: int, size: Size) -> Planted:
    """From a frame on whole turns added to one angle (error), or the other triple of angles (warn)."""
    rng = rng_of(seed, FAULT, size)
    turning = [
        (c, ch)
        for c in shot.controls
        for ch in c.channels
        if ch.name in ROTATIONS and np.ptp(_samples(ch)) > 1
    ]
    control, channel = turning[int(rng.integers(len(turning)))]
    n = int(rng.integers(12, len(shot.frames) - 12))
    keys = float(shot.frames[n - 1]), float(shot.frames[n])
    if size == "error":
        values = _samples(channel).copy()
        values[n:] += 360.0 if rng.random() < 0.5 else -360.0
        new = shot.with_channel(control.name, replace(channel, samples=frozen(values)))
        return new, _truth(new, control, (channel.name,), keys, "turn")
    new = shot
    for each in control.channels:
        if each.name in ROTATIONS:
            values = _samples(each).copy()
            other = 180.0 + (-1.0 if each.name[-1] == control.order[1] else 1.0) * values[n:]
            values[n:] = other - 360.0 * np.round((other[0] - values[n - 1]) / 360.0)
            new = new.with_channel(control.name, replace(each, samples=frozen(values)))
    return new, _truth(new, control, ROTATIONS, keys, "triple")


def _samples(channel: Channel) -> Array:
    assert channel.samples is not None
    return channel.samples


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


def _middle(keys: Keys, k: int) -> float:
    """deg that bring the middle between two keys to 180."""
    return 180.0 - float(keys.values[k : k + 2, 0].mean())


def _sawn(keys: Keys, k: int, slopes_anew: bool) -> Keys:
    values: Array = (keys.values + _middle(keys, k) + 180.0) % 360.0 - 180.0
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

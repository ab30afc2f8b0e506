"""Clean shots made to loop, and one channel of which the last key is set beside the first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.corpus import keyed_shot, slopes_by
from benchmarks.planted.bases import as_baked
from benchmarks.planted.planted import (
    CATALOGUE,
    TIMES,
    Planted,
    Size,
    Truth,
    rng_of,
    with_samples,
)
from refine.habit import moving
from refine.measure import most_moved
from refine.pose import pose
from refine.shot import ROTATIONS, Channel, Keys, Shot, make_keys
from refine.view import view

FAULT = "loop seam"
SPEED = {
    "warn": 0.07,
    "error": 0.2,
}  # share of the speed that it changes by [pub], for which 1.5 times are planted
RAMP = 24  # frames over which a baked channel drifts off
SEEN = 0.8  # px a frame by which a planted change of speed shows at least
TRIED = 200


def looping_clip(clip: str, seed: int) -> Shot:
    """A keyed loop; its slopes are chords, in every second shot flat at extremes."""
    return looping(keyed_shot(clip, seed, "flat" if seed % 2 else "chord"), seed % 2 == 1)


def baked_loop(clip: str, seed: int) -> Shot:
    return replace(as_baked(looping_clip(clip, seed)), loop=True)


def looping(shot: Shot, flat: bool) -> Shot:
    """The shot with its drift from start to end taken out; each last key, like the first, is a frame after the end."""
    for control in shot.controls:
        for channel in control.channels:
            if moving(channel) and channel.keys is not None:
                closed = replace(channel, keys=_closed(channel.keys, shot.last_frame + 1.0, flat))
                shot = shot.with_channel(control.name, closed)
    return replace(shot, loop=True)


def _closed(keys: Keys, end: float, flat: bool) -> Keys:
    frames = keys.frames.copy()
    frames[-1] = end
    values = keys.values[:, 0] - (keys.values[-1, 0] - keys.values[0, 0]) * (frames - frames[0]) / (
        end - frames[0]
    )
    values[-1] = values[0]
    slopes = slopes_by("flat" if flat else "chord", frames, values)
    steps = values[1] - values[0], values[-1] - values[-2]
    across = (values[1] - values[-2]) / (frames[1] - frames[0] + end - frames[-2])
    slopes[[0, -1]] = 0.0 if flat and steps[0] * steps[1] <= 0 else across
    return make_keys(frames, values, slopes)


def plant(shot: Shot, seed: int, size: Size) -> Planted:
    """A looping shot of which one channel ends beside its start (in px), or at another speed."""
    rng, wanted = rng_of(seed, FAULT, size), CATALOGUE[FAULT].of(size)
    posed = pose(shot, shot.frames)
    seen = view(shot, posed)
    alive = [(c.name, ch) for c in shot.controls for ch in c.channels if moving(ch) and ch.name in ROTATIONS]
    for _ in range(TRIED):
        name, channel = alive[int(rng.integers(len(alive)))]
        keys = channel.keys
        assert keys is not None
        pixels = most_moved(shot, posed, seen, name, channel.name)[1]
        values, slopes = keys.values.copy(), keys.incoming.copy()
        way, share = "gap" if rng.random() < 0.5 else "speed", TIMES * SPEED[size]
        if way == "gap":
            values[-1] += rng.choice([-1.0, 1.0]) * wanted / max(pixels, 1e-9)
        else:
            slopes[-1] *= 1 / (1 - share)  # of the larger speed
            if pixels * abs(slopes[-1, 0] - keys.incoming[-1, 0]) < SEEN:
                continue
        if pixels > 0:
            spoilt = keys.changed(values=values, incoming=slopes, outgoing=slopes)
            bad = shot.with_channel(name, replace(channel, keys=spoilt))
            return bad, _truth(shot, name, channel, wanted, way)
    return None


def _truth(shot: Shot, name: str, channel: Channel, wanted: float, way: str) -> Truth:
    end = shot.last_frame + 1.0
    keys = (end,) if channel.keys is not None else ()
    return Truth(
        (FAULT,), (name,), (channel.name,), (shot.first_frame, shot.last_frame), wanted, keys, way=way
    )


def plant_baked(shot: Shot, seed: int, size: Size) -> Planted:
    """A baked loop of which one channel drifts off over its last second."""
    rng, wanted = rng_of(seed, FAULT, size), CATALOGUE[FAULT].of(size)
    posed = pose(shot, shot.frames)
    seen = view(shot, posed)
    names = [(c.name, ch) for c in shot.controls for ch in c.channels if ch.name in ROTATIONS]
    for _ in range(TRIED):
        name, channel = names[int(rng.integers(len(names)))]
        assert channel.samples is not None
        pixels = most_moved(shot, posed, seen, name, channel.name)[1]
        if pixels > 0 and np.ptp(channel.samples) > 1:
            ramp = rng.choice([-1.0, 1.0]) * wanted / pixels * (np.arange(RAMP) + 1) / RAMP
            bad = with_samples(shot, name, channel, shot.last_frame + 1 - RAMP, ramp)
            return bad, _truth(shot, name, channel, wanted, "gap")
    return None


def measure(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px of the gap at the seam, where a shot that is all its own continues; of a change of speed its share by 1.5 px.

    That is, a share of the warning's 7 % counts as much as a gap of the warning's half pixel.
    """
    posed = pose(clean, clean.frames)
    pixels = most_moved(clean, posed, view(clean, posed), truth.control, truth.channels[0])[1]
    channel, sound = (s.channel(truth.control, truth.channels[0]) for s in (shot, clean))
    if channel.keys is None or sound.keys is None:
        assert channel.samples is not None
        assert sound.samples is not None
        # The sound loop says where the last frame lies before the first one.
        wrong = channel.samples[[0, -1], 0] - sound.samples[[0, -1], 0]
        return pixels * abs(float(wrong[1] - wrong[0]))
    ends = channel.keys.values[[0, -1], 0]
    gap = pixels * abs(float(ends[1] - ends[0]))
    out, into = channel.keys.outgoing[0, 0], channel.keys.incoming[-1, 0]
    share = abs(float(out - into)) / max(abs(float(out)), abs(float(into)), 1e-9)
    return max(gap, share / SPEED["warn"] * CATALOGUE[FAULT].warn)

"""Faults of weight planted in clean shots.

A hold is laid into one heavy control from a key on, keys every few frames; then
the control arrives there at the full speed of its last segment (dead stop), or comes from beyond (too much overshoot).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from benchmarks.corpus import screen_points
from benchmarks.planted.bases import as_baked
from benchmarks.planted.planted import CATALOGUE, Planted, Size, Truth, rng_of
from refine.body.arrival import Track, tracks
from refine.body.masses import Body
from refine.curve import sample
from refine.shot import ROTATIONS, Array, Channel, Control, Shot, frozen, make_keys

Kind = Literal["dead stop", "too much overshoot"]
HOLD = 1.0  # s
GAP = 1 / 6  # s between the keys of the hold
PIXELS = {
    "warn": (1.2, 2.5),
    "error": (5.0, 12.0),
}  # of the overshoot that is missing: 1.5 and 6 are asked for
LEAST = 0.4  # of the expected overshoot, from which it isn't missing
WINDOW = 1.4  # peak times in which it is looked for
DRAWS = 300
SWING: Kind = "too much overshoot"


def plant(shot: Shot, seed: int, size: Size, kind: Kind = "dead stop") -> Planted:
    """The keyed shot with one fault, and the truth; None where no place shows it."""
    rng = rng_of(seed, kind, size)
    body = Body(shot)
    heavy = [t for t in tracks(shot, shot.frames, _heavy(body)) if t.kind == "rotation"]
    for _ in range(DRAWS if heavy else 0):
        track = heavy[rng.integers(len(heavy))]
        control = shot.control(track.control)
        found = _held(shot, control, track, rng)
        if found is None:
            continue
        holding, arrival, before = found
        faulty = _stopped(holding, control, arrival, before)
        names, span = track.channels, (before, arrival + round(HOLD * shot.fps))
        if kind == SWING:
            wanted, peak = CATALOGUE[SWING].of(size), arrival + round(GAP * shot.fps)
            swung = _swung(faulty, body, control, arrival, wanted, arrival - before)
            if swung is not None:
                return swung, Truth(
                    (kind,), (control.name,), names, span, wanted, (float(peak),), way=str(arrival)
                )
        else:
            missing = _missing(faulty, body, control.name, arrival)
            if PIXELS[size][0] <= missing <= PIXELS[size][1]:
                at = (float(arrival),)
                return faulty, Truth((kind,), (control.name,), names, span, missing, at, way=str(arrival))
    return None


def plant_swing(shot: Shot, seed: int, size: Size) -> Planted:
    return plant(shot, seed, size, SWING)


def plant_baked(shot: Shot, seed: int, size: Size) -> Planted:
    """A dead stop in a keyed shot that is then baked."""
    found = plant(shot, seed, size)
    return None if found is None else (as_baked(found[0]), replace(found[1], keys=()))


def _past(shot: Shot, truth: Truth, first: int, frames: int) -> tuple[float, float]:
    """deg that the control goes on past where it is on the arrival, and deg a frame at which it comes from `first`."""
    arrival = int(truth.way)
    control = shot.control(truth.control)
    at = np.arange(arrival, arrival + frames + 1.0)
    names = [control.channel(name) for name in truth.channels]
    turns = np.column_stack([sample(c, shot, at)[:, 0] for c in names if c is not None])
    start = np.concatenate([sample(c, shot, np.array([float(first)]))[0] for c in names if c is not None])
    motion = turns[0] - start
    length = float(np.linalg.norm(motion))
    return max(float(((turns - turns[0]) @ motion).max()) / length, 0.0), length / (arrival - first)


def measure_stop(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px of overshoot that is missing; 0 where there is 0.4 of what the mass asks for."""
    response = Body(shot).response(truth.control)
    assert response is not None
    frames = int(np.ceil(WINDOW * response.peak_time * shot.fps))
    past, speed = _past(shot, truth, int(truth.way) - 1, frames)
    share = past / response.overshoot(speed * shot.fps)
    return 0.0 if share >= LEAST else (1 - share) * truth.size


def measure_swing(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Times the upper bound (1.5 of what the mass asks for) that the control goes past the pose it comes to rest in."""
    response = Body(shot).response(truth.control)
    assert response is not None
    arrival, rest = int(truth.way), truth.frames[1]
    past, speed = _past(shot, truth, truth.frames[0], rest - arrival - 2)
    return past / (1.5 * response.overshoot(speed * shot.fps))


def _heavy(body: Body) -> set[str]:
    return {n for n, m in body.carried.items() if m >= 0.05 and body.response(n) is not None}


def _held(
    shot: Shot, control: Control, track: Track, rng: np.random.Generator
) -> tuple[Shot, int, int] | None:
    """The shot with a hold from a key of the control on; that key's frame, and the one of the key before."""
    keys = next(ch.keys for ch in control.channels if ch.name == track.channels[0])
    assert keys is not None
    k = int(rng.integers(2, len(keys) - 2))
    before, arrival = int(keys.frames[k - 2]), int(keys.frames[k])
    last = arrival + round(HOLD * shot.fps)
    if not 5 <= arrival - before <= 18 or last + 6 > shot.last_frame:
        return None
    for name in track.channels:
        channel = control.channel(name)
        assert channel is not None
        shot = shot.with_channel(control.name, _with_hold(channel, arrival, last, round(GAP * shot.fps)))
    return shot, arrival, before


def _with_hold(channel: Channel, first: int, last: int, step: int) -> Channel:
    """The channel standing on its value from a key to a frame, flat keys every few frames, nothing else changed."""
    keys = channel.keys
    assert keys is not None
    k = keys.index(first)
    assert k is not None
    left, right = keys.frames <= first, keys.frames > last + step
    held = np.arange(first + step, last + 1.0, step)
    value, flat = keys.values[k, 0], np.zeros(len(held))
    slopes = keys.outgoing[:, 0].copy()
    slopes[k] = 0.0
    return replace(
        channel,
        keys=make_keys(
            np.concatenate([keys.frames[left], held, keys.frames[right]]),
            np.concatenate([keys.values[left, 0], flat + value, keys.values[right, 0]]),
            np.concatenate([slopes[left], flat, slopes[right]]),
        ),
    )


def _stopped(shot: Shot, control: Control, arrival: int, before: int) -> Shot:
    """The last two segments before the hold straight: their slopes are the chord's, and break at the arrival."""
    for channel in shot.control(control.name).channels:
        if channel.name in ROTATIONS and channel.keys is not None and channel.keys.index(arrival) is not None:
            keys = channel.keys
            k, j = keys.index(arrival), keys.index(before)
            assert k is not None
            assert j is not None
            chord = (keys.values[k] - keys.values[j]) / (arrival - before)
            values, corner = keys.values.copy(), keys.corner.copy()
            into, out = keys.incoming.copy(), keys.outgoing.copy()
            into[j : k + 1], out[j:k], corner[k] = chord, chord, True
            values[j : k + 1] = values[j] + chord * (keys.frames[j : k + 1, None] - before)
            changed = replace(
                keys.changed(values=values, incoming=into, outgoing=out), corner=frozen(corner, np.bool_)
            )
            shot = shot.with_channel(control.name, replace(channel, keys=changed))
    return shot


def _speed(shot: Shot, name: str, arrival: int) -> tuple[Array, str]:
    """Change of the rotation in the frame before, deg, and the channel that changes most."""
    track = next(t for t in tracks(shot, shot.frames, {name}) if t.kind == "rotation")
    step = track.values[arrival] - track.values[arrival - 1]
    return step, track.channels[int(np.argmax(np.abs(step)))]


def _missing(shot: Shot, body: Body, name: str, arrival: int) -> float:
    """px by which the tip of the figure moves if the control goes on by its delta: by posing it, not by a formula."""
    step, _ = _speed(shot, name, arrival)
    response = body.response(name)
    assert response is not None
    share = response.overshoot(shot.fps)  # of the step, in the same unit
    control = shot.control(name)
    moved = shot
    names = [n for n in ROTATIONS if (c := control.channel(n)) is not None and _moves(c)]
    for channel_name, change in zip(names, step, strict=True):
        channel = moved.control(name).channel(channel_name)
        assert channel is not None
        assert channel.keys is not None
        k = channel.keys.index(arrival)
        values = channel.keys.values.copy()
        values[k] += change * share
        moved = moved.with_channel(name, replace(channel, keys=channel.keys.changed(values=values)))
    at = np.array([float(arrival)])
    return float(np.linalg.norm(screen_points(moved, at) - screen_points(shot, at), axis=-1).max())


def _moves(channel: Channel) -> bool:
    return channel.keys is not None and len(channel.keys) > 1


def _swung(shot: Shot, body: Body, control: Control, arrival: int, times: float, frames: int) -> Shot | None:
    """The first key of the hold carried past the pose by so many upper bounds, at the move's mean speed."""
    response = body.response(control.name)
    assert response is not None
    step, _ = _speed(shot, control.name, arrival)
    share = 1.5 * response.overshoot(shot.fps) * times  # of the step before: the move is straight
    if share > 0.8 * frames:  # past the pose by as much as the move itself: another move
        return None
    by_name = {ch.name: ch for ch in shot.control(control.name).channels}
    channels = [by_name[n] for n in ROTATIONS if n in by_name and _moves(by_name[n])]
    swung = shot
    for change, channel in zip(step, channels, strict=True):
        keys = channel.keys
        assert keys is not None
        k = keys.index(arrival)
        assert k is not None
        values, out, corner = keys.values.copy(), keys.outgoing.copy(), keys.corner.copy()
        values[k + 1] += share * change
        out[k], corner[k] = keys.incoming[k], False
        changed = replace(keys.changed(values=values, outgoing=out), corner=frozen(corner, np.bool_))
        swung = swung.with_channel(control.name, replace(channel, keys=changed))
    at = np.array([float(arrival + round(GAP * shot.fps))])
    apart = screen_points(swung, at) - screen_points(shot, at)
    return swung if 4.0 < np.linalg.norm(apart, axis=-1).max() < 150.0 else None

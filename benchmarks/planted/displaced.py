"""One frame, or one key, off its path on screen: spikes, uneven spacing, kinked arcs, in baked and in keyed shots.

In baked shots a frame of one channel is off, and the size is what the catalogue measures on the path. In keyed shots
the curve bends with its keys, and a fourth difference says little (a key 8 px off between neighbours 6 frames away
reads under 1 px): there the size is how far the path is off at the key, along it or across it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from benchmarks.planted.paths import from_median, kink_ratio, robust_sigma, tangential, unevenness
from benchmarks.planted.planted import (
    CATALOGUE,
    TIMES,
    Planted,
    Size,
    Truth,
    drawn,
    inserted,
    path,
    rng_of,
    seen,
    shown_at,
    shows_well,
    sized,
    sized_to,
    with_samples,
    with_shape,
    with_value,
)
from refine.curve import evaluate
from refine.pose import Point
from refine.shot import ROTATIONS, Array, Channel, Control, Shot

OFF_FRAME = ("uneven spacing", "kinked arc", "spike")  # what a displaced frame may be called
OFF_KEY = ("moved key", "zigzag", *OFF_FRAME)  # what a displaced key may be called
AROUND = 8  # frames to each side that show what is usual
SIGMAS = 6.0
Z = 0.15
DEGREES = {"warn": 8.0, "error": 20.0}  # of a kink's turn
ALONG, ACROSS = 0.9, 0.45  # cosine to the path, from which and up to which a displacement lies along, across
SLOW = 0.5  # px a frame, under which a path has no direction


# --- measures ----------------------------------------------------------------------------------------------


def _window(shot: Shot, point: Point, frame: int, half: int) -> Array:
    return path(shot, point, np.arange(frame - half, frame + half + 1.0))


def _at(truth: Truth) -> int:
    return int(truth.keys[0]) if truth.keys else truth.frames[0]


def measure_spike(shot: Shot, clean: Shot, truth: Truth) -> float:
    assert truth.point is not None
    return from_median(_window(shot, truth.point, _at(truth), 2))


def measure_uneven(shot: Shot, clean: Shot, truth: Truth) -> float:
    assert truth.point is not None
    return tangential(_window(shot, truth.point, truth.frames[0], 2))


def _kink_at(shot: Shot, point: Point, frame: int, degrees: float, px: float) -> float:
    return kink_ratio(_window(shot, point, frame, 5), degrees, px)


def measure_kink(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px: spacing x sin(turn), or what the turn in degrees is worth by the same threshold, whichever is less."""
    assert truth.point is not None
    return _kink_at(shot, truth.point, truth.frames[0], DEGREES["warn"], CATALOGUE["kinked arc"].warn)


# --- baked -----------------------------------------------------------------------------------------------


def _visible_places(
    shot: Shot, rng: np.random.Generator
) -> Iterator[tuple[Control, Channel, int, Point, float]]:
    for control, channel, frame in drawn(shot, rng, keyed=False):
        point, pixels = shown_at(shot, control.name, channel.name, frame)
        if point is None or not seen(shot, point, np.arange(frame - 3, frame + 4.0)):
            continue
        if pixels > 0 and shows_well(shot, control.name, channel.name, pixels):
            yield control, channel, frame, point, pixels


def spike(shot: Shot, seed: int, size: Size) -> Planted:
    """A frame further off its path than the path moves in a frame, and than 6 robust sigma."""
    rng, wanted = rng_of(seed, "spike", size), CATALOGUE["spike"].of(size)
    for control, channel, frame, point, pixels in _visible_places(shot, rng):
        around = _window(shot, point, frame, AROUND)
        spacing = float(np.linalg.norm(np.diff(around[AROUND - 1 : AROUND + 2], axis=0), axis=1).max())
        if spacing > wanted or SIGMAS * robust_sigma(around) > wanted:
            continue
        make = partial(with_shape, shot, control.name, channel, frame, np.ones(1))
        sign = rng.choice([-1.0, 1.0])
        truth = Truth(OFF_FRAME[::-1], (control.name,), (channel.name,), (frame, frame), wanted, point=point)
        found = sized(make, partial(measure_spike, clean=shot, truth=truth), wanted, wanted / pixels, sign)
        if found is not None:
            return found, truth
    return None


def uneven(shot: Shot, seed: int, size: Size) -> Planted:
    """A frame off along its path by less than the path moves in a frame."""
    rng, wanted = rng_of(seed, "uneven spacing", size), CATALOGUE["uneven spacing"].of(size)
    for control, channel, frame, point, pixels in _visible_places(shot, rng):
        around = _window(shot, point, frame, AROUND)
        if not _lies(shot, around, control, channel, frame, point, along=True):
            continue
        spacing = float(np.linalg.norm(around[AROUND + 1] - around[AROUND - 1])) / 2
        if (
            wanted > spacing
            or tangential(around[AROUND - 2 : AROUND + 3]) > CATALOGUE["uneven spacing"].warn / 2
        ):
            continue
        make = partial(with_shape, shot, control.name, channel, frame, np.ones(1))
        sign = rng.choice([-1.0, 1.0])
        truth = Truth(OFF_FRAME, (control.name,), (channel.name,), (frame, frame), wanted, point=point)
        found = sized(make, partial(measure_uneven, clean=shot, truth=truth), wanted, wanted / pixels, sign)
        if found is not None and unevenness(_window(found, point, frame, 5)) > Z:
            return found, truth
    return None


def kinked(shot: Shot, seed: int, size: Size) -> Planted:
    """A frame off across its path by less than the path moves in a frame."""
    rng, scale = rng_of(seed, "kinked arc", size), CATALOGUE["kinked arc"]
    degrees, px = DEGREES[size], scale.warn if size == "warn" else scale.error
    names = ("kinked arc", "uneven spacing", "spike")
    for control, channel, frame, point, pixels in _visible_places(shot, rng):
        around = _window(shot, point, frame, AROUND)
        if not _lies(shot, around, control, channel, frame, point, along=False):
            continue
        if kink_ratio(around[AROUND - 5 : AROUND + 6], DEGREES["warn"], scale.warn) > 0.5:
            continue
        make = partial(with_shape, shot, control.name, channel, frame, np.ones(1))
        sign = rng.choice([-1.0, 1.0])
        found = sized(
            make,
            partial(_kink_at, point=point, frame=frame, degrees=degrees, px=px),
            TIMES,
            px / pixels,
            sign,
        )
        if found is None:
            continue
        off = float(np.linalg.norm(path(found, point, np.array([float(frame)]))[0] - around[AROUND]))
        if off < float(np.linalg.norm(around[AROUND + 1] - around[AROUND - 1])) / 2:
            return found, Truth(
                names, (control.name,), (channel.name,), (frame, frame), scale.of(size), point=point
            )
    return None


def _lies(
    shot: Shot, around: Array, control: Control, channel: Channel, frame: float, point: Point, along: bool
) -> bool:
    """Whether a channel moves a point along its path there, or across it."""
    middle = len(around) // 2
    chord = around[middle + 1] - around[middle - 1]
    speed = float(np.linalg.norm(chord))
    if speed < 2 * SLOW:
        return False
    move = _direction(shot, control.name, channel, frame, point)
    size = float(np.linalg.norm(move))
    cosine = abs(float(move @ chord)) / (size * speed) if size > 0 else 0.5
    return cosine > ALONG if along else cosine < ACROSS


def _direction(shot: Shot, control: str, channel: Channel, frame: float, point: Point) -> Array:
    """(2,) px a unit by which a channel moves a point on a frame, by a difference."""
    tiny, at = 1e-3, np.array([frame])
    if channel.keys is None:
        moved = with_samples(shot, control, channel, int(frame), np.array([tiny]))
    else:
        values = channel.keys.values + tiny
        moved = shot.with_channel(control, replace(channel, keys=channel.keys.changed(values=values)))
    return np.asarray((path(moved, point, at)[0] - path(shot, point, at)[0]) / tiny)


# --- keyed -----------------------------------------------------------------------------------------------


def measure_key(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px by which the path is off at the key."""
    assert truth.point is not None
    at = np.array(truth.keys[:1])
    return float(np.linalg.norm(path(shot, truth.point, at) - path(clean, truth.point, at)))


def kinked_keyed(shot: Shot, seed: int, size: Size) -> Planted:
    """One key's value off so that the path bends across itself, its slopes kept."""
    rng, wanted = rng_of(seed, "kinked arc", size), CATALOGUE["kinked arc"].of(size)
    for control, channel, k in drawn(shot, rng, keyed=True):
        assert channel.keys is not None
        frame = float(channel.keys.frames[k])
        point, pixels = shown_at(shot, control.name, channel.name, frame)
        if point is None or not seen(shot, point, np.arange(frame - 3, frame + 4)):
            continue
        around = _window(shot, point, int(frame), 2)
        if not _lies(shot, around, control, channel, frame, point, along=False):
            continue
        if not shows_well(shot, control.name, channel.name, pixels):
            continue
        sign, names = rng.choice([-1.0, 1.0]), ("kinked arc", *OFF_KEY)
        truth = Truth(names, (control.name,), (channel.name,), _span(channel, k), wanted, (frame,), point)
        done = sized_to(
            partial(with_value, shot, control.name, channel, k), measure_key, shot, truth, pixels, sign
        )
        if done is not None:
            return done
    return None


def uneven_keyed(shot: Shot, seed: int, size: Size) -> Planted:
    """One pose of a control too early or too late on its own path: the values of its key, slopes kept."""
    rng, wanted = rng_of(seed, "uneven spacing", size), CATALOGUE["uneven spacing"].of(size)
    for control, channel, k in drawn(shot, rng, keyed=True):
        assert channel.keys is not None
        frame = float(channel.keys.frames[k])
        point, _ = shown_at(shot, control.name, channel.name, frame)
        if point is None or not seen(shot, point, np.arange(frame - 3, frame + 4)):
            continue
        moving = [c for c in control.channels if c.keys is not None and c.keys.index(frame) is not None]
        truth = Truth(
            ("uneven spacing", *OFF_KEY),
            (control.name,),
            tuple(c.name for c in moving),
            _span(channel, k),
            wanted,
            (frame,),
            point,
        )
        late = rng.choice([-1.0, 1.0])
        found = sized(
            partial(_late, shot, control, moving, frame),
            partial(measure_key, clean=shot, truth=truth),
            wanted,
            0.5,
            late,
        )
        if found is not None and _lateness(channel, k, found, control.name) < 0.5:
            return found, truth
    return None


def _late(shot: Shot, control: Control, channels: list[Channel], frame: float, by: float) -> Shot:
    """The pose of a control on a key as its curves have it some frames earlier."""
    for channel in channels:
        assert channel.keys is not None
        k = channel.keys.index(frame)
        assert k is not None
        there = float(evaluate(channel.keys, np.array([frame - by]))[0, 0])
        shot = with_value(shot, control.name, channel, k, there - float(channel.keys.values[k, 0]))
    return shot


def _lateness(channel: Channel, k: int, shot: Shot, control: str) -> float:
    """How far a key went towards its neighbour's value, of the way: a pose that arrives there is another pose."""
    keys, now = channel.keys, shot.channel(control, channel.name).keys
    assert keys is not None
    assert now is not None
    moved = abs(float(now.values[k, 0] - keys.values[k, 0]))
    room = np.abs(np.diff(keys.values[k - 1 : k + 2, 0])).max()
    return moved / max(float(room), 1e-9)


def _span(channel: Channel, k: int) -> tuple[int, int]:
    assert channel.keys is not None
    return int(channel.keys.frames[k - 1]), int(channel.keys.frames[k + 1])


def spike_keyed(shot: Shot, seed: int, size: Size) -> Planted:
    """Three keys in a row set on a curve, the middle one off: a stray key that is back within a frame."""
    rng, wanted = rng_of(seed, "spike", size), CATALOGUE["spike"].of(size)
    for control, channel, k in drawn(shot, rng, keyed=True):
        assert channel.keys is not None
        a, b = channel.keys.frames[k : k + 2]
        frame = int((a + b) // 2)
        point, pixels = shown_at(shot, control.name, channel.name, frame)
        if b - a < 6 or point is None or channel.name not in ROTATIONS:
            continue
        around = (
            _window(shot, point, frame, AROUND)
            if frame > AROUND and frame + AROUND < shot.last_frame
            else None
        )
        if around is None or not seen(shot, point, np.arange(frame - 3, frame + 4.0)):
            continue
        spacing = float(np.linalg.norm(np.diff(around[AROUND - 1 : AROUND + 2], axis=0), axis=1).max())
        if spacing > wanted or SIGMAS * robust_sigma(around) > wanted:
            continue
        dense = replace(channel, keys=inserted(channel.keys, np.arange(frame - 1, frame + 2.0)))
        own = dense.keys.index(frame) if dense.keys is not None else None
        assert own is not None
        sign = rng.choice([-1.0, 1.0])
        names = ("spike", *OFF_KEY)
        keys = (float(frame),)
        truth = Truth(names, (control.name,), (channel.name,), (frame - 1, frame + 1), wanted, keys, point)
        done = sized_to(
            partial(with_value, shot, control.name, dense, own), measure_spike, shot, truth, pixels, sign
        )
        if done is not None:
            return done
    return None

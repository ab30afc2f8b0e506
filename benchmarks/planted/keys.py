"""Faults of the keys themselves: a value or slope off, to and fro, doubled, between frames, held, past a limit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchmarks.corpus import screen_points
from benchmarks.planted.displaced import OFF_KEY, measure_key
from benchmarks.planted.planted import (
    CATALOGUE,
    Planted,
    Size,
    Truth,
    drawn,
    inserted,
    rng_of,
    seen,
    shown_at,
    shows_well,
    sized,
    sized_to,
    with_value,
)
from refine.curve import evaluate, sample
from refine.key_rows import only
from refine.pose import Point
from refine.shot import ROTATIONS, Array, Channel, Control, Keys, Limits, Segment, Shot, frozen

FINE = 1 / 8  # frames
STRAY_SHARE = 0.03  # of the segment's span, that the curve leaves it by at least
SPREAD = (0.7, 1.3)  # of a zigzag's size, that each of its keys is moved by
NEARLY = 0.15  # share by which a leftover step may miss its size: it is found, not made
ASIDE = 0.3  # px that a second key lies off the curve: less than anybody sees
ELSEWHERE = 1.0  # px that a mend of keys between frames may move anything by
LONGER = 3  # frames that a limit is passed by at least: two are a cartoon's break
HABIT_FAULTS = ("moved key", "stray slope", "zigzag")
Place = tuple[Control, Channel, Keys, int, Point, float]


def _places(shot: Shot, rng: np.random.Generator) -> Iterator[Place]:
    """Control, channel, its keys, a key, the point that it moves most, px a unit."""
    for control, channel, k in drawn(shot, rng, keyed=True):
        assert channel.keys is not None
        frame = float(channel.keys.frames[k])
        point, pixels = shown_at(shot, control.name, channel.name, frame)
        if point is None or not seen(shot, point, np.arange(frame - 3, frame + 4)):
            continue
        if pixels > 0 and shows_well(shot, control.name, channel.name, pixels):
            yield control, channel, channel.keys, k, point, pixels


def _beside(keys: Keys, first: int, last: int) -> tuple[int, int]:
    return int(keys.frames[first - 1]), int(keys.frames[last + 1])


# --- what breaks the habit -------------------------------------------------------------------------------


def moved_key(shot: Shot, seed: int, size: Size) -> Planted:
    """One key's value off, its slopes kept."""
    rng, wanted = rng_of(seed, "moved key", size), CATALOGUE["moved key"].of(size)
    for control, channel, keys, k, point, pixels in _places(shot, rng):
        at, sign = (float(keys.frames[k]),), rng.choice([-1.0, 1.0])
        truth = Truth(OFF_KEY, (control.name,), (channel.name,), _beside(keys, k, k), wanted, at, point)
        done = sized_to(
            partial(with_value, shot, control.name, channel, k), measure_key, shot, truth, pixels, sign
        )
        if done is not None:
            return done
    return None


def zigzag(shot: Shot, seed: int, size: Size) -> Planted:
    """Three to five keys in a row moved to and fro, slopes kept; the first of them by the size."""
    rng, wanted = rng_of(seed, "zigzag", size), CATALOGUE["zigzag"].of(size)
    for control, channel, keys, k, point, pixels in _places(shot, rng):
        count = int(rng.integers(3, 6))
        if k + count > len(keys) - 2:
            continue
        by = rng.choice([-1.0, 1.0]) * (-1.0) ** np.arange(count) * rng.uniform(*SPREAD, count)
        by[0] = np.sign(by[0])
        at = tuple(keys.frames[k : k + count].tolist())
        names = ("zigzag", *OFF_KEY)
        truth = Truth(
            names, (control.name,), (channel.name,), _beside(keys, k, k + count - 1), wanted, at, point
        )
        done = sized_to(partial(_sawn, shot, control.name, channel, k, by), measure_key, shot, truth, pixels)
        if done is not None:
            return done
    return None


def _sawn(shot: Shot, control: str, channel: Channel, k: int, by: Array, amount: float) -> Shot:
    assert channel.keys is not None
    values = channel.keys.values.copy()
    values[k : k + len(by), 0] += amount * by
    return shot.with_channel(control, replace(channel, keys=channel.keys.changed(values=values)))


def stray_slope(shot: Shot, seed: int, size: Size) -> Planted:
    """One key's slope turned until the curve leaves what lies between the ends of a segment."""
    rng, wanted = rng_of(seed, "stray slope", size), CATALOGUE["stray slope"].of(size)
    for control, channel, keys, k, point, pixels in _places(shot, rng):
        at = (float(keys.frames[k]),)
        truth = Truth(
            HABIT_FAULTS[1:2] + OFF_KEY, (control.name,), (channel.name,), _beside(keys, k, k), wanted, at
        )
        truth = replace(truth, point=point)
        if measure_stray(shot, shot, truth) > 0.5 * CATALOGUE["stray slope"].warn:
            continue
        sign = rng.choice([-1.0, 1.0])
        found = sized(
            partial(_turned, shot, control.name, channel, k),
            partial(measure_stray, clean=shot, truth=truth),
            wanted,
            wanted / pixels / float(np.diff(keys.frames).mean()),
            sign,
        )
        if found is not None and _stray_share(found, truth) > STRAY_SHARE:
            return found, truth
    return None


def _turned(shot: Shot, control: str, channel: Channel, k: int, by: float) -> Shot:
    assert channel.keys is not None
    slopes = channel.keys.incoming.copy()
    slopes[k] += by
    keys = channel.keys.changed(incoming=slopes, outgoing=slopes)
    return shot.with_channel(control, replace(channel, keys=keys))


def _excess(shot: Shot, truth: Truth) -> tuple[float, float]:
    """How far the curve leaves the range of its ends in the two segments at a key, in its unit, and of the span."""
    keys = shot.channel(truth.control, truth.channels[0]).keys
    assert keys is not None
    k = keys.index(truth.keys[0])
    assert k is not None
    worst = 0.0, 0.0
    for j in (k - 1, k):
        ends = keys.values[j : j + 2, 0]
        inside = evaluate(keys, np.arange(keys.frames[j], keys.frames[j + 1], FINE))[:, 0]
        beyond = max(float(inside.max() - ends.max()), float(ends.min() - inside.min()))
        worst = max(worst, (beyond, beyond / max(float(np.ptp(ends)), 1e-9)))
    return worst


def measure_stray(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px by which the curve leaves the range of a segment's ends."""
    _, pixels = shown_at(clean, truth.control, truth.channels[0], truth.keys[0])
    return pixels * _excess(shot, truth)[0]


def _stray_share(shot: Shot, truth: Truth) -> float:
    return _excess(shot, truth)[1]


# --- keys too near, between frames, held -----------------------------------------------------------------


def doubled(shot: Shot, seed: int, size: Size) -> Planted:
    """A second key a part of a frame after another one: on the curve, or of odd seeds a little off it."""
    rng, wanted = rng_of(seed, "doubled key", size), CATALOGUE["doubled key"].of(size)
    for control, channel, keys, k, point, pixels in _places(shot, rng):
        frame = float(keys.frames[k])
        beside = inserted(keys, np.array([frame + wanted]))
        values = beside.values.copy()
        values[k + 1] += seed % 2 * ASIDE / pixels
        twice = replace(channel, keys=beside.changed(values=values))
        span = int(frame), int(frame) + 1
        at = frame, frame + wanted
        truth = Truth(("doubled key",), (control.name,), (channel.name,), span, wanted, at, point)
        return shot.with_channel(control.name, twice), truth
    return None


def off_frame(shot: Shot, seed: int, size: Size) -> Planted:
    """A key moved a part of a frame along its curve."""
    rng, wanted = rng_of(seed, "off-frame key", size), CATALOGUE["off-frame key"].of(size)
    for control, channel, keys, k, point, _ in _places(shot, rng):
        frame = float(keys.frames[k]) + wanted
        off = replace(channel, keys=moved_along(keys, np.array([k]), np.array([wanted])))
        span = int(keys.frames[k]), int(keys.frames[k]) + 1
        truth = Truth(("off-frame key",), (control.name,), (channel.name,), span, wanted, (frame,), point)
        return shot.with_channel(control.name, off), replace(truth, least="note")
    return None


def moved_along(keys: Keys, at: NDArray[np.intp], by: Array) -> Keys:
    """The keys with those `at` some places (n,) moved along their curve by (n,) frames."""
    moved = inserted(keys, keys.frames[at] + by)
    return only(moved, ~np.isin(moved.frames, keys.frames[at]))


def measure_doubled(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Frames between the two keys that stand nearest to each other, around the planted ones; 0 where it moved."""
    keys = shot.channel(truth.control, truth.channels[0]).keys
    assert keys is not None
    near = keys.frames[np.abs(keys.frames - truth.keys[0]) < 8]
    apart = float(np.diff(near).min()) if len(near) > 1 else 8.0
    return 0.0 if _moved(shot, clean) else apart


def measure_off_frame(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Frames that a key is off a whole one; a half where it moved."""
    keys = shot.channel(truth.control, truth.channels[0]).keys
    assert keys is not None
    return 0.5 if _moved(shot, clean) else float(np.abs(keys.frames - np.rint(keys.frames)).max())


def _moved(shot: Shot, clean: Shot) -> bool:
    """Whether any point of a shot lies farther from the sound one than it may."""
    away = screen_points(shot, shot.frames) - screen_points(clean, clean.frames)
    return bool(np.linalg.norm(away, axis=-1).max() > ELSEWHERE)


def leftover_step(shot: Shot, seed: int, size: Size) -> Planted:
    """One segment among curves held, so that it jumps at its end; of odd seeds without slopes on its side."""
    rng, wanted = rng_of(seed, "leftover step", size), CATALOGUE["leftover step"].of(size)
    for control, channel, keys, k, point, pixels in _places(shot, rng):
        found = shot.with_channel(control.name, replace(channel, keys=_held(keys, k, seed % 2 == 1)))
        at = (float(keys.frames[k]),)
        span = int(keys.frames[k]), int(keys.frames[k + 1])
        truth = Truth(("leftover step",), (control.name,), (channel.name,), span, wanted, at, point)
        amount = measure_step(found, shot, truth)
        jump = pixels * abs(float(keys.values[k + 1, 0] - keys.values[k, 0]))
        if abs(amount / wanted - 1) < NEARLY and jump > 1.0:
            return found, replace(truth, size=amount)
    return None


def _held(keys: Keys, k: int, flat: bool) -> Keys:
    """The keys with the segment after the k-th one held, and if `flat` no slopes at its ends."""
    segment, incoming, outgoing, corner = (
        array.copy() for array in (keys.segment, keys.incoming, keys.outgoing, keys.corner)
    )
    segment[k] = Segment.HOLD
    if flat:
        outgoing[k] = incoming[k + 1] = 0.0
        corner[k : k + 2] = True
    return replace(
        keys,
        segment=frozen(segment, np.int8),
        incoming=frozen(incoming),
        outgoing=frozen(outgoing),
        corner=frozen(corner, np.bool_),
    )


def measure_step(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Largest step from a frame to the next in the held segment, in median spacings of the channel's curves."""
    channel = shot.channel(truth.control, truth.channels[0])
    values = sample(channel, shot, shot.frames)[:, 0]
    sound = sample(clean.channel(truth.control, truth.channels[0]), clean, clean.frames)[:, 0]
    a, b = truth.frames[0] - shot.first_frame, truth.frames[1] - shot.first_frame
    usual = float(np.median(np.abs(np.diff(sound))))
    return float(np.abs(np.diff(values[a : b + 1])).max()) / usual


# --- limits ----------------------------------------------------------------------------------------------


def past_limit(shot: Shot, seed: int, size: Size) -> Planted:
    """A limit that the sound motion of one channel passes for three frames at least."""
    rng, wanted = rng_of(seed, "past limit", size), CATALOGUE["past limit"].of(size)
    keyed = any(c.keys is not None for control in shot.controls for c in control.channels)
    for control, channel, _ in drawn(shot, rng, keyed):
        values = sample(channel, shot, shot.frames)[:, 0]
        limit = float(values.max()) - wanted
        over = np.flatnonzero(values > limit)
        middle = float(np.median(values))
        if channel.name not in ROTATIONS or limit < middle or over[-1] - over[0] + 1 != len(over):
            continue
        if np.count_nonzero(values > limit + CATALOGUE["past limit"].warn) < LONGER:
            continue
        limited = replace(channel, limits=Limits(upper=limit))
        span = int(shot.frames[over[0]]), int(shot.frames[over[-1]])
        truth = Truth(("past limit",), (control.name,), (channel.name,), span, wanted)
        return shot.with_channel(control.name, limited), truth
    return None


def measure_limit(shot: Shot, clean: Shot, truth: Truth) -> float:
    """deg past the limit."""
    channel = shot.channel(truth.control, truth.channels[0])
    top = np.inf if channel.limits is None else channel.limits.upper
    return max(float(sample(channel, shot, shot.frames).max()) - top, 0.0)

"""Frames of one baked channel filled or smoothed anew, within pins, limits and marked accents."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.flags.own_motion import LEAST_JERK, Motion, chance_of_harm, learnt, led
from refine.flags.stage import Stage
from refine.flags.tremble import tremble
from refine.flags.witnesses import Witnesses, witnesses
from refine.measure import most_moved
from refine.range_noise import Noise
from refine.rotation import continuous
from refine.shot import QUATERNION, Array, Channel, Limits, Shot, frozen
from refine.smooth import smoothed

ROUNDING = 1e-9  # channel units
AROUND = 1.0  # s to each side of a range in which its noise may begin or end [judge]
Mask = NDArray[np.bool_]


def filled_channel(stage: Stage, shot: Shot, name: str, channel: Channel, frames: tuple[int, int]) -> Shot:
    """The shot with frames a to b of a channel led through with least jerk; the same shot where all of it is held."""
    free = _free(stage, name, channel, frames)
    if not free.any():
        return shot
    z = np.column_stack([led(row, free, None, LEAST_JERK).path for row in _rows(channel)])
    return _anew(stage, shot, name, channel, frames, z, None)


def foreseen(
    stage: Stage, name: str, channels: Sequence[Channel], frames: tuple[int, int]
) -> tuple[Shot, float]:
    """The shot with frames a to b of some channels filled as they move elsewhere and their chain says.

    And the probability that what they have now is nearer to the truth, in px.
    """
    shot, moved, along = stage.shot, [0.0], [0.0]
    others = witnesses(shot, name, frames)
    for channel in channels:
        free = _free(stage, name, channel, frames)
        if not free.any():
            continue
        rows, asked = _rows(channel), (name, channel.name)
        pixels = most_moved(stage.shot, stage.posed, stage.view, name, channel.name)[1]
        fills = [led(row, free, None, _motion(row, ~free, others, asked)) for row in rows]
        moved += [
            pixels**2 * float(np.sum((fill.path - row) ** 2)) for fill, row in zip(fills, rows, strict=True)
        ]
        along += [pixels**4 * fill.along for fill in fills]
        z = np.column_stack([fill.path for fill in fills])
        shot = _anew(stage, shot, name, channel, frames, z, None)
    return shot, chance_of_harm(np.array(moved), np.array(along))


def smoothed_channel(
    stage: Stage, shot: Shot, name: str, channel: Channel, frames: tuple[int, int], others: Witnesses
) -> Shot | None:
    """The shot with the noise taken out that a channel has about frames a to b, as far as its own motion allows.

    None where nothing there is noise; the same shot where all of it is held.
    """
    start, z, noisy, noise = shot.first_frame, [], [], 0.0
    near, asked = (frames[0] - start, frames[1] - start), (name, channel.name)
    for row in _rows(channel):

        def without(first: int, last: int, row: Array = row) -> Motion:
            return _motion(row, ~_inside(len(row), (first, last)), others, asked)

        z.append(row)
        found = tremble(row, without, near, round(AROUND * shot.fps))
        if found is None:
            continue
        noisy.append((found.first + start, found.last + start))
        noise = max(noise, found.noise)
        free = _free(stage, name, channel, noisy[-1])
        if free.any():
            z[-1] = led(row, free, found.noise, found.motion).path
    if not noisy:
        return None
    hull = min(a for a, _ in noisy), max(b for _, b in noisy)
    return _anew(stage, shot, name, channel, hull, np.column_stack(z), noise)


def _rows(channel: Channel) -> Array:
    assert channel.samples is not None
    return continuous(channel, channel.samples).T


def _inside(count: int, at: tuple[int, int]) -> Mask:
    inside = np.zeros(count, np.bool_)
    inside[max(at[0], 0) : at[1] + 1] = True
    return inside


def _motion(y: Array, known: Mask, others: Witnesses, asked: tuple[str, str]) -> Motion:
    return others.told(asked, y, known, learnt(y, known))


def _anew(
    stage: Stage,
    shot: Shot,
    name: str,
    channel: Channel,
    frames: tuple[int, int],
    z: Array,
    noise: float | None,
) -> Shot:
    """The shot with a channel's samples z (N, D), where they differ; by the solver where limits or breaks ask so."""
    y = _rows(channel).T
    assert channel.samples is not None
    changed = np.abs(z - y).max(axis=1) > ROUNDING
    if not changed.any():
        return shot
    if channel.name == QUATERNION:
        z[changed] /= np.linalg.norm(z[changed], axis=1, keepdims=True)
        y = y * np.sign(np.sum(y * channel.samples, axis=1, keepdims=True))
        z = z * np.sign(np.sum(z * y, axis=1, keepdims=True))
    samples = np.where(changed[:, None], channel.samples + (z - y), channel.samples)
    if _breaks_between(stage, name, frames) or not _within(channel.limits, samples[changed]):
        return _constrained(stage, shot, name, channel, frames, noise)
    return shot.with_channel(name, replace(channel, samples=frozen(samples)))


def _free(stage: Stage, name: str, channel: Channel, frames: tuple[int, int]) -> Mask:
    """(N,) frames of a range, on the shot's frames, that neither a pin nor an accent holds."""
    every, locks = stage.shot.frames, stage.locks
    free = (every >= frames[0]) & (every <= frames[1])
    for _, held in locks.held(name, channel, every).pins:
        free &= ~np.isin(every, held)
    for _, (first, last) in locks.kept_samples(name):
        free &= (every < first) | (every > last)
    return free


def _breaks_between(stage: Stage, name: str, frames: tuple[int, int]) -> bool:
    weight = stage.locks.breaks(name, stage.shot.frames)
    inside = (stage.shot.frames >= frames[0]) & (stage.shot.frames <= frames[1])
    return bool(np.any(weight[inside] == 0))


def _within(limits: Limits | None, values: Array) -> bool:
    if limits is None:
        return True
    if np.isfinite(limits.rate):
        return False  # a matter of the frames beside too: for the solver with constraints
    return bool(np.all((values >= limits.lower) & (values <= limits.upper)))


def _constrained(
    stage: Stage, shot: Shot, name: str, channel: Channel, frames: tuple[int, int], noise: float | None
) -> Shot:
    """The same by the smoother that knows limits and breaks."""
    locks, every = stage.locks, stage.shot.frames
    held = locks.held(name, channel, every)
    accents = [(source, _whole(span)) for source, span in locks.kept_samples(name)]
    kept = replace(held, pins=(*held.pins, *accents))
    gone = tuple(range(frames[0], frames[1] + 1)) if noise is None else ()
    found = Noise(noise or 0.0, 0.0, gone)
    result = smoothed(channel, stage.shot, frames, found, 1.0, locks.breaks(name, every), kept)
    assert channel.samples is not None
    assert result.channel.samples is not None
    moved = float(np.abs(result.channel.samples - channel.samples).max()) > ROUNDING
    return shot.with_channel(name, result.channel) if moved else shot


def _whole(span: tuple[float, float]) -> tuple[float, ...]:
    return tuple(np.arange(np.ceil(span[0]), np.floor(span[1]) + 1).tolist())

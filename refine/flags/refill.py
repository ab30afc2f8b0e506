"""Frames of one baked channel filled or smoothed anew, within pins, limits and marked accents."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.flags.own_motion import LEAST_JERK, Motion, learnt, led
from refine.flags.stage import Stage
from refine.shot import QUATERNION, Array, Channel, Limits, Shot, frozen
from refine.smooth import Noise, continuous, smoothed

ROUNDING = 1e-9  # channel units


def filled_channel(
    stage: Stage, shot: Shot, name: str, channel: Channel, frames: tuple[int, int], own: bool = False
) -> Shot:
    """The shot with frames a to b of a channel led through from both sides; the same shot where all of it is held.

    With least jerk, or with what the channel does elsewhere where it is its `own` motion.
    """
    return _anew(stage, shot, name, channel, frames, None, own)


def smoothed_channel(
    stage: Stage, shot: Shot, name: str, channel: Channel, frames: tuple[int, int], noise: float
) -> Shot:
    """The shot with the noise of a channel (its units) taken out of frames a to b, as far as its own motion allows."""
    return _anew(stage, shot, name, channel, frames, noise, True)


def _anew(
    stage: Stage,
    shot: Shot,
    name: str,
    channel: Channel,
    frames: tuple[int, int],
    noise: float | None,
    own: bool,
) -> Shot:
    free = _free(stage, name, channel, frames)
    if not free.any():
        return shot
    assert channel.samples is not None
    y = continuous(channel, channel.samples)
    z = np.column_stack([led(row, free, noise, _motion(row, frames, shot, own)) for row in y.T])
    changed = np.abs(z - y).max(axis=1) > ROUNDING
    if not changed.any():
        return shot
    if channel.name == QUATERNION:
        z[changed] /= np.linalg.norm(z[changed], axis=1, keepdims=True)
        y = y * np.sign(np.sum(y * channel.samples, axis=1, keepdims=True))
        z = z * np.sign(np.sum(z * y, axis=1, keepdims=True))
    samples = np.where(changed[:, None], channel.samples + (z - y), channel.samples)
    if _breaks_between(stage, name, frames) or not _within(channel.limits, samples[free]):
        return _constrained(stage, shot, name, channel, frames, noise)
    return shot.with_channel(name, replace(channel, samples=frozen(samples)))


def _motion(y: Array, frames: tuple[int, int], shot: Shot, own: bool) -> Motion:
    known = np.ones(len(y), np.bool_)
    known[frames[0] - shot.first_frame : frames[1] - shot.first_frame + 1] = False
    return (learnt(y, known) if own else None) or LEAST_JERK


def _free(stage: Stage, name: str, channel: Channel, frames: tuple[int, int]) -> NDArray[np.bool_]:
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

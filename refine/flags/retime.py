"""A side or a part that comes some frames later or earlier, within a range, all that it carries with it.

Keyed channels: the keys inside the range move in time, values and slopes with them. The first and the last key of a
channel stay, as do those outside; near these keys move by less, on whole frames, else one segment would take up all of
the difference and be over in half its time. Where time runs otherwise, slopes stay as near to the shot's rules as they
were, in units of slope, whether they were set by a rule or by hand. Baked channels: the samples are read at another
time, which sets in and dies away as a minimum-jerk move does. Pins, contacts, accents and holds forbid it: what touches
or answers to something keeps its time.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from refine.flags.stage import Stage
from refine.limbs.planting import minimum_jerk
from refine.pinned import concerning, pinned_keys
from refine.pose_time import resloped
from refine.rig import descendants
from refine.rotation import continuous
from refine.shot import ROTATIONS, Array, Channel, Shot, frozen

RAMP = 4.0  # times the shift that setting in takes: time runs at 1 +- 1.9 / 4 of samples, +- 1 / 4 of keys [judge]
SPEAKS = ("contact", "accent", "hold")  # marks that tie a control to a time


def later(stage: Stage, name: str, frames: tuple[int, int], by: int) -> Shot | None:
    """The shot in which a control and all that it carries come `by` frames later in a range; negative is earlier.

    None where nothing of it is animated there, keys would pass each other, or something ties it to its time.
    """
    shot = stage.shot
    for each in (name, *descendants(stage.shot, name)):
        at = (stage.frames >= frames[0]) & (stage.frames <= frames[1])
        if stage.marked(each, *SPEAKS)[at].any():
            return None
        for channel in stage.control(each).channels:
            moved = (_keyed if channel.keys is not None else _baked)(stage, each, channel, frames, by)
            if moved is None:
                return None
            if moved is not channel:
                shot = shot.with_channel(each, moved)
    return shot if shot is not stage.shot else None


def _keyed(stage: Stage, name: str, channel: Channel, frames: tuple[int, int], by: int) -> Channel | None:
    keys = channel.keys
    assert keys is not None
    inside = (keys.frames >= frames[0]) & (keys.frames <= frames[1])
    inside[[0, -1]] = False
    if not inside.any():
        return channel
    moved = keys.frames + np.where(inside, _setting_in(keys.frames, inside, by), 0.0)
    if np.array_equal(moved, keys.frames):
        return channel
    if np.any(np.diff(moved) < np.minimum(1.0, np.diff(keys.frames))):
        return None
    held = pinned_keys(stage.locks.pins, name, channel.name, keys)
    if np.any(_touched(moved != keys.frames) & held):
        return None
    habit = stage.book.habit(name, channel.name)
    return replace(channel, keys=resloped(keys, keys.changed(frames=moved), held, habit))


def _setting_in(frames: Array, inside: NDArray[np.bool_], by: int) -> Array:
    """(K,) whole frames by which keys inside move: in full where they are `RAMP` times as far from those that stay."""
    first, last = np.flatnonzero(inside)[[0, -1]]
    away = np.minimum(frames - frames[first - 1], frames[last + 1] - frames)
    return np.asarray(np.sign(by) * np.floor(np.minimum(away / RAMP, abs(by)) + 0.5))


def _touched(moved: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(K,) these keys and their neighbours."""
    wide = np.concatenate([[False], moved, [False]])
    return np.asarray(moved | wide[2:] | wide[:-2])


def _baked(stage: Stage, name: str, channel: Channel, frames: tuple[int, int], by: int) -> Channel | None:
    samples = channel.samples
    assert samples is not None
    if not np.ptp(samples, axis=0).any():
        return channel
    a, b = (frame - stage.shot.first_frame for frame in frames)
    ramp = ceil(RAMP * abs(by))
    if b - a < 3 * ramp:
        return None
    time = np.arange(len(samples), dtype=float)
    share = minimum_jerk(np.minimum(time - a, b - time) / ramp)
    moved = np.flatnonzero(share > 0)
    held = [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
    there = moved + stage.shot.first_frame
    if any(np.any((there > low - 1) & (there < high + 1)) for low, high in held):
        return None
    return replace(
        channel, samples=frozen(_read_at(channel, samples, moved, time[moved] - by * share[moved]))
    )


def _read_at(channel: Channel, samples: Array, moved: NDArray[np.intp], time: Array) -> Array:
    """The samples (N, D), those at some positions read at other times (M,) by the spline through all of them."""
    from scipy.interpolate import CubicSpline

    whole = continuous(channel, samples)
    read = CubicSpline(np.arange(len(samples)), whole)(time)
    read = np.where((time == np.rint(time))[:, None], whole[np.rint(time).astype(np.intp)], read)
    new = samples.copy()
    if channel.name in ROTATIONS:
        new[moved] = samples[moved] + (read - whole[moved])
        return new
    if samples.shape[1] == 4:
        read /= np.linalg.norm(read, axis=1, keepdims=True)
        read *= np.where(np.sum(samples[moved] * whole[moved], axis=1, keepdims=True) < 0, -1.0, 1.0)
    new[moved] = read
    return new

"""The truth: keys fitted to an open captured clip, so that the clip's own noise is gone, baked at its own rate.

Keys stand 4 to 8 frames of 30 fps apart, irregularly, where the motion turns most sharply; where that misses the clip
by more than its noise (foot plants, punches), more keys are put between, never nearer than 2 frames of 30 fps. Root and
legs share theirs: fitting by least squares is then the same linear map for all that carries a foot, and a foot that
stands stays standing to first order. Values and slopes (one a key) are fitted to all samples.

Measured on whole clips: 6 to 11 keys a second, 2.2, 4.6 and 3.5 mm from 01_01, 01_03 and Boxing_Toes (RMS, all points).
Planted feet move at 50, 85 and 44 mm/s; on the same frames in the raw clips at 72, 157 and 41, and in those below 12 Hz
at 49, 82 and 34: the feet of these captures do slide. 01_03 keeps some bursts of its own that are 30 to 60 ms long.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchmarks.cleaning.table import Table, continuous_table, with_table
from benchmarks.corpus import captured
from refine.curve import evaluate
from refine.limbs.limb import limbs, metres_per_unit
from refine.pose import pose
from refine.rig import descendants
from refine.shot import Array, Channel, Keys, Shot, make_keys

if TYPE_CHECKING:
    from scipy.sparse import csr_array

GAPS = (4.0, 8.0)  # frames of 30 fps between neighbouring keys
RATE = 30.0
LOOK_BELOW = 10.0  # Hz: where the motion turns is looked for below that
SHARPLY = 4.0  # how strongly keys are drawn to where the motion turns: e-folds between the dullest and sharpest frame
MISSED = 3.0  # of a channel's noise: a larger root mean square of what a segment misses asks for a key in it
FLOOR = 0.13  # deg, or mm for lengths: noise that is taken to be there at least
LEAST = 2.0  # frames of 30 fps between keys put between
ROUNDS = 5  # of putting keys between
STILL = 1e-9  # of channel units: a channel that moves less keeps one value


@lru_cache(maxsize=4)
def raw(clip: str) -> Shot:
    """The clip as captured, with continuous angles and without its first sample, which may be a rest pose."""
    shot = captured(clip)
    return replace(with_table(shot, continuous_table(shot).values[1:]), name=clip)


@lru_cache(maxsize=4)
def truth(clip: str) -> Shot:
    """The fitted keys' motion, a sample a frame."""
    shot = keyed_truth(clip)
    columns = [evaluate(_keys(ch), shot.frames)[:, 0] for c in shot.controls for ch in c.channels]
    return with_table(shot, np.column_stack(columns))


@lru_cache(maxsize=4)
def keyed_truth(clip: str) -> Shot:
    """The clip with keys for samples, on whole frames of the clip's own rate."""
    shot, owned = raw(clip), continuous_table(captured(clip))
    values = owned.values[1:]
    floor = np.full(values.shape[1], FLOOR / 1000 / metres(shot))
    floor[owned.turns] = FLOOR
    fitted: dict[int, Keys] = {}
    for n, members in enumerate(groups(shot)):
        columns = owned.columns(members)
        if columns:
            rng = np.random.default_rng([n, len(values)])
            at = key_frames(values[:, columns], shot.fps, rng)
            at = denser(values[:, columns], at, floor[columns], round(LEAST * shot.fps / RATE))
            fitted.update(zip(columns, fit(values[:, columns], at), strict=True))
    return _with_keys(shot, owned, fitted)


def metres(shot: Shot) -> float:
    """Metres a shot unit, by the legs where the file doesn't say."""
    return metres_per_unit(shot, limbs(shot, pose(shot, shot.frames[::8])))[0]


def _with_keys(shot: Shot, owned: Table, fitted: dict[int, Keys]) -> Shot:
    at = {owner: i for i, owner in enumerate(owned.owners)}
    controls = tuple(
        replace(c, channels=tuple(Channel(ch.name, keys=fitted[at[c.name, ch.name]]) for ch in c.channels))
        for c in shot.controls
    )
    return replace(shot, controls=controls)


def groups(shot: Shot) -> list[list[str]]:
    """Controls that share their key frames: root and legs down to the toes, then each other control for itself."""
    found = limbs(shot, pose(shot, shot.frames[::8]))
    parents = {control.name: control.parent for control in shot.controls}
    standing: set[str] = {control.name for control in shot.controls if control.parent is None}
    for limb in (limb for limb in found if limb.kind == "leg"):
        standing.update((limb.end, *descendants(shot, limb.end)))
        name: str | None = limb.end
        while name is not None:
            standing.add(name)
            name = parents[name]
    lower = [control.name for control in shot.controls if control.name in standing]
    return [lower, *([control.name] for control in shot.controls if control.name not in standing)]


def key_frames(samples: Array, fps: float, rng: np.random.Generator) -> NDArray[np.intp]:
    """Key positions for (N, C) samples: first and last, between them irregular, drawn to where the motion turns."""
    low, high = (round(gap * fps / RATE) for gap in GAPS)
    sharp, last = sharpness(samples, fps), len(samples) - 1
    frames = [0]
    while last - frames[-1] > high:
        at = np.arange(frames[-1] + low, min(frames[-1] + high, last - low) + 1)
        weight = np.exp(SHARPLY * sharp[at] / max(float(sharp[at].max()), 1e-12))
        frames.append(int(rng.choice(at, p=weight / weight.sum())))
    return np.array([*frames, last], np.intp)


def sharpness(samples: Array, fps: float) -> Array:
    """(N,) size of the second derivative below LOOK_BELOW, each channel by its own root mean square, summed."""
    from scipy.signal import butter, sosfiltfilt

    low_pass = butter(2, LOOK_BELOW, fs=fps, output="sos")
    bend = np.gradient(np.gradient(sosfiltfilt(low_pass, samples, axis=0), axis=0), axis=0)
    size = np.sqrt(np.mean(bend**2, axis=0))
    alive = np.ptp(samples, axis=0) > STILL
    return np.asarray(np.sqrt(np.sum((bend[:, alive] / size[alive]) ** 2, axis=1)))


def denser(samples: Array, at: NDArray[np.intp], floor: Array, least: int) -> NDArray[np.intp]:
    """The key positions, with more of them in the middle of segments that miss some channel by more than its noise.

    samples (N, C), floor (C,) in their units, `least` samples between neighbouring keys.
    """
    allowed = (MISSED * np.maximum(high_pass_noise(samples), floor)) ** 2
    for _ in range(ROUNDS):
        basis = hermite_basis(at, len(samples))
        missed = samples - basis @ nearest(basis, samples)
        square = np.add.reduceat(missed[:-1] ** 2, at[:-1], axis=0) / np.diff(at)[:, None]
        poor = np.any(square > allowed, axis=1) & (np.diff(at) >= 2 * least)
        if not poor.any():
            break
        at = np.sort(np.concatenate([at, (at[:-1] + at[1:])[poor] // 2]))
    return at


def high_pass_noise(samples: Array) -> Array:
    """(C,) standard deviation of white noise by the median of sixth differences, which motion hardly touches."""
    return np.asarray(np.median(np.abs(np.diff(samples, 6, axis=0)), axis=0) / 0.6745 / np.sqrt(924.0))


def fit(samples: Array, at: NDArray[np.intp]) -> list[Keys]:
    """For each column of (N, C) the keys at these positions whose curve is nearest by least squares."""
    best = nearest(hermite_basis(at, len(samples)), samples)
    return [
        make_keys([0.0], [np.mean(column)], [0.0])
        if np.ptp(column) <= STILL
        else make_keys(at.astype(float), solved[::2], solved[1::2])
        for column, solved in zip(samples.T, best.T, strict=True)
    ]


def nearest(basis: csr_array, samples: Array) -> Array:
    """(2K, C) unknowns by least squares; normal equations, whose band is three wide."""
    from scipy.linalg import solveh_banded

    normal = basis.T @ basis
    band = np.zeros((4, basis.shape[1]))
    for k in range(4):
        band[k, : basis.shape[1] - k] = normal.diagonal(-k)
    return np.asarray(solveh_banded(band, basis.T @ samples, lower=True))


def hermite_basis(at: NDArray[np.intp], count: int) -> csr_array:
    """(N, 2K): the value at each frame of the cubic through keys, each with its value and its slope per frame."""
    from scipy.sparse import csr_array

    frames = np.arange(count)
    k = np.clip(np.searchsorted(at, frames, side="right") - 1, 0, len(at) - 2)
    length = (at[k + 1] - at[k]).astype(float)
    t = (frames - at[k]) / length
    entries = [2 * t**3 - 3 * t**2 + 1, length * (t**3 - 2 * t**2 + t), 3 * t**2 - 2 * t**3]
    entries.append(length * (t**3 - t**2))
    columns = 2 * k[:, None] + np.arange(4)
    rows = np.repeat(frames, 4)
    return csr_array((np.column_stack(entries).ravel(), (rows, columns.ravel())), shape=(count, 2 * len(at)))


def _keys(channel: Channel) -> Keys:
    assert channel.keys is not None
    return channel.keys

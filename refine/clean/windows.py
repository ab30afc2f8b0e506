"""Windows of a path seen without their cubics: what is left of each is a few uncorrelated numbers.

Fourth differences of white noise, made uncorrelated, are all that a window has beside its cubic. How much noise there
is around a frame, and what a spike or a break explains of a window, follow from those alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

HALF = 5  # frames to each side of one that are looked at; 4 where frames are rare
RARE = 50.0  # frames a second
LEVEL = 1.0  # s over which the usual residual is taken
THIN = 3  # every which window it is taken from
LOUD = 0.75  # quantile of what windows leave: noise comes in bursts, spikes are rarer
LOUDER = 2.5  # [judge] times the median, more is a second full of spikes
REST = 0.3  # [judge] of the median that a block's quantile is taken to be at least
QUICKER = 1.5  # [judge] the same of windows twice as wide
SIDE = 3  # samples that a break leaves to each side at least: of fewer they are a spike
BLUR = np.array([1.0, 2.0, 1.0]) / 4.0  # how sharp a break is that a smoothing has gone over


def fourth_differences(y: Array, step: int = 1) -> Array:
    """(D, N - 4 step) fourth differences of a path (N, D), between samples `step` frames apart."""
    found = np.ascontiguousarray(y.T)
    for _ in range(4):
        found = found[:, step:] - found[:, :-step]
    return found


@lru_cache(maxsize=8)
def _uncorrelated(half: int) -> tuple[Array, Array]:
    """W (n - 4, n - 4), which makes the fourth differences F of n white samples uncorrelated, and W F: orthonormal rows
    (n - 4, n), all that there is but cubics."""
    differences = np.diff(np.eye(2 * half + 1), 4, axis=0)
    white = np.linalg.inv(np.linalg.cholesky(differences @ differences.T))
    return white, white @ differences


def but_cubics(half: int) -> Array:
    """(n - 4, n) orthonormal directions in a window of n samples: all that there is but cubics."""
    return _uncorrelated(half)[1]


def unlike_cubics(fourth: Array, at: NDArray[np.intp] | slice, half: int, step: int = 1) -> Array:
    """(n - 4, D, M) what the windows that begin at some frames of a path have but for their cubics, in orthonormal
    coordinates: all that is asked of a window follows from these few.

    fourth (D, N - 4 step): the path's fourth differences. A window takes every `step`-th frame.
    """
    each = np.stack([fourth[:, k * step :][:, at] for k in range(2 * half - 3)])
    return np.asarray((_uncorrelated(half)[0] @ each.reshape(len(each), -1)).reshape(each.shape))


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """What H ways to explain a window add to its cubic: directions (K, n - 4), orthonormal in each way, and where each
    way's begin."""

    directions: Array
    first: NDArray[np.intp]

    @staticmethod
    def by(half: int, ways: Sequence[Array]) -> Explained:
        """Each way is some functions (n, k) on the window."""
        each = [np.linalg.qr(but_cubics(half) @ way)[0].T for way in ways]
        return Explained(np.concatenate(each), np.cumsum([0, *map(len, each[:-1])]))

    def explains(self, unlike: Array) -> Array:
        """(H, M) of windows (n - 4, D, M) the squares that each way explains."""
        along = self.directions @ unlike.reshape(len(unlike), -1)
        each = np.square(along).reshape(-1, *unlike.shape[1:]).sum(axis=1)
        return np.asarray(np.add.reduceat(each, self.first, axis=0))


def breaks(half: int) -> list[Array]:
    """Functions (n, 2) on a window in which a motion breaks, in slope and in value: wherever each side has `SIDE`
    samples, at once or as a smoothing leaves it. A corner without a step is among them."""
    t = np.arange(-half - 1, half + 2.0)
    found = []
    for at in range(SIDE - half - 1, half - SIDE + 1):
        sharp = np.stack([np.maximum(t - at, 0.0), t > at], axis=1)
        blurred = np.stack([np.convolve(each, BLUR, "valid") for each in sharp.T], axis=1)
        found += [sharp[1:-1], blurred]
    return found


def squares(unlike: Array) -> Array:
    """(M,) sums of squares of windows (n - 4, D, M)."""
    return np.asarray(np.einsum("kdm,kdm->m", unlike, unlike))


def second(fps: float) -> int:
    """Frames over which the usual residual is taken."""
    return max(round(LEVEL * fps), 15)


def quantiles(
    out: Array, skipped: NDArray[np.bool_], size: int, shares: tuple[float, ...]
) -> tuple[Array, list[Array]]:
    """The centres of blocks of `size` samples, and quantiles of `out` (N,) in them, skipped samples left out: (blocks,)
    each."""
    size = min(size, len(out))
    starts = np.arange(0, len(out) - size + 1, size)
    if starts[-1] + size < len(out):  # the last second has a say of its own
        starts = np.append(starts, len(out) - size)
    count = len(starts)
    known = np.where(skipped, np.nan, out)
    blocks = np.sort(np.lib.stride_tricks.sliding_window_view(known, size)[starts], axis=1)
    good = size - np.isnan(blocks).sum(axis=1)
    found: list[Array] = []
    for share in shares:
        at = np.maximum(share * (good - 1), 0.0)
        below, above = (
            blocks[np.arange(count), change(at).astype(np.intp)] for change in (np.floor, np.ceil)
        )
        level = np.where(good > 0, below + (at % 1.0) * (above - below), 0.0)
        # A second at rest doesn't make the next breath a spike.
        found.append(np.maximum(level, REST * float(np.median(level))))
    return np.asarray(starts + 0.5 * size), found


def quickness(y: Array, skipped: NDArray[np.bool_], fps: float, at: NDArray[np.intp] | None = None) -> Array:
    """(M,) what a path (N, D) usually strays around some frames, or each, by its noise and by its own quick moves.

    0 where frames are so rare that windows long enough for that would be whole moves.
    """
    at = np.arange(len(y)) if at is None else at
    if fps < RARE or len(y) <= 4 * HALF:
        return np.zeros(len(at))
    return usual(fourth_differences(y, 2), skipped, HALF, 2, fps, QUICKER, at)


def usual(
    fourth: Array,
    skipped: NDArray[np.bool_],
    half: int,
    step: int,
    fps: float,
    louder: float,
    at: NDArray[np.intp],
) -> Array:
    """(M,) what a window around each of some frames usually leaves of a sample of a path but for its cubic.

    fourth (D, N - 4 step): the path's fourth differences. Of windows of every frame it is noise, white or slow; of
    every other one (`step` 2) also how quick the joint is. Where noise comes in bursts it is these, but no more than
    `louder` times the median.
    """
    reach = half * step
    some = slice(reach, len(skipped) - reach, THIN)
    unlike = unlike_cubics(fourth, slice(0, some.stop - reach, THIN), half, step)
    each = np.sqrt(squares(unlike) / len(unlike))
    centres, (middle, loud) = quantiles(each, skipped[some], -(-second(fps) // THIN), (0.5, LOUD))
    place = (at - reach) / THIN
    return np.minimum(np.interp(place, centres, loud), louder * np.interp(place, centres, middle))

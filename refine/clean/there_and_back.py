"""Turns that are off by far for a single frame: there and back sooner than any body is, or nearly so.

Whether a sample stands out of the noise, or of how quick its joint is, can't be asked where a dozen frames hold whole
moves, nor amid strong tremble. But nobody turns a joint away and back within two frames of 24 a second. So a sample
that is off by `SURE`, while the others of its window are on one way without it, and farther from one that breaks there
(an impact, a cut), is a spike by itself. What nearly is one, the person who sees the shot is told of.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.samples import led_through
from refine.shot import Array

SURE = 22.0  # [judge] deg: what is off by 25 looks like less by three times a noise of 1 deg
BACK = 0.1  # s: there and back in that nobody is; the quickest fingers tap 7 times a second [mem]
LEFT = 0.25  # [judge] of a window's squares that may be left once the sample is free
NEARLY = 0.5  # [judge] the same of what is told
TORN = 2.0  # [judge] times what a break leaves that may be left of what is told
HALF = 4  # frames to each side that are looked at
SIDE = 3  # of these that a break leaves to each side at least: of fewer they are the spike
BLUR = np.array([1.0, 2.0, 1.0]) / 4.0  # how sharp a break is that a smoothing has gone over
TINY = 1e-300


def there_and_back(y: Array, bad: NDArray[np.bool_], fps: float, least: float) -> NDArray[np.bool_]:
    """(N,) samples of a path (N, D), led through the bad ones, that are spikes: off by `least` for one frame.

    None where two frames are long enough for a body to be back, and none beside a sample that is bad.
    """
    if 2.0 / fps >= BACK:
        return np.zeros(len(y), np.bool_)
    return _best(y, bad, least, LEFT, 1.0)


def nearly(path: Array, bad: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """(N,) samples of a path (N, D), the bad ones left out, that look like spikes of `least` and may be motion."""
    return _best(led_through(path, bad), bad, least, NEARLY, TORN)


def _best(y: Array, bad: NDArray[np.bool_], least: float, left: float, torn: float) -> NDArray[np.bool_]:
    """(N,) samples off by `least` by themselves, the farthest first, one a window: good ones beside it look astray."""
    found = np.zeros(len(y), np.bool_)
    # Where no component steps by a sixth of that nothing is half of it off the cubic beside it.
    if len(y) <= 2 * HALF or np.abs(np.diff(y, axis=0)).max() < least / 6.0:
        return found
    out = np.linalg.norm(np.diff(y, 4, axis=0), axis=1) / 6.0  # off the cubic through two to each side
    at = HALF + np.flatnonzero(out[HALF - 2 : len(out) - HALF + 2] > 0.5 * least)
    at = at[~bad[at] & ~bad[at - 1] & ~bad[at + 1]]
    if not len(at):
        return found
    size, share, broken = _alone(y[at[:, None] + np.arange(-HALF, HALF + 1)])
    chosen = np.flatnonzero((size > least) & (share < left) & (broken < torn))
    for which in chosen[np.argsort(-size[chosen])]:
        if not found[at[which] - HALF : at[which] + HALF + 1].any():
            found[at[which]] = True
    return found


def _alone(window: Array) -> tuple[Array, Array, Array]:
    """How far the samples amid windows (M, n, D) are off the cubics through the others, the share of their squares that
    is left once they are free, and that over what the best break leaves, (M,) each."""
    cubic, breaks = _left_over()
    whole = np.square(cubic @ window).sum(axis=(1, 2))
    gain = np.square(cubic[HALF] @ window).sum(axis=1) / cubic[HALF, HALF]
    left = np.maximum(whole - gain, TINY)
    broken = np.min([np.square(each @ window).sum(axis=(1, 2)) for each in breaks], axis=0)
    size = np.sqrt(gain / cubic[HALF, HALF])
    return size, left / np.maximum(whole, TINY), left / np.maximum(broken, TINY)


@lru_cache(maxsize=1)
def _left_over() -> tuple[Array, tuple[Array, ...]]:
    """Projections (n, n) on what a cubic leaves of a window, and on what cubics leave that break: in value and slope,
    at once or smoothed, wherever a break leaves `SIDE` samples to each side."""
    t = np.arange(-HALF - 1, HALF + 2.0)
    cubic = np.vander(t[1:-1] / HALF, 4)
    breaks = []
    for at in range(SIDE - HALF - 1, HALF - SIDE + 1):
        sharp = np.stack([np.maximum(t - at, 0.0), t > at], axis=1)
        smooth = np.stack([np.convolve(each, BLUR, "valid") for each in sharp.T], axis=1)
        breaks += [_projection(np.hstack([cubic, each])) for each in (sharp[1:-1], smooth)]
    return _projection(cubic), tuple(breaks)


def _projection(basis: Array) -> Array:
    q, _ = np.linalg.qr(basis)
    return np.asarray(np.eye(len(basis)) - q @ q.T)

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

from refine.clean.windows import Explained, breaks, but_cubics, fourth_differences, squares, unlike_cubics
from refine.samples import led_through
from refine.shot import Array

SURE = 22.0  # [judge] deg: what is off by 25 looks like less by three times a noise of 1 deg
BACK = 0.1  # s: there and back in that nobody is; the quickest fingers tap 7 times a second [mem]
LEFT = 0.25  # [judge] of a window's squares that may be left once the sample is free
NEARLY = 0.5  # [judge] the same of what is told
TORN = 2.0  # [judge] times what a break leaves that may be left of what is told
HALF = 4  # frames to each side that are looked at
TINY = 1e-300  # where a row rests exactly nothing is left


def there_and_back(fourth: Array, bad: NDArray[np.bool_], fps: float, least: float) -> NDArray[np.bool_]:
    """(N,) samples of a path that are spikes: off by `least`, in its unit, for one frame.

    fourth (D, N - 4): the path's fourth differences, the bad samples led through. None where two frames are long enough
    for a body to be back, and none beside a sample that is bad.
    """
    if 2.0 / fps >= BACK:
        return np.zeros(len(bad), np.bool_)
    return _best(fourth, bad, least, LEFT, 1.0)


def nearly(path: Array, bad: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """(N,) samples of a path (N, D), the bad ones left out, that look like spikes of `least` and may be motion."""
    return _best(fourth_differences(led_through(path, bad)), bad, least, NEARLY, TORN)


def _best(fourth: Array, bad: NDArray[np.bool_], least: float, left: float, torn: float) -> NDArray[np.bool_]:
    """(N,) samples off by `least` by themselves, the farthest first, one a window: good ones beside it look astray."""
    found = np.zeros(len(bad), np.bool_)
    off = np.einsum("dn,dn->n", fourth, fourth)  # 36 times the squares off the cubic through two to each side
    at = HALF + np.flatnonzero(off[HALF - 2 : len(off) - HALF + 2] > (6.0 * 0.5 * least) ** 2)
    at = at[~bad[at] & ~bad[at - 1] & ~bad[at + 1]]
    if not len(at):
        return found
    size, share, broken = _alone(unlike_cubics(fourth, at - HALF, HALF))
    chosen = np.flatnonzero((size > least) & (share < left) & (broken < torn))
    for which in chosen[np.argsort(-size[chosen])]:
        if not found[at[which] - HALF : at[which] + HALF + 1].any():
            found[at[which]] = True
    return found


def _alone(unlike: Array) -> tuple[Array, Array, Array]:
    """How far the samples amid windows are off the cubics through the others, the share of the windows' squares that is
    left once they are free, and that over what the best break leaves, (M,) each.

    unlike (n - 4, D, M): what the windows have but for their cubics.
    """
    spike, broken, alone = _explanations()
    whole, gain = squares(unlike), spike.explains(unlike)[0]
    left = np.maximum(whole - gain, TINY)
    torn = np.maximum(whole - broken.explains(unlike).max(axis=0), TINY)
    return np.sqrt(gain) / alone, left / np.maximum(whole, TINY), left / torn


@lru_cache(maxsize=1)
def _explanations() -> tuple[Explained, Explained, float]:
    """What one sample explains, what breaks explain, and how much of an error of 1 amid a window no cubic takes up."""
    unit = np.eye(2 * HALF + 1)[:, HALF : HALF + 1]
    alone = float(np.linalg.norm(but_cubics(HALF) @ unit))
    return Explained.by(HALF, [unit]), Explained.by(HALF, breaks(HALF)), alone

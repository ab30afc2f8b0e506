"""What was smoothed strongly runs into the samples that are held, where these would stick out of it.

Smoothed by its noise, motion goes through held samples (see denoise). A person may ask for so little motion that they
lie far off it; a curve that had to go through them would swing as far beyond, led by the noise that they hold. So what
lies beside goes along with them, the less the farther off it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from refine.limbs.planted import runs
from refine.shot import Array

Mask = NDArray[np.bool_]


def eased(z: Array, y: Array, held: Mask, breaks: Mask, least: Array, reach: int) -> Array:
    """Smoothed rows z (k, N) that run into the held samples (N,) of y (k, N) within `reach` frames, but over no break.

    Where no row is off by more than its `least` (k,) they stay. Between two held stretches each has half of the way.
    """
    off, out = y - z, z.copy()
    far, count = np.any(np.abs(off) > least[:, None], axis=0), len(held)
    # Where a way to a held stretch may begin, and end: beyond the held stretch beside it, and a break.
    walls = np.flatnonzero(breaks)
    spans = runs(held)
    for n, (a, b) in enumerate(spans):
        before = a if n == 0 else (a - 1 - spans[n - 1][1]) // 2
        after = count - 1 - b if n == len(spans) - 1 else (spans[n + 1][0] - 1 - b) // 2
        before = min(before, reach, a - 1 - int(max(walls[walls < a], default=-1)))
        after = min(after, reach, int(min(walls[walls >= b], default=count)) - b)
        if far[a]:
            out[:, a - before : a] += off[:, [a]] * _share(before)[::-1]
        if far[b]:
            out[:, b + 1 : b + 1 + after] += off[:, [b]] * _share(after)
    return out


def _share(count: int) -> Array:
    """(count,) how much frames go along, from nearly all to nearly nothing."""
    return 0.5 + 0.5 * np.cos(np.pi * np.arange(1, count + 1) / (count + 1))

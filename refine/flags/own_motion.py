"""Samples of one path led anew through some frames, as the path moves elsewhere: filled where nothing is known of
them, smoothed where they are known with noise.

    minimise   sum w (z - y)^2 + sum (k * z)^2 / v   over some frames, the others staying as they are

k is the third difference (least jerk), or the prediction error of the path's own motion, learnt from the rest of it:
an autoregressive model of its differences (Janssen, Veldhuis & Vries 1986 fill gaps in sound by it [mem]) whose
error has the variance v. With w = 1 / noise^2 the second is the best linear estimate for motion of that spectrum, so
it takes no more motion away than it must. One banded factor, linear in the number of frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array
from refine.solve.banded import Factor, factor, fix

ORDER = 8  # of the model: two waves of motion and some more [judge]
ENOUGH = 10 * ORDER  # differences from which it can be learnt
GROUND = (
    5e-3  # of the differences' RMS: a model may not trust that a motion has nothing at all at some frequency
)


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What is taken for smooth: `kernel` times a path is nothing but an error of this variance."""

    kernel: Array
    variance: float


LEAST_JERK = Motion(np.array([1.0, -3.0, 3.0, -1.0]), 1.0)


def learnt(y: Array, known: NDArray[np.bool_]) -> Motion | None:
    """The motion of a path (N,), where `known`; None where too little is."""
    from scipy.linalg import solve_toeplitz

    step, both = np.diff(y), known[1:] & known[:-1]
    count = int(both.sum())
    if count < ENOUGH:
        return None
    away = np.where(both, step - step[both].mean(), 0.0)
    lagged = np.array([away[: len(away) - k] @ away[k:] for k in range(ORDER + 1)]) / count
    if lagged[0] <= 0:
        return None
    lagged[:2] += (
        GROUND**2 * lagged[0] * np.array([2.0, -1.0])
    )  # white noise of a path, as its differences have it
    weights = solve_toeplitz(lagged[:-1], lagged[1:])
    variance = float(lagged[0] - weights @ lagged[1:])
    return (
        Motion(np.convolve(np.concatenate([[1.0], -weights]), [1.0, -1.0]), variance)
        if variance > 0
        else None
    )


def led(y: Array, free: NDArray[np.bool_], noise: float | None, motion: Motion) -> Array:
    """(N,) the path with its free frames set anew; what is known of them has this noise, nothing where None."""
    at, reach = np.flatnonzero(free), len(motion.kernel) - 1
    low, high = max(int(at[0]) - reach, 0), min(int(at[-1]) + reach + 1, len(y))
    if high - low <= reach:
        return y
    # Kernels are read backward in time, as convolutions are.
    error = np.convolve(y[low:high], motion.kernel, "valid")
    bands = _bands(motion.kernel, high - low)
    bands[0] += 0.0 if noise is None else motion.variance / noise**2
    fix(bands, ~free[low:high])
    slope = np.convolve(error, motion.kernel[::-1])
    slope[~free[low:high]] = 0.0
    lower = factor(bands)
    if not isinstance(lower, Factor):
        return y  # nothing ties the free frames to the others
    found = y.copy()
    found[low:high] -= lower.solve(slope)
    return found


def _bands(kernel: Array, size: int) -> Array:
    """Lower bands (K, size) of M'M, the rows of M being the kernel at each place where it fits."""
    width = len(kernel)
    weights, places = kernel[::-1], size - width + 1
    bands = np.zeros((width, size), order="F")
    for i in range(width):
        for j in range(i, width):
            bands[j - i, i : i + places] += weights[i] * weights[j]
    return bands

"""Samples of one path led anew through some frames, as the path moves elsewhere: filled where nothing is known of
them, smoothed where they are known with noise.

    minimise   sum w (z - y)^2 + sum (k * z)^2 / v   over some frames, the others staying as they are

k is the third difference (least jerk), or the prediction error of the path's own motion, learnt from the rest of it:
an autoregressive model of its differences (Janssen, Veldhuis & Vries 1986 fill gaps in sound by it [mem]) whose
error has the variance v. With w = 1 / noise^2 the second is the best linear estimate for motion of that spectrum, so
it takes no more motion away than it must. What other joints foretell of the errors is taken off them first, k * z - f.
One banded factor, linear in the number of frames. By the same model the truth lies about z with the covariance v H^-1,
H being half the Hessian over v: that says how likely the way from y to z leads away from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erfc, sqrt

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array
from refine.solve.banded import Factor, factor, fix, gram

ORDER = 8  # of the model: two waves of motion and some more [judge]
ENOUGH = 10 * ORDER  # differences from which it can be learnt
GROUND = (
    5e-3  # of the differences' RMS: a model may not trust that a motion has nothing at all at some frequency
)


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What is taken for smooth: `kernel` (K,) times a path is nothing but an error of this variance.

    `foretold` (N - K + 1,) is what else is known of the errors, the first of which ends on frame K - 1.
    """

    kernel: Array
    variance: float
    foretold: Array | float = 0.0

    def errors(self, y: Array) -> Array:
        """(N - K + 1,) of a path (N,). Kernels are read backward in time, as convolutions are."""
        return np.asarray(np.convolve(y, self.kernel, "valid") - self.foretold)

    def gram(self, size: int) -> Array:
        """Lower bands (K, size) of M'M, the rows of M being the kernel at each place where it fits."""
        return gram(self.kernel[::-1], np.ones(size - len(self.kernel) + 1))

    def whole(self, known: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(N - K + 1,) the errors of which all frames are `known` (N,)."""
        return np.asarray(np.convolve(~known, np.ones(len(self.kernel)), "valid") < 0.5)


LEAST_JERK = Motion(np.array([1.0, -3.0, 3.0, -1.0]), 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Led:
    """A path (N,) led anew, and the variance of (truth - path) . (path - given), path units to the fourth."""

    path: Array
    along: float


def learnt(y: Array, known: NDArray[np.bool_]) -> Motion:
    """The motion of a path (N,), where `known`; of least jerk as it has it where too little is."""
    kernels, variance, enough = learnt_of_all(y[None, :, None], known[None])
    if enough[0] and variance[0] > 0:
        return Motion(kernels[0], float(variance[0]))
    left = LEAST_JERK.errors(y)[LEAST_JERK.whole(known)]
    return replace(LEAST_JERK, variance=float(np.mean(left**2)) if len(left) else np.inf)


def learnt_of_all(paths: Array, known: NDArray[np.bool_]) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Kernels (P, ORDER + 2) and variances (P,) of paths (P, N, D), where `known` (P, N), and whether enough is.

    The numbers of a path with several share one kernel. A path that rests has the variance 0.
    """
    step, both = np.diff(paths, axis=1), known[:, 1:] & known[:, :-1]
    count = np.maximum(both.sum(axis=1), 1)
    mean = np.sum(step * both[..., None], axis=1) / count[:, None]
    away = (step - mean[:, None]) * both[..., None]
    size = away.shape[1]
    lags = [np.sum(away[:, : size - k] * away[:, k:], axis=(1, 2)) for k in range(min(ORDER + 1, size))]
    lagged = np.zeros((len(paths), ORDER + 1))
    lagged[:, : len(lags)] = np.stack(lags, axis=1) / count[:, None]
    rests = lagged[:, 0] <= 0
    lagged[rests, 0] = 1.0
    # White noise of a path, as its differences have it.
    lagged[:, :2] += GROUND**2 * lagged[:, :1] * np.array([2.0, -1.0])
    apart = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER))
    weights = np.linalg.solve(lagged[:, apart], lagged[:, 1:, None])[..., 0]
    variance = np.where(rests, 0.0, lagged[:, 0] - np.sum(weights * lagged[:, 1:], axis=1))
    foretold = np.concatenate([np.ones((len(paths), 1)), -weights], axis=1)
    kernels = np.pad(foretold, ((0, 0), (0, 1)))
    kernels[:, 1:] -= foretold
    return kernels, variance, both.sum(axis=1) >= ENOUGH


def led(y: Array, free: NDArray[np.bool_], noise: float | None, motion: Motion) -> Led:
    """The path with its free frames set anew; what is known of them has this noise, nothing where None."""
    at, reach = np.flatnonzero(free), len(motion.kernel) - 1
    low, high = max(int(at[0]) - reach, 0), min(int(at[-1]) + reach + 1, len(y))
    if high - low <= reach or not np.isfinite(motion.variance):
        return Led(y, np.inf)
    bands = motion.gram(high - low)
    bands[0] += 0.0 if noise is None else motion.variance / noise**2
    fix(bands, ~free[low:high])
    slope = np.convolve(motion.errors(y)[low : high - reach], motion.kernel[::-1])
    slope[~free[low:high]] = 0.0
    lower = factor(bands)
    if not isinstance(lower, Factor):
        return Led(y, np.inf)  # nothing ties the free frames to the others
    moved = -lower.solve(slope)
    found = y.copy()
    found[low:high] += moved
    return Led(found, motion.variance * float(moved @ lower.solve(moved)))


def chance_of_harm(moved: Array, along: Array) -> float:
    """The probability that the truth lies nearer to what was given than to what it is led to.

    `moved` are the squares of the ways of some paths, `along` their variances as in `Led`, both in the unit in which
    near is meant. With d = z - y that is P(2 d (c - z) + d^2 < 0), c normal about z.
    """
    square, spread = float(np.sum(moved)), float(np.sqrt(np.sum(along)))
    return 0.5 * erfc(square / (2 * spread * sqrt(2))) if spread > 0 else 0.0

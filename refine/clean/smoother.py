"""The most likely motion under the noise found: third differences as small as the motion's own liveliness lets them be.

    minimise  sum w e_t^2 / s  +  sum (D^3 z)_t^2 / q_t,      e = whitened y - z

with noise of variance s whose neighbouring frames correlate by a: e_t = n_t - a n_t-1 over 1 - a^2. Samples without
weight (spikes, gaps) are led through by the least jerk, the minimum-jerk interpolation. One banded Cholesky factor a
channel. Whittaker 1923, Henderson 1924; with q_t a Kalman smoother of a random walk in acceleration [mem].

What rests is known to take short steps as well, u_t = (z_t+1 - z_t) / r_t, each much as long as the one before:

    + sum (u_t - c u_t-1)^2 / (1 - c^2)      an autoregression, with speeds an Ornstein-Uhlenbeck process [mem]
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.samples import led_through
from refine.shot import Array
from refine.solve.banded import gram
from refine.third_differences import ORDER, ROW

# Of the penalty's own diagonal: what draws missing samples to the straight line, where hundreds of them in a row leave
# no factor in double precision. Nobody fills a gap that long unasked.
FAINT = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """How far a motion goes from frame to frame: standard deviations (N - 1,), the correlation of neighbours."""

    sigma: Array
    alike: float


def smoothed(
    y: Array,
    missing: NDArray[np.bool_],
    stiff: Array,
    sigma: float,
    alike: float,
    jerk: Array,
    steps: Steps | None = None,
) -> Array:
    """The smoothed row (N,).

    missing (N,) samples have no say. stiff (N,): how many times as firmly as by the noise a sample is held (1).
    jerk (N - 3,): variance of each third difference of the motion. Units: the row's own, per frame^3. `steps`: what is
    known of its steps.
    """
    from scipy.linalg.lapack import dpbsv

    filled = led_through(y, missing)
    weight = 1.0 / jerk
    pull = np.convolve(weight * np.diff(filled, ORDER), ROW[::-1])
    for faint in (0.0, FAINT):
        bands = gram(ROW, weight)
        if faint:
            bands[0, missing] *= 1.0 + faint
        _add_noise(bands, missing, stiff / sigma**2, alike)
        force = pull if steps is None else pull + _add_steps(bands, np.diff(filled), steps)
        _, x, info = dpbsv(bands, force, lower=1, overwrite_ab=1)
        if info == 0:
            return np.asarray(filled + x)
    raise ArithmeticError("the penalty on third differences and the noise make it positive definite")


def _add_noise(bands: Array, missing: NDArray[np.bool_], precision: Array, alike: float) -> None:
    """Adds the noise's precision matrix: tridiagonal, begun anew after each missing sample."""
    own = np.where(missing, 0.0, precision)
    if alike == 0:
        bands[0] += own
        return
    paired = np.where(missing[:-1], 0.0, own[1:]) / (1 - alike**2)  # rows (n_t - a n_t-1)^2 / (1 - a^2)
    bands[0, 1:] += paired
    bands[0, :-1] += alike**2 * paired
    bands[1, :-1] -= alike * paired
    own[1:][~missing[:-1]] = 0.0  # what is left begins a row of good samples
    bands[0] += own


def _add_steps(bands: Array, given: Array, steps: Steps) -> Array:
    """Adds D'PD, P the tridiagonal precision of the steps; (N,) how it pulls at the steps as given (N - 1,)."""
    own = 1.0 / (steps.sigma * np.sqrt(1.0 - steps.alike**2))
    at, beside = own**2, -steps.alike * own[:-1] * own[1:]
    at[1:-1] *= 1.0 + steps.alike**2
    force = at * given
    force[:-1] += beside * given[1:]
    force[1:] += beside * given[:-1]
    bands[0, :-1] += at
    bands[0, 1:] += at
    bands[0, 1:-1] -= 2.0 * beside
    bands[1, :-1] -= at
    bands[1, :-2] += beside
    bands[1, 1:-1] += beside
    bands[2, :-2] -= beside
    return np.diff(force, prepend=0.0, append=0.0)

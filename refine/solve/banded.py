"""Least squares on bands: one banded Cholesky factor, linear in the number of unknowns.

minimise sum w (A x + b - t)^2 with some unknowns fixed. The normal matrix H = sum A' W A is filled straight
into LAPACK's lower bands; a fixed unknown becomes a row of the identity, so that it keeps its value exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Array, Band, transposed_times
from constraints.terms import Penalty

# Below this square of the smallest pivot over the largest entry, H is singular for double precision.
SINGULAR = 1e-15
# Above this ratio a solution is refined once with the gradient, which the bands' rounding doesn't touch.
REFINE = 1e5


def fits(penalties: Sequence[Penalty]) -> bool:
    """Whether all penalties are squares on bands."""
    return all(p.form == "squares" and isinstance(p.over.matrix, Band) for p in penalties)


def normal_bands(penalties: Sequence[Penalty], size: int, width: int = 1) -> Array:
    """Lower bands (at least `width`, n) of H = sum A' W A in LAPACK's memory order."""
    matrices = [p.over.matrix for p in penalties if isinstance(p.over.matrix, Band)]
    width = max([width, *(matrix.width for matrix in matrices)])
    bands = np.zeros((width, size), order="F")
    for penalty, matrix in zip(penalties, matrices, strict=True):
        matrix.add_gram(penalty.weight, bands)
    return bands


def half_gradient(penalties: Sequence[Penalty], x: Array) -> Array:
    """Half the gradient of the squares at x, sum A' W (A x + b - t): (n,)."""
    total, moved = np.zeros(len(x)), bool(np.any(x))
    for penalty in penalties:
        y = penalty.over(x) if moved else penalty.over.offset
        r = y - penalty.target
        if np.any(r):  # what costs nothing, as staying close does at 0, pulls nothing
            r *= penalty.weight
            total += transposed_times(penalty.over.matrix, r)
    return total


def gram(row: Array, weight: Array) -> Array:
    """Lower bands (K, n) of D'WD in LAPACK's memory order, D having the same row (K,) at each of its n - K + 1 places.

    weight (n - K + 1,) is W's diagonal. The places overlap like a convolution's.
    """
    width = len(row)
    bands = np.zeros((width, len(weight) + width - 1), order="F")
    for offset in range(width):
        products = row[: width - offset] * row[offset:]
        bands[offset, : bands.shape[1] - offset] = np.convolve(weight, products)
    return bands


def fix(bands: Array, fixed: NDArray[np.bool_]) -> None:
    """Replace the rows and columns of the fixed unknowns by the identity's, in place."""
    at = np.flatnonzero(fixed)
    bands[:, at] = 0.0
    for k in range(1, len(bands)):
        bands[k, at[at >= k] - k] = 0.0
    bands[0, at] = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """The Cholesky factor of a banded matrix."""

    bands: Array  # (width, n), Fortran order

    def solve(self, rhs: Array) -> Array:
        from scipy.linalg.lapack import dpbtrs

        x, info = dpbtrs(self.bands, rhs, lower=1)
        assert info == 0, "LAPACK refused its own factor"
        return np.asarray(x)

    @property
    def condition(self) -> float:
        """The largest pivot over the smallest, squared: a lower estimate of the condition number."""
        pivots = self.bands[0]
        return float((pivots.max() / pivots.min()) ** 2)


def factor(bands: Array) -> Factor | None:
    """Factor lower bands in place; None when the matrix isn't positive definite."""
    from scipy.linalg.lapack import dpbtrf

    lower, info = dpbtrf(bands, lower=1, overwrite_ab=1)
    return Factor(lower) if info == 0 else None


def solve_banded(penalties: Sequence[Penalty], settled: Array, fixed: NDArray[np.bool_]) -> Array | None:
    """The minimiser (n,) with the fixed unknowns at `settled`; None when it isn't unique.

    An unknown that no penalty touches stays 0.
    """
    bands = normal_bands(penalties, len(settled))
    idle = fixed | (bands[0] == 0)
    any_idle = bool(idle.any())
    if any_idle:
        fix(bands, idle)
    lower = factor(bands)
    if lower is None or lower.condition > 1 / SINGULAR:
        return None
    x = settled
    for _ in range(2 if lower.condition > REFINE else 1):
        gradient = half_gradient(penalties, x)
        if any_idle:
            gradient[idle] = 0.0
        step = lower.solve(gradient)
        x = np.subtract(x, step, out=step)
    return x

"""The bounds of a banded problem, one side at a time, as an interior point method reads them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Array, Band
from refine.solve.presolve import Box


def dot(a: Array, b: Array) -> float:
    """a' b without BLAS, whose threads wait for each other where the cores are busy: 50 times slower then."""
    return float(np.einsum("i,i->", a, b))


class Side:
    """One side of the bounds, s = C x - d >= 0, C being `sign` times unknowns or narrow rows.

    at: the bounded unknowns, or a slice of all; matrix: the rows, None for unknowns.
    """

    def __init__(
        self, sign: float, at: NDArray[np.intp] | slice, bound: Array, matrix: Band | None = None
    ) -> None:
        self.sign, self.at, self.matrix, self.bound = sign, at, matrix, sign * bound
        self.s, self.z, self.d, self.inverse, self.q, self.c, self.ds = (
            np.empty(len(bound)) for _ in range(7)
        )
        self.r: Array | None = None

    def apply(self, x: Array, out: Array) -> Array:
        y = x[self.at] if self.matrix is None else self.matrix @ x
        return np.multiply(y, self.sign, out=out)

    def add_transposed(self, y: Array, total: Array) -> None:
        """total += C' y; y is spoilt."""
        if self.sign < 0:
            np.negative(y, out=y)
        if self.matrix is None:
            total[self.at] += y
        else:
            total += self.matrix.transposed_times(y)

    def begin(self, x: Array, floor: float) -> None:
        """The first slacks: the true ones where they are at least `floor`."""
        value = self.apply(x, self.ds) - self.bound
        np.maximum(value, floor, out=self.s)
        miss = value - self.s
        self.r = miss if np.any(miss < 0) else None

    def add_newton(self, bands: Array, diagonal: Array, rhs: Array) -> None:
        """Add C' D C to the Newton matrix (or its diagonal) and -C' D r to the predictor's right side."""
        np.divide(1.0, self.s, out=self.inverse)
        np.multiply(self.z, self.inverse, out=self.d)
        if self.matrix is None:
            diagonal[self.at] += self.d
        else:
            self.matrix.add_gram(self.d, bands)
        if self.r is not None:
            self.add_transposed(-self.d * self.r, rhs)

    def predict(self, dx: Array) -> tuple[float, float]:
        """After a pure Newton step: the inverse of the longest step, and the sum of ds dz along it."""
        ds = self.apply(dx, self.ds)
        if self.r is not None:
            ds += self.r
        np.multiply(ds, self.inverse, out=self.q)
        longest = max(-float(self.q.min()), 1.0 + float(self.q.max()))
        np.add(self.q, 1.0, out=self.c)
        self.c *= self.q
        self.c *= self.z  # c = -ds dz / s, the second-order correction
        return longest, -dot(self.c, self.s)

    def add_correction(self, centre: float, rhs: Array) -> None:
        """c += centre / s, and C' c onto the right side."""
        np.multiply(self.inverse, centre, out=self.q)
        self.c += self.q
        np.copyto(self.q, self.c)
        self.add_transposed(self.q, rhs)

    def direct(self, dx: Array, pull: Array) -> float:
        """The slacks' and multipliers' direction (in ds and c); returns the inverse of the longest step.

        Takes C' D C dx from `pull`.
        """
        ds = self.apply(dx, self.ds)
        self.c -= self.z
        np.multiply(self.d, ds, out=self.q)
        self.c -= self.q
        np.negative(self.q, out=self.q)
        self.add_transposed(self.q, pull)
        if self.r is not None:
            ds += self.r
            self.c -= self.d * self.r
        np.multiply(ds, self.inverse, out=self.q)
        longest = -float(self.q.min())
        np.divide(self.c, self.z, out=self.q)
        return max(longest, -float(self.q.min()))

    def move(self, step: float) -> float:
        """Take the step; returns s' z."""
        self.ds *= step
        self.s += self.ds
        self.c *= step
        self.z += self.c
        if self.r is not None:
            self.r *= 1.0 - step
        return dot(self.s, self.z)


def sides(box: Box) -> list[Side]:
    """Both sides of the box and of the wide rows, each as far as it is finite."""
    found = []
    for sign, bound in ((1.0, box.lower), (-1.0, box.upper)):
        finite = np.isfinite(bound) & ~box.fixed
        if finite.all():
            found.append(Side(sign, slice(None), bound))
        elif finite.any():
            found.append(Side(sign, np.flatnonzero(finite), bound[finite]))
    for rows in box.wide:
        for sign, bound in ((1.0, rows.lower), (-1.0, rows.upper)):
            at = np.flatnonzero(np.isfinite(bound))
            if len(at):
                over = rows.over if len(at) == len(bound) else rows.over.restrict(at)
                base = over(box.settled()) if box.fixed.any() else over.offset
                assert isinstance(over.matrix, Band)
                found.append(Side(sign, slice(None), bound[at] - base, _free(over.matrix, box.fixed)))
    return found


def _free(matrix: Band, fixed: NDArray[np.bool_]) -> Band:
    """The matrix with the fixed unknowns' columns at 0."""
    if not fixed.any():
        return matrix
    columns = matrix.start[:, None] + np.arange(matrix.width)
    return Band(np.where(fixed[columns], 0.0, matrix.entries), matrix.start, matrix.columns)

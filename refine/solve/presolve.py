"""What every backend wants to know first: which unknowns are fixed, which are merely bounded, what rows
remain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Affine, Array, Band, Matrix
from constraints.terms import Rows
from refine.problem import Problem


class Contradiction(Exception):
    """Rows on single unknowns exclude each other. Never leaves the package: `clash` says which."""


@dataclass(frozen=True, slots=True, eq=False)
class Box:
    """lower <= x <= upper, both (n,), as far as rows on single unknowns and the trust region say it.

    fixed: (n,) unknowns whose two bounds agree. wide: the rows that touch two or more unknowns that aren't
    fixed.
    """

    lower: Array
    upper: Array
    fixed: NDArray[np.bool_]
    wide: tuple[Rows, ...]

    @property
    def bounded(self) -> bool:
        """Whether an unknown that isn't fixed has a bound."""
        if self.lower.strides == (0,):  # one number for all of them, from `_open`
            return False
        free = ~self.fixed
        return bool(np.any(free & np.isfinite(self.lower)) or np.any(free & np.isfinite(self.upper)))

    def settled(self) -> Array:
        """(n,) the fixed unknowns at their values, all others 0."""
        return np.where(self.fixed, self.lower, 0.0)


def presolve(problem: Problem, start: Array | None, trust: float | Array | None) -> Box:
    """Fold rows on single unknowns into a box, again and again while they fix more unknowns."""
    waiting = [rows for rows in problem.terms.rows if rows.over.rows]
    if not waiting and trust is None:
        return _open(problem.size)
    lower, upper = np.full(problem.size, -np.inf), np.full(problem.size, np.inf)
    if trust is not None:
        centre = np.zeros(problem.size) if start is None else start
        lower, upper = centre - trust, centre + trust
    while True:
        fixed = lower == upper
        remaining: list[Rows] = []
        for rows in waiting:
            rest = _fold(rows, fixed, lower, upper)
            remaining += [rest] if rest.over.rows else []
        _settle(lower, upper)
        done = sum(r.over.rows for r in remaining) == 0 or np.array_equal(fixed, lower == upper)
        waiting = remaining
        if done:
            return Box(lower, upper, lower == upper, tuple(waiting))


def _open(size: int) -> Box:
    """No bounds at all, in no memory: fresh pages cost as much as a pass over them."""
    lower, upper = np.broadcast_to(-np.inf, (size,)), np.broadcast_to(np.inf, (size,))
    return Box(lower, upper, np.broadcast_to(np.False_, (size,)), ())


def _fold(rows: Rows, fixed: NDArray[np.bool_], lower: Array, upper: Array) -> Rows:
    """Tighten the box by the rows on one free unknown; returns the rows on several. Those on none are
    dropped."""
    count, column, factor = single(rows.over, fixed)
    one = np.flatnonzero(count == 1)
    if len(one):
        settled = np.where(fixed, lower, 0.0)
        base = rows.over.offset[one] if not fixed.any() else rows.over(settled)[one]
        a, at = factor[one], column[one]
        low, high = (rows.lower[one] - base) / a, (rows.upper[one] - base) / a
        low, high = np.where(a > 0, low, high), np.where(a > 0, high, low)
        slack = rows.tolerance / np.abs(a)
        _tighten(lower, upper, at, low, high, slack)
    return rows if not len(one) and np.all(count > 1) else restricted(rows, np.flatnonzero(count > 1))


def _tighten(lower: Array, upper: Array, at: NDArray[np.intp], low: Array, high: Array, slack: Array) -> None:
    """Intersect the box with low <= x[at] <= high; a conflict of no more than `slack` is settled half way."""
    if np.any(low > upper[at] + slack) or np.any(high < lower[at] - slack):
        raise Contradiction
    np.maximum.at(lower, at, low)
    np.minimum.at(upper, at, high)


def _settle(lower: Array, upper: Array) -> None:
    """Bounds that cross, within tolerance, or leave no room in floating point fix their unknown."""
    tight = lower >= upper - 1e-12 * np.where(np.isfinite(upper - lower), np.abs(lower) + np.abs(upper), 0.0)
    tight &= lower != upper
    if np.any(tight):
        middle = 0.5 * (lower[tight] + upper[tight])
        lower[tight] = middle
        upper[tight] = middle


def single(over: Affine, fixed: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """For each row: how many free unknowns it touches, and the column and factor of the last of them."""
    matrix, m = over.matrix, over.rows
    if not isinstance(matrix, Band):
        live = (matrix != 0) & ~fixed
        column = live.shape[1] - 1 - np.argmax(live[:, ::-1], axis=1)
        return live.sum(axis=1), column, matrix[np.arange(m), column]
    if matrix.width == 1 and not fixed.any():
        return (matrix.entries[:, 0] != 0).astype(np.intp), matrix.start, matrix.entries[:, 0]
    count, column, factor = np.zeros(m, np.intp), np.zeros(m, np.intp), np.zeros(m)
    for j in range(matrix.width):
        live = (matrix.entries[:, j] != 0) & ~fixed[matrix.start + j]
        count += live
        column = np.where(live, matrix.start + j, column)
        factor = np.where(live, matrix.entries[:, j], factor)
    return count, column, factor


def restricted(rows: Rows, at: NDArray[np.intp]) -> Rows:
    """Only some of the rows."""
    return Rows(
        rows.source,
        rows.over.restrict(at),
        rows.lower[at],
        rows.upper[at],
        rows.unit,
        rows.frames[at],
        rows.tolerance,
    )


def as_sparse(matrix: Matrix) -> Any:
    """The matrix as scipy.sparse.csc_array."""
    from scipy.sparse import csc_array

    if not isinstance(matrix, Band):
        return csc_array(matrix)
    rows = np.repeat(np.arange(len(matrix.start)), matrix.width)
    columns = (matrix.start[:, None] + np.arange(matrix.width)).ravel()
    return csc_array((matrix.entries.ravel(), (rows, columns)), shape=matrix.shape)

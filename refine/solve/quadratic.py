"""Quadratic programs of any shape by PIQP, a proximal interior point method, called directly.

L1 penalties become linear with extra unknowns: |r| = min p + q over r = p - q, p, q >= 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Affine, Array, Matrix, dense
from constraints.terms import Penalty
from refine.problem import Problem
from refine.solve.polish import polish
from refine.solve.presolve import Box, as_sparse

# Up to this many unknowns (extra ones included) dense factors beat sparse ones.
DENSE = 120
# Beyond this many the second factor, without PIQP's structure, costs more than its digits are worth.
POLISH = 20000
# PIQP's own words for its tolerances; the second pair is tried where rounding forbids the first.
TOLERANCES = ((1e-10, 1e-11), (1e-8, 1e-9))


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """An L1 penalty: its r = p - q, whose columns start at `first`."""

    penalty: Penalty
    first: int

    @property
    def columns(self) -> int:
        return 2 * self.penalty.over.rows


def solve_quadratic(problem: Problem, box: Box) -> tuple[Array, int] | None:
    """The minimiser (n,) and the iterations taken; None when PIQP doesn't claim a solution."""
    program = _Program(problem, box)
    x = program.settled
    if not len(program.free):
        return x, 0
    data = program.data()
    for tolerance in TOLERANCES:
        found = _run(data, program.small, tolerance)
        if found is not None:
            exact = polish(data, found) if program.total <= POLISH else None
            x[program.free] = (found.x if exact is None else exact)[: len(program.free)]
            return np.clip(x, box.lower, box.upper), int(found.info.iter)
    return None


def _run(data: dict[str, Any], small: bool, tolerance: tuple[float, float]) -> Any | None:
    """PIQP's result, or None when it doesn't claim to have solved the program."""
    import piqp

    solver = piqp.DenseSolver() if small else piqp.SparseSolver()
    solver.settings.eps_abs, solver.settings.eps_rel = tolerance
    solver.settings.eps_duality_gap_abs, solver.settings.eps_duality_gap_rel = tolerance
    solver.setup(**data)
    return solver.result if solver.solve() == piqp.PIQP_SOLVED else None


class _Program:
    """Fills PIQP's matrices over the free unknowns followed by the extra ones, dense or sparse.

    minimise x' P x / 2 + c' x so that A x = b, h_l <= G x <= h_u, x_l <= x <= x_u.
    """

    def __init__(self, problem: Problem, box: Box) -> None:
        self.penalties, self.box = problem.terms.penalties, box
        self.free: NDArray[np.intp] = np.flatnonzero(~box.fixed)
        self.settled = box.settled()
        self.splits: list[Split] = []
        self.total = len(self.free)
        for penalty in self.penalties:
            if penalty.form != "squares":
                self.splits.append(Split(penalty, self.total))
                self.total += self.splits[-1].columns
        self.small = self.total <= DENSE

    def data(self) -> dict[str, Any]:
        """What PIQP's setup takes, by name."""
        extra = self.total - len(self.free)
        data = {
            "x_l": np.append(self.box.lower[self.free], np.zeros(extra)),
            "x_u": np.append(self.box.upper[self.free], np.full(extra, np.inf)),
        }
        return data | self._costs() | self._equalities() | self._bounds()

    def _costs(self) -> dict[str, Any]:
        n = len(self.free)
        c, blocks = np.zeros(self.total), []
        for penalty in self.penalties:
            if penalty.form == "squares":
                matrix, weight = self._columns(penalty.over.matrix), 2.0 * penalty.weight
                c[:n] += matrix.T @ (weight * (self._base(penalty.over) - penalty.target))
                blocks.append(matrix.T @ self._row_scaled(matrix, weight))
        for split in self.splits:
            c[split.first : split.first + split.columns] = np.tile(split.penalty.weight, 2)
        return {"P": self._hessian(blocks), "c": c}

    def _equalities(self) -> dict[str, Any]:
        a, b = [], []
        for rows in self.box.wide:
            at = np.flatnonzero(rows.lower == rows.upper)
            if len(at):
                a.append(self._placed(self._columns(rows.over.matrix)[at]))
                b.append((rows.lower - self._base(rows.over))[at])
        for split in self.splits:
            a.append(self._tied(split))
            b.append(split.penalty.target - self._base(split.penalty.over))
        return {"A": self._stacked(a), "b": np.concatenate(b)} if a else {}

    def _bounds(self) -> dict[str, Any]:
        g, low, high = [], [], []
        for rows in self.box.wide:
            one_sided = np.isfinite(rows.lower) | np.isfinite(rows.upper)
            at = np.flatnonzero(one_sided & (rows.lower != rows.upper))
            if len(at):
                base = self._base(rows.over)
                g.append(self._placed(self._columns(rows.over.matrix)[at]))
                low.append((rows.lower - base)[at])
                high.append((rows.upper - base)[at])
        return {"G": self._stacked(g), "h_l": np.concatenate(low), "h_u": np.concatenate(high)} if g else {}

    def _base(self, over: Affine) -> Array:
        return over(self.settled) if len(self.free) < len(self.settled) else over.offset

    def _columns(self, matrix: Matrix) -> Any:
        full = dense(matrix) if self.small else as_sparse(matrix)
        return full if len(self.free) == full.shape[1] else full[:, self.free]

    def _row_scaled(self, matrix: Any, weight: Array) -> Any:
        if self.small:
            return weight[:, None] * matrix
        from scipy import sparse

        return sparse.diags_array(weight) @ matrix

    def _hessian(self, blocks: list[Any]) -> Any:
        n = len(self.free)
        if self.small:
            full = np.zeros((self.total, self.total), order="F")
            full[:n, :n] = sum(blocks)
            return full
        from scipy import sparse

        corner = sum(blocks, sparse.csc_array((n, n)))
        rest = [sparse.csc_array((self.total - n, self.total - n))] if self.splits else []
        return sparse.csc_matrix(sparse.block_diag([corner, *rest]))

    def _placed(self, matrix: Any, signs: Sequence[float] = (), first: int | None = None) -> Any:
        """The rows with `signs` times the identity in the extra columns from `first` on, 0 in the others."""
        m, n = matrix.shape
        at = n if first is None else first
        if self.small:
            full = np.zeros((m, self.total))
            full[:, :n] = matrix
            for k, sign in enumerate(signs):
                full[range(m), range(at + k * m, at + (k + 1) * m)] = sign
            return full
        from scipy import sparse

        own = [sparse.diags_array(np.full(m, sign)) for sign in signs]
        before, after = at - n, self.total - at - len(signs) * m
        return sparse.hstack([matrix, sparse.csc_array((m, before)), *own, sparse.csc_array((m, after))])

    def _tied(self, split: Split) -> Any:
        """The rows A x - p + q."""
        return self._placed(self._columns(split.penalty.over.matrix), (-1.0, 1.0), split.first)

    def _stacked(self, parts: list[Any]) -> Any:
        if self.small:
            return np.asfortranarray(np.vstack(parts))
        from scipy import sparse

        return sparse.csc_matrix(sparse.vstack(parts))

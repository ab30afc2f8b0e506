"""Anything by cvxpy, where no other backend finds a minimum; also the independent check of the others."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np

from constraints.affine import Array
from constraints.terms import Penalty, Rows
from refine.problem import Problem
from refine.solve.presolve import Box, as_sparse

ACCURATE = {"tol_gap_abs": 1e-10, "tol_gap_rel": 1e-10, "tol_feas": 1e-10}


def solve_conic(problem: Problem, box: Box) -> tuple[Array, int] | None:
    """The minimiser (n,) and the iterations taken by Clarabel; None when it finds none."""
    import cvxpy as cp

    x = cp.Variable(problem.size)
    cost = sum((_cost(penalty, x) for penalty in problem.terms.penalties), cp.Constant(0.0))
    held = [c for rows in box.wide for c in _held(rows, x)] + _boxed(box, x)
    program = cp.Problem(cp.Minimize(cost), held)
    try:
        with warnings.catch_warnings():
            # It warns of an inaccurate solution; whoever calls recomputes the residuals and refuses it then.
            warnings.simplefilter("ignore", UserWarning)
            program.solve(solver=cp.CLARABEL, **ACCURATE)
    except (
        cp.error.SolverError,
        ValueError,
    ):  # a ValueError where the data aren't finite: no minimiser either
        return None
    if program.status not in (cp.OPTIMAL, cp.OPTIMAL_INACCURATE) or x.value is None:
        return None
    found = np.clip(np.where(box.fixed, box.settled(), x.value), box.lower, box.upper)
    return found, int(program.solver_stats.num_iters or 0)


def _cost(penalty: Penalty, x: Any) -> Any:
    import cvxpy as cp

    r = as_sparse(penalty.over.matrix) @ x + (penalty.over.offset - penalty.target)
    if penalty.form == "squares":
        return cp.sum_squares(cp.multiply(np.sqrt(penalty.weight), r))
    return penalty.weight @ cp.abs(r)


def _held(rows: Rows, x: Any) -> list[Any]:
    y = as_sparse(rows.over.matrix) @ x + rows.over.offset
    equal = np.flatnonzero(rows.lower == rows.upper)
    low = np.flatnonzero(np.isfinite(rows.lower) & (rows.lower != rows.upper))
    high = np.flatnonzero(np.isfinite(rows.upper) & (rows.lower != rows.upper))
    held = [y[equal] == rows.lower[equal]] if len(equal) else []
    held += [y[low] >= rows.lower[low]] if len(low) else []
    return held + ([y[high] <= rows.upper[high]] if len(high) else [])


def _boxed(box: Box, x: Any) -> list[Any]:
    fixed = np.flatnonzero(box.fixed)
    low = np.flatnonzero(np.isfinite(box.lower) & ~box.fixed)
    high = np.flatnonzero(np.isfinite(box.upper) & ~box.fixed)
    held = [x[fixed] == box.lower[fixed]] if len(fixed) else []
    held += [x[low] >= box.lower[low]] if len(low) else []
    return held + ([x[high] <= box.upper[high]] if len(high) else [])

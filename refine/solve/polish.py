"""The last digits of a quadratic program: with the active rows known, one linear system gives the minimiser.
minimiser.

An interior point method stops at a tolerance that is relative to the largest terms, so where a weight of 1
stands beside one of 1e8 the small one is met loosely. Its multipliers tell which bounds are active; with
those as equalities the optimality conditions are linear,

    P x + c + C' y = 0,  C x = d,

and are solved to rounding. The multipliers' signs and the other rows are checked; wrong ones swap sides and
the system is solved again, a few times (the primal-dual active set method, Hintermueller, Ito, Kunisch 2003).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Array

ROUNDS = 6
# Signs and bounds are judged within this, relative to the largest multiplier, and to the bound.
SLACK = 1e-9
# The pivots' regularisation, relative to the largest entry; two refinements remove its effect.
REGULAR = 1e-13

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Active:
    """Which bounds hold with equality: of the unknowns (low, high), of the rows G (row_low, row_high)."""

    low: Mask
    high: Mask
    row_low: Mask
    row_high: Mask

    def same(self, other: Active) -> bool:
        pairs = ((getattr(self, name), getattr(other, name)) for name in self.__slots__)
        return all(np.array_equal(a, b) for a, b in pairs)


def polish(data: dict[str, Any], result: Any) -> Array | None:
    """The minimiser of PIQP's program, from PIQP's result; None when the active set doesn't settle."""
    active = Active(
        result.z_bl > result.s_bl, result.z_bu > result.s_bu, result.z_l > result.s_l, result.z_u > result.s_u
    )
    for _ in range(ROUNDS):
        solved = _equality_solve(data, active)
        if solved is None:
            return None
        x, pull, multipliers = solved
        new = _corrected(data, active, x, pull, multipliers)
        if new.same(active):
            return x
        active = new
    return None


def _equality_solve(data: dict[str, Any], active: Active) -> tuple[Array, Array, Array] | None:
    """x, the pull P x + c + C' y on it, and the multipliers of the rows G, active bounds taken as
    equalities."""
    x = np.where(active.low, data["x_l"], np.where(active.high, data["x_u"], 0.0))
    free = np.flatnonzero(~(active.low | active.high))
    rows = np.flatnonzero(active.row_low | active.row_high)
    blocks, targets = [], []
    if "A" in data:
        blocks.append(data["A"])
        targets.append(data["b"])
    if len(rows):
        blocks.append(data["G"][rows])
        targets.append(np.where(active.row_low, data["h_l"], data["h_u"])[rows])
    matrix = _stacked(blocks, len(x), isinstance(data["P"], np.ndarray))
    gradient = data["P"] @ x + data["c"]
    miss = (np.concatenate(targets) if targets else np.zeros(0)) - matrix @ x
    # The cost is measured in its own largest curvature, so that rows and gradients weigh alike in the pivots.
    curvature = float(abs(data["P"]).max()) or 1.0
    hessian = data["P"][free][:, free] / curvature
    step = _saddle(hessian, matrix[:, free], np.concatenate([-gradient[free] / curvature, miss]))
    if step is None:
        return None
    x[free] += step[: len(free)]
    y = curvature * step[len(free) :]
    multipliers = np.zeros(len(active.row_low))
    multipliers[rows] = y[len(y) - len(rows) :]
    return x, data["P"] @ x + data["c"] + matrix.T @ y, multipliers


def _saddle(hessian: Any, matrix: Any, rhs: Array) -> Array | None:
    """Solve [H C'; C 0] z = rhs with tiny regularised pivots and refinement; None when that fails."""
    n, m = len(rhs) - matrix.shape[0], matrix.shape[0]
    if not n + m:
        return rhs
    if isinstance(hessian, np.ndarray):
        system: Any = np.block([[hessian, matrix.T], [matrix, np.zeros((m, m))]])
        delta = REGULAR * float(np.abs(system).max())
        regular = system + np.diag(np.concatenate([np.full(n, delta), np.full(m, -delta)]))
        solve = _dense_solver(regular)
    else:
        from scipy import sparse

        system = sparse.csc_array(sparse.block_array([[hessian, matrix.T], [matrix, None]]))
        delta = REGULAR * float(np.abs(system.data).max(initial=1.0))
        regular = system + sparse.diags_array(np.concatenate([np.full(n, delta), np.full(m, -delta)]))
        solve = _sparse_solver(sparse.csc_array(regular))
    if solve is None:
        return None
    z = solve(rhs)
    for _ in range(2):
        z = z + solve(rhs - system @ z)
    left = np.abs(rhs - system @ z)
    close = all(
        left[part].max(initial=0.0) <= SLACK * _largest(rhs[part]) for part in (slice(0, n), slice(n, None))
    )
    return np.asarray(z) if close else None


def _largest(values: Array) -> float:
    return 1.0 + float(np.abs(values).max(initial=0.0))


def _dense_solver(matrix: Array) -> Any:
    from scipy.linalg.lapack import dgetrf, dgetrs

    factors, pivots, info = dgetrf(matrix)
    return (lambda rhs: dgetrs(factors, pivots, rhs)[0]) if info == 0 else None


def _sparse_solver(matrix: Any) -> Any:
    from scipy.sparse.linalg import splu

    try:
        return splu(matrix).solve
    except RuntimeError:  # SuperLU's way to say that the matrix is singular
        return None


def _stacked(blocks: list[Any], columns: int, small: bool) -> Any:
    if small:
        return np.vstack([np.zeros((0, columns)), *blocks])
    from scipy import sparse

    return sparse.csc_array(sparse.vstack(blocks)) if blocks else sparse.csc_array((0, columns))


def _corrected(data: dict[str, Any], active: Active, x: Array, pull: Array, multipliers: Array) -> Active:
    """Drop the active bounds whose multiplier has the wrong sign, add the ones that x breaks."""
    low, high = _sides(active.low, active.high, pull, x, data["x_l"], data["x_u"])
    if not len(multipliers):
        return Active(low, high, active.row_low, active.row_high)
    y = data["G"] @ x
    row_low, row_high = _sides(active.row_low, active.row_high, -multipliers, y, data["h_l"], data["h_u"])
    return Active(low, high, row_low, row_high)


def _sides(low: Mask, high: Mask, pull: Array, y: Array, lower: Array, upper: Array) -> tuple[Mask, Mask]:
    """pull: the cost's slope in y; at a lower bound it must not be negative, at an upper one not positive."""
    slack = SLACK * float(np.abs(pull).max(initial=0.0))
    under = y < lower - SLACK * (1.0 + np.abs(lower))
    over = y > upper + SLACK * (1.0 + np.abs(upper))
    return (low & (pull >= -slack)) | under, (high & (pull <= slack)) | over

"""Least squares on bands with bounds, by a primal-dual interior point whose Newton matrix stays banded.

minimise sum w (A x + b - t)^2 so that s = C x - d >= 0, where each row of C touches one unknown or a few
neighbours. With multipliers z, s z = mu and D = diag(z / s) a Newton step solves

    (H + C' D C) dx = -(H x + g) + C' (c - D r),    ds = C dx + r,    dz = c - z - D ds,

r = C x - d - s. H + C' D C has the width of H or of C' C, so each iteration is one banded Cholesky factor and
two solves (Mehrotra 1992, SIAM J Optim 2:575-601: predictor, then centring and second-order correction; the
same step for primal and dual, as a quadratic cost wants). The arrays are long and the factor is cheap, so
passes over memory count: each side keeps its own scratch arrays.

Once the gap is small the multipliers name the active bounds; where all bounds are on single unknowns one more
banded solve with those unknowns fixed gives the minimiser to rounding, and its signs are checked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Array, Band
from constraints.terms import Penalty
from refine.solve.active import STIFF, exact, stiffness
from refine.solve.banded import REFINE, Factor, factor, fix, half_gradient, normal_bands
from refine.solve.presolve import Box
from refine.solve.sides import Side, dot, sides

ITERATIONS = 60
# Gap, relative to the cost, at which the active set is tried, at which the iteration ends without it, and at
# which it gives up.
GUESS, GAP, HOPELESS = 3e-6, 1e-11, 1e-14
# Largest pull left on an unknown, relative to the multipliers, when it ends without the active set.
PULL = 1e-9
# Widest rows that are taken.
NARROW = 16
# How far inside its bounds the first point lies, relative to their distance.
INSIDE = 0.25
# Fraction of the way to the boundary that a step may go.
SHORT = 0.995
# The first multipliers are at least this share of the mean gradient.
FLOOR = 0.3


def narrow(box: Box) -> bool:
    """Whether all wide rows are inequalities on bands that aren't much wider than a curve's samples."""
    for rows in box.wide:
        matrix = rows.over.matrix
        if not isinstance(matrix, Band) or matrix.width > NARROW or np.any(rows.lower == rows.upper):
            return False
    return True


def solve_interior(penalties: Sequence[Penalty], box: Box) -> tuple[Array, int] | None:
    """The minimiser (n,) and the iterations; None when it isn't unique or doesn't converge."""
    hessian = normal_bands(penalties, len(box.lower), _width(box))
    fix(hessian, box.fixed)
    settled = box.settled()
    gradient = _free_gradient(penalties, settled, box.fixed)
    unbounded = factor(hessian.copy(order="F"))
    if unbounded is None:
        return None
    x = settled - unbounded.solve(gradient)
    if unbounded.condition > REFINE:
        x -= unbounded.solve(_free_gradient(penalties, x, box.fixed))
    every = sides(box)
    excess = max(float((side.bound - side.apply(x, side.ds)).max()) for side in every)
    if excess <= 0.0:
        return x, 1
    return _iterate(penalties, box, hessian, every, x, excess)


def _width(box: Box) -> int:
    widths = [rows.over.matrix.width for rows in box.wide if isinstance(rows.over.matrix, Band)]
    return max([1, *widths])


def _free_gradient(penalties: Sequence[Penalty], x: Array, fixed: NDArray[np.bool_]) -> Array:
    gradient = half_gradient(penalties, x)
    gradient[fixed] = 0.0
    return gradient


def _inside(x: Array, box: Box, excess: float) -> Array:
    """x moved a little inside the box; half-open sides take the largest excess for their distance."""
    room = INSIDE * np.minimum(box.upper - box.lower, excess)
    inner = np.minimum(room, 0.5 * (box.upper - box.lower))
    return np.clip(x, box.lower + inner, box.upper - inner)


def _leaning(
    penalties: Sequence[Penalty], box: Box, hessian: Array, every: list[Side], x: Array
) -> list[Array] | None:
    """Multipliers of the wide rows' first guess, and x moved (in place) to where they balance the cost.

    The rows that x breaks are charged rho / 2 (C x - d)^2, of the size of the cost's own curvature; there the
    charge's slope rho (d - C x) is what a multiplier must be.
    """
    rho = stiffness(hessian, every) / STIFF
    bands, pull = hessian.copy(order="F"), _free_gradient(penalties, x, box.fixed)
    broken = []
    for side in every:
        if side.matrix is not None:
            short = np.maximum(side.bound - side.apply(x, side.ds), 0.0)
            broken.append((side, short > 0))
            side.matrix.add_gram(np.where(short > 0, rho, 0.0), bands)
            side.add_transposed(-rho * short, pull)
    fix(bands, box.fixed)
    lower = factor(bands)
    if lower is None:
        return None
    x -= lower.solve(pull)
    return [
        np.where(mask, rho * np.maximum(side.bound - side.apply(x, side.ds), 0.0), 0.0)
        for side, mask in broken
    ]


def _begin(
    penalties: Sequence[Penalty], box: Box, hessian: Array, every: list[Side], x: Array, excess: float
) -> tuple[Array, float] | None:
    """First x, slacks and multipliers, which balance the gradient and share one floor; returns x and s' z."""
    leaning = _leaning(penalties, box, hessian, every, x) if box.wide else []
    if leaning is None:
        return None
    x = _inside(x, box, excess)
    gradient = _free_gradient(penalties, x, box.fixed)
    floor = FLOOR * float(np.abs(gradient).mean())
    rows = iter(leaning)
    for side in every:
        side.begin(x, INSIDE * excess)
        if side.matrix is None:
            np.maximum(side.sign * gradient[side.at], 0.0, out=side.z)
        else:
            side.z[:] = next(rows)
        side.z += floor
    return x, sum(dot(side.s, side.z) for side in every)


def _iterate(
    penalties: Sequence[Penalty], box: Box, hessian: Array, every: list[Side], x: Array, excess: float
) -> tuple[Array, int] | None:
    begun = _begin(penalties, box, hessian, every, x, excess)
    if begun is None:
        return None
    x, gap = begun
    gradient = _free_gradient(penalties, x, box.fixed)
    count = sum(len(side.s) for side in every)
    scale = sum(penalty.cost(x) for penalty in penalties)
    bands = np.empty_like(hessian, order="F")
    for iteration in range(1, ITERATIONS + 1):
        np.copyto(bands, hessian)
        # The box only touches the diagonal, which is gathered apart: in LAPACK's order it isn't contiguous.
        total, rhs = np.zeros(len(x)), -gradient
        for side in every:
            side.add_newton(bands, total, rhs)
        bands[0] += total
        newton = factor(bands)
        if newton is None:
            return None
        dx = _direction(newton, every, rhs, gap / count)
        step = min(1.0, SHORT / max(side.direct(dx, rhs) for side in every))
        gap = sum(side.move(step) for side in every)
        # What is left in rhs is H dx, so the gradient follows without the matrices.
        x += step * dx
        gradient += step * rhs
        if gap <= GUESS * scale:
            gradient = _free_gradient(penalties, x, box.fixed)
            found = exact(penalties, box, hessian, every)
            if found is not None:
                return found, iteration
            if gap <= GAP * scale and _balanced(every, gradient):
                return x, iteration
            if gap <= HOPELESS * scale:
                return None
    return None


def _balanced(every: list[Side], gradient: Array) -> bool:
    """Whether the multipliers carry the gradient and the slacks are the true ones."""
    carried = np.zeros(len(gradient))
    for side in every:
        side.add_transposed(side.z.copy(), carried)
    met = all(side.r is None or np.abs(side.r).max() <= PULL * side.s.max() for side in every)
    return met and float(np.abs(gradient - carried).max()) <= PULL * float(np.abs(carried).max())


def _direction(newton: Factor, every: list[Side], rhs: Array, mu: float) -> Array:
    """Mehrotra's direction: the predictor tells how much to centre, the corrector bends the path."""
    dx = newton.solve(rhs)
    foretold = [side.predict(dx) for side in every]
    step = min(1.0, 1.0 / max(longest for longest, _ in foretold))
    count = sum(len(side.s) for side in every)
    after = (1.0 - step) * mu + step**2 * sum(bend for _, bend in foretold) / count
    centre = (after / mu) ** 3 * mu
    for side in every:
        side.add_correction(centre, rhs)
    return newton.solve(rhs)

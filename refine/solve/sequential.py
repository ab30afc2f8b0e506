"""Motion is nonlinear in rotations: linearise, solve within a trust region, keep what the true merit
confirms.

At x_k the problem is built anew from the maps linearised there and solved with |x - x_k| <= radius * scale.
The step is accepted only if the *true* merit doesn't rise and the true rows hold; the ratio of the true
decrease to the predicted one steers the radius (Conn, Gould, Toint 2000, Trust-Region Methods, ch. 6).
Penalty weights belong to the problem and never change here, so merits can be compared. Rows are no part of
the merit: each accepted point meets them. Where they curve away from their linearisation, a step is brought
back by the smallest change that meets the rows linearised at its end (a second-order correction; Nocedal &
Wright 2006, ch. 18.3).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from constraints.affine import Affine, Array, identity
from constraints.terms import Penalty, Rows, Terms
from refine.errors import NoSolution
from refine.problem import Problem
from refine.solve import Solution, residuals, solve

# Shares of the predicted decrease: below, a step is refused; below, the radius shrinks; above, it grows.
REFUSE, SHRINK, GROW = 1e-4, 0.25, 0.75
# Halvings of a step that restores the rows, and how often it is taken.
HALVINGS, RESTORES = 12, 30

Relinearise = Callable[[Array], Problem]


@dataclass(frozen=True, slots=True)
class Stop:
    """When a sequential solve ends: step in natural sizes, predicted decrease relative to the merit,
    passes."""

    step: float = 1e-8
    decrease: float = 1e-12
    passes: int = 100


@dataclass(slots=True, eq=False)
class _State:
    x: Array
    problem: Problem
    merit: float
    radius: float


def sequential(
    relinearise: Relinearise,
    size: int,
    merit: Callable[[Array], float],
    *,
    start: Array | None = None,
    scale: float | Array = 1.0,
    radius: float = 1.0,
    stop: Stop | None = None,
) -> Solution:
    """A stationary point of the true merit on the true rows, from `start` (0 by default).

    relinearise(x): the problem with its maps linearised about x, so that its rows and its merit are the true
    ones at x. scale: natural size of each unknown, in its own unit. The solution's `merits` are those of the
    accepted passes, the first at the (restored) start; they never rise. `converged` is False when the passes
    ran out. Raises NoSolution when the start breaks rows that can't be restored.
    """
    stop = stop or Stop()
    x = np.zeros(size) if start is None else np.array(start, float)
    x, problem = restore(relinearise, x, relinearise(x), scale)
    state = _State(x, problem, merit(x), radius)
    merits, backend, passes, converged = [state.merit], "", 0, False
    while passes < stop.passes and not converged:
        passes += 1
        proposal = _propose(state, scale)
        backend = proposal.backend
        predicted = state.problem.merit(state.x) - state.problem.merit(proposal.x)
        length = float(np.max(np.abs(proposal.x - state.x) / scale, initial=0.0))
        if predicted <= stop.decrease * abs(state.merit) or length <= stop.step:
            converged = True
        elif _try(state, proposal.x, predicted, length, relinearise, merit, scale):
            merits.append(state.merit)
    found = residuals(state.problem, state.x)
    return Solution(state.x, f"sequential {backend}", passes, found, tuple(merits), converged)


def _propose(state: _State, scale: float | Array) -> Solution:
    """The best point of the linearised problem within the trust region."""
    trust = state.radius * np.broadcast_to(scale, state.x.shape)
    try:
        return solve(state.problem, state.x, trust)
    except NoSolution:
        # x meets its rows within tolerance only; a region smaller than that may miss them.
        return solve(_admitting(state.problem, state.x), state.x, trust)


def _admitting(problem: Problem, x: Array) -> Problem:
    """The problem with each bound moved to where x is, if x is outside."""
    rows = []
    for r in problem.terms.rows:
        y = r.over(x)
        rows.append(replace(r, lower=np.minimum(r.lower, y), upper=np.maximum(r.upper, y)))
    return Problem(problem.size, Terms(tuple(rows), problem.terms.penalties))


def _try(
    state: _State,
    x: Array,
    predicted: float,
    length: float,
    relinearise: Relinearise,
    merit: Callable[[Array], float],
    scale: float | Array,
) -> bool:
    """Move the state to x if the true merit and the true rows confirm it; steer the radius either way."""
    problem = relinearise(x)
    if worst(problem, x) > 1.0:
        try:
            x, problem = restore(relinearise, x, problem, scale)
        except NoSolution:
            state.radius = 0.25 * length
            return False
    value = merit(x)
    ratio = (state.merit - value) / predicted
    if ratio < SHRINK or not np.isfinite(ratio):
        state.radius = 0.25 * length
    elif ratio > GROW and length > 0.9 * state.radius:
        state.radius *= 2.0
    if not ratio >= REFUSE:
        return False
    state.x, state.problem, state.merit = x, problem, value
    return True


def worst(problem: Problem, x: Array) -> float:
    """The largest violation in units of its row's tolerance."""
    return max((v.worst / v.tolerance for v in problem.violations(x)), default=0.0)


def restore(
    relinearise: Relinearise, x: Array, problem: Problem, scale: float | Array
) -> tuple[Array, Problem]:
    """A point near x on the true rows, by steps to the nearest point on the linearised ones.

    Raises NoSolution when the linearised rows exclude each other or no part of a step brings them closer.
    """
    for _ in range(RESTORES):
        miss = worst(problem, x)
        if miss <= 1.0:
            return x, problem
        step = solve(_nearest(problem.terms.rows, x, scale)).x - x
        for halving in range(HALVINGS):
            trial = x + 0.5**halving * step
            relinearised = relinearise(trial)
            if worst(relinearised, trial) < (1.0 - 0.1 * 0.5**halving) * miss:
                x, problem = trial, relinearised
                break
        else:
            break
    broken = tuple(dict.fromkeys(v.source for v in problem.violations(x) if not v.holds))
    if not broken:
        return x, problem
    raise NoSolution(f"these can't be met from here: {', '.join(broken)}; release one of them", broken)


def _nearest(rows: tuple[Rows, ...], x: Array, scale: float | Array) -> Problem:
    """minimise the distance from x in natural sizes, rows as linearised."""
    n = len(x)
    weight = np.broadcast_to(1.0 / np.square(scale), (n,))
    close = Penalty("nearest", Affine(identity(n), np.zeros(n)), x, weight)
    return Problem(n, Terms(rows, (close,)))

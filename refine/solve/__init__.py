"""One function, `solve`, over several backends; what it returns has been checked in numpy.

| backend | answers | cost |
|---|---|---|
| banded | squares on bands, single unknowns fixed | one banded Cholesky factor |
| interior | the same with bounds on unknowns or on narrow rows, long problems | about ten of them |
| quadratic | anything quadratic or L1 with linear rows (PIQP) | sparse or dense interior point |
| conic | the same (cvxpy), where PIQP finds nothing | many times that of PIQP |
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from constraints.affine import Array
from refine.problem import Problem
from refine.solve.banded import fits, solve_banded
from refine.solve.clash import refuse
from refine.solve.interior import narrow, solve_interior
from refine.solve.presolve import Box, Contradiction, presolve
from refine.solve.tidy import tidied

__all__ = ["Residual", "Solution", "residuals", "solve"]

# From this many unknowns on our interior point is quicker than PIQP, whose overhead a call is smaller.
LONG = 400
# A backend gives the minimiser and its iterations, or None when it found none.
Answer = tuple[Array, int] | None


@dataclass(frozen=True, slots=True)
class Residual:
    """How far the rows of one source are from holding: `worst` <= `bound`, both in `unit`."""

    source: str
    worst: float
    bound: float
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """x (n,): the changes; `merits` and `converged` speak of a sequential solve's accepted passes."""

    x: Array
    backend: str
    iterations: int
    residuals: tuple[Residual, ...]
    merits: tuple[float, ...] = ()
    converged: bool = True


def residuals(problem: Problem, x: Array) -> tuple[Residual, ...]:
    """Recomputed from the rows themselves, one for each Rows."""
    return tuple(Residual(v.source, v.worst, v.tolerance, v.unit) for v in problem.violations(x))


def solve(problem: Problem, start: Array | None = None, trust: float | Array | None = None) -> Solution:
    """The x that costs least while all rows hold, within |x - start| <= trust (start: 0 by default).

    Raises NoSolution, which names the clashing sources, when the rows exclude each other. A solution that
    breaks a row by more than its tolerance is never returned: the next backend is tried, then NoSolution is
    raised.
    """
    try:
        box = presolve(problem, start, trust)
    except Contradiction:
        raise refuse(problem, start, trust) from None
    for name, backend in _backends(problem, box):
        answer = backend()
        if answer is None or not np.all(np.isfinite(answer[0])):
            continue
        x = tidied(problem, box, answer[0])
        found = residuals(problem, x)
        if all(r.worst <= r.bound for r in found):
            return Solution(x, name, answer[1], found)
    raise refuse(problem, start, trust)


def _backends(problem: Problem, box: Box) -> Iterator[tuple[str, Callable[[], Answer]]]:
    """The backends that fit the problem, cheapest first."""
    from refine.solve.quadratic import solve_quadratic

    penalties = problem.terms.penalties
    if fits(penalties) and not box.wide and not box.bounded:
        yield "banded", lambda: _banded(problem, box)
    if fits(penalties) and problem.size >= LONG and (box.bounded or box.wide) and narrow(box):
        yield "interior", lambda: solve_interior(penalties, box)
    yield "quadratic", lambda: solve_quadratic(problem, box)
    from refine.solve.conic import solve_conic

    yield "conic", lambda: solve_conic(problem, box)


def _banded(problem: Problem, box: Box) -> Answer:
    x = solve_banded(problem.terms.penalties, box.settled(), box.fixed)
    return None if x is None else (x, 1)

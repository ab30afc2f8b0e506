"""Changes that a sparse penalty left at nothing are made exactly nothing."""

from __future__ import annotations

import numpy as np

from constraints.affine import Array
from refine.problem import Problem
from refine.solve.presolve import Box, single

# A term below this share of the largest is taken as 0 where that raises the merit by less than FREE of it.
IDLE, FREE = 1e-5, 1e-8


def tidied(problem: Problem, box: Box, x: Array) -> Array:
    """x with the L1 terms that are 0 to the solver's accuracy at exactly 0.

    Only terms on single unknowns, and only if that costs nothing and breaks no row. Otherwise keys that
    needn't move would be listed with changes of 1e-9.
    """
    sparse = [p for p in problem.terms.penalties if p.form == "l1"]
    if not sparse:
        return x
    tidy = x.copy()
    for penalty in sparse:
        count, column, factor = single(penalty.over, box.fixed)
        if np.all(count == 1):
            r = penalty.over(x) - penalty.target
            idle = np.abs(r) <= IDLE * np.abs(r).max(initial=0.0)
            without = x.copy()
            without[column] = 0.0
            rest = penalty.target - penalty.over(without)
            tidy[column[idle]] = rest[idle] / factor[idle]
    free = problem.merit(tidy) <= problem.merit(x) * (1.0 + FREE)
    return tidy if free and all(v.holds for v in problem.violations(tidy)) else x

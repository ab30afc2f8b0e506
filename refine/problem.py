"""The problem of one cure: rows that must hold and penalties that cost, over the changes x. Building never
solves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from constraints.affine import Array
from constraints.terms import Constraint, Motion, Penalty, Rows, Terms


@dataclass(frozen=True, slots=True)
class Violation:
    """The worst row of one source: how far it is outside its bounds (in `unit`), and where."""

    source: str
    worst: float
    unit: str
    tolerance: float
    frame: float  # NaN where a row belongs to a whole segment

    @property
    def holds(self) -> bool:
        return self.worst <= self.tolerance


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """minimise the penalties' costs over x (size,) so that all rows hold; x = 0 leaves the shot as it is."""

    size: int
    terms: Terms

    def merit(self, x: Array) -> float:
        """Sum of the penalties' costs at x; no unit."""
        return float(sum(penalty.cost(x) for penalty in self.terms.penalties))

    def violations(self, x: Array) -> tuple[Violation, ...]:
        """One for each Rows, in their order."""
        found = []
        for rows in self.terms.rows:
            outside = rows.violation(x)
            k = int(np.argmax(outside)) if len(outside) else -1
            worst, frame = (float(outside[k]), float(rows.frames[k])) if k >= 0 else (0.0, float("nan"))
            found.append(Violation(rows.source, worst, rows.unit, rows.tolerance, frame))
        return tuple(found)


def build(motion: Motion, constraints: Sequence[Constraint]) -> Problem:
    """The terms of all constraints for this motion, checked for their size."""
    terms = Terms()
    for constraint in constraints:
        terms = terms + constraint.terms(motion)
    parts: tuple[Rows | Penalty, ...] = (*terms.rows, *terms.penalties)
    for term in parts:
        if term.over.size != motion.size:
            raise ValueError(f"{term.source}: over {term.over.size} unknowns, the motion has {motion.size}")
    return Problem(motion.size, terms)

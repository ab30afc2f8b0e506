"""Which constraints exclude each other: an irreducible set of sources, by a deletion filter.

Each trial is an elastic linear program: minimise t >= 0 so that all rows of the chosen sources hold within t
times their tolerance. They can be met together when t <= 1. First the program with all sources is solved; the
rows that its multipliers name are already a proof, so only their sources are tried. Then one source after the
other is left out: if the others still clash without it, it stays out. What is left is irreducible (Chinneck
2008, Feasibility and Infeasibility in Optimization, ch. 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from constraints.affine import Affine, Array, identity
from constraints.terms import Rows
from refine.errors import NoSolution
from refine.problem import Problem
from refine.solve.presolve import as_sparse

TRUST = "trust region"
# HiGHS meets its rows within 1e-9 of the scaled bounds; a clash is only claimed well above that.
CLASH = 1.0 + 1e-3


def clash(problem: Problem, start: Array | None, trust: float | Array | None) -> tuple[str, ...]:
    """The sources of an irreducible clash, in the problem's order; () when all rows can be met together."""
    rows = [r for r in problem.terms.rows if r.over.rows]
    if trust is not None:
        rows.append(trust_rows(problem.size, start, trust))
    misses, named = _elastic(rows, problem.size)
    if misses <= CLASH:
        return ()
    sources = list(dict.fromkeys(r.source for r, is_named in zip(rows, named, strict=True) if is_named))
    if not sources or _elastic(_of(rows, sources), problem.size)[0] <= CLASH:
        sources = list(dict.fromkeys(r.source for r in rows))
    for source in list(sources):
        rest = [s for s in sources if s != source]
        if rest and _elastic(_of(rows, rest), problem.size)[0] > CLASH:
            sources = rest
    return tuple(sources)


def refuse(problem: Problem, start: Array | None, trust: float | Array | None) -> NoSolution:
    """The error that names the clash, or says that the numbers are beyond double precision."""
    sources = clash(problem, start, trust)
    if sources:
        return NoSolution(f"these can't hold together: {', '.join(sources)}; release one of them", sources)
    return NoSolution("no solver reached the tolerances of these constraints; their scales differ too much")


def trust_rows(size: int, start: Array | None, trust: float | Array) -> Rows:
    """|x - start| <= trust as rows of their own source."""
    centre = np.zeros(size) if start is None else start
    over = Affine(identity(size), np.zeros(size))
    return Rows(TRUST, over, centre - trust, centre + trust, "", np.full(size, np.nan), 1e-9)


def _of(rows: Sequence[Rows], sources: Sequence[str]) -> list[Rows]:
    return [r for r in rows if r.source in sources]


def _elastic(rows: Sequence[Rows], size: int) -> tuple[float, list[bool]]:
    """The least common multiple t of the tolerances, and for each Rows whether a multiplier names it."""
    from scipy import sparse
    from scipy.optimize import linprog

    blocks, bounds, owner = [], [], []
    for k, r in enumerate(rows):
        entries = as_sparse(r.over.matrix).tocsr()
        for sign, bound in ((1.0, r.upper), (-1.0, -r.lower)):
            at = np.flatnonzero(np.isfinite(bound))
            # Rows are measured in their tolerances' unit times 1e6, which keeps the coefficients near 1.
            scale = 1e-6 / r.tolerance
            stretch = sparse.csr_array(np.full((len(at), 1), -1.0))
            blocks.append(sparse.hstack([sign * scale * entries[at], stretch]))
            bounds.append(scale * (bound - sign * r.over.offset)[at])
            owner.append(np.full(len(at), k))
    if not blocks:
        return 0.0, [False] * len(rows)
    cost = np.concatenate([np.zeros(size), [1.0]])
    limits: Any = np.array([[-np.inf, np.inf]] * size + [[0.0, np.inf]])
    options: Any = {"primal_feasibility_tolerance": 1e-9, "dual_feasibility_tolerance": 1e-9}
    matrix: Any = sparse.csr_array(sparse.vstack(blocks))
    found: Any = linprog(cost, matrix, np.concatenate(bounds), bounds=limits, options=options)
    if found.status != 0:
        raise NoSolution(f"the search for the clash failed: {found.message}")
    multipliers = np.bincount(np.concatenate(owner), np.abs(found.ineqlin.marginals), len(rows))
    return float(found.fun) * 1e6, [bool(m > 1e-9) for m in multipliers]

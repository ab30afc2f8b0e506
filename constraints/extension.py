"""Extension: a limb isn't stretched straight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine, Array, dense
from constraints.terms import TOLERANCE, Motion, Rows, Terms


@dataclass(frozen=True, slots=True, eq=False)
class Extension:
    """|end(f) - start(f)| <= longest, in shot units: hip to ankle at most a share of both bones.

    `start` and `end` are positions among the motion's world points; longest: one number or (N,) for the motion's
    frames, infinite where anything goes. |d| is linearised about the change `about` (n,), 0 by default: u . d with u
    the unit vector of d there. The true |d| is convex, so its linearisation lies below it and rows have to be made
    anew as x moves. Source: the second-order cone |d| <= l (Boyd & Vandenberghe 2004, ch. 4.4.2), by its tangents.
    """

    start: int
    end: int
    longest: float | Array
    about: Array | None = None
    source: str = "extension"

    def terms(self, motion: Motion) -> Terms:
        maps = motion.points("world")
        x = np.zeros(motion.size) if self.about is None else self.about
        matrix, offset, at = [], [], []
        for axis in range(3):
            a, b = maps[3 * self.start + axis], maps[3 * self.end + axis]
            matrix.append(dense(b.matrix) - dense(a.matrix))
            offset.append(b.offset - a.offset)
            at.append(b(x) - a(x))
        d = np.stack(at)
        unit = d / np.maximum(np.linalg.norm(d, axis=0), np.finfo(float).tiny)
        along = np.einsum("an,anm->nm", unit, np.stack(matrix))
        over = Affine(along, np.sum(unit * np.stack(offset), axis=0))
        longest = np.broadcast_to(np.asarray(self.longest, float), (over.rows,))
        held = np.flatnonzero(np.isfinite(longest))
        if not len(held):
            return Terms()
        lowest = np.full(len(held), -np.inf)
        frames = motion.frames[held]
        row = Rows(self.source, over.restrict(held), lowest, longest[held], "unit", frames, TOLERANCE)
        return Terms(rows=(row,))

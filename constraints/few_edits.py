"""Few edits: a change is charged for each key that it touches, so few keys move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Affine, Array, Matrix, selection
from constraints.terms import Motion, Penalty, Terms


def pick(columns: NDArray[np.intp], size: int) -> Matrix:
    """Picks unknowns in any order: a band where the columns rise."""
    chosen = selection(columns, size)
    return chosen if np.all(np.diff(columns) >= 0) else chosen.dense()


@dataclass(frozen=True, slots=True, eq=False)
class FewEdits:
    """weight * sum over the groups of ||(x / scale)_group||_2, x and scale in each unknown's own unit.

    A group holds the unknowns of one key (columns of x), so a key moves as a whole or not at all; groups of
    one unknown give the plain L1 norm. scale: one number or (n,). Source: the group lasso, Yuan & Lin 2006, J
    R Stat Soc B 68:49-67.
    """

    groups: Sequence[Sequence[int]]
    weight: float
    scale: float | Array = 1.0

    def terms(self, motion: Motion) -> Terms:
        return Terms(
            penalties=tuple(self._of_length(motion, k) for k in sorted({len(g) for g in self.groups} - {0}))
        )

    def _of_length(self, motion: Motion, length: int) -> Penalty:
        columns = np.concatenate([np.asarray(g, np.intp) for g in self.groups if len(g) == length])
        matrix = pick(columns, motion.size)
        scale = np.broadcast_to(self.scale, (motion.size,))[columns]
        over = Affine(matrix, np.zeros(len(columns))).scaled(1.0 / scale)
        weight = np.broadcast_to(self.weight, (len(columns),))
        zero = np.zeros(len(columns))
        if length == 1:
            return Penalty("few edits", over, zero, weight, "l1")
        return Penalty("few edits", over, zero, weight, "groups", group=length)

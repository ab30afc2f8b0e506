"""Contact: a planted point stays at its anchor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Affine, Array, stack
from constraints.terms import TOLERANCE, Motion, Penalty, Rows, Terms


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """|p(f) - anchor(f)| <= eps in each coordinate at the planted frames, and weight * sum |p(f) - anchor(f)|^2.

    `point` is the position of the point among the motion's world points. frames: (k,) whole frames, of which those
    outside the motion's are left out; anchor: (3,) or (k, 3) in shot units, one a frame where the ground moves; eps:
    one number or (k,), shot units: infinite for no rows. The rows are a box around the ball that they stand for:
    eps / sqrt(3) keeps within the ball of eps. Points of the world are linearised about the motion's present
    changes. Source: the end-effector constraint of inverse kinematics (Buss 2004, Introduction to inverse
    kinematics [mem]).
    """

    point: int
    frames: Array
    anchor: Array
    eps: float | Array
    source: str = "contact"
    weight: float = 0.0

    def terms(self, motion: Motion) -> Terms:
        at = np.flatnonzero(np.isin(motion.frames, self.frames))
        if not len(at):
            return Terms()
        mine = np.flatnonzero(np.isin(self.frames, motion.frames))
        anchor = np.broadcast_to(self.anchor, (len(self.frames), 3))[mine].T.ravel()
        eps = np.tile(np.broadcast_to(np.asarray(self.eps, float), (len(self.frames),))[mine], 3)
        over = self._place(motion, at)
        frames = np.tile(motion.frames[at], 3)
        held = np.flatnonzero(np.isfinite(eps))
        rows = Rows(
            self.source,
            over.restrict(held),
            (anchor - eps)[held],
            (anchor + eps)[held],
            "unit",
            frames[held],
            TOLERANCE,
        )
        charge = Penalty(self.source, over, anchor, np.full(over.rows, self.weight))
        return Terms((rows,) if len(held) else (), (charge,) if self.weight > 0 else ())

    def _place(self, motion: Motion, at: NDArray[np.intp]) -> Affine:
        """x, y and z of the point at some of the motion's frames, one below the other."""
        coordinates = motion.points("world")[3 * self.point : 3 * self.point + 3]
        return stack([coordinate.restrict(at) for coordinate in coordinates])

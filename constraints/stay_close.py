"""Stay close: each change costs, so nothing moves without a reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine, Array, identity
from constraints.terms import Motion, Penalty, Terms


@dataclass(frozen=True, slots=True, eq=False)
class StayClose:
    """sum over the unknowns of (x / scale)^2, x and scale in each unknown's own unit; the cost has no unit.

    scale: one number, or (n,): the change of each unknown that costs 1. Source: Tikhonov's ridge with mixed
    units.
    """

    scale: float | Array

    def terms(self, motion: Motion) -> Terms:
        weight = np.broadcast_to(1.0 / np.square(self.scale), (motion.size,))
        over = Affine(identity(motion.size), np.zeros(motion.size))
        return Terms(penalties=(Penalty("stay close", over, np.zeros(motion.size), weight),))

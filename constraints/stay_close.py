"""Stay close: each change costs, so nothing moves without a reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine, Array, identity
from constraints.terms import Motion, Penalty, Terms


@dataclass(frozen=True, slots=True, eq=False)
class StayClose:
    """sum over the unknowns of ((x - about) / scale)^2, all in each unknown's own unit; the cost has no unit.

    scale: one number, or (n,): the change of each unknown that costs 1. about: where staying is free, 0 (no
    change) by default. Source: Tikhonov's ridge with mixed units.
    """

    scale: float | Array
    about: float | Array = 0.0

    def terms(self, motion: Motion) -> Terms:
        weight = np.broadcast_to(1.0 / np.square(self.scale), (motion.size,))
        over = Affine(identity(motion.size), np.zeros(motion.size))
        return Terms(
            penalties=(Penalty("stay close", over, np.broadcast_to(self.about, (motion.size,)), weight),)
        )

"""Slope habit: slopes follow the rule that the artist follows in this shot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine
from constraints.terms import Motion, Penalty, Terms


@dataclass(frozen=True, slots=True, eq=False)
class SlopeHabit:
    """weight * sum over the rows of |slope - rule|, both per frame in the channel's unit.

    rows: the map from the changes to slope minus the slope that the shot's own rule would set, one row a key,
    handed in by the code that learnt the rule. The L1 norm leaves most keys exactly on the rule and lets a
    few depart as far as they must, as artists do. Source: least absolute deviations.
    """

    rows: Affine
    weight: float
    source: str = "slope habit"

    def terms(self, motion: Motion) -> Terms:
        if self.rows.size != motion.size:
            raise ValueError(
                f"the habit's rows are over {self.rows.size} unknowns, the motion has {motion.size}"
            )
        weight = np.broadcast_to(self.weight, (self.rows.rows,))
        return Terms(penalties=(Penalty(self.source, self.rows, np.zeros(self.rows.rows), weight, "l1"),))

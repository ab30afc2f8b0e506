"""Bounds of a channel's values and rates, at the frames and between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine, Array
from constraints.terms import TOLERANCE, Motion, Rows, Terms, channel_unit


def within(source: str, over: Affine, lower: float, upper: float, unit: str, frames: Array) -> Rows:
    """min(lower, y0) <= y <= max(upper, y0), y0 = y before any change: what is outside already may stay
    there.

    The choice: a bound must never make a shot unsolvable that breaks it today (an animator may cheat a
    joint on purpose, and curing it belongs to another flag), yet no change may break it further.
    """
    low = np.minimum(lower, over.offset)
    high = np.maximum(upper, over.offset)
    return Rows(source, over, low, high, unit, frames, TOLERANCE)


@dataclass(frozen=True, slots=True)
class Bounds:
    """lower <= y(f) <= upper at each frame f and |y(f + 1) - y(f)| <= rate; y in the channel's unit.

    With `between` the same holds on the whole curve of a keyed channel: its Bezier control values lie within
    [lower, upper], and the control values of its slope (`Motion.control_rates`) within [-rate, rate]. A
    Bezier curve lies in the hull of its control points (Farin, Curves and Surfaces for CAGD, ch. 4), so this
    is sufficient and a little stricter than needed. Each row that the shot breaks today may stay broken by as
    much, never by more (see `within`). Source: the rig's joint limits and rates.
    """

    channel: str
    lower: float = -np.inf
    upper: float = np.inf
    rate: float = np.inf
    between: bool = False

    def terms(self, motion: Motion) -> Terms:
        rows: list[Rows] = []
        if np.isfinite(self.lower) or np.isfinite(self.upper):
            rows += self._values(motion)
        if np.isfinite(self.rate):
            rows += self._rates(motion)
        return Terms(rows=tuple(row for row in rows if row.over.rows))

    def _values(self, motion: Motion) -> list[Rows]:
        samples, unit = motion.samples(self.channel), channel_unit(self.channel)
        source = f"bounds {self.channel}"
        rows = [within(source, samples, self.lower, self.upper, unit, motion.frames)]
        curve = motion.control_values(self.channel) if self.between else None
        if curve is not None:
            rows.append(within(source, curve, self.lower, self.upper, unit, np.full(curve.rows, np.nan)))
        return rows

    def _rates(self, motion: Motion) -> list[Rows]:
        steps = motion.samples(self.channel).differences(1)
        unit, source = f"{channel_unit(self.channel)}/frame", f"rate {self.channel}"
        rows = [within(source, steps, -self.rate, self.rate, unit, motion.frames[1:])]
        curve = motion.control_rates(self.channel) if self.between else None
        if curve is not None:
            rows.append(within(source, curve, -self.rate, self.rate, unit, np.full(curve.rows, np.nan)))
        return rows

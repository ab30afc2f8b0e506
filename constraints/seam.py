"""Seam: a channel leaves the range with the value and the slope that it had."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.terms import TOLERANCE, Motion, Rows, Terms, channel_unit


@dataclass(frozen=True, slots=True)
class Seam:
    """y and its first difference keep their values at the first and at the last frame of the motion.

    y(a) = y0(a), y(a+1) - y(a) = y0(a+1) - y0(a), and the same at the end, y in the channel's unit. Source:
    continuity of value and slope (C1) with what lies outside the range.
    """

    channel: str

    def terms(self, motion: Motion) -> Terms:
        samples, unit = motion.samples(self.channel), channel_unit(self.channel)
        source, frames = f"seam {self.channel}", motion.frames
        ends = np.unique([0, samples.rows - 1])
        value = samples.restrict(ends)
        rows = [Rows(source, value, value.offset, value.offset, unit, frames[ends], TOLERANCE)]
        if samples.rows > 1:
            steps = samples.differences(1)
            ends = np.unique([0, steps.rows - 1])
            slope = steps.restrict(ends)
            at = np.where(ends == 0, frames[0], frames[-1])
            rows.append(Rows(source, slope, slope.offset, slope.offset, f"{unit}/frame", at, TOLERANCE))
        return Terms(rows=tuple(rows))

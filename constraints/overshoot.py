"""Overshoot: a part that arrives fast goes past its pose, peaks, comes back and settles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine, Array
from constraints.terms import TOLERANCE, Motion, Penalty, Rows, Terms, channel_unit

LEAST, MOST = 0.6, 1.5  # of delta, at the peak
SETTLED = 0.1  # of delta, once settled
RETURN = 0.35  # of delta, the swing past the pose on the way back


@dataclass(frozen=True, slots=True)
class Overshoot:
    """After an arrival at `pose` on frame `arrival`, with e = sign (x - pose) in the channel's unit:

        0.6 delta <= e(peak) <= 1.5 delta
        e rises from the arrival to the peak and falls from there to the trough
        e >= -0.35 delta from the peak on, |e| <= 0.1 delta from `settled` to `last`
        penalty  weight ((e(peak) - delta) / delta)^2, since smoothness alone hugs the lower bound

    delta > 0 is the overshoot that the part's mass asks for, in the channel's unit; frames are whole, arrival < peak
    < trough <= last, and rows stand only on frames of the motion. One candidate for the peak's frame: try those in
    [0.7, 1.4] of the peak time, each with its own solve. Source: the peak, its time and the swing after it of a
    second-order response (Ogata, Modern Control Engineering, ch. 5); the bands are our judgement.
    """

    channel: str
    arrival: float
    peak: float
    trough: float
    settled: float
    last: float
    pose: float
    sign: float
    delta: float
    weight: float = 1.0

    def terms(self, motion: Motion) -> Terms:
        samples, frames = motion.samples(self.channel), motion.frames
        away = Affine(samples.matrix, samples.offset - self.pose).scaled(self.sign)
        at_peak = away.restrict(np.flatnonzero(frames == self.peak))
        rows = (
            self._band(at_peak, LEAST, MOST, "height", frames[frames == self.peak]),
            *self._slopes(away, frames),
            self._within(away, frames, (self.peak, self.last), -RETURN, np.inf, "return swing"),
            self._within(away, frames, (self.settled, self.last), -SETTLED, SETTLED, "settled"),
        )
        share = at_peak.scaled(1.0 / self.delta)
        charge = Penalty(
            f"overshoot {self.channel}", share, np.ones(share.rows), np.full(share.rows, self.weight)
        )
        return Terms(tuple(row for row in rows if row.over.rows), (charge,) if share.rows else ())

    def _band(self, over: Affine, low: float, high: float, what: str, frames: Array) -> Rows:
        """low delta <= over <= high delta."""
        lower, upper = np.full(over.rows, low * self.delta), np.full(over.rows, high * self.delta)
        source, unit = f"overshoot {self.channel}: {what}", channel_unit(self.channel)
        return Rows(source, over, lower, upper, unit, frames, TOLERANCE)

    def _within(
        self, away: Affine, frames: Array, span: tuple[float, float], low: float, high: float, what: str
    ) -> Rows:
        inside = np.flatnonzero((frames >= span[0]) & (frames <= span[1]))
        return self._band(away.restrict(inside), low, high, what, frames[inside])

    def _slopes(self, away: Affine, frames: Array) -> tuple[Rows, Rows]:
        """Steps to a frame: up after the arrival until the peak, down from there to the trough."""
        steps, to = away.differences(1), frames[1:]
        up = np.flatnonzero((to > self.arrival) & (to <= self.peak))
        down = np.flatnonzero((to > self.peak) & (to <= self.trough))
        return (
            self._band(steps.restrict(up), 0.0, np.inf, "rising", to[up]),
            self._band(steps.restrict(down), -np.inf, 0.0, "falling", to[down]),
        )

"""No curve passes a channel's limits between its keys either, as far as its samples don't.

A cubic stays within what its four Bezier control points span. So where one passes a limit, its slopes are turned as
far as brings these points within; the segments beside it, which share a slope with it, are then looked at again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

Mask = NDArray[np.bool_]
Indices = NDArray[np.intp]
Range = tuple[Array, Array]

ROUNDING = 1e-10  # of the channel's unit: by so little nothing is passed


@dataclass(frozen=True, eq=False)
class Limits:
    """How low and how high R lanes may go on each frame: the channels' limits, or the samples where they are beyond."""

    low: Array  # (R, N, D)
    high: Array  # (R, N, D)

    def some(self, rows: Indices) -> Limits:
        """Only these lanes."""
        return Limits(self.low[rows], self.high[rows])

    def held(
        self, ends: tuple[Indices, Indices], left: Indices, values: Array, slopes: Range, corner: Mask
    ) -> tuple[Array, Array, Array]:
        """Values, incoming and outgoing slopes (K, D) of keys whose curves keep to the limits.

        Segments run from the flat positions ends[0] (S,) to ends[1], from the keys left (S,) to those after them.
        """
        third = (ends[1] - ends[0])[:, None] / 3.0
        low, high = self._between(*ends)
        lowest, highest = (
            _at_both(left, each, pick) for each, pick in ((low, np.maximum), (high, np.minimum))
        )
        values = np.clip(values, lowest, highest)
        first, last = values[left], values[left + 1]
        tight = np.zeros(low.shape, np.bool_)
        while True:
            leaving = _where(tight, (low - first) / third, (high - first) / third)
            arriving = _where(tight, (last - high) / third, (last - low) / third)
            into, out = _turned(left, slopes, corner, leaving, arriving)
            points = first, first + third * out[left], last - third * into[left + 1], last
            more = _passed(points, low, high) & ~tight
            if not more.any():
                return values, into, out
            tight |= more

    def _between(self, first: Indices, last: Indices) -> Range:
        """(S, D) lowest and highest of each segment, both ends included."""
        size = self.low.shape[2]
        low, high = self.low.reshape(-1, size), self.high.reshape(-1, size)
        return (
            np.minimum(np.minimum.reduceat(low, first, axis=0), low[last]),
            np.maximum(np.maximum.reduceat(high, first, axis=0), high[last]),
        )


def _at_both(left: Indices, bound: Array, pick: np.ufunc) -> Array:
    """(K, D) the narrower of the bounds (S, D) of the segments on both sides of a key."""
    found = np.full((int(left[-1]) + 2, bound.shape[1]), np.nan)
    found[left] = bound
    found[left + 1] = np.where(np.isnan(found[left + 1]), bound, pick(found[left + 1], bound))
    return found


def _where(tight: Mask, lowest: Array, highest: Array) -> Range:
    return np.where(tight, lowest, -np.inf), np.where(tight, highest, np.inf)


def _turned(left: Indices, slopes: Range, corner: Mask, leaving: Range, arriving: Range) -> Range:
    """Incoming and outgoing slopes (K, D) within what segments (S, D) leave them; but at corners a key has one."""
    lowest, highest = (np.full((2, *slopes[0].shape), bound) for bound in (-np.inf, np.inf))
    lowest[1, left], highest[1, left] = leaving
    lowest[0, left + 1], highest[0, left + 1] = arriving
    lowest[:, ~corner] = lowest[:, ~corner].max(axis=0)
    highest[:, ~corner] = highest[:, ~corner].min(axis=0)
    return np.clip(slopes[0], lowest[0], highest[0]), np.clip(slopes[1], lowest[1], highest[1])


def _passed(points: tuple[Array, Array, Array, Array], low: Array, high: Array) -> Mask:
    """(S, D) whether the cubics of these Bezier points pass their bounds."""
    low, high = low - ROUNDING, high + ROUNDING
    found = np.zeros(low.shape, np.bool_)
    maybe = (np.minimum(points[1], points[2]) < low) | (np.maximum(points[1], points[2]) > high)
    low, high = low[maybe], high[maybe]
    b = [point[maybe] for point in points]
    beyond = np.zeros(len(low), np.bool_)
    for u in _turns(b[1] - b[0], b[2] - b[1], b[3] - b[2]):
        v = 1.0 - u
        value = v * v * (v * b[0] + 3 * u * b[1]) + u * u * (3 * v * b[2] + u * b[3])
        beyond |= (value < low) | (value > high)
    found[maybe] = beyond
    return found


def _turns(first: Array, middle: Array, last: Array) -> tuple[Array, Array]:
    """(N,) each where first (1 - u)^2 + 2 middle u (1 - u) + last u^2 is 0 between 0 and 1; an end where it isn't."""
    square, slope = first - 2 * middle + last, 2 * (middle - first)
    half = -0.5 * (slope + np.copysign(np.sqrt(np.maximum(slope**2 - 4 * square * first, 0.0)), slope))
    with np.errstate(divide="ignore", invalid="ignore"):
        roots = half / square, first / half
    one, other = (np.clip(np.nan_to_num(root, nan=0.0), 0.0, 1.0) for root in roots)
    return one, other

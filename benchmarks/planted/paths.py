"""Measures of a path on screen (N, 2), px: how far a frame is off, along it or across it, by the catalogue."""

from __future__ import annotations

import numpy as np

from refine.shot import Array


def residual(points: Array) -> Array:
    """(2,) D4 p / 6 in the middle of five points (5, 2)."""
    return np.asarray(np.array([1.0, -4.0, 6.0, -4.0, 1.0]) @ points / 6)


def tangential(points: Array) -> float:
    """|D4 p| / 6 along the chord of the two neighbours, of five points."""
    chord = points[3] - points[1]
    return abs(float(residual(points) @ chord)) / max(float(np.linalg.norm(chord)), 1e-9)


def from_median(points: Array) -> float:
    """Distance of the middle of five points from their median."""
    return float(np.linalg.norm(points[2] - np.median(points, axis=0)))


def robust_sigma(points: Array) -> float:
    """1.4826 times the median distance from the running median of five, of a path without a spike."""
    away = [from_median(points[i - 2 : i + 3]) for i in range(2, len(points) - 2)]
    return 1.4826 * float(np.median(away))


def kink(points: Array) -> tuple[float, float]:
    """Turn in the middle of (2 n + 1) points beyond the neighbours' median, degrees, and spacing x sin(turn), px."""
    steps = np.diff(points, axis=0)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    turns, own = np.diff(heading), len(points) // 2 - 1
    beyond = abs(float(turns[own] - np.median(np.delete(turns, [own - 1, own, own + 1]))))
    spacing = float(np.linalg.norm(steps[own : own + 2], axis=1).mean())
    return float(np.rad2deg(beyond)), spacing * float(np.sin(min(beyond, np.pi / 2)))


def kink_ratio(points: Array, degrees: float, px: float) -> float:
    """How many times both of a kink's thresholds are reached."""
    turn, off = kink(points)
    return min(turn / degrees, off / px)


def unevenness(points: Array) -> float:
    """Z of the spacings."""
    s = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return float((np.abs(np.diff(s)).sum() - (2 * s.max() - s[0] - s[-1])) / (2 * s.mean()))

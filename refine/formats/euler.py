"""Euler angles of rotation matrices that change from frame to frame, without jumps.

A rotation has two triples of angles, (a, b, c) and (a + 180, 180 - b, c + 180), each up to whole turns. The
one nearest to the frame before is taken, so that a curve through the angles stays a curve.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from refine.rotation import euler_matrix
from refine.shot import AXES, Array

# Below this cosine of the middle angle the outer two turn about the same axis to within rounding: only their
# sum is determined, and the last one stays as it was.
LOCKED = 1e-8

Triple = tuple[float, float, float]


def euler_angles(matrices: Array, order: str) -> Array:
    """(N, 3) angles about x, y, z in radians of rotations (N, 3, 3), continuous in N; undoes `euler_matrix`.

    With axes i, j, k in the sequence of the factors and s = 1 for an even sequence, else -1:
    R[i, k] = s sin b, R[j, k] = -s sin a cos b, R[i, j] = -s cos b sin c.
    """
    i, j, k = (AXES.index(axis) for axis in order)
    sign = 1.0 if (j - i) % 3 == 1 else -1.0
    cosine = np.hypot(matrices[:, i, i], matrices[:, i, j])
    a = np.arctan2(-sign * matrices[:, j, k], matrices[:, k, k])
    b = np.arctan2(sign * matrices[:, i, k], cosine)
    c = np.arctan2(-sign * matrices[:, i, j], matrices[:, i, i])
    angles = np.empty((len(matrices), 3))
    before: Triple = (0.0, 0.0, 0.0)
    for n, triple in enumerate(zip(a.tolist(), b.tolist(), c.tolist(), strict=True)):
        if cosine[n] < LOCKED:
            triple = (_first_angle(matrices[n], order, before[2]), triple[1], before[2])
        before = min(
            _ways(triple, before), key=lambda way: sum(abs(x - y) for x, y in zip(way, before, strict=True))
        )
        angles[n, (i, j, k)] = before
    return angles


def _first_angle(matrix: Array, order: str, last: float) -> float:
    """The first angle of a rotation where the last one is given."""
    i, j, k = (AXES.index(axis) for axis in order)
    undo = np.zeros(3)
    undo[k] = -last
    rest = matrix @ euler_matrix(undo, order)
    sign = 1.0 if (j - i) % 3 == 1 else -1.0
    return float(np.arctan2(sign * rest[k, j], rest[j, j]))


def _ways(triple: Triple, before: Triple) -> Iterator[Triple]:
    """Both triples, each angle shifted by whole turns to lie nearest to the one before."""
    a, b, c = triple
    for way in (triple, (a + np.pi, np.pi - b, c + np.pi)):
        x, y, z = (
            angle - 2 * np.pi * round((angle - old) / (2 * np.pi))
            for angle, old in zip(way, before, strict=True)
        )
        yield x, y, z

"""The ways of points that stand, told in the world: there a planted foot rests, while the angles that hold it don't."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from refine.clean.feet.footing import paths
from refine.clean.noise import estimated, liveliness
from refine.clean.smoother import smoothed
from refine.pose import Point
from refine.shot import Array, Shot

SLOWEST = 0.4  # Hz: a foot at rest is smoothed more than a joint would be


def steadied(captured: Shot, points: Sequence[Point], alike: float) -> dict[Point, Array]:
    """(N, 3) the ways of some points, from motion as captured, smoothed where they are.

    `alike` is the correlation of the capture's noise from frame to frame.
    """
    ways = paths(captured, points, captured.frames)
    return {point: _way(path, captured.fps, alike) for point, path in ways.items()}


def _way(path: Array, fps: float, alike: float) -> Array:
    rows, whole = path.T, np.zeros(path.T.shape, np.bool_)
    steady = rows.copy()
    for i, noise in enumerate(estimated(rows, whole, fps, alike)):
        if noise.sigma > 0:
            level = liveliness(rows[i], noise, fps, slowest=SLOWEST)
            jerk = np.exp(0.5 * (level[1:-2] + level[2:-1]))
            steady[i] = smoothed(rows[i], whole[i], np.ones(len(path)), noise.sigma, noise.alike, jerk)
    return steady.T

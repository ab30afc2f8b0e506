"""Where a part stops because what it carries has come down on the ground: a contact that no mark speaks of."""

from __future__ import annotations

import numpy as np

from refine.body.arrival import window
from refine.flags.stage import Stage
from refine.pose import Point
from refine.rig import descendants
from refine.shot import Array

GROUND = (
    0.02  # of the figure's height, within which of the shot's lowest place a point is on the ground [judge]
)
FALLS = (
    2.0  # times what it moves in the frame after, that a landing point comes down in the one before [judge]
)


def lands(stage: Stage, name: str, at: int) -> bool:
    """Whether the lowest point that a control carries comes down on the ground about frame position `at`.

    The ground is where the figure is lowest in what is looked at.
    """
    up, near = 1 if stage.shot.up == "y" else 2, window(stage.shot.fps)
    if not near <= at < len(stage.frames) - near:
        return False
    carried = {name, *descendants(stage.shot, name)}
    low = _lowest(stage, carried, up)
    height = float(np.median(np.ptp(stage.posed.origin[:, :, up], axis=0)))
    ground = float(_lowest(stage, set(stage.control_at), up).min())
    fall, after = low[at - near] - low[at], abs(low[at + near] - low[at])
    return bool(low[at] - ground <= GROUND * height and fall > FALLS * after)


def _lowest(stage: Stage, names: set[str], up: int) -> Array:
    """(N,) heights of the lowest of the ends of these controls."""
    ends = [
        point for name in names for point in (*stage.points(name), Point(name, stage.control(name).pivot))
    ]
    return np.asarray(np.min([stage.world(point)[:, up] for point in ends], axis=0))

"""A control moved in the world by its translations, whatever turns and scales it hangs on."""

from __future__ import annotations

import numpy as np

from refine.flags.stage import Stage
from refine.pose import Point, jacobian
from refine.shot import TRANSLATIONS, Array, Channel


def translations(stage: Stage, name: str) -> list[Channel]:
    return [channel for channel in stage.control(name).channels if channel.name in TRANSLATIONS]


def in_translations(stage: Stage, name: str, by: Array, first: int) -> Array:
    """(n, C) by how much each translation has to change for a control to move by (n, 3) shot units in the world.

    `first` is the position of the first of the n frames. What the channels can't reach is left out.
    """
    pivot, part = [Point(name, stage.control(name).pivot)], slice(first, first + len(by))
    columns = [
        jacobian(stage.shot, stage.posed, name, channel.name, pivot)[0, part, :, 0]
        for channel in translations(stage, name)
    ]
    return np.asarray((np.linalg.pinv(np.stack(columns, axis=2)) @ by[:, :, None])[:, :, 0])

"""Smooth motion: the jerk of a channel, or of the points that it drives, is charged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from constraints.affine import Affine, Array
from constraints.terms import Motion, Penalty, Terms


def difference_weights(frame_weight: Array | None, frames: int, order: int) -> Array:
    """(frames - order,) the least weight among the frames that lie strictly inside each difference.

    A contact or an accent breaks the motion *at* its frame: the differences that cross it don't count, those
    that end at it do, so each side is smoothed on its own.
    """
    rows = max(frames - order, 0)
    if frame_weight is None or order < 2:
        return np.broadcast_to(1.0, (rows,))
    inside = [frame_weight[j : j + rows] for j in range(1, order)]
    return np.asarray(np.min(inside, axis=0), float)


@dataclass(frozen=True, slots=True, eq=False)
class SmoothMotion:
    """weight * sum over frames and coordinates of (D^order p)^2, D the difference from frame to frame.

    p is the channel (its unit), or each driven point in the world (length unit) or on screen (px); the
    weight's unit makes the cost a plain number. frame_weight: (N,) for the motion's frames, 0 at a contact or
    accent drops the differences that cross it. Source: minimum jerk, Flash & Hogan 1985, J Neurosci
    5(7):1688-1703, in the discrete form of the Whittaker-Henderson smoother.
    """

    space: Literal["channel", "world", "screen"]
    weight: float
    order: int = 3
    channel: str | None = None
    frame_weight: Array | None = None

    def __post_init__(self) -> None:
        if (self.space == "channel") != (self.channel is not None):
            raise ValueError("a channel is named exactly when the space is 'channel'")

    def terms(self, motion: Motion) -> Terms:
        if self.space == "channel":
            assert self.channel is not None
            maps: tuple[Affine, ...] = (motion.samples(self.channel),)
            source = f"smooth {self.channel}"
        else:
            maps, source = motion.points(self.space), f"smooth motion ({self.space})"
        if len(motion.frames) <= self.order:
            return Terms()
        share = difference_weights(self.frame_weight, len(motion.frames), self.order)
        weight = np.broadcast_to(self.weight, share.shape) if share.strides[0] == 0 else self.weight * share
        penalties = []
        for coordinate in maps:
            jerk = coordinate.differences(self.order)
            penalties.append(Penalty(source, jerk, np.zeros(jerk.rows), weight))
        return Terms(penalties=tuple(penalties))

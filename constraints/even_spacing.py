"""Even spacing: the distance that a point travels on screen changes evenly from frame to frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Affine, Array, plus
from constraints.smooth_motion import difference_weights
from constraints.terms import Motion, Penalty, Terms


def spacing(u: Affine, v: Affine, rest: float, about: Array | None) -> Affine:
    """The spacing of one point, linearised about the change `about` (n,): (N - 1,) px.

    s_i = sqrt(|d_i|^2 + rest^2) - rest, d_i = p_(i+1) - p_i. Its gradient is t_i . D p with t_i = d_i /
    sqrt(|d_i|^2 + rest^2): the unit tangent where the point moves, and 0 where it rests and has none.
    """
    du, dv = u.differences(1), v.differences(1)
    x = np.zeros(u.size) if about is None else about
    d = np.stack([du(x), dv(x)])
    length = np.sqrt(np.sum(d * d, axis=0) + rest**2)
    tangent = d / length
    along = plus(du.scaled(tangent[0]), dv.scaled(tangent[1]))
    return Affine(along.matrix, along.offset + (length - rest) - along(x))


@dataclass(frozen=True, slots=True, eq=False)
class EvenSpacing:
    """weight * sum over screen points and frames of (s_(i+1) - 2 s_i + s_(i-1))^2, s the spacing in px.

    Only the motion along the path's tangent is charged, so an arc keeps its shape (see `spacing` for the
    formula and for points at rest). rest: px a frame under which a point counts as resting; about: (n,) the
    change that the motion is linearised about, 0 by default. frame_weight as in `SmoothMotion`, for the
    motion's frames. Source: spacing on the trade's spacing charts; its second difference is 0 for an even
    ease.
    """

    weight: float
    rest: float = 0.1
    about: Array | None = None
    frame_weight: Array | None = None

    def terms(self, motion: Motion) -> Terms:
        if len(motion.frames) < 4:
            return Terms()
        maps = motion.points("screen")
        # A second difference of spacings is made of four frames, as a third difference of positions is.
        weight = self.weight * difference_weights(self.frame_weight, len(motion.frames), 3)
        penalties = []
        for u, v in zip(maps[0::2], maps[1::2], strict=True):
            change = spacing(u, v, self.rest, self.about).differences(2)
            penalties.append(Penalty("even spacing", change, np.zeros(change.rows), weight))
        return Terms(penalties=tuple(penalties))

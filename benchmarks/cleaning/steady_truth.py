"""A second truth of each clip, `01_01-steady`: the same keys' motion, but feet that stand do stand.

In these captures planted feet slide by 40 to 85 mm/s, as skeletons fitted to markers do. Whoever puts feet where they
stand is then off the first truth by centimetres, and whoever leaves the slide in is off a body's. Here hip and knee are
turned until the planted point is where it was on average, fading in and out within the contact.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from benchmarks.cleaning.drift import led
from benchmarks.cleaning.standing import standing
from benchmarks.cleaning.truth import truth
from refine.limbs.planted import Planted
from refine.limbs.planting import minimum_jerk
from refine.pose import pose, world_point
from refine.shot import Array, Shot

STEADY = "-steady"
FADE = 0.15  # s at each end of a contact, at most a third of it, over which the foot comes to rest


def truth_of(clip: str) -> Shot:
    """The truth by a clip's name, with or without STEADY at its end."""
    return steady_truth(clip.removesuffix(STEADY)) if clip.endswith(STEADY) else truth(clip)


@lru_cache(maxsize=4)
def steady_truth(clip: str) -> Shot:
    """The truth with each planted point held, contact by contact."""
    shot = truth(clip)
    for contact in sorted(standing(shot).contacts, key=lambda each: float(each.frames[0])):
        if contact.limb is not None:
            shot = led(shot, contact.limb, contact.point, towards_rest(shot, contact))
    return shot


def towards_rest(shot: Shot, contact: Planted) -> Array:
    """(N, 3) shot units: from where a planted point is to the mean of where it is while it rests."""
    path = world_point(pose(shot, contact.frames), shot, contact.point)
    count = len(path)
    fade = max(min(round(FADE * shot.fps), count // 3), 1)
    since = np.minimum(np.arange(count), np.arange(count)[::-1])
    share = minimum_jerk(since / fade)
    rest = np.average(path, axis=0, weights=share)
    by = np.zeros((len(shot.frames), 3))
    by[contact.frames.astype(np.intp) - shot.first_frame] = share[:, None] * (rest - path)
    return by

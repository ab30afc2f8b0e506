"""Copies of a key a frame beside it: one too many, as the slopes around tell that were set without it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from refine.key_rows import only
from refine.shot import Keys, Segment
from refine.slope_nats import CLEARER, followed, slope_nats

ALONE = 1.5  # frames to the keys around, from which two a frame apart are no run of keys
ALIKE = 0.03  # [judge] of the range of the channel, that a copy of a key may differ from it by
_ON_FRAME = 0.01  # [judge] frames that keys may be off the frames


def pairs(keys: Keys) -> NDArray[np.intp]:
    """The first of each two keys a frame apart on a curve, none other near them, of which one may be a copy."""
    gap = np.diff(keys.frames)
    if len(keys) < 4 or not np.any(gap <= ALONE):
        return np.zeros(0, np.intp)
    found = np.abs(gap[1:-1] - 1) <= _ON_FRAME
    found &= (gap[:-2] > ALONE) & (gap[2:] > ALONE)
    apart = np.linalg.norm(np.diff(keys.values, axis=0), axis=1)[1:-1]
    found &= apart <= ALIKE * float(np.ptp(keys.values, axis=0).max())
    curve = keys.segment == Segment.CURVE
    return np.flatnonzero(found & curve[:-3] & curve[1:-2] & curve[2:-1]) + 1


def copies(keys: Keys, loop: bool) -> NDArray[np.bool_]:
    """(K,) which keys are a copy of the one beside them: the slopes around are clearly explained better without it.

    Its own slope has no say: it may be the other's, and right there. Slopes have to tell which of the two it is.
    """
    gone, found = np.zeros(len(keys), np.bool_), pairs(keys)
    shares = followed(keys, loop) if len(found) else np.zeros(3)
    for k in found.tolist():
        (left, gain), (other_left, other_gain) = (_without(keys, gone, j, shares, loop) for j in (k, k + 1))
        if max(gain, other_gain) > CLEARER and abs(left - other_left) > CLEARER:
            gone[k if left < other_left else k + 1] = True
    return gone


def _without(
    keys: Keys, gone: NDArray[np.bool_], k: int, shares: NDArray[np.float64], loop: bool
) -> tuple[float, float]:
    """Nats of all slopes that are left where one more key is gone, and by how much better they are explained so."""
    here = np.flatnonzero(~gone)
    as_is = slope_nats(only(keys, ~gone), shares, loop)[here != k]
    left = slope_nats(only(keys, ~gone & (np.arange(len(keys)) != k)), shares, loop)
    return float(left.sum()), float(as_is.sum() - left.sum())

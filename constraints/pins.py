"""Pins: what the artist locked doesn't move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.affine import Array
from constraints.terms import TOLERANCE, Motion, Rows, Terms, channel_unit


@dataclass(frozen=True, slots=True, eq=False)
class Pins:
    """y(f) = y0(f) at each pinned frame f, y in the channel's unit, y0 the value before any change.

    frames: (k,) whole frames; those outside the motion's frames are left out, since nothing moves there.
    Source: the artist's lock, one row for each pinned sample.
    """

    channel: str
    frames: Array
    source: str

    def terms(self, motion: Motion) -> Terms:
        at = np.flatnonzero(np.isin(motion.frames, self.frames))
        over = motion.samples(self.channel).restrict(at)
        unit = channel_unit(self.channel)
        row = Rows(self.source, over, over.offset, over.offset, unit, motion.frames[at], TOLERANCE)
        return Terms(rows=(row,) if len(at) else ())

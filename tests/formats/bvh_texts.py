"""An invented BVH file for the tests, whole and in parts, and how they read it."""

from __future__ import annotations

import numpy as np
import pytest

from refine.errors import InputError
from refine.formats import bvh
from refine.shot import Shot

HEAD = """HIERARCHY
ROOT Hips
{
\tOFFSET 0.0 0.0 0.0
\tCHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
\tJOINT Left Arm.01:a
\t{
\t\tOFFSET 1.5 -2 0.25
\t\tCHANNELS 3 Yrotation Zrotation Xrotation
\t\tEnd Site
\t\t{
\t\t\tOFFSET 0 3.5 0
\t\t}
\t}
}
"""
MOTION = "MOTION\nFrames: 3\nFrame Time: 0.0333333\n"
ROWS = "1 2 3 4 5 6 7 8 9\n-1.5 0.25 1e-2 4.0 5 6 7 8 +9\n.5 2. 3 4 5 6 7 8 9E0\n"
TEXT = HEAD + MOTION + ROWS
VALUES = [[1, 2, 3, 4, 5, 6, 7, 8, 9], [-1.5, 0.25, 0.01, 4, 5, 6, 7, 8, 9], [0.5, 2, 3, 4, 5, 6, 7, 8, 9]]


def read(text: str | bytes) -> Shot:
    return bvh.read(text.encode() if isinstance(text, str) else text, "walk.bvh")


def values(shot: Shot) -> list[list[float]]:
    columns = [channel.samples for control in shot.controls for channel in control.channels]
    return np.hstack([column for column in columns if column is not None]).tolist()


def remarks(shot: Shot) -> list[str]:
    """The notes but for the one about units, which every BVH gets."""
    assert "no length unit" in shot.notes[-1]
    return list(shot.notes[:-1])


def refused(text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        read(text)
    return caught.value

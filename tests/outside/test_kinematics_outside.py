"""Forward kinematics of open captured clips against independent readers of the same files.

Data: Debian package assimp-testmodels, models/BVH. [lib] pybvh 0.9, bvhio 1.5.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from refine.formats.bvh import read
from refine.pose import Point, pose, world_point
from refine.shot import Shot
from tests.open_clips import clip_or_skip
from tests.outside.tolerances import PRINTED_6, SINGLE_PRECISION_PLACE
from tests.tolerances import PLACE

pytestmark = pytest.mark.outside


def clip(name: str) -> tuple[Path, Shot]:
    path = clip_or_skip(name)
    return path, read(path.read_bytes(), path.name)


def test_the_left_foot_of_a_captured_walk() -> None:
    """[lib] 01_01, frame 100, LeftFoot: (11.516369, 1.938838, -19.008998), by pybvh and by bvhio."""
    _, shot = clip("01_01.bvh")
    foot = world_point(pose(shot, np.array([100.0])), shot, Point("LeftFoot", (0.0, 0.0, 0.0)))
    np.testing.assert_allclose(foot[0], [11.516369, 1.938838, -19.008998], atol=PRINTED_6)


@pytest.mark.parametrize("name", ["01_01.bvh", "01_03.bvh"])
def test_all_joints_and_tips_on_all_frames(name: str) -> None:
    """[lib] pybvh: node_positions, joints and end sites in the world."""
    pybvh = pytest.importorskip("pybvh", reason="pybvh isn't installed")
    path, shot = clip(name)
    theirs = pybvh.read_bvh_file(str(path))
    nodes, place = theirs.node_positions(), theirs.node_index
    posed = pose(shot, shot.frames)
    assert len(shot.controls) == theirs.joint_count
    for i, control in enumerate(shot.controls):
        expected = nodes[:, place[control.name]]
        np.testing.assert_allclose(posed.origin[i], expected, atol=PLACE)
        if control.tip is not None:
            tip = world_point(posed, shot, Point(control.name, control.tip))
            expected = nodes[:, place[f"EndSite{control.name}"]]
            np.testing.assert_allclose(tip, expected, atol=PLACE)


def test_a_clip_whose_header_miscounts_its_frames() -> None:
    """[lib] bvhio, every 500th frame of Boxing_Toes: world positions by its own tree, in single precision."""
    bvhio = pytest.importorskip("bvhio", reason="bvhio isn't installed")
    path, shot = clip("Boxing_Toes.bvh")
    root = bvhio.readAsHierarchy(str(path))
    frames = shot.frames[::500]
    posed = pose(shot, frames)
    for n, frame in enumerate(frames):
        root.loadPose(int(frame))
        for joint, _, _ in root.layout():
            ours = posed.origin[shot.index(joint.Name), n]
            np.testing.assert_allclose(ours, joint.PositionWorld, atol=SINGLE_PRECISION_PLACE)

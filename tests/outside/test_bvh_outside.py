"""BVH against independent readers and kinematics, on open captured clips.

Sources: pybvh 0.9.0 and bvhio 1.5.4 [lib]; the clips come from the Debian package assimp-testmodels, fetched
by benchmarks/open_data.py.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from refine.formats import bvh
from refine.formats.splice import Place, spell, splice
from refine.pose import pose
from refine.shot import Array, Shot
from tests.outside.tolerances import PRINTED_6, SINGLE_PRECISION_PLACE

Clip = Callable[[str], Path]
pytestmark = [
    pytest.mark.outside,
    pytest.mark.filterwarnings("ignore:Importing PyGLM:PendingDeprecationWarning"),  # by bvhio 1.5.4
]


def read(path: Path) -> Shot:
    return bvh.read(path.read_bytes(), path.name)


def table(shot: Shot) -> Array:
    columns = [channel.samples for control in shot.controls for channel in control.channels]
    return np.hstack([column for column in columns if column is not None])


def pybvh_table(path: Path) -> Array:
    """(N, channels) as pybvh has it: the root's position, then angles in radians in each joint's order."""
    import pybvh

    other = pybvh.read_bvh_file(path)
    return np.hstack([other.root_pos, np.array(other.joint_angles).reshape(len(other.root_pos), -1)])


def in_radians(shot: Shot) -> Array:
    """The table with the angles in radians, by the one multiplication that np.deg2rad does."""
    values = table(shot)
    return np.hstack([values[:, :3], np.deg2rad(values[:, 3:])])


@pytest.mark.parametrize("name", ["01_01.bvh", "01_03.bvh"])
def test_the_same_numbers_as_pybvh(clip: Clip, name: str) -> None:
    assert np.array_equal(in_radians(read(clip(name))), pybvh_table(clip(name)))


@pytest.mark.parametrize("name", ["01_01.bvh", "Boxing_Toes.bvh"])
def test_every_number_is_the_nearest_float64(clip: Clip, name: str) -> None:
    """[lib] Python's float, which is correctly rounded."""
    data = clip(name).read_bytes()
    rows = data[data.index(b"\n", data.index(b"Frame Time")) :].split()
    assert table(bvh.read(data, name)).ravel().tolist() == [float(token) for token in rows]


def test_a_wrong_frame_count_is_noted_and_the_rows_are_read(clip: Clip) -> None:
    """The header of Boxing_Toes says 3069 frames, the file has 3070 rows."""
    shot = read(clip("Boxing_Toes.bvh"))
    assert (shot.last_frame, shot.fps, len(shot.controls)) == (3069, 100.0, 21)
    assert "line 128: Frames says 3069, but 3070 rows follow" in shot.notes[0]


@pytest.mark.parametrize(("name", "frames"), [("01_01.bvh", 2752), ("01_03.bvh", 4511)])
def test_rate_and_length(clip: Clip, name: str, frames: int) -> None:
    shot = read(clip(name))
    assert (shot.fps, shot.last_frame + 1, len(shot.controls)) == (120.0, frames, 31)


def test_a_foot_stands_where_two_libraries_put_it(clip: Clip) -> None:
    """[lib] pybvh 0.9.0 and bvhio 1.5.4 agree on this place of the left foot, printed with six decimals."""
    shot = read(clip("01_01.bvh"))
    posed = pose(shot, np.array([100.0]))
    found = posed.origin[shot.index("LeftFoot"), 0]
    np.testing.assert_allclose(found, [11.516369, 1.938838, -19.008998], atol=PRINTED_6, rtol=0)


def test_the_same_places_as_bvhio(clip: Clip) -> None:
    import bvhio

    path = clip("Boxing_Toes.bvh")
    shot = read(path)
    root = bvhio.readAsHierarchy(str(path))
    for frame in (0, 1234, 3068):
        root.loadPose(frame)
        theirs = {joint.Name: np.array(joint.PositionWorld) for joint, _, _ in root.layout()}
        posed = pose(shot, np.array([float(frame)]))
        ours = {control.name: posed.origin[i, 0] for i, control in enumerate(shot.controls)}
        for name, place in ours.items():
            np.testing.assert_allclose(place, theirs[name], atol=SINGLE_PRECISION_PLACE, rtol=0)


INNER_POSITIONS = """HIERARCHY
ROOT a
{
OFFSET 1 2 3
CHANNELS 6 Xposition Yposition Zposition Zrotation Yrotation Xrotation
JOINT b
{
OFFSET 4 5 6
CHANNELS 5 Xposition Zposition Yrotation Xrotation Zrotation
JOINT c
{
OFFSET 7 8 9
CHANNELS 3 Zrotation Xrotation Yrotation
End Site
{
OFFSET 0 1 0
}
}
}
}
MOTION
Frames: 2
Frame Time: 0.04
10 20 30 40 50 60 0.5 0.25 11 22 33 1 2 3
-1 2 -3 4 -5 6 7 -8 9 10 11 12 13 14
"""


def test_positions_replace_the_offset_as_in_bvhio(tmp_path: Path) -> None:
    """[lib] bvhio 1.5.4, for the root and for an inner joint with two position channels of three."""
    import bvhio

    path = tmp_path / "inner.bvh"
    path.write_text(INNER_POSITIONS)
    shot = read(path)
    root = bvhio.readAsHierarchy(str(path))
    posed = pose(shot, shot.frames)
    for frame in (0, 1):
        root.loadPose(frame)
        theirs = {joint.Name: np.array(joint.PositionWorld) for joint, _, _ in root.layout()}
        for i, control in enumerate(shot.controls):
            np.testing.assert_allclose(
                posed.origin[i, frame], theirs[control.name], atol=SINGLE_PRECISION_PLACE, rtol=0
            )


@pytest.mark.parametrize("name", ["01_01.bvh", "01_03.bvh", "Boxing_Toes.bvh"])
def test_what_we_write_other_libraries_read(clip: Clip, name: str, tmp_path: Path) -> None:
    shot = read(clip(name))
    path = tmp_path / name
    path.write_bytes(bvh.write(shot))
    assert read(path) == shot
    assert np.array_equal(in_radians(shot), pybvh_table(path))


def test_a_spliced_clip_differs_in_one_token(clip: Clip) -> None:
    data = clip("01_03.bvh").read_bytes()
    shot = bvh.read(data, "01_03.bvh")
    place = Place("LeftFoot", "rotation.y", 4000, "value")
    ((start, end),) = bvh.spans(data, shot, [place])
    old = data[start:end].decode()
    new = spell(old, float(old) + 1.5)
    changed = splice(data, [((start, end), new)])
    assert changed[:start] == data[:start]
    assert changed[start + len(new) :] == data[end:]
    difference = table(bvh.read(changed, "01_03.bvh")) - table(shot)
    assert np.count_nonzero(difference) == 1

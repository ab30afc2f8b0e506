"""Tracks: all baked channels of a shot as one array, and back without a loss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.clean.tracks import Tracks, quaternions, tracks, with_tracks
from refine.pose import pose
from refine.rotation import EULER_ORDERS, euler_matrix, euler_quaternion, quaternion_matrix
from refine.shot import QUATERNION, TRANSLATIONS, Channel, Control, Keys, Shot, frozen, make_keys
from tests.clean.shots import ORDERS, angle_between, angled, matrices, quaternion_control, shot, turns
from tests.tolerances import ANGLE, MATRIX, SAME_TURN

COUNT = 40


def mixed(order: str = "zxy") -> Shot:
    """A root with places and turns out of order, a quaternion, a number, and a keyed control."""
    values = turns(1, COUNT)
    places = tuple(Channel(n, samples=frozen(values[:1].T * k)) for k, n in enumerate(TRANSLATIONS, start=1))
    root = Control("root", order=order, channels=(*reversed(angled(values, order)), *places))
    turned = quaternion_control("turned", turns(2, COUNT))
    lid = Control("lid", channels=(Channel("open", samples=frozen(values[1:2].T)),))
    keys: Keys = make_keys([1.0, 20.0], [3.0, 5.0], [0.0, 0.0])
    keyed = Control("keyed", order=order, channels=(Channel("rotation.x", keys=keys),))
    return Shot("mixed", 30.0, 1, COUNT, (root, turned, lid, keyed))


@given(st.sampled_from(ORDERS))
@settings(max_examples=6, derandomize=True)
def test_there_and_back_is_the_same_shot(order: str) -> None:
    made = mixed(order)
    assert with_tracks(made, tracks(made)) == made


def test_channels_that_did_not_change_stay_the_same_objects() -> None:
    made = mixed()
    read = tracks(made)
    group = next(g for g in read.groups if g.control == "root" and g.kind == "angles")
    values = read.values.copy()
    row = group.rows[group.names.index("rotation.y")]
    values[row, 7] += 1.0
    after = with_tracks(made, replace(read, values=values))
    for before_control, control in zip(made.controls, after.controls, strict=True):
        for old, new in zip(before_control.channels, control.channels, strict=True):
            changed = (control.name, new.name) == ("root", "rotation.y")
            assert (old is not new) == changed
    turned = after.controls[0].channel("rotation.y")
    assert turned is not None
    assert turned.samples is not None
    assert turned.samples[7, 0] == values[row, 7]
    assert not turned.samples.flags.writeable


def test_keyed_channels_are_no_capture() -> None:
    made = mixed()
    read = tracks(made)
    assert "keyed" not in {group.control for group in read.groups}
    after = with_tracks(made, replace(read, values=read.values + 1.0))
    assert after.controls[-1].channels[0] is made.controls[-1].channels[0]
    nothing = replace(made, controls=made.controls[-1:])
    assert tracks(nothing).groups == ()
    assert tracks(nothing).values.shape == (0, COUNT)


def test_angles_stand_in_the_sequence_in_which_they_are_multiplied() -> None:
    for order in ORDERS:
        group = next(g for g in tracks(mixed(order)).groups if g.control == "root" and g.kind == "angles")
        assert [name[-1] for name in group.names] == list(order)
        assert group.triple
        np.testing.assert_array_equal(tracks(mixed(order)).of(group), turns(1, COUNT))


def test_what_hits_one_channel_of_a_joint_hits_all_that_are_measured_with_it() -> None:
    kinds = [(g.control, g.kind, len(g.rows)) for g in tracks(mixed()).groups]
    assert kinds == [
        ("root", "place", 3),
        ("root", "angles", 3),
        ("turned", "quaternion", 4),
        ("lid", "number", 1),
    ]


def test_angles_as_quaternions_are_the_same_turns() -> None:
    for order in ORDERS:
        made = shot({"arm": turns(3, COUNT, size=120.0)}, order=order)
        read = tracks(made)
        q = quaternions(read.groups[0], read.of(read.groups[0]))
        off = angle_between(quaternion_matrix(q), matrices(turns(3, COUNT, size=120.0), order))
        assert off.max() < SAME_TURN


def test_a_quaternion_rig_poses_the_same_after_there_and_back() -> None:
    made = replace(mixed(), controls=(quaternion_control("turned", turns(2, COUNT)),))
    read = tracks(made)
    assert read.groups[0].names == (QUATERNION,)
    after = with_tracks(made, replace(read, values=-read.values))  # the other sign is the same turn
    one, other = (pose(each, each.frames) for each in (made, after))
    np.testing.assert_allclose(one.linear[0], other.linear[0], atol=ANGLE)


def test_a_part_begins_later() -> None:
    read = tracks(mixed())
    part = read.part(5)
    assert isinstance(part, Tracks)
    assert len(part) == COUNT - 5
    np.testing.assert_array_equal(part.values, read.values[:, 5:])


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_quaternions_of_angles_are_those_of_their_matrices(order: str) -> None:
    angles = np.random.default_rng(4).uniform(-7, 7, (200, 3))
    found = euler_quaternion(angles, order)
    np.testing.assert_allclose(np.linalg.norm(found, axis=1), 1.0, atol=MATRIX)
    np.testing.assert_allclose(quaternion_matrix(found), euler_matrix(angles, order), atol=MATRIX)

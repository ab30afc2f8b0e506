"""A share of the way: numbers in between to the last bit, and all of it where there is nothing in between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.key_rows import smooth
from refine.key_rows import with_keys as with_rows
from refine.part_way import part_way, shot_part_way
from refine.rotation import vector_quaternion
from refine.shot import QUATERNION, Channel, frozen
from tests.hand_made import ARM_Z, baked_shot, faulty, keys_of, two_part_shot, with_keys
from tests.tolerances import ROW

CONTROL, NAME = "arm", "rotation.z"
PEAK = 12


@pytest.mark.parametrize("share", [0.0, 0.3, 0.5, 0.7, 1.0])
def test_part_of_the_way(share: float) -> None:
    clean = two_part_shot()
    shot = faulty(clean, CONTROL, NAME, {PEAK: 4.0}, {PEAK: 1.0})
    before, after = shot.channel(CONTROL, NAME), clean.channel(CONTROL, NAME)
    new = part_way(before, after, share)
    assert new.keys is not None
    assert before.keys is not None
    assert new.keys.values[PEAK, 0] == pytest.approx(before.keys.values[PEAK, 0] - 4.0 * share, abs=ROW)
    assert new.keys.outgoing[PEAK, 0] == pytest.approx(before.keys.outgoing[PEAK, 0] - share, abs=ROW)
    others = np.arange(len(before.keys)) != PEAK
    assert np.array_equal(new.keys.values[others], before.keys.values[others])  # to the last bit
    assert np.array_equal(new.keys.outgoing[others], before.keys.outgoing[others])


def test_samples_and_quaternions_go_part_of_the_way_too() -> None:
    before = Channel("rotation.x", samples=frozen(np.arange(5.0)[:, None]))
    after = replace(before, samples=frozen(np.array([[0.0], [3.0], [2.0], [3.0], [0.0]])))
    half = part_way(before, after, 0.5).samples
    assert half is not None
    np.testing.assert_array_equal(half[:, 0], [0.0, 2.0, 2.0, 3.0, 2.0])
    turns = np.array([[0.0, 0.0, 0.0], [0.0, 40.0, 0.0]])
    old = Channel(QUATERNION, samples=frozen(vector_quaternion(np.deg2rad(0 * turns))))
    new = replace(old, samples=frozen(vector_quaternion(np.deg2rad(turns))))
    half = part_way(old, new, 0.5).samples
    assert half is not None
    np.testing.assert_allclose(half, vector_quaternion(np.deg2rad(turns / 2)), atol=1e-12)


def test_where_keys_come_go_or_move_in_time_there_is_no_half_way() -> None:
    shot = two_part_shot()
    keys = keys_of(shot, *ARM_Z)
    late = keys.frames.copy()
    late[3] += 1
    grown = with_rows(keys, [float(keys.frames[3]) + 0.5], [smooth(1.0, 0.0)])
    for changed in (keys.changed(frames=late), grown):
        after = faulty(with_keys(shot, *ARM_Z, changed), "hips", "rotation.z", {12: 6.0})
        half, kept = shot_part_way(shot, after, 0.5)
        assert kept == ("arm",)
        assert keys_of(half, *ARM_Z) == changed
        there = keys_of(half, "hips", "rotation.z").values - keys_of(shot, "hips", "rotation.z").values
        assert there[12, 0] == pytest.approx(3.0, abs=ROW)
    assert shot_part_way(shot, after, 0.5, whole=("hips",))[1] == ("hips", "arm")
    assert shot_part_way(shot, shot, 0.5) == (shot, ())


def test_a_baked_shot_goes_part_of_the_way() -> None:
    shot = baked_shot({"translation.x": np.zeros(5), "rotation.y": np.arange(5.0)})
    (control,) = shot.controls
    channel = control.channels[1]
    assert channel.samples is not None
    moved = shot.with_channel(control.name, replace(channel, samples=frozen(channel.samples + 1.0)))
    half, kept = shot_part_way(shot, moved, 0.25)
    there = half.channel(control.name, channel.name).samples
    assert kept == ()
    assert there is not None
    np.testing.assert_allclose(there - channel.samples, 0.25, atol=ROW)

"""Rotations that are written in several ways: neighbours near each other. Matrices: tests/test_pose.py."""

from __future__ import annotations

import numpy as np
import pytest

from refine.rotation import continuous, signs
from refine.shot import QUATERNION, Array, Channel
from tests.clean.shots import quaternion_control, turns
from tests.tolerances import ANGLE

COUNT = 200


def test_signs_keep_quaternions_on_one_side() -> None:
    rng = np.random.default_rng(0)
    smooth = quaternion_control("a", turns(2, COUNT)).channels[0].samples
    assert smooth is not None
    mixed_up: Array = smooth * rng.choice([-1.0, 1.0], COUNT)[:, None]
    found = mixed_up * signs(mixed_up)[:, None]
    assert np.all(np.sum(found[1:] * found[:-1], axis=1) > 0)
    np.testing.assert_array_equal(found[0], mixed_up[0])


def test_whole_turns_and_signs_are_undone_and_nothing_else() -> None:
    whole = 200 + 170 * np.sin(np.arange(COUNT) / 30)[:, None]
    wrapped = (whole + 180) % 360 - 180
    angles = continuous(Channel("rotation.z", samples=wrapped), wrapped)
    assert angles - angles[0] == pytest.approx(whole - whole[0], abs=ANGLE)
    assert np.array_equal(continuous(Channel("translation.x", samples=wrapped), wrapped), wrapped)
    turning = quaternion_control("a", turns(3, COUNT)).channels[0].samples
    assert turning is not None
    straight = turning * signs(turning)[:, None]
    flipped = straight * np.where(np.arange(COUNT) % 7 < 3, 1.0, -1.0)[:, None]
    assert np.array_equal(continuous(Channel(QUATERNION, samples=flipped), flipped), straight)


def test_no_sample_has_no_sign() -> None:
    assert signs(np.zeros((0, 4))).shape == (0,)

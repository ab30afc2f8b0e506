"""New BVH files: what was written reads the same, and every control stands where it stood."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from refine.curve import sample
from refine.errors import InputError
from refine.formats import bvh
from refine.formats.euler import euler_angles
from refine.pose import pose
from refine.rotation import euler_matrix
from refine.shot import Channel, Control, Shot, frozen, make_keys
from tests.formats.bvh_texts import TEXT, read
from tests.formats.tolerances import NEAR_LOCK, REWRITTEN_ANGLE, REWRITTEN_PLACE


def test_what_was_written_reads_the_same() -> None:
    shot = read(TEXT)
    assert read(bvh.write(shot)) == shot


def test_numbers_keep_all_their_digits_without_exponents() -> None:
    value = 1.2345678901234567e-09
    channel = Channel("translation.x", samples=frozen([[value], [1e11 / 3], [-0.0]]))
    shot = Shot("s", 24.0, 0, 2, (Control("a", channels=(channel,)),))
    written = bvh.write(shot)
    assert not re.search(rb"\de", written)
    assert read(written).controls[0].channels[0] == channel


def test_keyed_channels_are_baked() -> None:
    keys = make_keys([10, 14], [0.0, 8.0], [0.0, 0.0])
    channel = Channel("rotation.y", keys=keys)
    shot = Shot(
        "s", 24.0, 10, 14, (Control("a", rest_translation=(1.0, 2.0, 3.0), order="yxz", channels=(channel,)),)
    )
    again = read(bvh.write(shot))
    assert (again.first_frame, again.last_frame) == (0, 4)
    assert again.controls[0].rest_translation == (1.0, 2.0, 3.0)
    assert np.array_equal(again.controls[0].channels[0].samples, sample(channel, shot, shot.frames))


def _turning(rng: np.random.Generator, count: int) -> Channel:
    """Quaternions of a smooth turn through several whole ones."""
    t = np.linspace(0, 6, count)
    q = np.stack([np.sin(t), np.cos(2 * t), np.sin(3 * t + rng.uniform()), 0.5 + np.cos(t)], axis=1)
    return Channel("rotation", samples=frozen(q / np.linalg.norm(q, axis=1, keepdims=True)))


def _invented_rig(order: str) -> Shot:
    rng = np.random.default_rng(11)
    move = Channel("translation.y", samples=frozen(rng.normal(size=(60, 1))))
    spin = tuple(Channel(f"rotation.{a}", samples=frozen(rng.uniform(-170, 170, (60, 1)))) for a in "xz")
    root = Control("root", rest_translation=(1.0, 2.0, 3.0), order=order, channels=(move, *spin))
    still = Channel("scale.x", samples=frozen(np.ones((60, 1))))
    rest = (0.5, 0.5, -0.5, 0.5)
    turned = (_turning(rng, 60), still)
    tilted = Control("tilted", "root", rest_rotation=rest, order=order, tip=(0.0, 1.0, 0.0), channels=turned)
    hinge = Control("hinge", "root", pivot=(0.0, 1.0, 2.0), order=order, channels=(move, *spin))
    return Shot("s", 24.0, 0, 59, (hinge, root, tilted))


@pytest.mark.parametrize("order", ["".join(axes) for axes in permutations("xyz")])
def test_every_kind_of_control_stands_where_it_stood(order: str) -> None:
    shot = _invented_rig(order)
    again = read(bvh.write(shot))
    before, after = pose(shot, shot.frames), pose(again, again.frames)
    for control in shot.controls:
        i, j = shot.index(control.name), again.index(control.name)
        np.testing.assert_allclose(after.origin[j], before.origin[i], atol=REWRITTEN_PLACE)
        np.testing.assert_allclose(after.linear[j], before.linear[i], atol=REWRITTEN_PLACE)


@pytest.mark.parametrize("order", ["".join(axes) for axes in permutations("xyz")])
def test_angles_come_back_continuous(order: str) -> None:
    t = np.linspace(0, 1, 200)[:, None]
    angles = np.hstack([900 * t, 70 * np.sin(9 * t), -500 * t * t])
    sequence = ["xyz".index(axis) for axis in order]
    angles = angles[:, np.argsort(sequence)]  # the middle factor stays below 90 degrees
    again = np.rad2deg(euler_angles(euler_matrix(np.deg2rad(angles), order), order))
    np.testing.assert_allclose(again, angles, atol=REWRITTEN_ANGLE)


@pytest.mark.parametrize("order", ["".join(axes) for axes in permutations("xyz")])
@pytest.mark.parametrize("middle", [90.0, -90.0, 90 - 1e-7])
def test_a_gimbal_lock_keeps_the_rotation(order: str, middle: float) -> None:
    angles = np.zeros((3, 3))
    angles[:, "xyz".index(order[1])] = [80.0, middle, middle]
    angles[:, "xyz".index(order[0])] = [20.0, 30.0, 50.0]
    angles[:, "xyz".index(order[2])] = [10.0, 15.0, -20.0]
    matrices = euler_matrix(np.deg2rad(angles), order)
    np.testing.assert_allclose(euler_matrix(euler_angles(matrices, order), order), matrices, atol=NEAR_LOCK)


@pytest.mark.parametrize("name", ["", " a", "a\nb", "a{b", "a}"])
def test_names_that_bvh_cannot_say(name: str) -> None:
    shot = read(TEXT)
    renamed = replace(shot, controls=(replace(shot.controls[0], name=name),))
    with pytest.raises(InputError, match="can't say this name"):
        bvh.write(renamed)


@pytest.mark.parametrize(("channel", "value"), [("scale.x", 1.5), ("smile", 0.0)])
def test_channels_that_bvh_cannot_say(channel: str, value: float) -> None:
    extra = Control("face", channels=(Channel(channel, samples=frozen(np.full((3, 1), value))),))
    shot = read(TEXT)
    with pytest.raises(InputError) as caught:
        bvh.write(replace(shot, controls=(*shot.controls, extra)))
    assert caught.value.place == f"face.{channel}"


def test_a_shot_without_channels_is_refused() -> None:
    with pytest.raises(InputError, match="no channels"):
        bvh.write(Shot("s", 24.0, 0, 1, (Control("a"),)))

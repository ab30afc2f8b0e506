"""The frame that a key pose was set for, as the slopes around it tell, or don't."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule
from refine.pose_time import on_its_frame, strayed
from refine.shot import Array, Keys
from tests.hand_made import key_frames, keyed, wave

K = 8  # the pose in the middle
FRAME = float(key_frames()[K])


def pose(rule: Rule) -> dict[str, Keys]:
    """Three channels with their keys on the same frames."""
    return {
        f"rotation.{axis}": keyed(rule, key_frames(), wave(key_frames(), n)) for n, axis in enumerate("xyz")
    }


def in_time(keys: Keys, k: int, by: float) -> Keys:
    frames = keys.frames.copy()
    frames[k] += by
    return keys.changed(frames=frames)


def nudged(keys: Keys, by: float) -> Keys:
    values = keys.values.copy()
    values[K] += by
    return keys.changed(values=values)


def around(channels: dict[str, Keys], reach: int = 2) -> dict[str, Array]:
    """The slopes beside the pose as those that break the habit."""
    return {name: keys.frames[K - reach : K + reach + 1] for name, keys in channels.items()}


@pytest.mark.parametrize("rule", ["natural", "chord"])
@pytest.mark.parametrize("by", [1, -1])
def test_a_pose_that_stands_a_frame_beside_its_own_is_told(rule: Rule, by: int) -> None:
    sound = pose(rule)
    moved = {name: in_time(keys, K, by) for name, keys in sound.items()}
    (found,) = strayed(moved, around(moved), loop=False)
    assert (found.frame, found.step) == (FRAME + by, -by)
    assert sorted(found.told) == sorted(sound)
    assert {name: on_its_frame(keys, [found]) for name, keys in moved.items()} == sound


def test_two_poses_are_told_one_after_the_other() -> None:
    moved = {name: in_time(in_time(keys, K, 1), K + 4, -1) for name, keys in pose("chord").items()}
    found = strayed(moved, around(moved, 6), loop=False)
    assert sorted(each.frame for each in found) == [FRAME + 1, float(key_frames()[K + 4]) - 1]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("seed", range(4))
def test_a_pose_of_which_the_values_were_moved_stands_on_its_frame(rule: Rule, seed: int) -> None:
    """A natural spline's slopes all get nearer to theirs by a move in time that goes the same way."""
    by = np.random.default_rng(seed).uniform(-3.0, 3.0, 3)
    off = {name: nudged(keys, b) for (name, keys), b in zip(pose(rule).items(), by, strict=True)}
    assert strayed(off, around(off), loop=False) == []


@pytest.mark.parametrize("rule", RULES)
def test_nothing_is_told_of_sound_channels(rule: Rule) -> None:
    assert strayed(pose(rule), around(pose(rule), K), loop=False) == []


def test_a_pose_that_may_as_well_have_been_another_isn_t_told() -> None:
    """One slope by the chord: the pose before it came early, or the one after it late."""
    frames = np.array([0.0, 10.0, 20.0, 30.0, 40.0, 50.0])
    sound = {
        name: keyed("chord", frames, scale * np.array([0.0, 2.0, 9.0, 11.0, 5.0, 0.0]))
        for name, scale in (("rotation.x", 1.0), ("rotation.y", 2.0))
    }
    moved = {}
    for name, keys in sound.items():
        slopes = keys.outgoing.copy()
        slopes[2] *= 20.0 / 19.0  # the chord over a frame less
        slopes[[0, 4]] = 0.0
        moved[name] = keys.changed(incoming=slopes, outgoing=slopes)
    assert strayed(moved, dict.fromkeys(moved, frames[2:3]), loop=False) == []

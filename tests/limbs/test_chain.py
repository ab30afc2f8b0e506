"""A limb moved as one, baked and keyed: it arrives, keeps what is held, and its derivatives are right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.planted.contacts import stepping
from refine.held import Locks
from refine.limbs.chain import ChainMotion, Goals, changed, followed, free_keys
from refine.limbs.limb import extension, limbs
from refine.pose import Point, pose, world_point
from refine.shot import Limits, Pin, Shot
from tests.limbs.tolerances import CHAIN_DERIVATIVE, FOLLOWED_PLACE
from tests.tolerances import DERIVATIVE_STEP

LEG = ("thigh.L", "shin.L", "foot.L")
POINTS = (Point("foot.L", (0.0, 0.0, 0.0)), Point("foot.L", (0.0, -0.08, 0.17)))


def locks(shot: Shot, *pins: Pin) -> Locks:
    return Locks(shot, pins, (shot.first_frame, shot.last_frame))


def lifted(shot: Shot, by: tuple[float, float, float], frames: np.ndarray) -> Goals:
    posed = pose(shot, frames)
    places = np.stack([world_point(posed, shot, point) + np.array(by) for point in POINTS])
    return Goals(POINTS, frames, places, np.ones((2, len(frames))))


def miss(shot: Shot, goals: Goals) -> float:
    posed = pose(shot, goals.frames)
    places = np.stack([world_point(posed, shot, point) for point in goals.points])
    return float(np.abs(places - goals.places).max())


def test_a_baked_leg_arrives_with_its_foot_turned_as_before() -> None:
    shot = stepping()
    goals = lifted(shot, (0.01, 0.02, -0.015), np.arange(50.0, 70.0))
    after = followed(shot, LEG, goals, locks(shot))
    assert miss(after, goals) <= FOLLOWED_PLACE
    for name in ("hips", "thigh.R", "shin.R"):
        assert after.control(name) == shot.control(name)


def test_samples_outside_the_goals_and_pinned_ones_stay_to_the_bit() -> None:
    shot = stepping()
    goals = lifted(shot, (0.0, 0.02, 0.0), np.arange(50.0, 70.0))
    after = followed(shot, LEG, goals, locks(shot, Pin("thigh.L", None, (55.0, 57.0))))
    for name in LEG:
        for old, new in zip(shot.control(name).channels, after.control(name).channels, strict=True):
            assert old.samples is not None
            assert new.samples is not None
            outside = np.r_[0:50, 70 : len(old.samples)]
            np.testing.assert_array_equal(old.samples[outside], new.samples[outside])
            if name == "thigh.L":
                np.testing.assert_array_equal(old.samples[55:58], new.samples[55:58])


def test_limits_hold() -> None:
    shot = stepping()
    i = shot.index("shin.L")
    old = shot.controls[i].channels[0]
    assert old.samples is not None
    highest = float(old.samples[50:70].max()) + 1.0
    shot = shot.with_channel("shin.L", replace(old, limits=Limits(upper=highest)))
    goals = lifted(shot, (0.0, 0.04, 0.0), np.arange(50.0, 70.0))
    after = followed(shot, LEG, goals, locks(shot)).controls[i].channels[0]
    assert after.samples is not None
    assert after.samples[50:70].max() <= highest


def test_pinned_keys_are_not_free() -> None:
    shot = stepping(keyed=3)
    every = free_keys(shot, LEG, (52.0, 79.0), locks(shot))
    some = free_keys(shot, LEG, (52.0, 79.0), locks(shot, Pin("thigh.L", None, (60.0, 60.0))))
    keys = shot.control("thigh.L").channels[0].keys
    assert keys is not None
    k = keys.index(60.0)
    gone = {(name, unknown.key) for name, unknown in every} - {(name, unknown.key) for name, unknown in some}
    assert gone == {("thigh.L", k)}


def test_derivatives_of_a_chain_against_central_differences() -> None:
    shot = stepping(keyed=3)
    frames = np.arange(54.0, 66.0)
    free = free_keys(shot, LEG, (54.0, 66.0), locks(shot))
    x = np.random.default_rng(1).normal(size=len(free))
    maps = ChainMotion(shot, free, frames, x, POINTS).points("world")
    for j in range(0, len(free), 5):
        step = np.zeros(len(free))
        step[j] = DERIVATIVE_STEP
        ends = []
        for sign in (1.0, -1.0):
            moved = changed(shot, free, x + sign * step)
            posed = pose(moved, frames)
            ends.append(np.concatenate([world_point(posed, moved, p).T for p in POINTS]))
        slope = (ends[0] - ends[1]) / (2 * DERIVATIVE_STEP)
        ours = np.stack([np.asarray(m.matrix)[:, j] for m in maps])
        np.testing.assert_allclose(ours, slope, atol=CHAIN_DERIVATIVE)


@pytest.mark.parametrize("named", [True, False], ids=["by parts", "by shape"])
def test_the_limbs_of_a_walk(named: bool) -> None:
    shot = stepping()
    if not named:
        shot = replace(shot, controls=tuple(replace(c, part=None) for c in shot.controls))
    found = limbs(shot, pose(shot, shot.frames))
    assert [(limb.kind, limb.chain) for limb in found] == [
        ("leg", ("thigh.L", "shin.L", "foot.L")),
        ("leg", ("thigh.R", "shin.R", "foot.R")),
    ]
    assert found[0].length == pytest.approx(0.84)
    assert extension(shot, pose(shot, shot.frames), found[0]).max() < 1.0

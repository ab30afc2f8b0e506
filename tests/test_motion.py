"""Maps of what a control drives: samples exactly, points by their true derivative, hulls that hold the curve."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Literal

import numpy as np
import pytest

from constraints.affine import Affine
from refine.curve import evaluate, sample
from refine.motion import BakedMotion, KeyedMotion, Unknown, moved
from refine.pose import Point, driven, pose, world_point
from refine.rotation import vector_quaternion
from refine.shot import QUATERNION, Array, Channel, Keys, Segment, Shot, make_keys
from refine.view import project, view
from tests.hand_made import key_frames, keys_of, two_part_shot, wave, with_keys
from tests.tolerances import DERIVATIVE_STEP, HULL, MOTION_DERIVATIVE, ROW

FRAMES = np.arange(40.0, 101.0)
FREE = (
    Unknown("rotation.z", 11, "value", 2.0),
    Unknown("rotation.z", 11, "slope", 0.5),
    Unknown("rotation.y", 10, "value", 3.0),
    Unknown("rotation.y", 10, "incoming", 1.5),
    Unknown("rotation.y", 10, "outgoing", 1.5),
)


def quaternion_shot() -> Shot:
    frames = key_frames(3)
    turns = np.column_stack([3 * wave(frames, 5), 2 * wave(frames, 6), wave(frames)])
    values = vector_quaternion(np.deg2rad(turns))
    channel = Channel(QUATERNION, make_keys(frames, values, np.gradient(values, frames, axis=0)))
    shot = two_part_shot()
    return replace(shot, controls=(shot.controls[0], replace(shot.controls[1], channels=(channel,))))


QUATERNION_FREE = tuple(
    Unknown(QUATERNION, k, field, 0.1, component)
    for component in range(4)
    for k, field in ((10, "value"), (11, "slope"))
)


def test_moving_by_nothing_and_by_one() -> None:
    shot = two_part_shot()
    assert moved(shot, "arm", FREE, np.zeros(5)) == shot
    new = moved(shot, "arm", FREE, np.array([1.0, 0, 0, 0, -2.0]))
    z, old = keys_of(new, "arm", "rotation.z"), keys_of(shot, "arm", "rotation.z")
    assert z.values[11, 0] == old.values[11, 0] + 2.0
    y, old = keys_of(new, "arm", "rotation.y"), keys_of(shot, "arm", "rotation.y")
    assert y.outgoing[10, 0] == old.outgoing[10, 0] - 3.0
    assert y.incoming[10, 0] == old.incoming[10, 0]
    assert new.controls[0] == shot.controls[0]


@pytest.mark.parametrize("name", ["rotation.z", "rotation.y", "rotation.x"])
def test_samples_are_exact_for_any_change(name: str) -> None:
    shot, rng = two_part_shot(), np.random.default_rng(5)
    motion = KeyedMotion(shot, "arm", FREE, FRAMES, np.zeros(5))
    for _ in range(3):
        x = rng.normal(size=5)
        truth = evaluate(keys_of(moved(shot, "arm", FREE, x), "arm", name), FRAMES)[:, 0]
        assert motion.samples(name)(x) == pytest.approx(truth, abs=ROW)
    assert motion.channels == ("rotation.z", "rotation.y")


def test_samples_of_a_quaternion_component() -> None:
    shot = quaternion_shot()
    motion = KeyedMotion(shot, "arm", QUATERNION_FREE, FRAMES, np.zeros(8))
    x = np.linspace(-1, 1, 8)
    truth = evaluate(keys_of(moved(shot, "arm", QUATERNION_FREE, x), "arm", QUATERNION), FRAMES)
    for component in range(4):
        assert motion.samples(QUATERNION, component)(x) == pytest.approx(truth[:, component], abs=ROW)


def places(shot: Shot, space: str, points: list[Point]) -> Array:
    """(C, N) true coordinates, one row each, in the order of `points`."""
    posed = pose(shot, FRAMES)
    seen = view(shot, posed)
    rows = []
    for point in points:
        place = world_point(posed, shot, point)
        rows += list((project(seen, place) if space == "screen" else place).T)
    return np.array(rows)


@pytest.mark.parametrize("space", ["world", "screen"])
@pytest.mark.parametrize("kind", ["euler", "quaternion", "translation"])
def test_points_by_finite_differences_of_the_true_pose(space: Literal["world", "screen"], kind: str) -> None:
    """About some changes x0: the value is the true one there, the matrix its derivative by each unknown."""
    if kind == "translation":
        free: tuple[Unknown, ...] = (
            Unknown("translation.x", 10, "value"),
            Unknown("rotation.y", 11, "slope"),
        )
        shot, control = two_part_shot(), "hips"
    else:
        shot, free, control = (
            (two_part_shot(), FREE, "arm") if kind == "euler" else (quaternion_shot(), QUATERNION_FREE, "arm")
        )
    x0 = 0.1 * np.cos(np.arange(len(free)))
    seen = view(shot, pose(shot, FRAMES))
    also = (Point("arm", (0.3, 0.1, 0.0)),)
    motion = KeyedMotion(shot, control, free, FRAMES, x0, seen, also)
    points = list(also)
    for channel in motion.channels:
        points += [point for point in driven(shot, control, channel) if point not in points]
    maps = motion.points(space)
    assert len(maps) == (3 if space == "world" else 2) * len(points)
    there = places(moved(shot, control, free, x0), space, points)
    assert np.array([over(x0) for over in maps]) == pytest.approx(there, abs=ROW)
    scale = 1.0 if space == "world" else float(seen.focal.max())
    for j in range(len(free)):
        step = np.zeros(len(free))
        step[j] = DERIVATIVE_STEP
        up, down = (places(moved(shot, control, free, x0 + s), space, points) for s in (step, -step))
        truth = (up - down) / (2 * DERIVATIVE_STEP)
        found = np.array([np.asarray(over.matrix)[:, j] for over in maps])
        assert found == pytest.approx(truth, abs=MOTION_DERIVATIVE * scale)


# --- hulls ---------------------------------------------------------------------------------------------------


def reaching(incoming: float, outgoing: float) -> Shot:
    """The arm's rotation.z with one pair of reaches, in shares of the segment, on every segment."""
    shot = two_part_shot()
    keys = keys_of(shot, "arm", "rotation.z")
    length = np.diff(keys.frames)
    keys = replace(
        keys,
        incoming_reach=np.append(np.nan, incoming * length),
        outgoing_reach=np.append(outgoing * length, np.nan),
    )
    return with_keys(shot, "arm", "rotation.z", keys)


REACHES = [(1 / 3, 1 / 3), (0.2, 0.5), (0.8, 0.7), (1.0, 1.0), (1.5, 3.0), (0.0, 0.4), (0.9, 0.0)]


def fine(keys: Keys, first: int, last: int) -> tuple[Array, Array]:
    """Values and slopes between two keys at 400 frames a segment, the keys themselves left out."""
    at = np.concatenate([np.linspace(a, b, 400)[1:-1] for a, b in pairwise(keys.frames[first : last + 1])])
    step = 1e-5
    return evaluate(keys, at), (evaluate(keys, at + step) - evaluate(keys, at - step)) / (2 * step)


@pytest.mark.parametrize("reach", REACHES)
def test_control_values_and_rates_hold_the_curve_between_them(reach: tuple[float, float]) -> None:
    """For any change x: the curve stays within its control values, its slope within its control rates."""
    shot = reaching(*reach)
    motion = KeyedMotion(shot, "arm", FREE[:2], FRAMES, np.zeros(2))
    values, rates = motion.control_values("rotation.z"), motion.control_rates("rotation.z")
    assert values is not None
    assert rates is not None
    assert values.rows == 8  # the two segments beside key 11
    for x in (np.zeros(2), np.array([1.5, -2.0]), np.array([-3.0, 4.0])):
        keys = keys_of(moved(shot, "arm", FREE[:2], x), "arm", "rotation.z")
        y, slope = fine(keys, 10, 12)
        hull, steepest = values(x), rates(x)
        assert y.min() >= hull.min() - HULL
        assert y.max() <= hull.max() + HULL
        assert slope.max() <= steepest.max() * (1 + HULL) + HULL
        assert slope.min() >= steepest.min() - HULL * (1 + abs(steepest.min()))


def test_the_hull_of_thirds_is_the_bezier_polygon() -> None:
    shot = two_part_shot()
    keys = keys_of(shot, "arm", "rotation.z")
    motion = KeyedMotion(shot, "arm", (Unknown("rotation.z", 11, "value"),), FRAMES, np.zeros(1))
    f, v, s = keys.frames, keys.values[:, 0], keys.outgoing[:, 0]
    expected, rates = [], []
    for k in (10, 11):
        third = (f[k + 1] - f[k]) / 3
        inner = [v[k], v[k] + third * s[k], v[k + 1] - third * s[k + 1], v[k + 1]]
        expected += inner
        rates += list(np.diff(inner) / third)
    values, steep = motion.control_values("rotation.z"), motion.control_rates("rotation.z")
    assert isinstance(values, Affine)
    assert isinstance(steep, Affine)
    assert values(np.zeros(1)) == pytest.approx(expected, abs=ROW)
    assert steep(np.zeros(1)) == pytest.approx(rates, abs=ROW)


def test_holds_and_lines_have_no_hull() -> None:
    """They don't leave the values of their keys."""
    shot = two_part_shot()
    keys = keys_of(shot, "arm", "rotation.z")
    segment = keys.segment.copy()
    segment[[10, 11]] = [Segment.HOLD, Segment.LINE]
    shot = with_keys(shot, "arm", "rotation.z", keys.changed(segment=segment))
    values = KeyedMotion(shot, "arm", FREE[:1], FRAMES, np.zeros(1)).control_values("rotation.z")
    assert values is not None
    assert values.rows == 0


# --- baked ---------------------------------------------------------------------------------------------------


def test_baked_samples_move_inside_the_range_only() -> None:
    frames, values = np.arange(10.0, 20.0), wave(np.arange(10.0, 20.0))
    motion = BakedMotion("rotation.x", frames, values, 13, 16)
    assert (motion.size, motion.channels) == (4, ("rotation.x",))
    x = np.array([1.0, 2, 3, 4])
    expected = values + np.concatenate([np.zeros(3), x, np.zeros(3)])
    assert motion.samples("rotation.x")(x).tolist() == expected.tolist()
    assert motion.control_values("rotation.x") is None
    assert motion.control_rates("rotation.x") is None


def test_the_chain_is_seen_as_posed() -> None:
    """The fixture itself: a camera that sees the tip on all frames, or nothing above would mean anything."""
    shot = two_part_shot()
    assert sample(shot.channel("arm", "rotation.z"), shot, FRAMES).shape == (61, 1)
    pixels = places(shot, "screen", [Point("arm", (0.7, 0.2, 0.1))])
    assert pixels.min() > 0
    assert pixels.max() < 1920

"""Turns written without jumps: the same orientation on every frame, and no step of more than half a turn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from refine.clean.branches import angles_of, straightened, turned
from refine.clean.tracks import Tracks, quaternions, tracks
from refine.rotation import quaternion_matrix
from refine.shot import Array, Shot
from tests.clean.shots import ORDERS, angle_between, matrices, quaternion_control, shot, turns
from tests.clean.tolerances import SAME_TURN_MATRIX
from tests.tolerances import ANGLE, SAME_TURN

COUNT = 300
CALM = 15.0  # deg of size: the middle angle stays far from gimbal lock


def other(values: Array, at: NDArray[np.bool_]) -> Array:
    """The same turns on some frames written as their other triple."""
    flipped = np.stack([values[0] + 180.0, 180.0 - values[1], values[2] + 180.0])
    return np.where(at, flipped, values)


def sawn(values: Array) -> Array:
    return (values + 180.0) % 360.0 - 180.0


def straight(values: Array, order: str, skipped: NDArray[np.bool_] | None = None) -> tuple[Array, list[int]]:
    made = tracks(shot({"arm": values}, order=order))
    group = made.groups[0]
    after, found = straightened(made, {} if skipped is None else {group: skipped})
    return after.of(group), found.get(group, [])


@pytest.mark.parametrize("order", ORDERS)
def test_planted_wraps_and_flipped_triples_are_undone(order: str) -> None:
    true = turns(4, COUNT, size=CALM) + np.array([[170.0], [0.0], [-175.0]])
    at = (np.arange(COUNT) // 60) % 2 == 1
    given_values = sawn(other(true, at))
    assert np.abs(np.diff(given_values, axis=1)).max() > 180.0
    after, found = straight(given_values, order)
    assert np.abs(np.diff(after, axis=1)).max() < 180.0
    np.testing.assert_allclose(np.diff(after, axis=1), np.diff(true, axis=1), atol=ANGLE)
    np.testing.assert_array_equal(after[:, 0], given_values[:, 0])
    assert {60, 120, 180, 240} <= set(found)


@given(st.sampled_from(ORDERS), st.integers(0, 10_000))
@settings(max_examples=40, derandomize=True)
def test_every_orientation_stays_and_no_step_is_over_half_a_turn(order: str, seed: int) -> None:
    """Any samples at all, gimbal lock and wild ones among them."""
    rng = np.random.default_rng(seed)
    values = rng.uniform(-400.0, 400.0, (3, 60))
    values[1, ::7] = rng.choice([-90.0, 90.0], values[1, ::7].shape)
    skipped = rng.random(60) < 0.2
    after, _ = straight(values, order, skipped)
    assert np.abs(matrices(after, order) - matrices(values, order)).max() < SAME_TURN_MATRIX
    good = after[:, ~skipped]
    assert np.abs(np.diff(good, axis=1)).max() <= 180.0 + ANGLE


def test_turns_without_a_jump_are_left_to_the_bit() -> None:
    values = turns(5, COUNT, size=120.0)
    made = tracks(shot({"arm": values}))
    after, found = straightened(made, {})
    np.testing.assert_array_equal(after.values, made.values)
    assert found == {}


def test_a_spin_over_many_turns_goes_on() -> None:
    spin = np.stack([np.linspace(0.0, 7 * 360.0, COUNT), np.full(COUNT, 20.0), np.zeros(COUNT)])
    after, found = straight(spin, "yxz")
    np.testing.assert_array_equal(after, spin)
    assert found == []
    after, found = straight(sawn(spin), "yxz")
    np.testing.assert_allclose(after - after[:, :1], spin - spin[:, :1], atol=ANGLE)
    assert len(found) == 7


def test_frames_without_a_say_do_not_lead_the_way_astray() -> None:
    """Two wild samples wind the angle round by less than half a turn a step: the frames after would lie a turn off."""
    true = np.stack([np.linspace(100.0, 160.0, COUNT), np.zeros(COUNT), np.zeros(COUNT)])
    wild = true.copy()
    wild[0, 150:152] += [130.0, 260.0]
    believed, _ = straight(wild, "zxy")
    assert believed[0, -1] == pytest.approx(true[0, -1] + 360.0, abs=ANGLE)
    skipped = np.isin(np.arange(COUNT), [150, 151])
    after, found = straight(wild, "zxy", skipped)
    np.testing.assert_array_equal(after[:, ~skipped], true[:, ~skipped])
    assert found == []
    sawn_values, _ = straight(sawn(wild + 100.0), "zxy", skipped)
    np.testing.assert_allclose(np.diff(sawn_values[0, ~skipped]), np.diff(true[0, ~skipped]), atol=ANGLE)
    assert np.abs(np.diff(sawn_values[0, 149:152])).max() < 360.0


def test_quaternions_change_no_sign() -> None:
    control = quaternion_control("arm", turns(6, COUNT, size=90.0))
    smooth = control.channels[0].samples
    assert smooth is not None
    rows = smooth.T * np.where((np.arange(COUNT) // 50) % 2, -1.0, 1.0)
    made = tracks(Shot("q", 120.0, 1, COUNT, (control,)))
    after, found = straightened(Tracks(rows, made.groups, made.fps), {})
    q = after.values.T
    assert np.all(np.sum(q[1:] * q[:-1], axis=1) > 0)
    assert angle_between(quaternion_matrix(q), quaternion_matrix(rows.T)).max() < SAME_TURN
    assert found[made.groups[0]] == [50, 100, 150, 200, 250]


@pytest.mark.parametrize("order", ORDERS)
def test_angles_of_rotations_come_back_on_the_branch_they_start_from(order: str) -> None:
    values = turns(7, COUNT, size=60.0) + np.array([[700.0], [180.0], [-200.0]])
    made = tracks(shot({"arm": values}, order=order))
    group = made.groups[0]
    rotations = quaternion_matrix(quaternions(group, values))
    back = angles_of(group, rotations, values[:, 0])
    np.testing.assert_allclose(back, values, atol=SAME_TURN)


def test_differences_of_angles_take_the_short_way() -> None:
    found = turned(np.array([0.0, 179.0, 181.0, -181.0, 359.0, 720.0]))
    np.testing.assert_allclose(found, [0.0, 179.0, -179.0, 179.0, -1.0, 0.0])

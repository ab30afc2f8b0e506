"""Curves: reaches, clipping, kinds of segments, the sample matrix, guards against folding."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.curve import (
    bake,
    bezier_parameter,
    clipped_reaches,
    evaluate,
    reaches,
    sample,
    sample_matrix,
    unknowns,
    with_unknowns,
)
from refine.shot import Channel, Keys, Segment, make_keys
from tests.hand_made import two_part_shot
from tests.strategies import keys as any_keys
from tests.tolerances import CURVE, FORWARD

FRAMES = [0.0, 10.0, 16.0, 30.0]
VALUES = [1.0, 4.0, -2.0, 3.0]
SLOPES = [0.5, -0.3, 0.2, 1.0]


def with_reach(incoming: float, outgoing: float) -> Keys:
    """Two keys 10 frames apart with the reaches that point into the segment."""
    unset = np.nan
    return make_keys([0, 10], [0, 5], [2, -1], None, [unset, incoming], [outgoing, unset])


def test_keys_are_passed_with_their_values_and_slopes() -> None:
    keys = make_keys(
        FRAMES, VALUES, SLOPES, incoming_reach=[np.nan, 2, 3, 9], outgoing_reach=[4, 5, np.nan, 1]
    )
    step = 1e-6
    assert evaluate(keys, keys.frames)[:, 0] == pytest.approx(VALUES, abs=CURVE)
    for k in (1, 2):
        f = keys.frames[k]
        before, at, after = evaluate(keys, np.array([f - step, f, f + step]))[:, 0]
        assert (at - before) / step == pytest.approx(SLOPES[k], abs=FORWARD)
        assert (after - at) / step == pytest.approx(SLOPES[k], abs=FORWARD)


def test_the_default_reach_is_a_third_and_ends_have_none() -> None:
    into, out = reaches(make_keys(FRAMES, VALUES, SLOPES))
    assert into.tolist() == [0, 10 / 3, 2, 14 / 3]
    assert out.tolist() == [10 / 3, 2, 14 / 3, 0]


def test_a_reach_longer_than_its_segment_is_clipped_to_it_and_named() -> None:
    keys = with_reach(incoming=25.0, outgoing=10.5)
    into, out = reaches(keys)
    assert (into[1], out[0]) == (10.0, 10.0)
    assert clipped_reaches(keys) == [0, 1]
    at = np.linspace(0, 10, 41)
    assert np.array_equal(evaluate(keys, at), evaluate(with_reach(10.0, 10.0), at))


def test_overlapping_reaches_stay_as_they_are() -> None:
    keys = with_reach(8.0, 7.0)
    assert clipped_reaches(keys) == []
    into, out = reaches(keys)
    assert (into[1], out[0]) == (8.0, 7.0)


@pytest.mark.parametrize(
    "reach", [(8.0, 7.0), (10.0, 10.0), (0.0, 10.0), (10.0, 0.0), (0.0, 0.0), (40.0, 40.0)]
)
def test_no_reach_folds_the_curve(reach: tuple[float, float]) -> None:
    """However far two reaches overlap, the parameter rises with the frame, so each frame has one value."""
    into, out = reaches(with_reach(*reach))
    t = np.linspace(0, 1, 2001)
    a, b = np.full_like(t, out[0] / 10), np.full_like(t, into[1] / 10)
    u = bezier_parameter(t, a, b)
    assert np.all(np.diff(u) > 0)
    back = 3 * u * (1 - u) ** 2 * a + 3 * u**2 * (1 - u) * (1 - b) + u**3
    assert back == pytest.approx(t, abs=CURVE)
    assert (u[0], u[-1]) == (0.0, 1.0)


def test_the_longest_reaches_touch_the_vertical_but_do_not_turn_back() -> None:
    """a = b = 1: x(u) = 3u - 6u^2 + 4u^3, and x'(u) = 3 (1 - 2u)^2 is 0 at u = 1/2 only."""
    u = bezier_parameter(np.array([0.5]), np.array([1.0]), np.array([1.0]))
    assert u[0] == pytest.approx(0.5, abs=CURVE)


def test_hold_and_line_segments() -> None:
    keys = make_keys([0, 10, 20], [1, 5, 3], [9, 9, 9], segment=[Segment.HOLD, Segment.LINE, Segment.CURVE])
    at = np.array([-5.0, 0.0, 9.999, 10.0, 12.5, 20.0, 99.0])
    assert evaluate(keys, at)[:, 0].tolist() == [1, 1, 1, 5, 4.5, 3, 3]


def test_one_key_holds_everywhere() -> None:
    assert evaluate(make_keys([7], [2.5], [4]), np.array([-100.0, 7.0, 100.0]))[:, 0].tolist() == [2.5] * 3


@given(any_keys(), st.integers(0, 14), st.floats(-10, 10))
@settings(max_examples=60, deadline=None, derandomize=True)
@pytest.mark.property
def test_values_are_linear_in_values_and_slopes(keys: Keys, at: int, change: float) -> None:
    """The promise that every constraint on a keyed channel is built on."""
    frames = np.linspace(keys.frames[0] - 2, keys.frames[-1] + 2, 57)
    x = unknowns(keys).copy()
    column = at % len(x)
    x[column] += change
    moved = evaluate(with_unknowns(keys, x), frames)
    by_matrix = evaluate(keys, frames) + sample_matrix(keys, frames).dense()[:, [column]] * change
    scale = 1 + np.abs(x).max() * (1 + np.ptp(keys.frames))
    assert moved == pytest.approx(by_matrix, abs=CURVE * scale)


def test_unknowns_and_back() -> None:
    keys = make_keys(FRAMES, VALUES, SLOPES, [1, 2, 3, 4])
    assert with_unknowns(keys, unknowns(keys)) == keys
    assert unknowns(keys)[3:6, 0].tolist() == [4.0, -0.3, 2.0]


def test_baked_channels_are_read_at_whole_frames_and_hold_outside() -> None:
    shot = two_part_shot()
    baked = bake(Channel("rotation.x", make_keys(FRAMES, VALUES, SLOPES)), shot)
    assert baked.samples is not None
    assert baked.samples.shape == (161, 1)
    at = np.array([-3.0, 0.0, 10.0, 160.0, 500.0])
    assert sample(baked, shot, at)[:, 0].tolist() == [1.0, 1.0, 4.0, 3.0, 3.0]

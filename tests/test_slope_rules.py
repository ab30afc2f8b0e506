"""Slopes by rule as matrices, where curves are cut, contexts and units of keys."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from refine.curve import evaluate
from refine.shot import Array, Keys, Segment, make_keys
from refine.slope_rules import (
    CHORD,
    END,
    EXTREME,
    INSIDE,
    NATURAL,
    contexts,
    judged,
    neighbour_prediction,
    ruled,
    rules,
    units,
)
from tests.hand_made import key_frames, keyed, wave
from tests.tolerances import RULE

FRAMES = key_frames()
VALUES = wave(FRAMES)


def with_segments(corner: int | None = None, **kinds: Segment) -> Keys:
    """The wave with a corner and with segments of other kinds, named as s5=Segment.HOLD."""
    segment = np.full(len(FRAMES), Segment.CURVE)
    for name, kind in kinds.items():
        segment[int(name[1:])] = kind
    corners = np.arange(len(FRAMES)) == (-1 if corner is None else corner)
    return make_keys(FRAMES, VALUES, np.zeros(len(FRAMES)), corner=corners, segment=segment)


def natural(first: int, last: int) -> Array:
    """Slopes of scipy's natural spline through keys first to last [lib]."""
    f, v = FRAMES[first : last + 1], VALUES[first : last + 1]
    return np.asarray(CubicSpline(f, v, bc_type="natural")(f, 1))


def test_the_natural_rule_is_scipys_natural_spline() -> None:
    found = rules(make_keys(FRAMES, VALUES, np.zeros(len(FRAMES)))).slopes(VALUES[:, None])[NATURAL, :, 0]
    assert found == pytest.approx(natural(0, len(FRAMES) - 1), abs=RULE)


def test_the_chord_rule_is_the_chord_between_neighbours() -> None:
    found = rules(make_keys(FRAMES, VALUES, np.zeros(len(FRAMES)))).slopes(VALUES[:, None])[CHORD, :, 0]
    inner = (VALUES[2:] - VALUES[:-2]) / (FRAMES[2:] - FRAMES[:-2])
    ends = np.diff(VALUES)[[0, -1]] / np.diff(FRAMES)[[0, -1]]
    assert found[1:-1] == pytest.approx(inner, abs=RULE)
    assert found[[0, -1]] == pytest.approx(ends, abs=RULE)


def test_four_components_are_ruled_one_by_one() -> None:
    values = np.column_stack([wave(FRAMES, voice) for voice in range(4)])
    rule = rules(make_keys(FRAMES, values, np.zeros_like(values)))
    expected = CubicSpline(FRAMES, values, bc_type="natural")(FRAMES, 1)
    assert rule.slopes(values)[NATURAL] == pytest.approx(expected, abs=RULE)


@pytest.mark.parametrize(
    "keys", [with_segments(corner=7), with_segments(s7=Segment.HOLD), with_segments(s7=Segment.LINE)]
)
def test_curves_are_cut_at_corners_holds_and_lines(keys: Keys) -> None:
    """Each stretch has the natural spline of its own keys; a value beyond the cut has no say."""
    slopes = rules(keys).slopes(keys.values)[:, :, 0]
    end = len(FRAMES) - 1
    corner = bool(keys.corner[7])
    assert slopes[NATURAL, :7] == pytest.approx(natural(0, 7)[:7], abs=RULE)
    after = natural(7, end)[1:] if corner else natural(8, end)
    assert slopes[NATURAL, 8:] == pytest.approx(after, abs=RULE)
    far = keys.changed(values=keys.values + 100.0 * (np.arange(end + 1) > 7 + (not corner))[:, None])
    assert rules(far).slopes(far.values)[:, :7, 0] == pytest.approx(slopes[:, :7], abs=RULE)


def test_only_keys_between_two_curves_are_judged_and_corners_are_not() -> None:
    judged = rules(with_segments(3, s7=Segment.HOLD)).judged
    assert np.flatnonzero(~judged).tolist() == [3, 7, 8]
    assert not rules(make_keys([0, 5], [1, 2], [0, 0])).judged.any()


def test_contexts() -> None:
    values = np.array([0.0, 1, 3, 2, 2, 5, 4])[:, None]
    expected = [END, INSIDE, EXTREME, EXTREME, EXTREME, EXTREME, END]
    assert contexts(values).tolist() == expected
    turned = np.array([[0, 0, 0, 1], [0.1, 0, 0, 1], [0.1, 0.1, 0, 1], [0.0, 0.1, 0, 1.0]])
    assert contexts(turned).tolist() == [END, EXTREME, EXTREME, END]  # right angles turn back, by convention


def test_units_are_local_range_over_local_distance() -> None:
    keys = make_keys([0, 4, 8, 12, 20], [0, 1, 5, 2, 2], np.zeros(5))
    local, unit = units(keys)
    assert local.tolist() == [5, 5, 5, 4, 3]
    assert unit.tolist() == [5 / 4, 5 / 4, 5 / 4, 4 / np.gradient(keys.frames)[3], 3 / 8]


def test_predictions_pass_through_cubics_exactly() -> None:
    """The cubic through two neighbours on each side: exact for cubics, fewer neighbours at the ends."""
    matrix = neighbour_prediction(FRAMES)
    t = FRAMES / 50.0
    cubic = 3 * t**3 - 2 * t**2 + t - 7
    assert (matrix @ cubic)[2:-2] == pytest.approx(cubic[2:-2], abs=RULE)
    assert (matrix @ t)[[0, -1]] == pytest.approx(t[[0, -1]], abs=RULE)  # two neighbours on one side: a line
    assert np.diag(matrix).tolist() == [0.0] * len(FRAMES)


def test_slopes_between_the_next_frames_follow_rules_and_show_nothing() -> None:
    frames = np.array([0.0, 6.0, 7.0, 8.0, 9.0, 15.0, 21.0])
    keys = keyed("natural", frames, wave(frames))
    assert ruled(keys).tolist() == [True] * 7
    assert judged(keys).tolist() == [True, True, False, False, True, True, True]
    alike = keys.changed(
        incoming=keys.incoming + 9.0 * ~judged(keys)[:, None],
        outgoing=keys.outgoing + 9.0 * ~judged(keys)[:, None],
    )
    np.testing.assert_array_equal(evaluate(alike, np.arange(22.0)), evaluate(keys, np.arange(22.0)))

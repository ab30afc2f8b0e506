"""The slope habit: rules as matrices, where curves are cut, what is learnt of shares and of strange slopes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from benchmarks.corpus import RULES, Rule, keyed_shot
from refine.habit import (
    CHORD,
    END,
    EXTREME,
    INSIDE,
    NATURAL,
    ZERO,
    HabitBook,
    contexts,
    moving,
    neighbour_prediction,
    rules,
    units,
)
from refine.shot import Array, Channel, Keys, Segment, Shot, make_keys
from tests.hand_made import RANGE, faulty, key_frames, keys_of, two_part_shot, wave, with_keys
from tests.open_clips import clip_or_skip
from tests.tolerances import FOLLOWED, RULE

FRAMES = key_frames()
VALUES = wave(FRAMES)
POSITION = {"natural": NATURAL, "chord": CHORD, "flat": ZERO}


@pytest.fixture(scope="module")
def clip() -> str:
    """The name of an open clip, once its file is there."""
    clip_or_skip("01_01")
    return "01_01"


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


@pytest.mark.parametrize("rule", RULES)
def test_the_rule_of_a_shot_is_learnt(clip: str, rule: Rule) -> None:
    """On shots made from captured motion, outside the range only: shares, how strictly, how many keys."""
    shot = keyed_shot(clip, 3, rule)
    habit = HabitBook(shot, (60, 90)).shot_habit
    inside, extreme = habit.shares[INSIDE], habit.shares[EXTREME]
    if rule == "flat":  # flat at extremes, the chord between them
        assert (np.argmax(inside), np.argmax(extreme)) == (CHORD, ZERO)
    else:
        assert np.argmax(inside) == np.argmax(extreme) == POSITION[rule]
    assert min(inside.max(), extreme.max()) > FOLLOWED
    assert habit.shares.sum(axis=1) == pytest.approx(np.ones(3))


def test_slopes_set_by_hand_are_learnt_too(clip: str) -> None:
    """A third of the slopes scaled by 0.8 to 1.2: the share by hand is seen, the rule still leads."""
    plain = HabitBook(keyed_shot(clip, 3, "natural"), (60, 90)).shot_habit
    by_hand = HabitBook(keyed_shot(clip, 3, "natural", handmade=0.33), (60, 90)).shot_habit
    assert by_hand.shares[INSIDE, 3] > 0.15 > plain.shares[INSIDE, 3]
    assert by_hand.rule(INSIDE) == by_hand.rule(EXTREME) == NATURAL
    assert "the natural spline" in str(by_hand)


def test_channels_of_a_mixed_shot_have_habits_of_their_own() -> None:
    shot = two_part_shot("natural")
    chord = two_part_shot("chord")
    shot = with_keys(shot, "arm", "rotation.y", keys_of(chord, "arm", "rotation.y"))
    book = HabitBook(shot, RANGE)
    assert book.habit("arm", "rotation.y").rule(INSIDE) == CHORD
    assert book.habit("arm", "rotation.z").rule(INSIDE) == NATURAL
    assert book.shot_habit.rule(INSIDE) == NATURAL


def test_a_slope_that_breaks_the_habit_near_the_range_is_strange() -> None:
    shot = two_part_shot("natural")
    assert not any(
        HabitBook(shot, RANGE).strange(c.name, ch.name) for c in shot.controls for ch in c.channels
    )
    spoilt = faulty(shot, "arm", "rotation.z", slopes={11: 0.5})
    book = HabitBook(spoilt, RANGE)
    assert [ch.name for ch in spoilt.controls[1].channels if book.strange("arm", ch.name)] == ["rotation.z"]
    far_off = faulty(shot, "arm", "rotation.z", slopes={len(keys_of(shot, "arm", "rotation.z")) - 2: 0.5})
    assert not HabitBook(far_off, RANGE).strange("arm", "rotation.z")


@pytest.mark.parametrize("rule", RULES)
def test_slopes_that_follow_no_rule_are_fitted_ones(rule: Rule) -> None:
    def fitted(turned: Array) -> bool:
        shot = two_part_shot(rule)
        for control in shot.controls:
            for channel in control.channels:
                keys = keys_of(shot, control.name, channel.name)
                slopes = keys.outgoing + 0.3 * np.resize(turned, (len(keys), 1))
                shot = with_keys(
                    shot, control.name, channel.name, keys.changed(incoming=slopes, outgoing=slopes)
                )
        return HabitBook(shot, RANGE).shot_habit.fitted

    assert not fitted(np.zeros(1))
    assert not fitted(np.array([0.0, 0, 0, 1]))
    assert fitted(np.array([1.0, -0.6, 0.4, -1.2, 0.7]))


def test_the_range_itself_is_no_witness() -> None:
    """Wrecked slopes inside the range leave the habit as it is; the same outside change it."""
    shot = two_part_shot("chord")

    def wrecked(shot: Shot, inside: bool) -> Shot:
        for control in shot.controls:
            for channel in control.channels:
                keys = keys_of(shot, control.name, channel.name)
                at = (keys.frames >= RANGE[0]) & (keys.frames <= RANGE[1])
                off = np.where(at == inside, 0.3 * (-1.0) ** np.arange(len(keys)), 0.0)[:, None]
                slopes = keys.outgoing + off
                shot = with_keys(
                    shot, control.name, channel.name, keys.changed(incoming=slopes, outgoing=slopes)
                )
        return shot

    clean = HabitBook(shot, RANGE).shot_habit
    assert np.array_equal(HabitBook(wrecked(shot, True), RANGE).shot_habit.shares, clean.shares)
    assert not np.array_equal(HabitBook(wrecked(shot, False), RANGE).shot_habit.shares, clean.shares)


def test_a_shot_with_hardly_a_key_outside_the_range_learns_from_the_range() -> None:
    shot = two_part_shot("chord")
    habit = HabitBook(shot, (1, 159)).shot_habit
    assert habit.keys > 40
    assert habit.rule(INSIDE) == CHORD


def test_what_does_not_move_is_not_asked() -> None:
    assert not moving(Channel("rotation.x", make_keys([0, 5], [1, 2], [0, 0])))
    assert not moving(Channel("rotation.x", make_keys([0, 5, 9], [2, 2, 2], [0, 1, 0])))
    assert moving(Channel("rotation.x", make_keys([0, 5, 9], [2, 2, 3], [0, 1, 0])))
    still = replace(two_part_shot(), controls=())
    assert HabitBook(still, RANGE).shot_habit.keys == 0

"""The slope habit: what is learnt of shares and of strange slopes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule, keyed_shot
from refine.habit import HabitBook, moving
from refine.shot import Array, Channel, Shot, make_keys
from refine.slope_rules import CHORD, EXTREME, INSIDE, NATURAL, ZERO
from tests.hand_made import RANGE, faulty, keys_of, two_part_shot, with_keys
from tests.open_clips import clip_or_skip
from tests.tolerances import FOLLOWED

POSITION = {"natural": NATURAL, "chord": CHORD, "flat": ZERO}


@pytest.fixture(scope="module")
def clip() -> str:
    """The name of an open clip, once its file is there."""
    clip_or_skip("01_01")
    return "01_01"


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

"""Keys that stand between frames are judged as they were set: told apart by the slopes around, or left as they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule
from benchmarks.planted.planted import inserted
from refine.habit import HabitBook
from refine.key_rows import only
from refine.settled import Settled, settled
from refine.shot import Array, Keys, Shot
from tests.flags.tolerances import SAME_SHAPE
from tests.hand_made import ARM_Z, RANGE, key_frames, keyed, keys_of, two_part_shot, wave, with_keys

K = 8  # a key in the middle
MANY = (2, 3, 4, 7, 8, 12, 15, 16, 20, 22)  # some of them side by side
RNG = np.random.default_rng(7)
BY = RNG.choice([-1.0, 1.0], len(MANY)) * RNG.uniform(0.05, 0.45, len(MANY))  # frames


def sound(rule: Rule) -> Keys:
    return keyed(rule, key_frames(), wave(key_frames()))


def along(keys: Keys, at: tuple[int, ...], by: Array) -> Keys:
    """Some keys moved along their curve."""
    moved = inserted(keys, keys.frames[list(at)] + by)
    return only(moved, ~np.isin(moved.frames, keys.frames[list(at)]))


def in_time(keys: Keys, at: tuple[int, ...], by: Array) -> Keys:
    """Some keys moved in time, their values and slopes with them."""
    frames = keys.frames.copy()
    frames[list(at)] += by
    return keys.changed(frames=frames)


def assert_as_set(found: Settled, keys: Keys) -> None:
    assert found.keys.frames.tolist() == keys.frames.tolist()
    assert np.abs(found.keys.values - keys.values).max() < SAME_SHAPE
    assert np.abs(found.keys.outgoing - keys.outgoing).max() < SAME_SHAPE


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("by", [0.05, 0.4, -0.3])
def test_a_key_that_went_along_its_curve_is_seen_where_it_was_set(rule: Rule, by: float) -> None:
    keys = sound(rule)
    found = settled(along(keys, (K,), np.array([by])))
    assert_as_set(found, keys)
    assert np.flatnonzero(found.touched).tolist() == [K]


@pytest.mark.parametrize("rule", RULES)
def test_many_keys_that_went_along_their_curve_are_seen_where_they_were_set(rule: Rule) -> None:
    keys = sound(rule)
    found = settled(along(keys, MANY, BY))
    assert_as_set(found, keys)
    assert np.flatnonzero(found.touched).tolist() == list(MANY)


@pytest.mark.parametrize("rule", ["natural", "chord"])
def test_keys_that_were_moved_in_time_alone_keep_their_values(rule: Rule) -> None:
    """By flat slopes there may be nothing that tells: a flat key between flat ones follows its rule on any frame."""
    keys = sound(rule)
    moved = in_time(keys, MANY, BY)
    found = settled(moved)
    assert found.keys.frames.tolist() == keys.frames.tolist()
    assert np.array_equal(found.keys.values, keys.values)
    assert found.told[list(MANY)].all()


@pytest.mark.parametrize("rule", ["chord", "flat"])
def test_of_a_doubled_key_the_one_on_the_frame_is_seen(rule: Rule) -> None:
    """A natural spline is the same through more of its points: there the slopes are right as they are."""
    keys = sound(rule)
    found = settled(inserted(keys, keys.frames[list(MANY)] + BY))
    assert_as_set(found, keys)
    assert np.flatnonzero(found.touched).tolist() == list(MANY)


@pytest.mark.parametrize("rule", RULES)
def test_a_channel_that_was_scaled_in_time_is_right_as_it_is(rule: Rule) -> None:
    keys, by = sound(rule), 24 / 25
    scaled = keys.changed(frames=keys.frames * by, incoming=keys.incoming / by, outgoing=keys.outgoing / by)
    found = settled(scaled)
    assert found.keys == scaled
    assert not found.touched.any()


def test_slopes_that_follow_no_rule_tell_nothing() -> None:
    keys = sound("natural")
    slopes = keys.outgoing * np.random.default_rng(3).uniform(0.5, 1.5, keys.outgoing.shape)
    found = settled(along(keys.changed(incoming=slopes, outgoing=slopes), MANY, BY))
    assert not found.told.any()


def test_an_edit_is_carried_over_to_keys_that_stand_elsewhere() -> None:
    keys = sound("chord")
    own = along(keys, MANY, BY)
    twice = inserted(own, np.array([own.frames[10] + 0.25]))
    found = settled(twice)
    values, place = found.keys.values.copy(), int(np.flatnonzero(found.at == 5)[0])
    values[place] += 3.0
    after = found.carried_over(twice, found.keys.changed(values=values))
    assert after.frames.tolist() == twice.frames.tolist()
    assert np.flatnonzero(after.values != twice.values).tolist() == [5]
    assert after.values[5, 0] == pytest.approx(twice.values[5, 0] + 3.0)


@pytest.mark.parametrize("rule", RULES)
def test_no_slope_of_a_sound_shot_breaks_the_habit_because_keys_stand_between_frames(rule: Rule) -> None:
    shot = two_part_shot(rule)
    off = with_keys(shot, *ARM_Z, along(keys_of(shot, *ARM_Z), MANY, BY))
    assert not HabitBook(off, RANGE).strange(*ARM_Z)
    assert shares(off) == pytest.approx(shares(shot), abs=1e-9)


def shares(shot: Shot) -> list[float]:
    return [float(share) for share in HabitBook(replace(shot), RANGE).habit(*ARM_Z).shares.ravel()]

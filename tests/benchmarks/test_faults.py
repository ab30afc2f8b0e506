"""Faults are what they say, and a cure is scored by how much of one it gives back."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from benchmarks import quality
from benchmarks.corpus import HABITS, figure_height, keyed_shot, screen_move, slopes_by
from benchmarks.faults import KINDS, SIZES, VISIBLE, Fault, Kind, injected, local_range, recovery
from refine.curve import evaluate
from refine.shot import Array, Channel, Keys, Shot
from tests.benchmarks.tolerances import BETWEEN_SAMPLES, SHARE


def keys_of(shot: Shot, fault: Fault) -> Keys:
    channel = shot.control(fault.control).channel(fault.channel)
    assert channel is not None
    assert channel.keys is not None
    return channel.keys


@lru_cache
def cases(clip: str, kind: Kind) -> list[tuple[Shot, Shot, Fault]]:
    found = []
    for seed, size in enumerate(SIZES * 2):
        clean = keyed_shot(clip, seed, HABITS[seed % len(HABITS)])
        found.append((clean, *injected(clean, seed, kind, size)))
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_is_in_one_channel_and_seen_and_inside_its_range(kind: Kind, clip: str) -> None:
    for clean, faulty, fault in cases(clip, kind):
        assert list(quality.changed_keys(clean, faulty)) == [(fault.control, fault.channel)]
        assert screen_move(clean, faulty, clean.frames) >= VISIBLE
        keys, (a, b) = keys_of(faulty, fault), fault.flagged
        assert tuple(keys.frames[list(fault.keys)]) == fault.frames
        assert a <= keys.frames[fault.keys[0] - 2]
        assert keys.frames[fault.keys[-1] + 2] <= b
        assert 4 + len(fault.keys) <= np.sum((keys.frames >= a) & (keys.frames <= b)) <= 8 + len(fault.keys)


def test_a_value_fault_moves_one_value_and_no_slope(clip: str) -> None:
    for clean, faulty, fault in cases(clip, "value"):
        before, after = keys_of(clean, fault), keys_of(faulty, fault)
        moved = (after.values - before.values)[:, 0]
        assert np.flatnonzero(moved).tolist() == list(fault.keys)
        share = np.abs(moved[fault.keys[0]]) / local_range(before, fault.frames[0])
        assert share == pytest.approx(fault.size, rel=SHARE)
        assert np.array_equal(before.incoming, after.incoming)
        assert np.array_equal(before.outgoing, after.outgoing)


def test_a_resloped_fault_obeys_the_habit_around_the_key(clip: str) -> None:
    for habit in ("natural", "chord", "flat"):
        clean = keyed_shot(clip, 2, habit)
        faulty, fault = injected(clean, 2, "value_reslope", 0.4)
        before, after = keys_of(clean, fault), keys_of(faulty, fault)
        (k,) = fault.keys
        assert np.flatnonzero(after.values != before.values).tolist() == [k]
        wanted = slopes_by(habit, after.frames, after.values[:, 0])
        around = slice(k - 1, k + 2)
        assert after.incoming[around, 0] == pytest.approx(wanted[around], rel=SHARE)
        others = np.delete(np.arange(len(after)), [k - 1, k, k + 1])
        assert np.array_equal(after.incoming[others], before.incoming[others])


def test_a_slope_fault_lifts_the_curve_by_half_its_size(clip: str) -> None:
    for clean, faulty, fault in cases(clip, "slope"):
        before, after = keys_of(clean, fault), keys_of(faulty, fault)
        assert np.array_equal(before.values, after.values)
        assert np.flatnonzero(after.incoming != before.incoming).tolist() == list(fault.keys)
        assert np.array_equal(after.incoming, after.outgoing)
        fine = np.arange(before.frames[0], before.frames[-1], 1 / 64)
        lift = np.abs(evaluate(after, fine) - evaluate(before, fine)).max()
        assert lift / local_range(before, fault.frames[0]) == pytest.approx(
            fault.size / 2, rel=BETWEEN_SAMPLES
        )


def test_a_zigzag_moves_neighbours_to_alternating_sides(clip: str) -> None:
    for clean, faulty, fault in cases(clip, "zigzag"):
        before, after = keys_of(clean, fault), keys_of(faulty, fault)
        moved = (after.values - before.values)[:, 0]
        at = list(fault.keys)
        assert np.flatnonzero(moved).tolist() == at == list(range(at[0], at[-1] + 1))
        assert 3 <= len(at) <= 5
        assert np.all(moved[at][1:] * moved[at][:-1] < 0)
        share = np.abs(moved[at]) / local_range(before, float(np.mean(fault.frames))) / fault.size * 2
        assert np.all((share > 0.7 - SHARE) & (share < 1.3 + SHARE))
        assert np.array_equal(before.incoming, after.incoming)


# --- measures --------------------------------------------------------------------------------------------


def with_values(shot: Shot, fault: Fault, step: Array) -> Shot:
    keys = keys_of(shot, fault)
    channel = Channel(fault.channel, keys.changed(values=keys.values + step[:, None]))
    return shot.with_channel(fault.control, channel)


@pytest.mark.parametrize("kind", KINDS)
def test_a_full_cure_is_right_and_scores_one(kind: Kind, clip: str) -> None:
    for clean, faulty, fault in cases(clip, kind):
        assert recovery(clean, faulty, clean, fault) == 1.0
        assert recovery(clean, faulty, faulty, fault) == 0.0
        assert quality.is_right(faulty, clean, fault)
        assert not quality.is_right(faulty, faulty, fault)


def test_half_and_double_the_fault_score_a_half_and_minus_one(clip: str) -> None:
    for clean, faulty, fault in cases(clip, "value"):
        step = (keys_of(faulty, fault).values - keys_of(clean, fault).values)[:, 0]
        half, double = with_values(faulty, fault, -step / 2), with_values(faulty, fault, step)
        assert recovery(clean, faulty, half, fault) == pytest.approx(0.5, rel=SHARE)
        assert recovery(clean, faulty, double, fault) == pytest.approx(-1.0, rel=SHARE)


def test_a_cure_that_touches_another_key_or_visibly_another_channel_is_not_right(clip: str) -> None:
    clean = keyed_shot(clip, 0, "natural")
    faulty, fault = injected(clean, 0, "value", 0.4)
    step = np.zeros(len(keys_of(clean, fault)))
    step[fault.keys[0] + 1] = 0.1
    assert not quality.is_right(faulty, with_values(clean, fault, step), fault)
    other = replace(fault, control="Hips", channel="translation.y")
    assert (fault.control, fault.channel) != (other.control, other.channel)
    lift = np.ones(len(keys_of(clean, other)))
    height = figure_height(clean)
    assert quality.is_right(faulty, with_values(clean, other, lift * height * 1e-5), fault)
    assert not quality.is_right(faulty, with_values(clean, other, lift * height * 1e-2), fault)

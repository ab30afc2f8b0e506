"""A part that comes some frames later: what stays takes the difference up by and by, slopes keep to their rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.curve import evaluate
from refine.flags.check import stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.retime import RAMP, later
from refine.shot import Array, Channel, Control, Keys, Pin, Shot, make_keys
from refine.slope_rules import deviations, rules, slopes_by_rule, units
from tests.flags.test_body import found
from tests.flags.tolerances import SAME_SLOPE
from tests.flags.weights import figure
from tests.tolerances import DERIVATIVE_STEP

GAPS = (3, 14)  # frames between keys of a splined shot [prac]
QUICKER = 5 / 3  # times as fast as it was: five frames that become three, where whole frames don't allow four


def splined(seed: int, at: Array) -> Keys:
    """Keys on some frames with slopes by the natural spline."""
    values = np.random.default_rng(seed).normal(0.0, 20.0, (len(at), 1))
    flat = make_keys(at, values, np.zeros_like(values))
    slopes = slopes_by_rule(flat, values)[0]
    return flat.changed(incoming=slopes, outgoing=slopes)


def some_frames(seed: int, last: float) -> Array:
    gaps = np.random.default_rng(seed).integers(GAPS[0], GAPS[1] + 1, 60)
    at = np.cumsum([0, *gaps]).astype(float)
    return np.append(at[at < last - GAPS[0]], last)


def keyed(seed: int, by_hand: float = 0.0) -> Shot:
    """A control with some thirty keys, natural slopes, or slopes off them by so many deg a frame."""
    rng = np.random.default_rng([seed, 1])
    keys = splined(seed, some_frames(seed, 250.0))
    slopes = keys.outgoing + by_hand * rng.normal(size=keys.outgoing.shape)
    channel = Channel("rotation.z", keys.changed(incoming=slopes, outgoing=slopes))
    return Shot("arm", 24.0, 0, 250, (Control("arm", channels=(channel,), tip=(0.0, -0.5, 0.0)),))


def keys_of(shot: Shot | None) -> Keys:
    assert shot is not None
    keys = shot.controls[0].channels[0].keys
    assert keys is not None
    return keys


def moved(shot: Shot, by: int, first: int = 0, last: int | None = None) -> Keys:
    end = shot.last_frame if last is None else last
    return keys_of(later(stage_of(shot, Look()), "arm", (first, end), by))


@pytest.mark.parametrize("by", [-3, -2, -1, 1, 2, 3])
@pytest.mark.parametrize("seed", range(8))
def test_no_segment_near_what_stays_takes_up_all_of_the_difference(seed: int, by: int) -> None:
    shot = keyed(seed)
    old = keys_of(shot).frames
    for first, last in ((0, shot.last_frame), (int(old[8]), int(old[24]))):
        new = moved(shot, by, first, last).frames
        inside = (old >= first) & (old <= last) & (old > 0) & (old < old[-1])
        a, b = np.flatnonzero(inside)[[0, -1]]
        assert np.array_equal(new[~inside], old[~inside])
        assert np.array_equal(new, np.rint(new))
        far = inside & (np.minimum(old - old[a - 1], old[b + 1] - old) >= RAMP * abs(by))
        assert far.any()
        assert np.all(new[far] - old[far] == by)
        assert np.all(np.diff(old) / np.diff(new) <= QUICKER)


@pytest.mark.parametrize("by_hand", [0.0, 0.5])
def test_slopes_stay_as_near_to_their_rules_as_they_were(by_hand: float) -> None:
    old = keys_of(keyed(3, by_hand))
    new = moved(keyed(3, by_hand), 2)
    was, now = (deviations(rules(k), k.values, k.outgoing, units(k)[1]) for k in (old, new))
    assert np.abs(now - was).min(axis=0).max() < SAME_SLOPE
    assert (np.median(was.min(axis=0)) > 0.01) == bool(by_hand)
    assert np.array_equal(new.incoming, new.outgoing)


def test_a_corner_and_what_is_pinned_keep_their_slopes() -> None:
    shot = keyed(5)
    old = keys_of(shot)
    corner = old.corner.copy()
    corner[2] = True
    channel = replace(shot.controls[0].channels[0], keys=replace(old, corner=corner))
    new = moved(shot.with_channel("arm", channel), 2)
    assert new.outgoing[2] == old.outgoing[2]
    last = float(old.frames[-1])
    pinned = replace(shot, pins=(Pin("arm", None, (last, last)),))
    assert later(stage_of(pinned, Look()), "arm", (0, shot.last_frame), 2) is None


@pytest.mark.parametrize(("late", "seed"), [(0.07, 1), (0.07, 2), (0.33, 1), (0.33, 6)])
def test_a_part_in_step_is_mended_whose_slopes_follow_no_rule_of_the_shot(late: float, seed: int) -> None:
    """The forearm does what the upper arm does, a part of a frame later, on the same key frames."""
    channels, at = {}, some_frames(10 * seed, 240.0)
    for n, name in enumerate(f"rotation.{axis}" for axis in "xyz"):
        upper = channels["upper arm", name] = splined(10 * seed + n, at)
        value, ahead = (evaluate(upper, at - late + step) for step in (0.0, DERIVATIVE_STEP))
        channels["forearm", name] = make_keys(at, value, (ahead - value) / DERIVATIVE_STEP)
        for m, other in enumerate(("head", "spine", "thigh", "shin")):
            own = 1000 * seed + 10 * m + n
            channels[other, name] = splined(own, some_frames(own, 240.0))
    shot = figure(channels, 24.0, 240)
    (flag,) = (flag for flag in found(shot, "missing overlap") if flag.control == "forearm")
    result = mend(shot, Look(), [flag])
    assert [left.why for left in result.left] == []
    assert found(result.shot, "missing overlap") == []

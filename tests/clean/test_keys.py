"""Where keys stand and what they never do: extremes, limits between frames, the seam of a loop, the check of them."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.clean.clip import cleaned
from refine.clean.keys.fit import Lanes
from refine.clean.keys.limits import Limits as Bounds
from refine.clean.keys.place import placed
from refine.clean.keys.reduce import reduced
from refine.clean.settings import Amount, Settings
from refine.curve import evaluate
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.loops import FAULT
from refine.shot import QUATERNION, Array, Channel, Control, Keys, Limits, Shot, frozen
from tests.clean.shots import COUNT, looped, noisy, shot
from tests.clean.test_reduce import arm, farthest, swinging
from tests.clean.tolerances import SAME_DEVIATION
from tests.tolerances import ANGLE, WITHIN_LIMIT

FINE = 8  # places a frame at which a curve is looked at between frames


def keys_of(few: Shot) -> dict[tuple[str, str], Keys]:
    return {(c.name, ch.name): ch.keys for c in few.controls for ch in c.channels if ch.keys is not None}


# --- extremes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_what_turns_back_far_has_a_key_just_there(seed: int) -> None:
    """One hinge, so that what is lead and what is far needs no measuring: 0.3 m at 1 deg is 5.2 mm."""
    path = swinging(seed, bones=1, channels=1)
    few = reduced(arm(path, names=("rotation.x",)), Amount(2.0, "mm"))
    keys = keys_of(few)["bone 0", "rotation.x"].frames
    step = np.diff(path[:, 0, 0])
    turns = np.flatnonzero(step[1:] * step[:-1] < 0) + 1
    sides = np.abs(np.diff(path[np.concatenate([[0], turns, [len(path) - 1]]), 0, 0]))
    far = turns[np.minimum(sides[1:], sides[:-1]) > 10.0]  # deg, 26 times what is allowed
    assert len(far) >= 3
    assert np.isin(far, keys).all()


@pytest.mark.parametrize("fps", [24.0, 120.0])
def test_no_extreme_is_passed_by_more_than_is_allowed(fps: float) -> None:
    """Between frames too: the highest and lowest that the curve gets around a turn, in mm at 0.3 m."""
    t = np.arange(round(4 * fps)) / fps
    path = 40.0 * np.sin(2 * np.pi * 1.5 * t) * (1 + 0.3 * np.sin(2 * np.pi * 0.4 * t))
    few = reduced(arm(path[:, None, None], names=("rotation.x",), fps=fps), Amount(2.0, "mm"))
    keys = keys_of(few)["bone 0", "rotation.x"]
    at = np.linspace(0, len(t) - 1, FINE * len(t))
    curve = evaluate(keys, at)[:, 0]
    for a, b in zip(keys.frames[:-2], keys.frames[2:], strict=True):
        own, near = path[int(a) : int(b) + 1], curve[(at >= a) & (at <= b)]
        over = max(near.max() - own.max(), own.min() - near.min())
        assert 300.0 * np.deg2rad(over) < 2.0 * (1 + SAME_DEVIATION)


# --- limits ------------------------------------------------------------------------------------------------


def limited(values: Array, low: float, high: float) -> Shot:
    """An arm whose samples stop at its limits, as a cleaning leaves them."""
    free = arm(np.clip(values, low, high))
    controls = [
        replace(c, channels=tuple(replace(ch, limits=Limits(low, high)) for ch in c.channels))
        for c in free.controls
    ]
    return replace(free, controls=tuple(controls))


def highest(few: Shot) -> float:
    at = np.linspace(few.first_frame, few.last_frame, FINE * len(few.frames) + 1)
    return max(float(evaluate(keys, at).max()) for keys in keys_of(few).values())


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("size", [0.5, 5.0, 30.0])
def test_no_key_leads_past_a_limit(seed: int, size: float) -> None:
    bounded = limited(swinging(seed), -15.0, 12.0)
    few = reduced(bounded, Amount(size, "mm"))
    assert farthest(bounded, few, "mm") <= size * (1 + SAME_DEVIATION)
    assert highest(few) <= 12.0 + WITHIN_LIMIT
    free = replace(
        bounded,
        controls=tuple(
            replace(c, channels=tuple(replace(ch, limits=None) for ch in c.channels))
            for c in bounded.controls
        ),
    )
    assert highest(reduced(free, Amount(size, "mm"))) > 12.0 + 100 * WITHIN_LIMIT


def test_what_was_captured_past_its_limit_goes_no_farther() -> None:
    values = swinging(2)
    bounded = limited(values, -100.0, 100.0)
    top = float(values.max())
    tight = [
        replace(c, channels=tuple(replace(ch, limits=Limits(upper=5.0)) for ch in c.channels))
        for c in bounded.controls
    ]
    bounded = replace(bounded, controls=tuple(tight))
    few = reduced(bounded, Amount(5.0, "mm"))
    assert farthest(bounded, few, "mm") <= 5.0 * (1 + SAME_DEVIATION)
    assert highest(few) <= top + WITHIN_LIMIT


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6))
def test_held_curves_stay_within_their_bounds(seed: int) -> None:
    """Any keys, corners among them; looked at between frames by the Bezier formula."""
    rng = np.random.default_rng(seed)
    frames = 40
    values = np.cumsum(rng.normal(0, 1, (1, frames, 2)), axis=1)
    bounds = Bounds(np.minimum(values, -1.0), np.maximum(values, 1.0))
    inner = np.sort(rng.choice(np.arange(1, frames - 1), rng.integers(1, 12), replace=False))
    keys = np.concatenate([[0], inner, [frames - 1]])
    corner = rng.random(len(keys)) < 0.2
    into = rng.normal(0, 2, (len(keys), 2))
    out = np.where(corner[:, None], rng.normal(0, 2, into.shape), into)
    near = values[0, keys] + rng.normal(0, 1, into.shape)
    left = np.arange(len(keys) - 1)
    v, a, b = bounds.held((keys[:-1], keys[1:]), left, near, (into, out), corner)
    assert np.array_equal(a[~corner], b[~corner])
    u = np.linspace(0, 1, 33)[:, None]
    for k, (first, last) in enumerate(pairwise(keys)):
        h = (last - first) / 3.0
        points = v[k], v[k] + h * b[k], v[k + 1] - h * a[k + 1], v[k + 1]
        weights = (1 - u) ** 3, 3 * u * (1 - u) ** 2, 3 * u**2 * (1 - u), u**3
        curve = sum(w * p for w, p in zip(weights, points, strict=True))
        part = slice(first, last + 1)
        assert np.all(curve <= bounds.high[0, part].max(axis=0) + WITHIN_LIMIT)
        assert np.all(curve >= bounds.low[0, part].min(axis=0) - WITHIN_LIMIT)


# --- loops -------------------------------------------------------------------------------------------------


def seams(few: Shot) -> list[tuple[Array, Array]]:
    """Value and slope of the last key less those of the first."""
    found = []
    for keys in keys_of(few).values():
        assert keys.frames[0] == few.first_frame
        assert keys.frames[-1] == few.last_frame + 1
        found.append((keys.values[-1] - keys.values[0], keys.incoming[-1] - keys.outgoing[0]))
    return found


def test_the_ends_of_a_loop_are_one_key() -> None:
    around = shot({"hip": looped(1), "arm": looped(2)}, loop=True)
    few = reduced(around, Amount(5.0, "mm"))
    assert farthest(around, few, "mm") <= 5.0 * (1 + SAME_DEVIATION)
    assert all(np.abs(gap).max() < ANGLE and np.abs(jump).max() < ANGLE for gap, jump in seams(few))
    assert not [flag for flag in check(stage_of(few, Look())) if flag.fault == FAULT]
    apart = reduced(replace(around, loop=False), Amount(5.0, "mm"))
    assert max(keys.frames[-1] for keys in keys_of(apart).values()) == around.last_frame
    assert [flag for flag in check(stage_of(replace(apart, loop=True), Look())) if flag.fault == FAULT]


def test_a_spin_ends_whole_turns_farther() -> None:
    rows = looped(3)
    rows[0] = 360.0 * np.arange(COUNT) / COUNT + 5.0 * np.sin(2 * np.pi * np.arange(COUNT) / COUNT)
    few = reduced(shot({"wheel": rows}, loop=True), Amount(5.0, "mm"))
    gaps = [float(gap[0]) for gap, _ in seams(few)]
    assert sorted(round(gap) for gap in gaps) == [0, 0, 360]
    assert all(np.abs(jump).max() < ANGLE for _, jump in seams(few))


def test_a_loop_of_quaternions_closes_by_its_own_sign() -> None:
    """A whole turn in a loop comes back as the opposite quaternion, which is the same turn."""
    half = np.pi * np.arange(COUNT) / COUNT
    turn = np.stack([np.sin(half), 0 * half, 0 * half, np.cos(half)], axis=1)
    control = Control("ball", tip=(0, 0.3, 0), channels=(Channel(QUATERNION, samples=frozen(turn)),))
    ball = Shot("made", 30.0, 0, COUNT - 1, (control,), unit_stated=True, loop=True)
    few = reduced(ball, Amount(0.5, "deg"))
    keys = keys_of(few)["ball", QUATERNION]
    assert keys.values[-1] == pytest.approx(-keys.values[0], abs=ANGLE)
    assert keys.incoming[-1] == pytest.approx(-keys.outgoing[0], abs=ANGLE)
    assert len(keys) < COUNT / 4


# --- what is checked ---------------------------------------------------------------------------------------


def test_the_check_looks_at_the_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    looked: list[Shot] = []

    def noted(one: Shot, camera: str | None) -> tuple[tuple[int, int], tuple[str, ...]]:
        looked.append(one)
        return (3, 1), ("error  a foot slides",)

    monkeypatch.setattr("refine.clean.clip._flags", noted)
    rows = noisy(looped(1), 0.3, 1)
    result = cleaned(shot({"arm": rows}), Settings(check=True, within=Amount(5.0, "mm"), fps=30.0))
    assert looked == [result.shot]
    assert result.findings.flags == (3, 1)
    assert result.findings.flagged == ("error  a foot slides",)
    assert not any(channel.baked for control in result.shot.controls for channel in control.channels)
    assert result.shot.fps == 30.0


# --- lanes -------------------------------------------------------------------------------------------------


def test_lanes_are_placed_alike_alone_and_among_others() -> None:
    """Lanes that are done aren't fitted again with those that are not: it makes no difference to either."""
    rng = np.random.default_rng(4)
    values = np.cumsum(np.cumsum(rng.normal(0, 0.05, (5, 200, 3)), axis=1), axis=1)
    values[3] *= 20.0  # takes many more rounds
    none = np.zeros(values.shape[:2], np.bool_)
    gram = np.zeros((6, *none.shape))
    gram[[0, 3, 5]] = 1.0
    lanes = Lanes(
        values,
        np.gradient(values, axis=1),
        gram,
        np.ones(none.shape),
        *[none] * 5,
        (np.zeros(5, np.intp), np.zeros(5)),
    )
    even = none.copy()
    even[:, ::12] = True
    together, fitted = placed(lanes, even)
    for r in range(len(values)):
        rows = np.array([r])
        alone, own = placed(lanes.some(rows), even[rows])
        assert np.array_equal(alone[0], together[r])
        np.testing.assert_allclose(fitted.error.reshape(none.shape)[r], own.error, rtol=1e-6, atol=1e-9)
    assert fitted.error.max() <= 1.0

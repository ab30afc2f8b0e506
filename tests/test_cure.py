"""The cure: back to the artist's own setting, within pins and limits, part of the way, and smoother beyond it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import refine.cure
from benchmarks.corpus import RULES, Rule, slopes_by
from constraints.terms import Terms
from refine.cause import Explanation, explain
from refine.cure import Cured, Held, cured
from refine.curve import evaluate
from refine.errors import NoSolution
from refine.held import Locks
from refine.problem import Problem, build
from refine.rotation import vector_quaternion
from refine.shot import Array, Channel, Limits, Pin, Shot, make_keys
from refine.solve import Solution
from refine.suggest import Request, suggest
from refine.suggestion import applied
from tests.hand_made import (
    RANGE,
    every_sample,
    faulty,
    key_frames,
    keys_of,
    suspect_of,
    two_part_shot,
    wave,
)
from tests.tolerances import CURED, LIMIT, ROW

CONTROL, NAME = "arm", "rotation.x"
PEAK = 12  # the key at frame 74, where the channel turns back at 17.45 deg
AROUND = np.arange(RANGE[0] - 4.0, RANGE[1] + 5.0)


def cure_of(shot: Shot, control: str = CONTROL, name: str = NAME) -> tuple[Cured, Explanation]:
    """The cure of the likeliest explanation, with the shot's own pins and limits."""
    suspect = suspect_of(shot, control, name)
    best = explain(suspect, 5)[0]
    channel = shot.channel(control, name)
    held = Locks(shot, shot.pins, RANGE).held(control, channel, AROUND)
    return cured(shot, control, channel, suspect, best, AROUND, held), best


def limited(shot: Shot, limits: Limits) -> Shot:
    return shot.with_channel(CONTROL, replace(shot.channel(CONTROL, NAME), limits=limits))


def fine(shot: Shot) -> tuple[Array, Array]:
    """Values and slopes of the channel at 100 places a frame around the peak."""
    at = np.arange(60.0, 84.0, 0.01) + 0.003
    keys = keys_of(shot, CONTROL, NAME)
    step = 1e-5
    return evaluate(keys, at)[:, 0], (evaluate(keys, at + step) - evaluate(keys, at - step))[:, 0] / (
        2 * step
    )


# --- back to the artist's setting ----------------------------------------------------------------------------


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(
    ("values", "slopes"),
    [({11: 3.0}, {}), ({}, {11: 0.8}), ({11: 3.0}, {11: 0.8}), ({10: 2.0, 11: -2.5, 12: 2.2}, {})],
)
def test_the_own_setting_comes_back_to_the_digit(
    rule: Rule, values: dict[int, float], slopes: dict[int, float]
) -> None:
    clean = two_part_shot(rule)
    result, _ = cure_of(faulty(clean, "arm", "rotation.z", values, slopes), "arm", "rotation.z")
    old, new = keys_of(clean, "arm", "rotation.z"), keys_of(result.shot, "arm", "rotation.z")
    assert new.values == pytest.approx(old.values, abs=CURED)
    assert new.outgoing == pytest.approx(old.outgoing, abs=CURED)
    assert new.incoming == pytest.approx(old.incoming, abs=CURED)


def test_keys_that_no_rule_explains_have_no_say() -> None:
    """A neighbour set by hand, far off every rule, doesn't pull the cure."""
    by_hand = faulty(two_part_shot(), CONTROL, NAME, slopes={9: 1.5})
    assert RANGE[0] <= keys_of(by_hand, CONTROL, NAME).frames[9]
    shot = faulty(by_hand, CONTROL, NAME, {13: 3.0})
    suspect = suspect_of(shot, CONTROL, NAME)
    best = next(e for e in explain(suspect, 5) if e.keys == (13,) and e.kind == "value")
    result = cured(shot, CONTROL, shot.channel(CONTROL, NAME), suspect, best, AROUND, Held())
    assert keys_of(result.shot, CONTROL, NAME).values == pytest.approx(
        keys_of(by_hand, CONTROL, NAME).values, abs=CURED
    )


def test_quaternion_keys_stay_unit_length() -> None:
    frames = key_frames(3)
    turns = np.column_stack([3 * wave(frames, 5), 2 * wave(frames, 6), wave(frames)])
    clean = vector_quaternion(np.deg2rad(turns))
    values = clean.copy()
    values[11] += [0.06, -0.05, 0.0, 0.02]
    values[11] /= np.linalg.norm(values[11])
    slopes = np.column_stack([slopes_by("natural", frames, clean[:, i]) for i in range(4)])
    shot = two_part_shot()
    arm = replace(shot.controls[1], channels=(Channel("rotation", make_keys(frames, values, slopes)),))
    shot = replace(shot, controls=(shot.controls[0], arm))
    result, best = cure_of(shot, "arm", "rotation")
    new = keys_of(result.shot, "arm", "rotation")
    assert best.keys == (11,)
    assert np.linalg.norm(new.values, axis=1) == pytest.approx(np.ones(len(frames)), abs=ROW)
    assert new.values == pytest.approx(clean, abs=CURED)


# --- limits --------------------------------------------------------------------------------------------------


def polygon(shot: Shot) -> float:
    """Highest Bezier control value of the two segments beside the peak."""
    keys = keys_of(shot, CONTROL, NAME)
    f, v, slope = keys.frames, keys.values[:, 0], keys.outgoing[:, 0]
    third = np.diff(f) / 3
    inner = [(v[k] + third[k] * slope[k], v[k + 1] - third[k] * slope[k + 1]) for k in (PEAK - 1, PEAK)]
    return float(max(np.max(inner), v[PEAK - 1 : PEAK + 2].max()))


def test_a_limit_of_values_holds_between_frames_too() -> None:
    """The highest limit that the control values keep today; the clean peak is above it."""
    clean = two_part_shot()
    shot = faulty(clean, CONTROL, NAME, {PEAK: -4.0})
    limit = polygon(shot)
    free, _ = cure_of(shot)
    assert fine(free.shot)[0].max() > limit + 0.1  # without a limit the peak comes back
    result, _ = cure_of(limited(shot, Limits(upper=limit)))
    assert fine(result.shot)[0].max() <= limit + LIMIT
    assert polygon(result.shot) == pytest.approx(limit, abs=LIMIT)  # it goes as far as the limit lets it
    assert {r.source for r in result.residuals} == {f"bounds {NAME}"}
    assert all(r.worst <= r.bound for r in result.residuals)


def test_a_limit_of_rates_holds() -> None:
    """A key 4 deg too low makes the curve rise more slowly before it; the clean steps there break the limit."""
    frames, limit = np.arange(62.0, 75.0), 0.2
    shot = faulty(two_part_shot(), CONTROL, NAME, {11: -4.0})

    def steps(shot: Shot) -> Array:
        return np.abs(np.diff(evaluate(keys_of(shot, CONTROL, NAME), frames)[:, 0]))

    spared = np.maximum(limit, steps(shot))  # what is faster today may stay so
    free, _ = cure_of(shot)
    assert np.any(steps(free.shot) > spared + 0.1)
    result, _ = cure_of(limited(shot, Limits(rate=limit)))
    assert np.all(steps(result.shot) <= spared + LIMIT)
    assert {r.source for r in result.residuals} == {f"rate {NAME}"}
    assert (
        keys_of(result.shot, CONTROL, NAME).values[11, 0] > keys_of(shot, CONTROL, NAME).values[11, 0] + 2.0
    )


def test_what_breaks_a_limit_already_may_stay_but_not_grow() -> None:
    """A limit must never make a shot unsolvable that breaks it today (an animator may cheat a joint)."""
    clean = two_part_shot()
    shot = faulty(clean, CONTROL, NAME, {PEAK: 4.0})
    result, _ = cure_of(limited(shot, Limits(upper=10.0)))
    assert keys_of(result.shot, CONTROL, NAME).values == pytest.approx(
        keys_of(clean, CONTROL, NAME).values, abs=CURED
    )
    lower = faulty(clean, CONTROL, NAME, {PEAK: -4.0})
    result, _ = cure_of(limited(lower, Limits(upper=10.0)))
    assert fine(result.shot)[0].max() <= fine(lower)[0].max() + LIMIT


# --- pins ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel", [NAME, None])
def test_a_pin_where_no_key_stands_holds(channel: str | None) -> None:
    """Value and slope of key 12 are off; the curve between it and key 13 is pinned at frame 76."""
    clean = two_part_shot()
    shot = faulty(clean, CONTROL, NAME, {PEAK: -3.0}, {PEAK: 0.7})
    free, _ = cure_of(shot)
    at = np.array([76.0])
    there = evaluate(keys_of(shot, CONTROL, NAME), at)[0, 0]
    assert abs(evaluate(keys_of(free.shot, CONTROL, NAME), at)[0, 0] - there) > 1.0
    pin = Pin(CONTROL, channel, (76.0, 76.0))
    result, _ = cure_of(replace(shot, pins=(pin,)))
    assert evaluate(keys_of(result.shot, CONTROL, NAME), at)[0, 0] == pytest.approx(there, abs=LIMIT)
    assert keys_of(result.shot, CONTROL, NAME) != keys_of(shot, CONTROL, NAME)
    assert f"pin {pin}" in {r.source for r in result.residuals}


def test_pins_and_limits_that_exclude_each_other_are_both_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """The document's pins hold what stands and its limits spare what stands, so these two never clash by
    themselves; a constraint that asks for more does, and the cure passes on who clashes, with exit code 3."""
    shot = replace(
        faulty(two_part_shot(), CONTROL, NAME, {PEAK: -3.0}), pins=(Pin(CONTROL, NAME, (76.0, 76.0)),)
    )
    cure_of(limited(shot, Limits(upper=0.0)))  # no clash, though all of the curve is above 0

    def strict(motion: object, constraints: object) -> Problem:
        problem = build(motion, constraints)  # type: ignore[arg-type]
        rows = tuple(
            replace(r, upper=np.where(r.frames == 76, r.over.offset - 0.5, np.inf))
            if r.source.startswith("bounds")
            else r
            for r in problem.terms.rows
        )
        return replace(problem, terms=Terms(rows, problem.terms.penalties))

    monkeypatch.setattr(refine.cure, "build", strict)
    with pytest.raises(NoSolution) as caught:
        cure_of(limited(shot, Limits(upper=0.0)))
    assert set(caught.value.clash) == {f"pin {CONTROL}.{NAME}@76", f"bounds {NAME}"}
    assert caught.value.exit_code == 3


# --- beyond ------------------------------------------------------------------------------


def jerk(shot: Shot) -> float:
    """Sum of squared third differences of the channel's samples in the range."""
    samples = every_sample(shot, np.arange(RANGE[0], RANGE[1] + 1.0))[CONTROL, NAME]
    return float((np.diff(samples, 3, axis=0) ** 2).sum())


def test_beyond_the_cure_jerk_falls_with_strength_and_no_merit_rises(monkeypatch: pytest.MonkeyPatch) -> None:
    solutions: list[Solution] = []
    real = refine.cure.sequential

    def recorded(*arguments: object) -> Solution:
        solutions.append(real(*arguments))  # type: ignore[arg-type]
        return solutions[-1]

    monkeypatch.setattr(refine.cure, "sequential", recorded)
    shot = faulty(two_part_shot("flat"), CONTROL, NAME, {PEAK: 4.0})
    left = [jerk(applied(shot, suggest(shot, Request(RANGE, (CONTROL,), s)))) for s in (1.0, 2.0, 4.0)]
    assert left[0] > left[1] > left[2]
    assert len(solutions) >= 2
    for solution in solutions:
        merits = np.array(solution.merits)
        assert len(merits) > 1
        assert np.all(np.diff(merits) <= 0)


def test_smoothing_keeps_pins_and_limits() -> None:
    clean = two_part_shot("flat")
    limits = Limits(upper=17.46)
    shot = limited(faulty(clean, CONTROL, NAME, {PEAK: -4.0}), limits)
    pin = Pin(CONTROL, NAME, (81.0, 81.0))
    pinned = replace(shot, pins=(pin,))
    at = np.array([81.0])
    there = evaluate(keys_of(shot, CONTROL, NAME), at)[0, 0]
    loose = applied(shot, suggest(shot, Request(RANGE, (CONTROL,), 6.0)))
    assert abs(evaluate(keys_of(loose, CONTROL, NAME), at)[0, 0] - there) > 100 * LIMIT
    result = applied(pinned, suggest(pinned, Request(RANGE, (CONTROL,), 6.0)))
    assert evaluate(keys_of(result, CONTROL, NAME), at)[0, 0] == pytest.approx(there, abs=LIMIT)
    assert fine(result)[0].max() <= 17.46 + LIMIT

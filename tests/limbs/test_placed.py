"""A keyed limb led to its goals; what was solved once isn't solved again, and what is another case is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.planted.contacts import stepping
from refine.errors import NoSolution
from refine.limbs import placed as module
from refine.limbs.chain import Goals, turning
from refine.limbs.placed import placed
from refine.limbs.planting import minimum_jerk
from refine.shot import Limits, Mark, Pin, Shot
from refine.slope_rules import followed_rules, slopes_by_rule
from tests.limbs.test_chain import LEG, lifted, locks, miss
from tests.limbs.tolerances import PLACED, RULED_SLOPE

SPAN = (52.0, 79.0)
EPS = 0.002  # m
FRAMES = np.arange(SPAN[0], SPAN[1] + 1)


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many unknowns each problem has that is really solved from now on, none being known."""
    counts: list[int] = []
    real = module.sequential

    def counted(problem: object, size: int, *rest: object, **options: object) -> object:
        counts.append(size)
        return real(problem, size, *rest, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "sequential", counted)
    monkeypatch.setattr(module, "_answers", type(module._answers)(kept=8))
    return counts


def led(shot: Shot, *pins: Pin, by: float = 0.012) -> Shot:
    return placed(shot, LEG, lifted(shot, (0.0, 0.0, by), FRAMES), SPAN, locks(shot, *pins), EPS)


def with_value(shot: Shot, control: str, frame: float, by: float) -> Shot:
    """One key of a control's first channel moved."""
    channel = shot.control(control).channels[0]
    assert channel.keys is not None
    k = channel.keys.index(frame)
    values = channel.keys.values.copy()
    values[k] += by
    return shot.with_channel(control, replace(channel, keys=channel.keys.changed(values=values)))


def eased_in(shot: Shot) -> Goals:
    """The foot lifted by 12 mm, which sets in and dies away over four frames as a mend's shift does."""
    goals = lifted(shot, (0.0, 0.0, 0.012), FRAMES)
    ease = minimum_jerk(np.minimum(FRAMES - FRAMES[0], FRAMES[-1] - FRAMES) / 4.0)
    places = goals.places - 0.012 * (1.0 - ease)[:, None] * np.array([0.0, 0.0, 1.0])
    return replace(goals, places=places)


def test_a_keyed_leg_arrives_between_keys_too() -> None:
    shot = stepping(keyed=3)
    goals = eased_in(shot)
    after = placed(shot, LEG, goals, SPAN, locks(shot), EPS)
    assert miss(shot, goals) > 4 * PLACED
    assert miss(after, goals) <= PLACED


def test_slopes_that_followed_a_rule_stay_near_it_where_the_goals_jump() -> None:
    shot = stepping(keyed=3)
    after = led(shot)
    off = []
    for name, channel in turning(shot, LEG):
        before, keys = channel.keys, after.channel(name, channel.name).keys
        assert before is not None
        assert keys is not None
        follow = (keys.frames >= SPAN[0]) & (keys.frames <= SPAN[1]) & followed_rules(before)[1]
        by_rule = np.stack(slopes_by_rule(keys, keys.values))
        off.append(np.abs(keys.outgoing - by_rule).min(axis=0)[follow, 0])
    assert np.size(off) > 100
    assert np.max(off) <= RULED_SLOPE


def test_what_was_solved_is_known_on_a_shot_that_differs_elsewhere(solved: list[int]) -> None:
    shot = stepping(keyed=3)
    first = led(shot)
    later = with_value(with_value(shot, "hips", 150.0, 0.05), "thigh.R", 60.0, 3.0)
    second = led(replace(later, marks=(*later.marks, Mark("accent", (150.0, 152.0), ("hips",)))))
    assert len(solved) == 1
    for name in LEG:
        assert second.control(name) == first.control(name)
    for name in ("hips", "thigh.R"):
        assert second.control(name) == later.control(name)


def test_another_case_is_solved_anew(solved: list[int]) -> None:
    shot = stepping(keyed=3)
    led(shot)
    cases = [
        lambda: led(shot, by=0.011),
        lambda: led(shot, Pin("thigh.L", None, (60.0, 60.0))),
        lambda: led(with_value(shot, "hips", 60.0, 0.01)),  # what carries the leg stands elsewhere
        lambda: led(with_value(shot, "thigh.L", 60.0, 0.5)),
    ]
    i = shot.index("shin.L")
    limited = replace(shot.controls[i].channels[0], limits=Limits(upper=170.0))
    cases.append(lambda: led(shot.with_channel("shin.L", limited)))
    longer = replace(shot.controls[i], rest_translation=(0.0, -0.45, 0.0))
    cases.append(lambda: led(replace(shot, controls=(*shot.controls[:i], longer, *shot.controls[i + 1 :]))))
    for n, each in enumerate(cases):
        each()
        assert len(solved) == n + 2


def test_that_there_is_no_solution_is_known_too(solved: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object, **__: object) -> object:
        solved.append(0)
        raise NoSolution("rows clash", ("a", "b"))

    monkeypatch.setattr(module, "sequential", none)
    shot = stepping(keyed=3)
    for _ in range(2):
        with pytest.raises(NoSolution, match="rows clash") as raised:
            led(shot)
        assert raised.value.clash == ("a", "b")
    assert len(solved) == 1

"""A look at a range reports what shows there, as large and as serious as in the whole shot."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.planted.contacts import plant, stepping
from refine.flags import check as checking
from refine.flags.check import check, in_question, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.shot import Shot
from tests.flags.arm import arm_shot, with_samples


def there(flags: list[Flag], first: int, last: int) -> list[Flag]:
    return [flag for flag in flags if flag.frames[0] <= last and first <= flag.frames[1]]


def spoilt() -> Shot:
    return with_samples(arm_shot(), "arm", "rotation.z", np.array([8.0]), 50)


@pytest.mark.parametrize("shot", [spoilt(), plant(stepping(), 2, "slide", 0.03)[0]], ids=["spike", "slide"])
def test_a_range_of_a_shot_has_the_flags_of_the_whole_shot_there(shot: Shot) -> None:
    every = check(stage_of(shot, Look()))
    assert every
    for first in range(shot.first_frame, shot.last_frame, 20):
        look = Look((first, first + 19))
        assert in_question(stage_of(shot, look)) == there(every, first, first + 19)


def test_of_a_long_shot_what_lies_far_from_the_range_is_not_looked_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shot = spoilt()
    monkeypatch.setattr(checking, "BESIDE", 0.5)
    stage = stage_of(shot, Look((45, 55)))
    assert (stage.range, stage.asked) == ((33, 67), (45, 55))
    whole = there(check(stage_of(shot, Look())), 45, 55)
    assert [(flag.id, flag.severity) for flag in in_question(stage)] == [(f.id, f.severity) for f in whole]
    assert in_question(stage_of(shot, Look((80, 90)))) == []

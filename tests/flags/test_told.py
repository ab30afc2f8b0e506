"""What one fault makes look like others is a note that goes with it, and mended after it, if it is there still."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.flags.check import check, stage_of
from refine.flags.flag import Cause, Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.still import DROPOUT
from refine.flags.told import IN_SAMPLES, told_once
from refine.shot import Shot, frozen
from tests.flags.arm import NAMES, arm_shot, with_samples


def stopped(shot: Shot, control: str = "arm", at: int = 49, count: int = 10) -> Shot:
    """The shot with samples of a control that stopped coming in a move."""
    for name in NAMES:
        channel = shot.channel(control, name)
        assert channel.samples is not None
        values = channel.samples.copy()
        values[at : at + count] = values[at - 1]
        shot = shot.with_channel(control, replace(channel, samples=frozen(values)))
    return shot


def found(shot: Shot) -> list[Flag]:
    return list(check(stage_of(shot, Look())))


def flag(fault: str, frames: tuple[int, int], control: str = "arm") -> Flag:
    cause = Cause(control, NAMES[0], (float(frames[0]), float(frames[1])))
    return Flag(fault, control, NAMES[0], frames, "error", 9.0, "px", cause, "is off", "put it back")


@pytest.mark.parametrize("fault", IN_SAMPLES)
def test_what_a_dropout_looks_like_goes_with_it(fault: str) -> None:
    stage = stage_of(arm_shot(), Look())
    gap = flag(DROPOUT, (49, 58))
    others = [flag(fault, (59, 60)), flag(fault, (80, 82)), flag(fault, (59, 60), "hand")]
    told = told_once(stage, [gap, *others])
    assert [(each.severity, each.along) for each in told] == [
        ("error", ""),
        ("note", gap.id),
        ("error", ""),
        ("error", ""),
    ]


def test_a_contact_that_slides_as_samples_stop_is_told_by_itself() -> None:
    stage = stage_of(arm_shot(), Look())
    told = told_once(stage, [flag(DROPOUT, (49, 58)), flag("sliding contact", (50, 55))])
    assert [each.severity for each in told] == ["error", "error"]


def test_missing_samples_are_filled_beside_a_tremor_that_they_hid() -> None:
    """Of a control that moves along: little of it moves, so the mend didn't make it."""
    clean = arm_shot()
    shake = np.random.default_rng(4).normal(0.0, 0.8, 40)
    faulty = with_samples(stopped(clean), "hand", "rotation.z", shake, 40)
    flags = found(faulty)
    (gap,) = (each for each in flags if each.fault == DROPOUT)
    result = mend(faulty, Look(), [gap])
    assert result.mended == (gap,)
    filled = [each for each in found(result.shot) if each.fault == DROPOUT]
    assert filled == []

"""What stands still: samples that stopped, and holds that are frozen where others live."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.curve import bake
from refine.errors import NoSolution
from refine.flags import still
from refine.flags.check import stage_of
from refine.flags.flag import Cause, Flag
from refine.flags.look import Look
from refine.shot import Channel, Control, Mark, Shot, frozen, make_keys
from tests.flags.arm import NAMES, arm_shot, flags_of, mended


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_dropout_is_found_and_filled(fps: float) -> None:
    clean, at, count = arm_shot(fps), round(2.05 * fps), round(5 * fps / 24)
    faulty = clean
    for name in NAMES:
        channel = faulty.channel("arm", name)
        assert channel.samples is not None
        values = channel.samples.copy()
        values[at : at + count] = values[at - 1]
        faulty = faulty.with_channel("arm", replace(channel, samples=frozen(values)))
    found = [flag for flag in flags_of(faulty) if flag.fault == "dropout"]
    (flag,) = found
    assert flag.control == "arm"
    assert flag.frames == (at, at + count - 1)
    cured = mended(faulty, flag)
    assert flags_of(cured) == []


def test_a_hold_that_ends_in_a_move_is_no_dropout() -> None:
    shot = arm_shot()
    for name in NAMES:
        channel = shot.channel("arm", name)
        assert channel.samples is not None
        values = channel.samples.copy()
        values[40:60] = values[40]
        values[60:] += np.linspace(0, 1, 60)[:, None] ** 2 + values[40] - values[60]
        shot = shot.with_channel("arm", replace(channel, samples=frozen(values)))
    assert not [flag for flag in flags_of(shot) if flag.fault == "dropout"]


def figure(hold: float, other: float, marks: tuple[Mark, ...] = ()) -> Shot:
    """A figure of one head that moves, holds from 30 to 54, moves, holds from 66 to 90: drifts in deg there."""
    at = np.array([0, 10, 30, 54, 60, 66, 90, 100, 119])
    values = np.array([0, 4, 20, 20 + hold, 5, -10, -10 + other, 15, 10], float)
    slopes = np.array([0, 1, hold / 24, hold / 24, -3, other / 24, other / 24, 1, 0], float)
    head = Control(
        "head",
        part="head",
        tip=(0.0, 0.4, 0.0),
        channels=(Channel("rotation.z", make_keys(at, values, slopes)),),
    )
    shot = arm_shot()
    return replace(shot, controls=(head,), marks=marks)


def test_frozen_hold_is_found_where_other_holds_live() -> None:
    (flag,) = [f for f in flags_of(figure(0.0, 0.9)) if f.fault == "frozen hold"]
    assert flag.control == "head"
    assert flag.frames[0] in (29, 30, 31)
    assert flag.frames[1] in (53, 54, 55)
    assert flag.severity == "error"


def test_holds_that_all_freeze_or_all_live_are_a_style() -> None:
    assert flags_of(figure(0.9, 0.9)) == []
    assert flags_of(figure(0.0, 0.0)) == []


def test_marked_hold_and_prop_may_freeze() -> None:
    assert flags_of(figure(0.0, 0.9, (Mark("hold", (28.0, 56.0), ("head",)),))) == []
    shot = figure(0.0, 0.9)
    assert flags_of(replace(shot, controls=(replace(shot.controls[0], part="prop"),))) == []


def test_baked_like_keyed_holds() -> None:
    shot = figure(0.0, 0.9)
    head = shot.controls[0]
    baked = replace(shot, controls=(replace(head, channels=tuple(bake(c, shot) for c in head.channels)),))
    assert [f.fault for f in flags_of(baked)] == ["frozen hold"]


def test_baked_figure_that_never_else_stands_still() -> None:
    shot = arm_shot()
    controls = []
    for control in shot.controls:
        channels = []
        for channel in control.channels:
            assert channel.samples is not None
            values = channel.samples.copy()
            values[50:62] = values[50]
            values[62:] -= channel.samples[62] - values[50]
            channels.append(replace(channel, samples=frozen(values)))
        controls.append(replace(control, part="head", channels=tuple(channels)))
    flags = flags_of(replace(shot, controls=tuple(controls)))
    assert [(f.fault, f.control) for f in flags if f.fault != "dropout"] == [("frozen hold", "hips")]


def test_a_hold_left_by_a_snap_is_no_dropout() -> None:
    """Eased into, held, then left at once with a fast attack: an accent of the trade (common practice)."""
    shot = arm_shot()
    channel = shot.channel("arm", "rotation.z")
    assert channel.samples is not None
    values = channel.samples.copy()
    values[20:40, 0] = values[19, 0] + 8 * (1 - 0.7 ** np.arange(20))
    values[40:50] = values[39]
    values[50:, 0] = values[39, 0] - 25 * (1 - 0.6 ** np.arange(1, 71))
    snapped = shot.with_channel("arm", replace(channel, samples=frozen(values)))
    assert not [flag for flag in flags_of(snapped) if flag.fault == "dropout"]


def test_half_a_second_is_filled_where_the_motion_goes_on_as_before() -> None:
    shot = arm_shot()
    faulty = _stopped(shot, 57, 69)
    (flag,) = [f for f in flags_of(faulty) if f.fault == "dropout"]
    assert (flag.severity, flag.frames) == ("error", (57, 68))
    cured = still.MENDS["dropout"](stage_of(faulty, Look()), flag)
    assert cured is not None
    assert _off(cured, shot) < 0.2 * _off(faulty, shot)


def test_a_gap_of_which_nothing_says_what_happened_is_for_a_person() -> None:
    """A motion that changes its mind on each frame: what goes before says nothing of half a second."""
    rng = np.random.default_rng(6)
    walk = np.cumsum(np.convolve(rng.normal(0, 2.0, 123), np.ones(4) / 4, "valid"))
    channel = Channel("rotation.z", samples=frozen(walk[:, None]))
    faulty = _stopped(arm_shot().with_channel("arm", channel), 57, 69)
    flag = Flag(
        "dropout",
        "arm",
        "rotation.z",
        (57, 68),
        "error",
        13.0,
        "frames",
        Cause("arm", "rotation.z", ()),
        "",
        "",
    )
    with pytest.raises(NoSolution, match=r"12 frames: with a probability of 0\.\d+ filling them"):
        still.MENDS["dropout"](stage_of(faulty, Look()), flag)


def _stopped(shot: Shot, first: int, stop: int) -> Shot:
    channel = shot.channel("arm", "rotation.z")
    assert channel.samples is not None
    values = channel.samples.copy()
    values[first:stop] = values[first - 1]
    return shot.with_channel("arm", replace(channel, samples=frozen(values)))


def _off(one: Shot, other: Shot) -> float:
    a, b = (shot.channel("arm", "rotation.z").samples for shot in (one, other))
    assert a is not None
    assert b is not None
    return float(np.linalg.norm(a - b))

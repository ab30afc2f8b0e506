"""Keys that aren't where they were set: one of several is left, one off its frame is put on, the curve stays."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule
from benchmarks.planted.planted import inserted
from refine.curve import evaluate
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.on_frames import DOUBLED, OFF
from refine.key_rows import key_at, only
from refine.key_rows import with_keys as with_rows
from refine.prepared import Request
from refine.shot import Array, Keys, Mark, Pin, Segment, Shot, frozen, make_keys
from refine.suggest import suggest
from tests.flags.tolerances import SAME_SHAPE
from tests.hand_made import keyed, keys_of, two_part_shot, with_keys

ARM = ("arm", "rotation.z")
K = 8  # a key in the middle of the arm's


def arm(shot: Shot) -> Keys:
    return keys_of(shot, *ARM)


def flags(shot: Shot, fault: str) -> list[Flag]:
    return [flag for flag in check(stage_of(shot, Look())) if flag.fault == fault]


def without(keys: Keys, *at: int) -> Keys:
    return only(keys, ~np.isin(np.arange(len(keys)), at))


def doubled(rule: Rule, by: float, aside: float = 0.0) -> Shot:
    """The two-part shot with a second key a part of a frame after one of the arm's, `aside` of the curve."""
    shot = two_part_shot(rule)
    keys = inserted(arm(shot), np.array([arm(shot).frames[K] + by]))
    values = keys.values.copy()
    values[K + 1] += aside
    return with_keys(shot, *ARM, keys.changed(values=values))


def off_frame(rule: Rule, by: float) -> Shot:
    """The two-part shot with one of the arm's keys moved along its curve."""
    shot = two_part_shot(rule)
    keys = inserted(arm(shot), np.array([arm(shot).frames[K] + by]))
    return with_keys(shot, *ARM, without(keys, K if by > 0 else K + 1))


def apart(one: Keys, other: Keys, at: Array) -> float:
    return float(np.abs(evaluate(one, at) - evaluate(other, at)).max())


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("by", [0.05, 0.25, 0.5])
def test_of_a_doubled_key_one_is_left_and_the_curve_is_what_it_was(rule: Rule, by: float) -> None:
    shot = doubled(rule, by)
    (flag,) = flags(shot, DOUBLED)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    sound, found = arm(two_part_shot(rule)), arm(result.shot)
    assert found.frames.tolist() == sound.frames.tolist()
    assert apart(found, sound, shot.frames) < SAME_SHAPE
    assert check(stage_of(result.shot, Look())) == check(stage_of(two_part_shot(rule), Look()))


def test_the_one_left_of_two_between_frames_stands_on_the_nearest_frame() -> None:
    shot = off_frame("natural", 0.3)
    keys = inserted(arm(shot), np.array([arm(shot).frames[K] + 0.2]))
    shot = with_keys(shot, *ARM, keys)
    (flag,) = flags(shot, DOUBLED)
    found = arm(mend(shot, Look(), [flag]).shot)
    assert found.frames.tolist() == arm(two_part_shot()).frames.tolist()
    assert apart(found, keys, shot.frames) < 0.02 * float(np.ptp(keys.values))


def test_three_in_half_a_frame_become_one() -> None:
    shot = doubled("chord", 0.4)
    keys = inserted(arm(shot), np.array([arm(shot).frames[K] + 0.2]))
    shot = with_keys(shot, *ARM, keys)
    assert len(flags(shot, DOUBLED)) == 2
    result = mend(shot, Look(), flags(shot, DOUBLED))
    assert len(result.mended) == 2
    assert len(arm(result.shot)) == len(arm(two_part_shot()))


@pytest.mark.parametrize(("aside", "mended"), [(0.02, True), (4.0, False)])
def test_a_step_that_can_be_seen_may_be_meant(aside: float, mended: bool) -> None:
    """4 deg of an arm 0.7 units long before a camera 6 units away are tens of px; 0.02 are a part of one."""
    shot = doubled("natural", 0.25, aside)
    (flag,) = flags(shot, DOUBLED)
    result = mend(shot, Look(), [flag])
    assert bool(result.mended) == mended
    if not mended:
        ((_, why, *_),) = result.left
        assert "px: a step may be meant" in why
        assert result.shot == shot


def test_keys_on_many_parts_of_frames_may_be_meant() -> None:
    shot = two_part_shot()
    frame = arm(shot).frames[K]
    shot = with_keys(shot, *ARM, inserted(arm(shot), frame + np.array([0.25, 0.5, 0.75, 1.0])))
    result = mend(shot, Look(), flags(shot, DOUBLED))
    assert result.mended == ()
    assert all("parts of frames" in why for _, why, *_ in result.left)


def test_a_corner_made_of_two_keys_stays_a_corner() -> None:
    """Up to the first key and down from the second: a single slope would round that off."""
    shot = two_part_shot()
    frames = np.array([0.0, 20.0, 40.0, 60.0, 60.25, 80.0, 100.0, 160.0])
    slopes = [0.0, 0.0, 0.0, 1.5, -1.5, 0.0, 0.0, 0.0]
    values = [0.0, 5.0, 0.0, 20.0, 20.0, 0.0, 5.0, 0.0]
    shot = with_keys(shot, *ARM, make_keys(frames, values, slopes))
    (flag,) = flags(shot, DOUBLED)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    found = arm(result.shot)
    assert (found.frames[3], found.values[3, 0], bool(found.corner[3])) == (60.0, 20.0, True)
    assert found.incoming[3, 0] == pytest.approx(1.5, rel=1e-6)
    assert found.outgoing[3, 0] < -1.0


def copied(shot: Shot, by: float, aside: float) -> Shot:
    """The shot with a copy of one of the arm's keys a frame beside it, slopes and all."""
    keys = arm(shot)
    row = key_at(keys, K)
    copy = replace(row, value=(row.value[0] + aside,))
    return with_keys(shot, *ARM, with_rows(keys, [float(keys.frames[K]) + by], [copy]))


@pytest.mark.parametrize("rule", ["natural", "chord"])
@pytest.mark.parametrize(("by", "aside"), [(1.0, 0.0), (1.0, 0.3), (-1.0, -0.3)])
def test_a_copy_of_a_key_a_frame_beside_it_is_named_and_taken_out(
    rule: Rule, by: float, aside: float
) -> None:
    sound = two_part_shot(rule)
    shot = copied(sound, by, aside)
    (flag,) = check(stage_of(shot, Look()))
    assert (flag.fault, flag.severity) == (DOUBLED, "warn")
    assert flag.cause.frames == (float(arm(sound).frames[K]) + by,)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert result.shot == sound


def test_a_copy_is_no_fault_of_the_search_for_causes() -> None:
    """It moved the copy toward where slopes of both would be right, and other channels with it."""
    shot = copied(two_part_shot("chord"), 1.0, 0.3)
    frame = int(arm(shot).frames[K])
    assert suggest(shot, Request((frame - 12, frame + 12), ("arm",))).changes == ()


@pytest.mark.parametrize("kind", ["hold", "accent"])
def test_a_copy_may_be_meant(kind: Literal["hold", "accent"]) -> None:
    shot = copied(two_part_shot("chord"), 1.0, 0.3)
    frame = float(arm(shot).frames[K])
    marked = replace(shot, marks=(Mark(kind, (frame, frame + 1.0), ("arm",)),))
    assert flags(marked, DOUBLED) == []
    pinned = replace(shot, pins=(Pin(*ARM, (frame + 1.0, frame + 1.0)),))
    assert mend(pinned, Look(), flags(pinned, DOUBLED)).mended == ()


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("aside", [0.0, 0.3, 6.0])
def test_a_hold_or_an_accent_of_one_frame_is_sound(rule: Rule, aside: float) -> None:
    """Its slopes are set with it."""
    sound = two_part_shot(rule)
    keys = arm(copied(sound, 1.0, aside))
    shot = with_keys(sound, *ARM, keyed(rule, keys.frames, keys.values[:, 0]))
    assert flags(shot, DOUBLED) == []


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("by", [0.015, 0.3, -0.3, -0.45])
def test_an_off_frame_key_goes_back_along_its_curve(rule: Rule, by: float) -> None:
    shot = off_frame(rule, by)
    (flag,) = flags(shot, OFF)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    sound, found = arm(two_part_shot(rule)), arm(result.shot)
    assert found.frames.tolist() == sound.frames.tolist()
    assert apart(found, sound, shot.frames) < SAME_SHAPE
    assert flags(result.shot, OFF) == []


def test_a_key_goes_nowhere_where_another_stands_or_a_pin_holds() -> None:
    shot = off_frame("natural", 0.3)
    (flag,) = flags(shot, OFF)
    frame = arm(shot).frames[K]
    for pin in (Pin(*ARM, (frame, frame)), Pin("arm", None, (frame + 1.0, frame + 2.0))):
        held = mend(replace(shot, pins=(pin,)), Look(), [flag])
        assert held.mended == ()
        assert arm(held.shot) == arm(shot)
    crowded = with_keys(shot, *ARM, inserted(arm(shot), np.array([frame - 0.7])))
    (flag,) = flags(crowded, OFF)[:1] if len(flags(crowded, OFF)) == 1 else flags(crowded, OFF)[1:]
    result = mend(crowded, Look(), [flag])
    assert result.mended == ()
    assert "is taken" in result.left[0][1]


def test_a_pinned_key_of_two_is_left_alone() -> None:
    shot = doubled("natural", 0.25)
    (flag,) = flags(shot, DOUBLED)
    for frame in arm(shot).frames[[K, K + 1]]:
        pinned = replace(shot, pins=(Pin(*ARM, (float(frame), float(frame))),))
        assert mend(pinned, Look(), [flag]).mended == ()


@pytest.mark.parametrize(("before", "by"), [(True, 0.3), (True, -0.05), (False, -0.05)])
def test_a_step_shows_on_the_same_frame_as_before(before: bool, by: float) -> None:
    """Beside a held segment the key goes to the frame on which the step, or the held value, shows first."""
    shot = off_frame("natural", by)
    keys = arm(shot)
    segment = keys.segment.copy()
    segment[K - 1 if before else K] = Segment.HOLD
    shot = with_keys(shot, *ARM, replace(keys, segment=frozen(segment, np.int8)))
    (flag,) = flags(shot, OFF)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert arm(result.shot).frames[K] == np.ceil(keys.frames[K])
    held = (shot.frames >= keys.frames[K - 1]) & (shot.frames < keys.frames[K])
    at = (
        shot.frames[held]
        if before
        else shot.frames[(shot.frames > keys.frames[K]) & (shot.frames < keys.frames[K + 1])]
    )
    assert apart(arm(result.shot), arm(shot), at) < SAME_SHAPE

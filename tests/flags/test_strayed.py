"""A key pose a frame beside its own: `check` says so, nothing sound is called off for it, and the mend is exact."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchmarks.corpus import Rule
from benchmarks.quality_held import BAKER, sound
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.on_frames import OFF
from refine.held import Locks
from refine.pose_time import with_pose_moved
from refine.shot import Channel, Mark, Pin, Shot
from tests.hand_made import key_frames, keyed, two_part_shot, wave

AT = float(key_frames()[16])  # where the arm moves by more than a px a frame


def posed(rule: Rule) -> Shot:
    """The two-part shot with the keys of the arm's channels on the same frames."""
    shot = two_part_shot(rule)
    for n, channel in enumerate(shot.controls[1].channels):
        keys = keyed(rule, key_frames(), wave(key_frames(), n))
        shot = shot.with_channel("arm", replace(channel, keys=keys))
    return shot


def late(shot: Shot, by: int) -> Shot:
    moved = with_pose_moved(
        shot, shot.controls[1], AT, by, Locks(shot, (), (shot.first_frame, shot.last_frame))
    )
    assert moved is not None
    return moved


@pytest.mark.parametrize("rule", ["natural", "chord"])
@pytest.mark.parametrize("by", [1, -1])
def test_the_pose_is_flagged_and_put_back_whole(rule: Rule, by: int) -> None:
    right = posed(rule)
    shot = late(right, by)
    (flag,) = check(stage_of(shot, Look()))
    assert (flag.fault, flag.severity, flag.control, flag.cause.frames) == (OFF, "warn", "arm", (AT + by,))
    assert f"was set for {AT:g}" in flag.message
    assert flag.remedy == f"move all its keys to frame {AT:g}"
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert result.shot == right


def test_a_channel_of_the_pose_that_tells_nothing_goes_with_it() -> None:
    right = posed("chord")
    still: Channel = right.controls[1].channels[1]
    assert still.keys is not None
    flat = still.keys.changed(incoming=0 * still.keys.incoming, outgoing=0 * still.keys.outgoing)
    right = right.with_channel("arm", replace(still, keys=flat))
    shot = late(right, 1)
    found = [flag for flag in check(stage_of(shot, Look())) if flag.fault == OFF]
    assert mend(shot, Look(), found).shot == right


def test_what_is_pinned_stays_and_what_is_marked_as_an_accent_is_meant() -> None:
    shot = late(posed("chord"), 1)
    pinned = replace(shot, pins=(Pin("arm", None, (AT + 1, AT + 1)),))
    found = [flag for flag in check(stage_of(pinned, Look())) if flag.fault == OFF]
    assert len(found) == 1
    assert mend(pinned, Look(), found).shot == pinned
    marked = replace(shot, marks=(Mark("accent", (AT, AT + 2), ("arm",)),))
    assert [flag for flag in check(stage_of(marked, Look())) if flag.fault == OFF] == []


def test_a_slide_that_the_pose_explains_is_told_with_it() -> None:
    baker = sound(BAKER, 0)
    hips, locks = baker.control("hips"), Locks(baker, (), (baker.first_frame, baker.last_frame))
    shot = with_pose_moved(baker, hips, 67.0, 1, locks)
    assert shot is not None
    found = check(stage_of(shot, Look()))
    (pose,) = (flag for flag in found if flag.fault == OFF)
    assert pose.severity == "error"
    assert "for it hand.L and hand.R slide together" in pose.message
    (slide,) = (flag for flag in found if flag.along == pose.id)
    assert (slide.fault, slide.severity) == ("sliding contact", "note")

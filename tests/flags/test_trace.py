"""Whose doing a residual is: shares against what is left when a channel really is set right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.flags.check import stage_of
from refine.flags.excerpt import excerpt
from refine.flags.flag import Cause, Flag
from refine.flags.look import Look
from refine.flags.path import residual
from refine.flags.trace import by_control, chain, key_frames, merged, trace
from refine.pose import Point
from refine.shot import Channel, Shot, frozen, make_keys
from tests.flags.arm import arm_shot, with_samples
from tests.flags.tolerances import TRACED

TIP = Point("hand", (0.3, 0.0, 0.1))
WINDOW = (48, 52)


def shaken(amounts: dict[tuple[str, str], float]) -> Shot:
    """The arm with one frame of some channels displaced."""
    shot = arm_shot()
    for (control, channel), amount in amounts.items():
        shot = with_samples(shot, control, channel, np.array([amount]), 50)
    return shot


@pytest.mark.parametrize("control", ["hips", "arm", "hand"])
@pytest.mark.parametrize("channel", ["rotation.x", "rotation.y", "rotation.z"])
def test_a_single_cause_has_the_whole_share(control: str, channel: str) -> None:
    stage = stage_of(shaken({(control, channel): 8.0}), Look())
    shares = trace(stage, TIP, WINDOW, residual)
    assert (shares[0].control, shares[0].channel) == (control, channel)
    assert shares[0].share == pytest.approx(1.0, abs=TRACED)


def test_an_excerpt_sees_what_the_whole_stage_sees_there() -> None:
    stage = stage_of(shaken({("arm", "rotation.z"): 6.0}), Look())
    near = excerpt(stage, 40, 60)
    np.testing.assert_array_equal(near.frames, stage.frames[40:61])
    np.testing.assert_array_equal(near.screen(TIP), stage.screen(TIP)[40:61])
    np.testing.assert_array_equal(near.counts(TIP), stage.counts(TIP)[40:61])
    np.testing.assert_array_equal(excerpt(stage, -5, 3).frames, stage.frames[:4])


def test_shares_agree_with_setting_each_channel_right() -> None:
    """The residual that vanishes, measured by posing the shot anew without one of two causes."""
    amounts = {("arm", "rotation.z"): 6.0, ("hand", "rotation.z"): 8.0}
    stage = stage_of(shaken(amounts), Look())
    whole = residual(stage.screen(TIP))[50]
    shares = {(s.control, s.channel): s.share for s in trace(stage, TIP, (50, 50), residual)}
    for cause in amounts:
        rest = stage_of(shaken({c: a for c, a in amounts.items() if c != cause}), Look())
        vanished = whole - residual(rest.screen(TIP))[50]
        assert shares[cause] == pytest.approx(float(vanished @ whole / (whole @ whole)), abs=TRACED)
    assert sum(shares.values()) == pytest.approx(1.0, abs=TRACED)


def test_quaternion_is_traced_like_angles() -> None:
    shot = shaken({("arm", "rotation.z"): 8.0})
    arm = shot.controls[1]
    angle = np.zeros((120, 1))
    angle[50] = 8.0
    half = np.deg2rad(angle / 2)
    turn = np.concatenate([np.zeros((120, 2)), np.sin(half), np.cos(half)], axis=1)
    quaternion = replace(arm, channels=(Channel("rotation", samples=frozen(turn)),))
    stage = stage_of(replace(shot, controls=(shot.controls[0], quaternion, shot.controls[2])), Look())
    (first, *_) = trace(stage, TIP, WINDOW, residual)
    assert (first.control, first.channel) == ("arm", "rotation")
    assert first.share == pytest.approx(1.0, abs=TRACED)


def test_nothing_left_of_a_path_has_no_cause() -> None:
    stage = stage_of(arm_shot(), Look())
    assert trace(stage, TIP, WINDOW, np.zeros_like) == []


def test_chain_ends_at_the_root_and_shares_add_up_by_control() -> None:
    stage = stage_of(shaken({("arm", "rotation.z"): 6.0, ("arm", "rotation.y"): 5.0}), Look())
    assert chain(stage, "hand") == ["hand", "arm", "hips"]
    shares = trace(stage, TIP, WINDOW, residual)
    (first, *_) = by_control(shares)
    assert first.control == "arm"
    assert first.channel == shares[0].channel
    assert first.share == pytest.approx(sum(s.share for s in shares if s.control == "arm"))


def test_nearest_keys() -> None:
    keyed = Channel("rotation.x", make_keys([0, 10, 20, 30], [0, 1, 2, 3], [0, 0, 0, 0]))
    assert key_frames(keyed, (9, 21)) == (10.0, 20.0)
    assert key_frames(keyed, (12, 13)) == (10.0,)
    baked = Channel("rotation.x", samples=frozen(np.zeros((40, 1))))
    assert key_frames(baked, (12, 12)) == (12.0,)
    assert key_frames(baked, (12, 15)) == (12.0, 15.0)


def flag(control: str, frames: tuple[int, int], ratio: float) -> Flag:
    cause = Cause(control, "rotation.x", (float(frames[0]),))
    return Flag("jitter", control, "rotation.x", frames, "warn", ratio, "px", cause, f"{ratio}", "", ratio)


def test_one_cause_on_overlapping_frames_is_one_flag_in_the_most_visible_words() -> None:
    found = merged([flag("hips", (10, 20), 1.0), flag("hips", (15, 30), 3.0), flag("hips", (50, 60), 2.0)])
    assert [(f.frames, f.message) for f in found] == [((10, 30), "3.0"), ((50, 60), "2.0")]
    assert len(merged([flag("hips", (10, 20), 1.0), flag("arm", (10, 20), 3.0)])) == 2
    assert len(merged([flag("hips", (10, 20), 1.0), flag("hips", (25, 30), 3.0)], apart=5)) == 1

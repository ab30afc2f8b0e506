"""Many keys between frames in one shot: it comes back, and nothing that is right is called wrong because of them."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule, screen_points
from benchmarks.planted.keys import moved_along
from refine.changes import differences
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.on_frames import OFF
from refine.prepared import Request
from refine.shot import Pin, Shot
from refine.suggest import suggest
from tests.flags.tolerances import AS_SET, SAME_SHAPE, SEEN_ALIKE, UNSEEN
from tests.hand_made import ARM_Z, faulty, keys_of, two_part_shot, with_keys

OFF_BY = 3.0  # deg of the arm, tens of px
K = 11  # the arm's key that is off, away from those between frames


def between_frames(shot: Shot, seed: int, share: float = 0.3, spared: int | None = None) -> Shot:
    """The shot with a share of the keys of each channel moved along its curve by 0.05 to 0.45 frames.

    Of the arm's rotation.z none is moved that stands beside the `spared` one.
    """
    rng = np.random.default_rng(seed)
    for control in shot.controls:
        for channel in control.channels:
            place = control.name, channel.name
            keys = keys_of(shot, *place)
            at = 1 + np.flatnonzero(rng.random(len(keys) - 2) < share)
            if spared is not None and place == ARM_Z:
                at = at[np.abs(at - spared) > 1]
            by = rng.choice([-1.0, 1.0], len(at)) * rng.uniform(0.05, 0.45, len(at))
            shot = with_keys(shot, *place, moved_along(keys, at, by))
    return shot


def flags(shot: Shot) -> list[Flag]:
    return check(stage_of(shot, Look()))


def px(one: Shot, other: Shot) -> float:
    """The farthest that any point stands from where it stands in another shot."""
    apart = screen_points(one, one.frames) - screen_points(other, one.frames)
    return float(np.linalg.norm(apart, axis=-1).max())


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("seed", [0, 1])
def test_a_shot_of_which_many_keys_stand_between_frames_comes_back(rule: Rule, seed: int) -> None:
    sound = two_part_shot(rule)
    shot = between_frames(sound, seed)
    found = flags(shot)
    assert Counter(flag.fault for flag in found).keys() == {OFF}
    result = mend(shot, Look(), found)
    assert result.left == ()
    assert px(result.shot, sound) < SEEN_ALIKE
    for control in sound.controls:
        for channel in control.channels:
            old, new = (keys_of(each, control.name, channel.name) for each in (sound, result.shot))
            assert new.frames.tolist() == old.frames.tolist()
            assert np.abs(new.values - old.values).max() < SAME_SHAPE


@pytest.mark.parametrize("rule", RULES)
def test_a_moved_key_among_keys_between_frames_is_found_and_mended(rule: Rule) -> None:
    sound = two_part_shot(rule)
    shot = between_frames(faulty(sound, *ARM_Z, {K: OFF_BY}), 2, spared=K)
    found = flags(shot)
    (moved,) = (flag for flag in found if flag.fault != OFF)
    assert moved.fault == "moved key"
    assert (moved.control, moved.channel, *moved.cause.frames) == (*ARM_Z, keys_of(sound, *ARM_Z).frames[K])
    assert px(mend(shot, Look(), found).shot, sound) < px(shot, sound) / 10


@pytest.mark.parametrize("rule", RULES)
def test_what_is_mended_beside_keys_that_may_not_be_put_back_is_the_key_that_is_off(rule: Rule) -> None:
    """It is told by the settled keys; those between frames stay where they are."""
    sound = two_part_shot(rule)
    shot = between_frames(faulty(sound, *ARM_Z, {K: OFF_BY}), 2, spared=K)
    frame = float(keys_of(sound, *ARM_Z).frames[K])
    found = suggest(shot, Request((int(frame) - 20, int(frame) + 20), (ARM_Z[0],)))
    assert {(c.control, c.channel, c.frame, c.field) for c in found.changes} == {(*ARM_Z, frame, "value")}
    (change,) = found.changes
    assert change.after == pytest.approx(float(keys_of(sound, *ARM_Z).values[K, 0]), abs=AS_SET)


@pytest.mark.parametrize("rule", RULES)
def test_no_value_is_suggested_because_keys_stand_between_frames(rule: Rule) -> None:
    shot = between_frames(two_part_shot(rule), 0)
    for first in range(0, 160, 40):
        assert suggest(shot, Request((first, first + 60))).changes == ()


def test_a_pinned_key_between_frames_stays_and_the_others_go_back() -> None:
    sound = two_part_shot("chord")
    shot = between_frames(sound, 0)
    frames = keys_of(shot, *ARM_Z).frames
    held = float(next(frame for frame in frames if frame != round(frame)))
    shot = replace(shot, pins=(Pin(*ARM_Z, (held, held)),))
    result = mend(shot, Look(), flags(shot))
    assert [left.flag.cause.frames for left in result.left] == [(held,)]
    assert held in keys_of(result.shot, *ARM_Z).frames
    assert all(
        change.frame != held for change in differences(shot, result.shot) if change.channel == ARM_Z[1]
    )
    assert px(result.shot, sound) < px(shot, sound)


def retimed(shot: Shot, by: float) -> Shot:
    """All of the shot that much slower, its slopes with it: it follows the rules as it did."""
    for control in shot.controls:
        for channel in control.channels:
            keys = keys_of(shot, control.name, channel.name)
            slopes = {"incoming": keys.incoming / by, "outgoing": keys.outgoing / by}
            shot = with_keys(
                shot, control.name, channel.name, keys.changed(frames=by * keys.frames, **slopes)
            )
    return shot


@pytest.mark.parametrize("rule", ["natural", "chord"])
def test_a_shot_that_was_retimed_as_a_whole_stays(rule: Rule) -> None:
    shot = retimed(two_part_shot(rule), 24 / 25)
    found = [flag for flag in flags(shot) if flag.fault == OFF]
    result = mend(shot, Look(), found)
    assert px(result.shot, shot) < UNSEEN
    assert sum("retimed as a whole" in left.why for left in result.left) > 0.9 * len(found)


def shifted(shot: Shot, by: float) -> Shot:
    """All channels of the arm later by a part of a frame, as a part that comes after another is made to."""
    for channel in shot.control("arm").channels:
        keys = keys_of(shot, "arm", channel.name)
        shot = with_keys(shot, "arm", channel.name, keys.changed(frames=keys.frames + by))
    return shot


@pytest.mark.parametrize("rule", RULES)
def test_channels_that_were_shifted_as_a_whole_stay_though_some_slopes_were_set_by_hand(rule: Rule) -> None:
    sound = two_part_shot(rule)
    for channel in ("rotation.x", "rotation.y", "rotation.z"):
        sound = faulty(sound, "arm", channel, slopes={5: 0.1, 12: -0.15, 21: 0.1})
    shot = shifted(sound, 0.4)
    result = mend(shot, Look(), [flag for flag in flags(shot) if flag.fault == OFF])
    assert px(result.shot, shot) < UNSEEN
    assert all("retimed as a whole" in left.why for left in result.left)

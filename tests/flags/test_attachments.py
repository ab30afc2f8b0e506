"""Attachments that pop: the side that is less work follows what it is attached to, the rest stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import slopes_by
from refine.changes import differences
from refine.flags.attachments import find
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import Mended, mend
from refine.pose import Point, pose, world_point
from refine.shot import Array, Channel, Mark, Pin, Shot, frozen, make_keys
from tests.flags.test_contacts import RATES, attached
from tests.flags.tolerances import CARRIED

SIZE = 0.03  # m


def flags(shot: Shot) -> list[Flag]:
    return list(find(stage_of(shot, Look())))


def mended(shot: Shot) -> Mended:
    (flag,) = flags(shot)
    return mend(shot, Look(), [flag])


def in_hand(shot: Shot) -> Array:
    """(N, 3) of the cup in the hand's space."""
    posed = pose(shot, shot.frames)
    linear, origin = (array[shot.index("hand")] for array in (posed.linear, posed.origin))
    cup = world_point(posed, shot, Point("cup", (0.0, 0.0, 0.0)))
    return np.asarray(np.linalg.solve(linear, (cup - origin)[..., None])[..., 0])


def turning(shot: Shot) -> Shot:
    """The same with a hand that turns as well, the cup's place in it as it was."""
    local = in_hand(shot)
    angle = 40 * np.sin(1.5 * shot.frames / shot.fps)
    hand = shot.controls[0]
    turned = replace(hand, channels=(*hand.channels, Channel("rotation.z", samples=frozen(angle[:, None]))))
    shot = replace(shot, controls=(turned, *shot.controls[1:]))
    posed = pose(shot, shot.frames)
    place = (posed.linear[0] @ local[..., None])[..., 0] + posed.origin[0]
    course = tuple(Channel(f"translation.{a}", samples=frozen(place[:, [i]])) for i, a in enumerate("xyz"))
    return replace(shot, controls=(turned, replace(shot.controls[1], channels=course)))


def keyed(shot: Shot, jump_at: int) -> Shot:
    """The same with keys every six frames and on both sides of the jump, which is a line between two of them."""
    at = np.unique(np.r_[0 : shot.last_frame + 1 : 6, jump_at - 1, jump_at, shot.last_frame]).astype(float)

    def with_keys(channel: Channel) -> Channel:
        assert channel.samples is not None
        values = channel.samples[at.astype(np.intp), 0]
        before = at < jump_at
        slopes = np.concatenate([slopes_by("natural", at[s], values[s]) for s in (before, ~before)])
        segment = np.where(at == jump_at - 1, 1, 2)
        return Channel(channel.name, make_keys(at, values, slopes, segment=segment))

    controls = tuple(replace(c, channels=tuple(map(with_keys, c.channels))) for c in shot.controls)
    return replace(shot, controls=controls)


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("second", [0.8, 2.2])
@pytest.mark.parametrize("turns", [False, True], ids=["level", "turning"])
def test_the_shorter_side_follows_the_hand_across_the_change(fps: float, second: float, turns: bool) -> None:
    at = round(second * fps)
    shot = attached(at, SIZE, fps)
    shot = turning(shot) if turns else shot
    result = mended(shot)
    assert result.left == ()
    assert flags(result.shot) == []
    local = in_hand(result.shot)
    np.testing.assert_allclose(local, np.broadcast_to(local[0], local.shape), atol=CARRIED)
    changes = differences(shot, result.shot)
    assert {c.control for c in changes} == {"cup"}
    kept = shot.frames < at if second > 1.5 else shot.frames >= at
    np.testing.assert_array_equal(in_hand(result.shot)[kept], in_hand(shot)[kept])


@pytest.mark.parametrize("second", [0.75, 2.25])
def test_keys_of_one_side_are_shifted(second: float) -> None:
    at = round(second * 24)
    shot = keyed(attached(at, SIZE), at)
    result = mended(shot)
    assert result.left == ()
    assert flags(result.shot) == []
    frames = {c.frame for c in differences(shot, result.shot)}
    assert (min(frames) >= at) if second > 1.5 else (max(frames) < at)
    local = in_hand(result.shot)
    np.testing.assert_allclose(local, np.broadcast_to(local[0], local.shape), atol=CARRIED)


def test_a_pin_on_one_side_leaves_the_other_and_pins_on_both_leave_neither() -> None:
    shot = attached(54, SIZE)
    late, early = Pin("cup", "translation.x", (60.0, 60.0)), Pin("cup", "translation.x", (5.0, 5.0))
    first = mended(replace(shot, pins=(late,)))
    assert first.left == ()
    assert {c.frame for c in differences(shot, replace(first.shot, pins=()))} == set(range(54))
    both = mended(replace(shot, pins=(late, early)))
    assert both.mended == ()
    assert differences(shot, replace(both.shot, pins=())) == []
    without = mended(shot)
    assert {c.frame for c in differences(shot, without.shot)} == set(range(54, 72))


def test_a_place_that_is_left_and_taken_again_is_shifted_in_between() -> None:
    shot = attached(30, SIZE)
    back = shot.controls[1].channels[0].samples
    assert back is not None
    samples = back - np.where(shot.frames >= 45, SIZE, 0.0)[:, None]
    shot = shot.with_channel("cup", Channel("translation.x", samples=frozen(samples)))
    assert len(flags(shot)) == 2
    result = mend(shot, Look(), flags(shot))
    assert flags(result.shot) == []
    assert {c.frame for c in differences(shot, result.shot)} == set(range(30, 45))


def test_a_shift_dies_away_before_the_cup_is_put_down() -> None:
    shot = attached(48, 0.02)
    samples = shot.controls[1].channels[0].samples
    assert samples is not None
    down = np.where(shot.frames[:, None] > 64, samples[64], samples)  # it stays where the hand let go
    shot = shot.with_channel("cup", Channel("translation.x", samples=frozen(down)))
    shot = replace(
        shot, marks=(Mark("contact", (0.0, 64.0), ("cup",)),), pins=(Pin("cup", None, (0.0, 4.0)),)
    )
    result = mended(shot)
    assert result.left == ()
    changed = {c.frame for c in differences(replace(shot, pins=()), replace(result.shot, pins=()))}
    assert changed == set(range(48, 65))
    local = in_hand(result.shot)[:, 0]
    assert np.abs(np.diff(local[40:65])).max() < 0.02 / 3  # no jump anywhere, the last one included


def test_a_jump_out_of_the_hand_is_left_with_the_reason() -> None:
    result = mended(attached(54, 0.5))
    ((_, why, *_),) = result.left
    assert "nobody holds it" in why
    assert "hand" in why

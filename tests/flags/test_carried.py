"""What jumps in the hand that holds it and back: told whoever says that it is held, mended between both jumps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.changes import differences
from refine.flags.attachments import across
from refine.flags.carried import FAULT, moved_along, pops
from refine.flags.check import check, stage_of
from refine.flags.contacts import SLIDING
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.standing import standing
from refine.pose import pose
from refine.shot import Channel, Control, Link, Mark, Shot, frozen, make_keys
from tests.flags.arm import RATES, arm_shot, motion, with_samples
from tests.flags.test_attachments import SIZE, in_hand
from tests.flags.test_contacts import attached
from tests.flags.tolerances import CARRIED


def there_and_back(at: int, count: int, fps: float = 24.0) -> Shot:
    """A cup in a hand, in another place there for some frames."""
    return with_samples(attached(0, 0.0, fps), "cup", "translation.x", np.full(count, SIZE), at)


def unmarked(shot: Shot) -> Shot:
    return replace(shot, marks=())


def of(shot: Shot, *faults: str) -> list[Flag]:
    return [flag for flag in check(stage_of(shot, Look())) if not faults or flag.fault in faults]


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("seconds", [0.0, 0.2, 0.5])
@pytest.mark.parametrize("marked", [True, False], ids=["marked", "linked"])
def test_both_jumps_are_told_and_what_lies_between_is_put_back(
    fps: float, seconds: float, marked: bool
) -> None:
    at, count = round(1.2 * fps), max(round(seconds * fps), 2)
    shot = there_and_back(at, count, fps) if marked else unmarked(there_and_back(at, count, fps))
    found = of(shot, FAULT, "jitter")
    ends = [(at - 1, at), (at + count - 1, at + count)]
    assert [(flag.fault, flag.frames) for flag in found] == [(FAULT, frames) for frames in ends]
    assert marked or {flag.severity for flag in found} == {"warn"}
    result = mend(shot, Look(), of(shot))
    assert {(c.control, c.frame) for c in differences(shot, result.shot)} == {
        ("cup", float(frame)) for frame in range(at, at + count)
    }
    local = in_hand(result.shot)
    np.testing.assert_allclose(local, np.broadcast_to(local[0], local.shape), atol=CARRIED)


def test_the_slide_of_what_jumps_goes_with_the_jump() -> None:
    flags = of(there_and_back(30, 10))
    first = next(flag for flag in flags if flag.fault == FAULT)
    slides = [flag for flag in flags if flag.fault == SLIDING]
    assert [(flag.severity, flag.along) for flag in slides] == [("note", first.id)]


def test_without_a_mark_a_jump_of_the_hand_isn_t_the_cup_s() -> None:
    shot = with_samples(unmarked(attached(0, 0.0)), "hand", "translation.x", np.full(10, SIZE), 30)
    assert pops(stage_of(shot, Look()), "cup") == ()


def test_a_cup_isn_t_moved_to_a_hand_that_jumps() -> None:
    shot = with_samples(attached(0, 0.0), "hand", "translation.x", np.full(10, SIZE), 30)
    flags = of(shot, FAULT)
    assert {flag.remedy for flag in flags} == {"look at hand first"}
    result = mend(shot, Look(), flags)
    assert result.shot == shot
    assert {why for _, why, *_ in result.left} == {"it is hand that jumps: mend that first"}


def test_where_marks_say_when_it_is_held_nothing_is_guessed_beside_them() -> None:
    shot = replace(there_and_back(40, 10), marks=(Mark("contact", (0.0, 35.0), ("cup",)),))
    assert pops(stage_of(shot, Look()), "cup") == ()


def in_noise(shot: Shot) -> Shot:
    noise = np.random.default_rng(3).normal(0.0, 0.004, shot.last_frame + 1)
    return with_samples(unmarked(shot), "cup", "translation.x", noise, 0)


def test_a_cup_that_trembles_doesn_t_jump() -> None:
    assert pops(stage_of(in_noise(attached(0, 0.0)), Look()), "cup") == ()


# --- carried by a parent -----------------------------------------------------------------------------------


def carried(count: int, back: bool = True, swing: float = 0.0, marks: tuple[Mark, ...] = ()) -> Shot:
    """An arm with a can parented to its hand, which is in another place there for some frames by held keys."""
    shot = arm_shot(marks=marks)
    frames = [0.0, 50.0, 50.0 + count] if back else [0.0, 50.0]
    values = [0.0, SIZE, 0.0][: len(frames)]
    keys = make_keys(frames, values, [0.0] * len(frames), segment=[0] * len(frames))
    turn = Channel("rotation.z", samples=frozen(swing * motion(24.0, 9)[:, None]))
    channels = (Channel("translation.y", keys), *((turn,) if swing else ()))
    can = Control(
        "can", parent="hand", rest_translation=(0.1, 0.0, 0.0), tip=(0.0, 0.2, 0.0), channels=channels
    )
    return replace(shot, controls=(*shot.controls, can))


@pytest.mark.parametrize("count", [2, 5])
def test_a_carried_can_that_jumps_and_is_soon_back_is_put_back(count: int) -> None:
    shot = carried(count)
    found = of(shot, FAULT)
    assert [(flag.control, flag.severity) for flag in found] == [("can", "warn"), ("can", "warn")]
    after = mend(shot, Look(), found).shot
    keys = after.channel("can", "translation.y").keys
    assert keys is not None
    np.testing.assert_allclose(keys.values, 0.0, atol=CARRIED)


@pytest.mark.parametrize("shot", [carried(30), carried(0, back=False)], ids=["late", "never"])
def test_a_carried_can_that_stays_where_it_went_may_be_meant_to(shot: Shot) -> None:
    assert of(shot, FAULT) == []


@pytest.mark.parametrize("who", [("palm", "can"), ("can",)], ids=["both", "can"])
@pytest.mark.parametrize("swing", [0.0, 3.0])
def test_a_can_in_the_hand_that_carries_it_doesn_t_slide(who: tuple[str, ...], swing: float) -> None:
    """Neither as it goes along with the hand, nor as it swings about its own pivot there."""
    shot = carried(0, back=False, swing=swing)
    hips, arm, forearm, can = shot.controls
    palm = Control("palm", "hand", part="hand", rest_translation=(0.5, 0.0, 0.0), tip=(0.1, 0.0, 0.0))
    arm, forearm = replace(arm, part="arm"), replace(forearm, tip=None, part="forearm")
    shot = replace(shot, controls=(hips, arm, forearm, palm, replace(can, parent="palm")))
    shot = replace(shot, marks=(Mark("contact", (10.0, 45.0), who),))
    assert [limb.end for limb in standing(stage_of(shot, Look())).limbs] == ["palm"]
    assert of(shot, SLIDING) == []


# --- what carries it along ---------------------------------------------------------------------------------

SHAKE = np.random.default_rng(1).normal(0.0, 1.0, 30)


def holding(shot: Shot) -> Shot:
    """The arm with a cup, baked in the world, that keeps its place in the hand."""
    posed, i = pose(shot, shot.frames), shot.index("hand")
    places = posed.linear[i] @ np.array([0.3, 0.0, 0.1]) + posed.origin[i]
    names = ("translation.x", "translation.y", "translation.z")
    channels = tuple(Channel(name, samples=frozen(places[:, [n]])) for n, name in enumerate(names))
    cup = Control("cup", tip=(0.0, 0.15, 0.0), links=(Link("attachment", "hand"),), channels=channels)
    return replace(shot, controls=(*shot.controls, cup))


def test_what_a_hand_does_is_not_told_of_the_cup_it_carries() -> None:
    """A hand that trembles shakes its cup: mended alone, the cup would leave the hand."""
    shot = holding(with_samples(arm_shot(), "hand", "rotation.z", SHAKE, 50))
    stage = stage_of(shot, Look())
    assert moved_along(stage, "cup", (50, 79))
    assert {(flag.fault, flag.control) for flag in check(stage)} == {("jitter", "hand")}


def test_a_cup_that_trembles_in_a_calm_hand_is_told() -> None:
    shot = with_samples(holding(arm_shot()), "cup", "translation.y", 0.01 * SHAKE, 50)
    assert not moved_along(stage_of(shot, Look()), "cup", (50, 79))
    assert ("jitter", "cup") in {(flag.fault, flag.control) for flag in of(shot)}


def test_a_link_to_what_it_looks_at_carries_nothing() -> None:
    shot = holding(arm_shot())
    cup = replace(shot.controls[-1], links=(Link("aim", "hand"),))
    shot = replace(shot, controls=(*shot.controls[:-1], cup))
    assert not moved_along(stage_of(shot, Look()), "cup", (50, 79))


def test_a_jump_that_an_earlier_mend_took_away_has_no_mend() -> None:
    shot = there_and_back(30, 10)
    flag = of(shot, FAULT)[0]
    assert list(across(stage_of(attached(0, 0.0), Look()), flag)) == []
    assert list(across(stage_of(there_and_back(31, 10), Look()), flag))

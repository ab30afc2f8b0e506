"""Controls that nobody looked at, and sides that move as one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.corpus import slopes_by
from benchmarks.planted.coverage import measure_twins
from benchmarks.planted.planted import Truth
from refine.application import applied, proof
from refine.changes import differences
from refine.curve import bake
from refine.flags.check import stage_of
from refine.flags.coverage import STILL, find
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend, suggested
from refine.flags.twins import TWINS
from refine.formats import read, write
from refine.limbs.sides import partners
from refine.shot import Array, Camera, Channel, Control, Link, Mark, Pin, Shot, make_keys

FPS = (12.0, 24.0, 30.0, 60.0)
CAMERA = Camera(Control("camera", rest_translation=(0.0, 1.0, 5.0)), 30.0, 1920, 1080, 16 / 9)
SECONDS = 5.0


def waved(fps: float, voice: float, late: float = 0.0, size: float = 30.0) -> Channel:
    """A swing keyed six times a second; each voice is another one, `late` in seconds."""
    at = np.arange(0.0, SECONDS + 1e-9, 1 / 6)
    values = size * (np.sin(2.2 * (at - late) + voice) + 0.4 * np.sin(5.1 * (at - late) + 2 * voice))
    frames = np.round(at * fps)
    return Channel("rotation.z", make_keys(frames, values, slopes_by("natural", frames, values)))


def still() -> Channel:
    return Channel("rotation.z", make_keys([0.0], [4.0], [0.0]))


def hand(fps: float, thumb: Channel) -> Shot:
    """A hand with four fingers of its own motion, and a fifth."""
    palm = Control("hand", rest_translation=(0.0, 1.0, 0.0), channels=(waved(fps, 0.0),))
    fingers = [
        Control(
            f"finger {i}", "hand", rest_translation=(0.1 * i, 0.0, 0.0), tip=(0.0, 0.3, 0.0), channels=(c,)
        )
        for i, c in enumerate([*(waved(fps, 1.0 + i) for i in range(4)), thumb])
    ]
    return Shot("hand", fps, 0, round(SECONDS * fps), (palm, *fingers), (CAMERA,))


def flags(shot: Shot, fault: str) -> list[Flag]:
    return [flag for flag in find(stage_of(shot, Look())) if flag.fault == fault]


@pytest.mark.parametrize("fps", FPS)
def test_a_finger_that_never_moves_among_moving_ones_is_found(fps: float) -> None:
    (flag,) = flags(hand(fps, still()), STILL)
    assert (flag.control, flag.severity, flag.frames) == ("finger 4", "warn", (0, round(SECONDS * fps)))
    assert flag.cause.control == "finger 4"
    assert flags(hand(fps, waved(fps, 7.0)), STILL) == []


@pytest.mark.parametrize("fps", FPS)
def test_a_finger_that_goes_dead_for_more_than_a_second_is_noted(fps: float) -> None:
    def resting(seconds: float) -> Channel:
        at = np.array([0.0, 0.5, 1.0, 1.5, 1.5 + seconds, 4.0, 4.5, 5.0])
        return Channel(
            "rotation.z", make_keys(np.round(at * fps), [0, 20, -9, 12, 12, 30, -8, 0], np.zeros(8))
        )

    (flag,) = flags(hand(fps, resting(2.0)), STILL)
    assert flag.severity == "note"
    assert abs(flag.frames[0] - 1.5 * fps) <= fps / 12
    assert abs(flag.frames[1] - 3.5 * fps) <= fps / 12
    assert flags(hand(fps, resting(0.7)), STILL) == []


def test_what_is_held_driven_braced_or_too_small_may_stand_still() -> None:
    shot = hand(24.0, still())
    finger = shot.controls[-1]
    cup = Control("cup", links=(Link("attachment", "finger 4"),))
    driven = replace(finger, links=(Link("constraint", "hand"),))
    far = replace(CAMERA, control=replace(CAMERA.control, rest_translation=(0.0, 1.0, 200.0)))
    everywhere = (0.0, 120.0)
    for other in (
        replace(shot, marks=(Mark("contact", everywhere, ("finger 4",)),)),
        replace(shot, marks=(Mark("hold", everywhere),)),
        replace(shot, controls=(*shot.controls, cup)),
        replace(shot, controls=(*shot.controls[:-1], driven)),
        replace(shot, cameras=(far,)),
    ):
        assert flags(other, STILL) == []


def test_among_siblings_that_stand_still_too_nothing_is_found() -> None:
    shot = hand(24.0, still())
    quiet = [replace(c, channels=(still(),)) for c in shot.controls[2:4]]
    assert flags(replace(shot, controls=(*shot.controls[:2], *quiet, *shot.controls[4:])), STILL) == []


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("hand.L", "hand.R"),
        ("LeftFoot", "RightFoot"),
        ("arm_l", "arm_r"),
        ("l_arm", "r_arm"),
        ("LThumb", "RThumb"),
        ("left leg", "right leg"),
        ("rig:finger.L.02", "rig:finger.R.02"),
    ],
)
def test_partners_are_found_by_their_names(one: str, other: str) -> None:
    pair = [Control(n, rest_translation=(x, 1.0, 0.0)) for n, x in ((one, 0.2), (other, -0.2))]
    assert partners(pair) == {one: other, other: one}
    elsewhere = replace(pair[1], rest_translation=(0.5, -0.3, 0.0))
    assert partners([pair[0], elsewhere]) == {}


def test_names_that_only_hold_a_letter_are_nobodys_partners() -> None:
    names = ("lamp", "ramp", "Lid", "Rid", "wall", "warr", "tail", "tair")
    assert partners([Control(name, rest_translation=(0.1, 0.0, 0.0)) for name in names]) == {}


def arms(fps: float, right: Array | Channel, **more: object) -> Shot:
    """A chest that turns, and two arms mirrored along x; the right one moves by a channel of its own."""
    channel = right if isinstance(right, Channel) else waved(fps, 1.0)
    chest = Control("chest", rest_translation=(0.0, 1.4, 0.0), channels=(waved(fps, 4.0, size=8.0),))
    foot = Control("ground", rest_translation=(0.0, 0.0, 0.0))
    sides = [
        Control(n, "chest", "arm", (x, 0.0, 0.0), tip=(0.0, -0.6, 0.1), channels=(c,))
        for n, x, c in (("arm.L", 0.2, waved(fps, 1.0)), ("arm.R", -0.2, channel))
    ]
    shot = Shot("arms", fps, 0, round(SECONDS * fps), (foot, chest, *sides), (CAMERA,))
    return replace(shot, **more)  # type: ignore[arg-type]


def mirrored(channel: Channel) -> Channel:
    keys = channel.keys
    assert keys is not None
    slopes = -keys.outgoing
    return replace(channel, keys=make_keys(keys.frames, -keys.values, slopes))


@pytest.mark.parametrize("fps", FPS)
def test_arms_that_mirror_each_other_are_found_and_late_or_other_ones_are_not(fps: float) -> None:
    (flag,) = flags(arms(fps, mirrored(waved(fps, 1.0))), TWINS)
    assert (flag.control, flag.severity) == ("arm.L", "error")
    assert "all keys of arm.R" in flag.remedy
    for other in (waved(fps, 1.0), mirrored(waved(fps, 1.0, late=0.13)), mirrored(waved(fps, 2.5))):
        assert flags(arms(fps, other), TWINS) == []


def thumb(palm: Shot, *channels: Channel) -> Shot:
    """A hand of one block of fingers, the other hand's thumb, and a thumb of this one."""
    names = ("block", "LThumb", "RThumb")
    small = [
        Control(n, "hand", rest_translation=(0.1 * i, 0.0, 0.0), tip=(0.0, 0.3, 0.0), channels=(c,))
        for i, (n, c) in enumerate(zip(names, channels, strict=True))
    ]
    return replace(palm, controls=(palm.controls[0], *small))


def test_a_thumb_beside_one_block_of_fingers_is_often_left_and_a_head_is_not() -> None:
    palm = hand(24.0, still())
    shot = thumb(palm, waved(24.0, 1.0), waved(24.0, 2.0), still())
    assert flags(shot, STILL) == []
    named = replace(shot.controls[3], name="head")
    (flag,) = flags(replace(shot, controls=(*shot.controls[:3], named)), STILL)
    assert flag.control == "head"


def test_a_recorded_thumb_that_stands_still_beside_moving_fingers_was_lost() -> None:
    palm = hand(24.0, still())
    shot = thumb(palm, waved(24.0, 1.0), waved(24.0, 2.0), still())
    controls = tuple(
        replace(c, channels=tuple(bake(channel, shot) for channel in c.channels)) for c in shot.controls
    )
    (flag,) = flags(replace(shot, controls=controls), STILL)
    assert (flag.control, flag.severity) == (shot.controls[3].name, "warn")


@pytest.mark.parametrize("fps", FPS)
@pytest.mark.parametrize("medium", ["keyed", "baked"])
def test_the_smallest_shift_of_one_side_undoes_twins(fps: float, medium: str) -> None:
    shot = arms(fps, mirrored(waved(fps, 1.0)))
    if medium == "baked":
        shot = baked(shot)
    (flag,) = flags(shot, TWINS)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert flags(result.shot, TWINS) == []
    truth = Truth((TWINS,), ("arm.L", "arm.R"), (), (0, shot.last_frame), 0.0)
    assert measure_twins(shot, shot, truth) == 1.0  # [lib] extremes by scipy's find_peaks
    assert measure_twins(result.shot, shot, truth) < 0.8
    changed = {(c.control, c.field) for c in differences(shot, result.shot)}
    assert {control for control, _ in changed} == {"arm.R"}
    if medium == "keyed":
        moved = [c for c in differences(shot, result.shot) if c.field == "key"]
        by = {float(np.ravel(c.after)[0]) - c.frame for c in moved}  # by less beside what stays
        assert len(set(np.sign(list(by)))) == 1
        assert 1 <= max(map(abs, by)) <= max(round(3 * fps / 24), 1)
    else:
        samples = [s.controls[3].channels[0].samples for s in (shot, result.shot)]
        assert samples[0] is not None
        assert samples[1] is not None
        np.testing.assert_array_equal(samples[0][[0, -1]], samples[1][[0, -1]])


def baked(shot: Shot) -> Shot:
    return replace(
        shot,
        controls=tuple(
            replace(c, channels=tuple(bake(ch, shot) for ch in c.channels)) for c in shot.controls
        ),
    )


def test_pins_turn_the_shift_to_the_other_side_and_pins_on_both_forbid_it() -> None:
    shot = arms(24.0, mirrored(waved(24.0, 1.0)), pins=(Pin("arm.R", None, (20.0, 20.0)),))
    (flag,) = flags(shot, TWINS)
    result = mend(shot, Look(), [flag])
    assert {c.control for c in differences(shot, result.shot)} == {"arm.L"}
    both = replace(shot, pins=(*shot.pins, Pin("arm.L", "rotation.z", (60.0, 60.0))))
    result = mend(both, Look(), flags(both, TWINS))
    assert result.mended == ()
    assert result.left[0].clash == ("pin arm.R@20", "pin arm.L.rotation.z@60")
    held = replace(shot, pins=(), marks=(Mark("contact", (100.0, 110.0), ("arm.R", "arm.L")),))
    found = flags(held, TWINS)
    assert all(f.frames[1] < 100 for f in found)


def test_a_shift_and_its_slopes_come_back_to_the_byte_by_undo(tmp_path: Path) -> None:
    shot = arms(24.0, mirrored(waved(24.0, 1.0)))
    path = tmp_path / "arms.shot.json"
    path.write_bytes(write(shot, path))
    document = read(path)
    (flag,) = flags(document.shot, TWINS)
    suggestion, left = suggested(document, Look(), [flag])
    assert left == ()
    assert {"key", "incoming_slope"} <= {c.field for c in suggestion.changes}
    made = applied(document, document.sha256, suggestion.changes)
    assert made.left == ()
    after = tmp_path / "after.shot.json"
    after.write_bytes(made.data)
    proof(document, made, after)(made.data)
    assert flags(read(after).shot, TWINS) == []
    back = applied(read(after), "", suggestion.changes, undo=True)
    assert back.left == ()
    assert back.data == document.data
    proof(read(after), back, path)(back.data)


def test_pins_choose_the_side_that_the_remedy_moves() -> None:
    shot = arms(24.0, mirrored(waved(24.0, 1.0)), pins=(Pin("arm.R", None, (20.0, 20.0)),))
    (flag,) = flags(shot, TWINS)
    assert "all keys of arm.L" in flag.remedy
    both = replace(shot, pins=(*shot.pins, Pin("arm.L", "rotation.z", (5.0, 9.0))))
    (flag,) = flags(both, TWINS)
    assert "pins hold" in flag.remedy


def test_two_hands_on_one_thing_contacts_accents_faces_and_jumps_are_meant() -> None:
    shot = arms(24.0, mirrored(waved(24.0, 1.0)))
    tray = Control("tray", links=(Link("attachment", "arm.L"), Link("attachment", "arm.R")))
    bar = Control("bar")
    gripping = [replace(c, links=(Link("attachment", "bar"),)) for c in shot.controls[2:]]
    lids = [replace(c, part="eyes") for c in shot.controls[2:]]
    marks = [(Mark(kind, (0.0, 120.0), ("arm.L",)),) for kind in ("contact", "accent", "hold")]
    hop = np.array([0.0, 12, 18, 24, 48, 54, 60, 84, 90, 96, 120])
    lift = np.array([0.0, 0, 0.4, 0, 0, 0.4, 0, 0, 0.4, 0, 0])
    jumping = Channel("translation.y", make_keys(hop, lift, slopes_by("flat", hop, lift)))
    body = Control("body", channels=(jumping,))
    carried = [replace(c, parent=c.parent or "body") for c in shot.controls]
    for other in (
        replace(shot, controls=(*shot.controls, tray)),
        replace(shot, controls=(*shot.controls[:2], *gripping, bar)),
        replace(shot, controls=(*shot.controls[:2], *lids)),
        *(replace(shot, marks=kind) for kind in marks),
        replace(shot, controls=(body, *carried)),
    ):
        assert flags(other, TWINS) == []

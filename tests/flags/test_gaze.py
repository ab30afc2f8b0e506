"""Eyes: looks beside the target and eyes apart are found and shifted as a whole; darts and glances are left alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.corpus import slopes_by
from benchmarks.planted.gaze import looking, plant
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.gaze import APART, MENDS, OFF, find
from refine.flags.look import Look
from refine.flags.sight import axis
from refine.formats import read
from refine.shot import Array, Camera, Channel, Control, Gaze, Keys, Limits, Pin, Shot, make_keys
from tests.flags.tolerances import FOLLOWED_LOOK, LOOK, LOOK_BACK
from tests.open_clips import clip_or_skip

DEMO = Path(__file__).resolve().parents[2] / "demo" / "baker.shot.json"
FPS = (12.0, 24.0, 30.0, 60.0)
FAR = (0.0, 1.6, 10.0)  # straight ahead of a head at a height of 1.6 m
CAMERA = Camera(Control("camera", rest_translation=(0.0, 1.6, 3.0)), 20.0, 1920, 1080, 16 / 9)


def looks(fps: float, *parts: tuple[float, float, float]) -> Keys:
    """Keys of yaw or pitch in degrees: (start s, end s, value) a look, darts of 1/12 s between, slopes 0 then."""
    frames: list[float] = []
    values: list[float] = []
    for start, end, value in parts:
        for at in np.linspace(start, end, 4):
            frames.append(float(round(at * fps)))
            values.append(value)
    assert np.all(np.diff(frames) > 0)
    return make_keys(frames, values, np.zeros(len(frames)))


def eyes_shot(yaw: Keys, fps: float, span: tuple[float, float] = (0.0, 4.0), **more: object) -> Shot:
    """Eyes 0.1 m long in a still head, looking along +Z, and a gaze at FAR for a range in seconds."""
    channels = (Channel("rotation.y", yaw), Channel("rotation.x", looks(fps, (0.0, 4.0, 0.0))))
    eyes = Control("eyes", "head", "eyes", order="yxz", tip=(0.0, 0.0, 0.1), channels=channels)
    head = Control("head", part="head", rest_translation=(0.0, 1.6, 0.0), tip=(0.0, 0.2, 0.0))
    gaze = Gaze("eyes", (round(span[0] * fps), round(span[1] * fps)), point=FAR)
    shot = Shot("eyes", fps, 0, round(4 * fps), (head, eyes), (CAMERA,), gazes=(gaze,))
    return replace(shot, **more)  # type: ignore[arg-type]


def flags(shot: Shot, fault: str = OFF) -> list[Flag]:
    return [flag for flag in find(stage_of(shot, Look())) if flag.fault == fault]


def yaw_of(shot: Shot, name: str = "eyes") -> Array:
    channel = shot.control(name).channel("rotation.y")
    assert channel is not None
    assert channel.keys is not None
    return channel.keys.values[:, 0]


@pytest.mark.parametrize("fps", FPS)
@pytest.mark.parametrize(("off", "severity"), [(1.8, None), (3.0, "warn"), (7.0, "error")])
def test_a_look_beside_the_target_is_found_by_its_angle(fps: float, off: float, severity: str | None) -> None:
    shot = eyes_shot(looks(fps, (0.0, 4.0, off)), fps)
    found = flags(shot)
    assert [flag.severity for flag in found] == ([severity] if severity else [])
    for flag in found:
        np.testing.assert_allclose(flag.amount, off, atol=LOOK)
        assert flag.cause.control == "eyes"
        after = MENDS[flag.fault](stage_of(shot, Look()), flag)
        assert after is not None
        np.testing.assert_allclose(yaw_of(after), 0.0, atol=LOOK)
        assert flags(after) == []


@pytest.mark.parametrize("fps", FPS)
def test_a_small_dart_moves_along_with_its_look(fps: float) -> None:
    yaw = looks(fps, (0.0, 1.5, 3.5), (1.6, 2.0, 6.0), (2.1, 4.0, 3.5))
    shot = eyes_shot(yaw, fps)
    (flag,) = flags(shot)
    after = MENDS[flag.fault](stage_of(shot, Look()), flag)
    assert after is not None
    np.testing.assert_allclose(yaw_of(after) - yaw_of(shot), -3.5, atol=LOOK)
    channel = after.controls[1].channel("rotation.y")
    assert channel is not None
    assert channel.keys is not None
    np.testing.assert_array_equal(channel.keys.outgoing, yaw.outgoing)


@pytest.mark.parametrize("fps", FPS)
@pytest.mark.parametrize("away", [(1.5, 1.85, 9.0), (1.5, 2.6, 25.0)], ids=["a glance", "a look averted"])
def test_glances_and_averted_looks_between_looks_are_left_alone(
    fps: float, away: tuple[float, float, float]
) -> None:
    yaw = looks(fps, (0.0, 1.4, 0.5), away, (away[1] + 0.1, 4.0, 0.5))
    assert flags(eyes_shot(yaw, fps)) == []


def test_only_the_frames_of_the_gaze_count_and_only_their_keys_move() -> None:
    yaw = looks(24.0, (0.0, 0.9, 40.0), (1.0, 3.0, 4.0), (3.1, 4.0, -30.0))
    shot = eyes_shot(yaw, 24.0, (1.0, 3.0))
    (flag,) = flags(shot)
    after = MENDS[flag.fault](stage_of(shot, Look()), flag)
    assert after is not None
    moved = yaw_of(after) - yaw_of(shot)
    np.testing.assert_allclose(moved, np.where(yaw.values[:, 0] == 4.0, -4.0, 0.0), atol=LOOK)


def test_pins_and_limits_forbid_the_shift() -> None:
    shot = eyes_shot(looks(24.0, (0.0, 4.0, 4.0)), 24.0)
    (flag,) = flags(shot)
    for pin in (Pin("eyes", "rotation.y", (32.0, 32.0)), Pin("eyes", None, (10.0, 12.0))):
        assert MENDS[OFF](stage_of(replace(shot, pins=(pin,)), Look()), flag) is None
    eyes = shot.controls[1]
    limited = replace(eyes.channels[0], limits=Limits(2.0, 30.0))
    assert MENDS[OFF](stage_of(shot.with_channel("eyes", limited), Look()), flag) is None


def test_a_target_is_met_where_it_moves_and_the_head_turns() -> None:
    frames = np.arange(0.0, 97.0, 4.0)
    turn = 12.0 * np.sin(frames / 20)
    target = Control(
        "bird", channels=(Channel("translation.x", make_keys([0, 96], [-1, 1], [1 / 48, 1 / 48])),)
    )
    target = replace(target, rest_translation=(0.0, 1.6, 4.0))
    at = -1 + frames / 48
    yaw = np.rad2deg(np.arctan2(at, 4.0)) - turn + 6.0
    shot = eyes_shot(make_keys(frames, yaw, slopes_by("natural", frames, yaw)), 24.0)
    head = Channel("rotation.y", make_keys(frames, turn, slopes_by("natural", frames, turn)))
    controls = (replace(shot.controls[0], channels=(head,)), shot.controls[1], target)
    shot = replace(shot, controls=controls, gazes=(Gaze("eyes", (0, 96), target="bird"),))
    (flag,) = flags(shot)
    assert flag.severity == "error"
    after = MENDS[OFF](stage_of(shot, Look()), flag)
    assert after is not None
    np.testing.assert_allclose(yaw_of(after) - yaw_of(shot), -6.0, atol=FOLLOWED_LOOK)


def test_what_says_where_a_control_looks() -> None:
    eye = Control("eye", "head", "eye", tip=(0.0, 0.0, 0.1))
    crown = Control("head", part="head", tip=(0.0, 0.2, 0.02))
    shot = Shot(
        "axes", 24.0, 0, 1, (crown, eye, Control("lamp"), Control("dog", part="head", tip=(0.0, 0.1, 0.3)))
    )
    stage = stage_of(shot, Look())
    found = {name: axis(stage, name) for name in ("eye", "head", "lamp", "dog")}
    np.testing.assert_array_equal(found["eye"], [0, 0, 0.1])
    np.testing.assert_array_equal(found["head"], [0, 0, 0.1])
    np.testing.assert_array_equal(found["lamp"], [0, 0, -1])
    np.testing.assert_array_equal(found["dog"], [0, 0.1, 0.3])
    assert axis(stage_of(replace(shot, controls=(crown, shot.controls[2])), Look()), "head") is None


def two_eyes(left: float, right: float, gazes: tuple[Gaze, ...] = (), swap: bool = False) -> Shot:
    """Two eyes 6 cm apart, the left one at +X, turned by angles about the vertical: positive towards +X."""
    head = Control("head", part="head", rest_translation=(0.0, 1.6, 0.0))
    pair = [
        Control(
            name,
            "head",
            "eye",
            rest_translation=(x, 0.0, 0.0),
            order="yxz",
            tip=(0.0, 0.0, 0.1),
            channels=(Channel("rotation.y", make_keys([0, 24, 48], [yaw] * 3, [0] * 3)),),
        )
        for name, x, yaw in (("eye.L", 0.03, left), ("eye.R", -0.03, right))
    ]
    return Shot("two", 24.0, 0, 48, (head, *(pair[::-1] if swap else pair)), (CAMERA,), gazes=gazes)


@pytest.mark.parametrize("swap", [False, True])
@pytest.mark.parametrize(
    ("left", "right", "severity"),
    [
        (0.0, 0.0, None),
        (0.8, -0.8, None),  # 1.6 deg outward
        (1.5, -1.5, "warn"),  # 3 outward
        (2.5, -2.5, "error"),  # 5 outward
        (-4.0, 4.0, None),  # on something near, for all we know
        (8.0, 8.0, None),  # both to the side
    ],
)
def test_eyes_that_turn_outward_are_found(
    left: float, right: float, severity: str | None, swap: bool
) -> None:
    """[pub] Weissberg 2004: 70 % of laymen notice an eye that is turned 4.6 deg outward, or 8.3 inward."""
    shot = two_eyes(left, right, swap=swap)
    found = flags(shot, APART)
    assert [flag.severity for flag in found] == ([severity] if severity else [])
    for flag in found:
        after = MENDS[APART](stage_of(shot, Look()), flag)
        assert after is not None
        np.testing.assert_allclose([yaw_of(after, n) for n in ("eye.L", "eye.R")], 0.0, atol=LOOK)


@pytest.mark.parametrize(("inward", "severity"), [(3.0, None), (5.0, "warn"), (9.0, "error")])
def test_eyes_that_squint_at_a_far_target_are_found(inward: float, severity: str | None) -> None:
    gazes = (Gaze("eye.L", (0, 48), point=(0.0, 1.6, 1000.0)),)
    found = flags(two_eyes(-inward / 2, inward / 2, gazes), APART)
    assert [flag.severity for flag in found] == ([severity] if severity else [])


def test_the_demos_baker_looks_out_of_the_window() -> None:
    assert list(find(stage_of(read(DEMO).shot, Look()))) == []


def bounded(fps: float, off: float) -> Shot:
    """A look of 1 to 3 s whose last key the dart to the next look starts on: the frames before it are fast already."""
    frames = np.array([0.0, 0.8, 1.0, 1.5, 2.0, 2.9, 3.0, 3.1, 4.0]).round(4) * fps
    yaw = np.array([30.0, 30.0, off, off, off, off, off, -40.0, -40.0])
    slopes = np.array([0.0, 0, 0, 0, 0, 0, -200.0 / fps, 0, 0])
    return eyes_shot(make_keys(frames.round(), yaw, slopes), fps, (1.0, 3.0))


@pytest.mark.parametrize("fps", FPS[1:])  # at 12 no frame lies between the last two keys
def test_the_keys_that_bound_a_look_are_shifted_with_it(fps: float) -> None:
    shot = bounded(fps, 6.0)
    (flag,) = flags(shot)
    assert flag.frames[1] < round(3 * fps)  # a dart starts on the last key
    after = MENDS[flag.fault](stage_of(shot, Look()), flag)
    assert after is not None
    moved = yaw_of(after) - yaw_of(shot)
    np.testing.assert_allclose(moved, [0, 0, -6, -6, -6, -6, -6, 0, 0], atol=LOOK)


@pytest.mark.parametrize(("clip", "seed"), [("01_03", 0), ("Boxing_Toes", 0)])
def test_a_key_whose_slopes_tell_that_it_belongs_to_the_look_goes_along(clip: str, seed: int) -> None:
    clip_or_skip(clip)
    sound = looking(clip, seed)
    planted = plant(sound, seed, "error")
    assert planted is not None
    shot = planted[0]
    found = flags(shot)
    assert found
    stage = stage_of(shot, Look())
    for flag in found:
        after = MENDS[flag.fault](stage, flag)
        assert after is not None
        stage = stage.after(after)
    for name in ("rotation.x", "rotation.y"):
        before, now = (each.channel("eyes", name).keys for each in (sound, stage.shot))
        assert before is not None
        assert now is not None
        assert np.abs(now.values - before.values).max() <= LOOK_BACK


def test_the_eye_that_looks_at_the_target_stays_where_the_other_turns_away() -> None:
    far = (0.0, 1.6, 1000.0)
    gazes = tuple(Gaze(name, (8, 40), point=far) for name in ("eye.L", "eye.R"))  # the flag reaches beyond
    shot = two_eyes(5.0, 0.0, gazes)
    (flag,) = flags(shot, APART)
    assert flag.frames == (0, 48)
    after = MENDS[APART](stage_of(shot, Look()), flag)
    assert after is not None
    assert after.control("eye.R") is shot.control("eye.R")
    aside = -np.rad2deg(np.arctan(0.03 / far[2]))  # the eye is 3 cm beside the middle
    np.testing.assert_allclose(yaw_of(after, "eye.L"), [5.0, aside, 5.0], atol=LOOK)

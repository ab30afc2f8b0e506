"""Straight limbs that pop and bones that change their length."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.planted.contacts import SHIN, THIGH, plant, stepping
from refine.clean.keys.reduce import reduced
from refine.clean.settings import Amount
from refine.flags import limbs
from refine.flags.bending import FULL, calmed
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.standing import standing
from refine.limbs.limb import bend_vector, extension
from refine.shot import Array, Camera, Channel, Control, Pin, Shot, frozen
from tests.flags.tolerances import PUT_BACK

RATES = (12.0, 24.0, 30.0, 60.0)


def flags(shot: Shot) -> list[Flag]:
    return list(limbs.find(stage_of(shot, Look())))


def hanging_leg(distance: Array, fps: float) -> Shot:
    """A leg in the air whose ankle is `distance` (N,) straight below the hip, which travels at 1 m/s."""
    cosine = (THIGH**2 + SHIN**2 - distance**2) / (2 * THIGH * SHIN)
    knee = 180 - np.rad2deg(np.arccos(np.clip(cosine, -1, 1)))
    along = (THIGH**2 - SHIN**2 + distance**2) / (2 * distance)
    hip = -np.rad2deg(np.arccos(np.clip(along / THIGH, -1, 1)))
    channels = {
        "hips": (Channel("translation.z", samples=frozen(np.arange(len(distance))[:, None] / fps)),),
        "thigh": (Channel("rotation.x", samples=frozen(hip[:, None])),),
        "shin": (Channel("rotation.x", samples=frozen(knee[:, None])),),
        "foot": (Channel("rotation.x", samples=frozen(-(hip + knee)[:, None])),),
    }
    controls = (
        Control("hips", part="pelvis", rest_translation=(0.0, 1.5, 0.0), channels=channels["hips"]),
        Control("thigh", "hips", "leg", channels=channels["thigh"]),
        Control("shin", "thigh", "leg", (0.0, -THIGH, 0.0), channels=channels["shin"]),
        Control("foot", "shin", "foot", (0.0, -SHIN, 0.0), tip=(0.0, -0.08, 0.17), channels=channels["foot"]),
    )
    turn = (0.0, float(np.sqrt(0.5)), 0.0, float(np.sqrt(0.5)))
    camera = Camera(
        Control("camera", rest_translation=(6.0, 1.0, 1.0), rest_rotation=turn), 30.0, 1920, 1080, 16 / 9
    )
    return Shot("leg", fps, 0, len(distance) - 1, controls, (camera,))


def popping(fps: float) -> Shot:
    """The ankle glides down and up, and on its way the leg runs out of length: the knee snaps."""
    t = np.arange(round(2 * fps)) / fps
    wanted = 0.84 - 0.045 * np.cos(2 * np.pi * t / 2.0)
    return hanging_leg(np.minimum(wanted, 0.8399), fps)


@pytest.mark.parametrize("fps", RATES)
def test_a_knee_that_snaps_straight_is_found_and_eased(fps: float) -> None:
    shot = popping(fps)
    found = flags(shot)
    assert {flag.fault for flag in found} == {"straight limb pop"}
    assert {flag.control for flag in found} == {"shin"}
    stage = stage_of(shot, Look())
    after = next(calmed(stage, found[0]))
    assert flags(after) == []
    then = stage_of(after, Look())
    (limb,) = standing(then).limbs
    assert extension(after, then.posed, limb).max() <= FULL + 1e-6


@pytest.mark.parametrize("fps", [60.0, 120.0, 1000.0])
def test_frames_too_few_for_their_rate_have_no_pop(fps: float) -> None:
    assert flags(hanging_leg(np.full(24, THIGH + SHIN), fps)) == []


def jolting(fps: float, sizes: Array) -> Shot:
    """A knee that goes straight once a second and jolts there for a 24th of a second, by so many degrees each time."""
    t = np.arange(round(len(sizes) * fps)) / fps
    beat = t % 1.0 - 0.5
    jolt = sizes[np.minimum(t.astype(np.intp), len(sizes) - 1)] * np.clip(1 - 24 * np.abs(beat), 0, 1)
    knee = 40 - 38 * np.exp(-((beat / 0.2) ** 2)) + jolt
    shot = hanging_leg(np.full(len(t), 0.8), fps)
    return shot.with_channel("shin", Channel("rotation.x", samples=frozen(knee[:, None])))


@pytest.mark.parametrize("fps", [24.0, 48.0, 120.0])
def test_a_recording_whose_knees_always_jolt_is_flagged_only_where_one_does_much_more(fps: float) -> None:
    usual = np.array([2.0, 2.5, 2, 3, 2.5, 2, 2.5, 3])
    assert flags(jolting(fps, usual)) == []
    once = usual.copy()
    once[3] = 14.0
    found = flags(jolting(fps, once))
    assert found
    assert all(3 * fps < flag.frames[0] < 4 * fps for flag in found)
    alone = np.zeros(8)
    alone[3] = 10.0
    assert flags(jolting(fps, alone))


@pytest.mark.parametrize("fps", [24.0, 120.0])
def test_a_recording_made_keys_is_flagged_where_its_samples_are(fps: float) -> None:
    usual = np.array([2.0, 2.5, 2, 3, 2.5, 2, 2.5, 3])
    once = np.where(np.arange(8) == 3, 14.0, usual)
    for sizes, pops in ((usual, 0), (once, 1)):
        shot = reduced(jolting(fps, sizes), Amount(2.0, "mm"))
        assert all(channel.keys for control in shot.controls for channel in control.channels)
        found = flags(shot)
        assert len(found) == pops
        assert all(3 * fps < flag.frames[0] < 4 * fps for flag in found)
        assert all(flag.cause.frames for flag in found)


def test_a_pop_is_one_at_whichever_moment_a_slower_shutter_opens() -> None:
    found = np.array([0, 1, 1, 0, 1, 1, 1, 0, 1], np.bool_)
    np.testing.assert_array_equal(np.flatnonzero(limbs.lasting(found, 3)), [4, 5, 6])
    np.testing.assert_array_equal(limbs.lasting(found, 1), found)


@pytest.mark.parametrize("fps", [24.0, 120.0])
def test_a_knee_that_slows_down_over_some_frames_as_it_goes_straight_is_no_pop(fps: float) -> None:
    """As in a walk: it comes at 15 deg a 24th of a second and changes that by more than an error, but not at once."""
    t = np.arange(round(2 * fps)) / fps
    away = np.minimum(24 * np.abs(t - 1), 6)  # 24ths of a second
    knee = 2 + 10 * np.where(away < 1.5, away**2 / 2, 1.5 * away - 1.125)
    leg = hanging_leg(np.full(len(t), 0.8), fps)
    slowing = leg.with_channel("shin", Channel("rotation.x", samples=frozen(knee[:, None])))
    assert flags(slowing) == []


def test_a_pinned_leg_keeps_its_pop() -> None:
    shot = replace(popping(24.0), pins=(Pin("thigh", None, (0.0, 47.0)), Pin("shin", None, (0.0, 47.0))))
    stage = stage_of(shot, Look())
    assert list(calmed(stage, flags(shot)[0])) == []
    free = replace(shot, pins=())
    assert list(calmed(stage_of(free, Look()), flags(free)[0]))


@pytest.mark.parametrize("fps", RATES)
def test_a_kick_and_a_slow_straightening_are_no_pops(fps: float) -> None:
    t = np.arange(round(2 * fps)) / fps
    slow = hanging_leg(0.8 + 0.0395 * np.sin(np.pi * t / 2.0) ** 2, fps)
    assert flags(slow) == []
    knee = 90 * (0.5 + 0.5 * np.cos(2 * np.pi * np.clip((t - 0.5) / 0.5, 0, 1))) + 2
    leg = hanging_leg(np.full(len(t), 0.8), fps)
    kick = leg.with_channel("shin", Channel("rotation.x", samples=frozen(knee[:, None])))
    assert flags(kick) == []


def test_the_bend_goes_smoothly_through_straight_and_sideways() -> None:
    knee = np.linspace(30, -10, 41)
    shot = hanging_leg(np.full(41, 0.8), 24.0)
    shot = shot.with_channel("shin", Channel("rotation.x", samples=frozen(knee[:, None])))
    stage = stage_of(shot, Look())
    bent = bend_vector(shot, stage.posed, standing(stage).limbs[0])
    np.testing.assert_allclose(bent, knee[:, None] * [1.0, 0.0, 0.0], atol=1e-6)
    around = 5 * np.stack([np.cos(np.deg2rad(knee * 9)), np.sin(np.deg2rad(knee * 9))], axis=1)
    turned = tuple(
        Channel(n, samples=frozen(v[:, None]))
        for n, v in zip(("rotation.x", "rotation.z"), around.T, strict=True)
    )
    i = shot.index("shin")
    controls = (*shot.controls[:i], replace(shot.controls[i], channels=turned), *shot.controls[i + 1 :])
    assert flags(replace(shot, controls=controls)) == []


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("size", [0.015, 0.05])
def test_a_bone_that_grows_is_found_and_put_back(fps: float, size: float) -> None:
    sound = stepping(fps)
    assert flags(sound) == []
    shot, truth = plant(sound, 1, "grow", size)
    (flag,) = flags(shot)
    assert (flag.fault, flag.control, flag.cause.channel) == (
        "changed bone length",
        truth.controls[0],
        "translation.y",
    )
    assert flag.severity == ("error" if size >= 0.03 else "warn")
    assert flag.amount == pytest.approx(size, rel=0.02)
    after = limbs.mend_length(stage_of(shot, Look()), flag)
    assert after is not None
    assert flags(after) == []


@pytest.mark.parametrize("fps", RATES)
def test_a_bone_is_put_back_from_where_it_began_to_grow(fps: float) -> None:
    """What is too small to be flagged at both ends goes with the rest: left alone, it would stand there as a step."""
    shot, truth = plant(stepping(fps), 1, "grow", 0.015)
    (flag,) = flags(shot)
    assert truth.frames[0] < flag.frames[0]
    after = limbs.mend_length(stage_of(shot, Look()), flag)
    assert after is not None
    grown, left = (s.control(flag.control).channel("translation.y") for s in (shot, after))
    assert grown is not None
    assert left is not None
    assert grown.samples is not None
    assert left.samples is not None
    assert np.abs(left.samples).max() < PUT_BACK * np.abs(grown.samples).max()


def test_a_pinned_sample_of_a_grown_bone_stays() -> None:
    shot, _ = plant(stepping(), 1, "grow", 0.015)
    (flag,) = flags(shot)
    name = flag.control
    pinned = replace(shot, pins=(Pin(name, None, (float(flag.frames[0]), float(flag.frames[1]))),))
    assert limbs.mend_length(stage_of(pinned, Look()), flag) is None


def test_a_smear_of_two_frames_is_meant() -> None:
    shot = stepping()
    i = shot.index("shin.L")
    grown = np.zeros((len(shot.frames), 1))
    grown[60:62] = -0.1
    channels = (Channel("translation.y", samples=frozen(grown)), *shot.controls[i].channels)
    controls = (*shot.controls[:i], replace(shot.controls[i], channels=channels), *shot.controls[i + 1 :])
    assert flags(replace(shot, controls=controls)) == []

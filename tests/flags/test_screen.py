"""What is seen on screen: each fault on a small shot made for it, and its look-alikes left alone.

The frame rates are the trade's: 12, 24, 30 and 60 (common practice).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.flags import joints, screen
from refine.flags.check import stage_of
from refine.flags.look import Look
from refine.pose import Point
from refine.shot import Channel, Control, Mark, Pin, Shot, frozen, make_keys
from tests.flags.arm import RATES, SECONDS, arm_shot, flags_of, mended, motion, with_samples
from tests.flags.tolerances import OFF_PATH, REFILLED


@pytest.mark.parametrize("fps", RATES)
def test_sound_motion_has_no_flag(fps: float) -> None:
    assert flags_of(arm_shot(fps)) == []


@pytest.mark.parametrize("fps", RATES)
def test_spike_is_found_at_its_channel_and_mended(fps: float) -> None:
    clean = arm_shot(fps)
    at = round(2.1 * fps)
    faulty = with_samples(clean, "arm", "rotation.z", np.array([12.0]), at)
    (flag,) = flags_of(faulty)
    assert (flag.fault, flag.cause.control, flag.cause.channel) == ("spike", "arm", "rotation.z")
    assert flag.frames == (at, at)
    assert flag.cause.frames == (float(at),)
    assert "hand" in flag.message  # where it is seen
    cured = mended(faulty, flag)
    assert flags_of(cured) == []
    before, after = (
        faulty.channel("arm", "rotation.z").samples,
        cured.channel("arm", "rotation.z").samples,
    )
    assert before is not None
    assert after is not None
    assert np.flatnonzero(before != after).tolist() == [at]
    truth = clean.channel("arm", "rotation.z").samples
    assert truth is not None
    assert abs(after[at, 0] - truth[at, 0]) < REFILLED


def test_spike_of_the_hips_is_one_flag_at_the_hips() -> None:
    faulty = with_samples(arm_shot(), "hips", "translation.y", np.array([0.2]), 50)
    (flag,) = flags_of(faulty)
    assert (flag.fault, flag.control, flag.channel) == ("spike", "hips", "translation.y")


def test_channels_of_a_control_that_lapse_together_are_one_flag_and_all_mended() -> None:
    faulty = with_samples(arm_shot(), "arm", "rotation.z", np.array([12.0]), 50)
    faulty = with_samples(faulty, "arm", "rotation.y", np.array([-9.0]), 50)
    (flag,) = flags_of(faulty)
    assert flags_of(mended(faulty, flag)) == []


def test_glitches_that_cancel_on_screen_are_no_fault() -> None:
    """Two controls on one pivot turn against each other for a frame, as solved captures do: nothing is seen."""
    shot = arm_shot()
    still = Control(
        "twist", parent="hips", channels=(Channel("rotation.z", samples=frozen(np.zeros((120, 1)))),)
    )
    back = Control("back", parent="twist", tip=(0.5, 0.0, 0.0), channels=still.channels)
    shot = replace(shot, controls=(shot.controls[0], still, back))
    added = np.array([15.0])
    faulty = with_samples(
        with_samples(shot, "twist", "rotation.z", added, 50), "back", "rotation.z", -added, 50
    )
    assert flags_of(faulty) == []
    (flag,) = flags_of(with_samples(shot, "twist", "rotation.z", added, 50))
    assert flag.control == "twist"


@pytest.mark.parametrize("kind", ["accent", "cut"])
def test_marked_spike_is_meant(kind: str) -> None:
    faulty = with_samples(arm_shot(), "arm", "rotation.z", np.array([12.0]), 50)
    assert flags_of(replace(faulty, marks=(Mark(kind, (50.0, 51.0), ("arm",)),))) == []  # type: ignore[arg-type]
    assert len(flags_of(replace(faulty, marks=(Mark(kind, (80.0, 81.0), ("arm",)),)))) == 1  # type: ignore[arg-type]


def test_contact_may_shake_on_its_first_frame() -> None:
    faulty = with_samples(arm_shot(), "arm", "rotation.z", np.array([12.0]), 50)
    assert flags_of(replace(faulty, marks=(Mark("contact", (50.0, 70.0), ("hand",)),))) == []


@pytest.mark.parametrize("fps", RATES)
def test_impact_and_jump_are_no_spike(fps: float) -> None:
    """A velocity that breaks, and a step that stays, have nearly a spike's fourth difference."""
    clean, at = arm_shot(fps), round(2.1 * fps)
    count = round(SECONDS * fps) - at
    bounce = with_samples(clean, "arm", "rotation.z", np.arange(count) * (40 / fps), at)
    jump = with_samples(clean, "arm", "rotation.z", np.full(count, 15.0), at)
    assert flags_of(bounce) == []
    assert flags_of(jump) == []


@pytest.mark.parametrize("step", [1, 2, 3])
def test_animation_on_ones_twos_and_threes_is_left_alone(step: int) -> None:
    shot = arm_shot()
    for control in shot.controls:
        for channel in control.channels:
            assert channel.samples is not None
            held = np.repeat(channel.samples[::step], step, axis=0)[: len(channel.samples)]
            shot = shot.with_channel(control.name, replace(channel, samples=frozen(held)))
    assert flags_of(shot) == []


def sideways(fps: float, off: tuple[float, float], at: int) -> Shot:
    """A point that crosses the image evenly at some 10 px a frame, one frame displaced by (along, across) px."""
    frames = round(SECONDS * fps)
    px = 1080 / (2 * np.tan(np.deg2rad(20.0)) * 6)  # px a unit at the camera's distance
    x = 10 / px * (np.arange(frames) - frames / 2) * min(1.0, 150 / frames)
    y = np.zeros(frames)
    x[at] += off[0] / px
    y[at] -= off[1] / px
    names = {"translation.x": x, "translation.y": y}
    channels = tuple(Channel(name, samples=frozen(values[:, None])) for name, values in names.items())
    shot = arm_shot(fps)
    return replace(shot, controls=(Control("ball", tip=(0.0, 0.4, 0.0), channels=channels),))


@pytest.mark.parametrize("fps", [24.0, 30.0])
@pytest.mark.parametrize(
    ("off", "fault", "severity"),
    [
        ((2.5, 0.0), "uneven spacing", "warn"),
        ((6.0, 0.0), "uneven spacing", "error"),
        ((0.0, 1.5), "kinked arc", "warn"),
        ((0.0, 5.0), "kinked arc", "error"),
        ((0.0, 25.0), "spike", "error"),
    ],
)
def test_frame_out_of_place_is_named_by_how_it_looks(
    fps: float, off: tuple[float, float], fault: str, severity: str
) -> None:
    at = round(2.1 * fps)
    shot = sideways(fps, off, at)
    (flag,) = flags_of(shot)
    assert flag.fault == fault
    assert flag.frames == (at, at)
    if fps == 24.0:
        assert flag.severity == severity
    if fault != "kinked arc":
        assert flag.amount == pytest.approx(float(np.hypot(*off)), abs=OFF_PATH)
    assert flags_of(mended(shot, flag)) == []


@pytest.mark.parametrize("fps", [12.0, 24.0, 30.0, 60.0])
def test_too_small_to_be_seen_is_left_alone(fps: float) -> None:
    assert flags_of(sideways(fps, (0.8, 0.3), round(2.1 * fps))) == []


def test_pinned_sample_stays() -> None:
    faulty = with_samples(arm_shot(), "arm", "rotation.z", np.array([12.0]), 50)
    pinned = replace(faulty, pins=(Pin("arm", "rotation.z", (50.0, 50.0)),))
    (flag,) = flags_of(pinned)
    assert screen.MENDS["spike"](stage_of(pinned, Look()), flag) is None


# --- keyed -----------------------------------------------------------------------------------------------


def keyed_arm(off: float) -> Shot:
    """The arm's z keyed every 6 frames along its motion, and on three neighbouring frames, the middle one off.

    Slopes are chords of the sound keys, a rule, but for those three: such keys are an artist's.
    """
    shot = arm_shot()
    values = motion(24.0, 5)
    at = np.array([*range(0, 48, 6), 49, 50, 51, *range(54, 120, 6), 119])
    keyed = values[at].copy()
    chords = (keyed[2:] - keyed[:-2]) / (at[2:] - at[:-2])
    slopes = np.where(np.abs(at - 50) < 2, np.gradient(values)[at], np.concatenate([[0.0], chords, [0.0]]))
    keyed[at == 50] += off
    channels = tuple(
        Channel(c.name, make_keys(at, keyed, slopes)) if c.name == "rotation.z" else c
        for c in shot.controls[1].channels
    )
    return replace(
        shot, controls=(shot.controls[0], replace(shot.controls[1], channels=channels), shot.controls[2])
    )


def test_keyed_spike_names_its_key_and_is_mended() -> None:
    assert flags_of(keyed_arm(0.0)) == []
    faulty = keyed_arm(12.0)
    (flag,) = flags_of(faulty)
    assert (flag.fault, flag.cause.control, flag.cause.channel) == ("spike", "arm", "rotation.z")
    assert 50.0 in flag.cause.frames
    cured = mended(faulty, flag)
    assert flags_of(cured) == []
    before, after = faulty.channel("arm", "rotation.z").keys, cured.channel("arm", "rotation.z").keys
    assert before is not None
    assert after is not None
    assert before.frames[np.flatnonzero(before.values != after.values)].tolist() == [50.0]


def test_keyed_spike_goes_back_to_where_its_neighbours_point() -> None:
    """The keys at 49 and 51 keep the slopes of the sound curve, so the middle one is put back on it."""
    sound, faulty = keyed_arm(0.0), keyed_arm(12.0)
    (flag,) = flags_of(faulty)
    before, after = (s.channel("arm", "rotation.z").keys for s in (sound, mended(faulty, flag)))
    assert before is not None
    assert after is not None
    assert np.abs(after.values - before.values).max() < REFILLED


@pytest.mark.parametrize("stop", [0.0, 8.0])
def test_a_knee_that_rests_at_its_stop_is_no_dropout(stop: float) -> None:
    """Straight for 8 frames amid a move, farther than which it never goes; 8 deg short of it the samples stopped."""
    shot = arm_shot()
    bend = 20 + 15 * np.sin(np.arange(120) / 5.0)
    bend[40:48] = stop
    bend[38], bend[39], bend[48], bend[49] = stop + 4.0, stop + 3.0, stop + 6.0, stop + 8.0
    channel = Channel("rotation.z", samples=frozen(bend[:, None]))
    found = flags_of(shot.with_channel("arm", channel))
    assert any(flag.fault == "dropout" for flag in found) == (stop > 0)


def test_keyed_spike_of_three_parts_is_meant() -> None:
    shot = keyed_arm(12.0)
    assert len(flags_of(shot)) == 1
    channel = shot.channel("arm", "rotation.z")
    every = tuple(
        replace(c, channels=tuple(channel if ch.name == "rotation.z" else ch for ch in c.channels))
        for c in shot.controls
    )
    assert flags_of(replace(shot, controls=every)) == []


def test_eye_dart_and_blink_are_left_alone() -> None:
    shot = keyed_arm(12.0)
    eyes = replace(shot.controls[1], part="eyes")
    assert flags_of(replace(shot, controls=(shot.controls[0], eyes, shot.controls[2]))) == []


# --- jitter ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_jitter_is_found_at_its_channel_and_smoothed(fps: float) -> None:
    rng = np.random.default_rng(3)
    first, count = round(1.2 * fps), round(2.2 * fps)
    faulty = with_samples(arm_shot(fps), "arm", "rotation.z", rng.normal(0, 1.2, count), first)
    found = [flag for flag in flags_of(faulty) if flag.fault == "jitter"]
    (flag,) = found
    assert (flag.cause.control, flag.cause.channel) == ("arm", "rotation.z")
    assert flag.frames[0] <= first + count // 2 <= flag.frames[1]
    assert flag.severity == "error"
    cured = mended(faulty, flag)
    left = [f for f in flags_of(cured) if f.fault == "jitter" and f.amount > flag.amount / 2]
    assert left == []
    outside = [c for c in faulty.controls if c.name != "arm"]
    assert all(c == cured.control(c.name) for c in outside)


def test_at_12_fps_nothing_lies_above_6_hz() -> None:
    """Half the frame rate is 6 Hz: what could be jitter there is a wobble (sampling theorem)."""
    noise = np.random.default_rng(3).normal(0, 1.2, 40)
    assert not [
        f
        for f in flags_of(with_samples(arm_shot(12.0), "arm", "rotation.z", noise, 10))
        if f.fault == "jitter"
    ]


def test_a_blow_is_no_jitter() -> None:
    """A hit that rings out within some frames, a spring's response at 3 Hz (control handbooks [mem])."""
    t = np.arange(60) / 24.0
    ringing = 25 * np.exp(-9 * t) * np.sin(2 * np.pi * 3 * t)
    assert flags_of(with_samples(arm_shot(), "arm", "rotation.z", ringing, 50)) == []


def test_keyed_channels_have_no_jitter() -> None:
    """What is keyed every frame on purpose is the artist's: only baked channels are asked."""
    noise = np.random.default_rng(3).normal(0, 1.2, 60)
    faulty = with_samples(arm_shot(), "arm", "rotation.z", noise, 30)
    values = faulty.channel("arm", "rotation.z").samples
    assert values is not None
    every = [
        replace(c, channels=tuple(_keyed_on_each_frame(ch) for ch in c.channels)) for c in faulty.controls
    ]
    assert not [f for f in flags_of(replace(faulty, controls=tuple(every))) if f.fault == "jitter"]


def _keyed_on_each_frame(channel: Channel) -> Channel:
    assert channel.samples is not None
    return Channel(
        channel.name,
        make_keys(np.arange(len(channel.samples)), channel.samples, np.gradient(channel.samples, axis=0)),
    )


def test_points_are_seen_where_they_move() -> None:
    """The tip of the hand is where a turn of the arm shows most: farthest from the pivot, common practice."""
    stage = stage_of(with_samples(arm_shot(), "arm", "rotation.z", np.array([12.0]), 50), Look())
    (seen,) = screen._baked_seen(stage, list(joints.out_of_place(stage)))
    assert seen.point == Point("hand", (0.3, 0.0, 0.1))

"""Faults of baked joints, in their own samples: what several joints do at once, quaternions, noise and its level."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.flags import joints, screen
from refine.flags.check import stage_of
from refine.flags.look import Look
from refine.flags.path import CAPTURE, fitted, kernel, residual, white_above
from refine.flags.unforeseen import unforeseen
from refine.limbs.planting import minimum_jerk
from refine.rotation import euler_matrix, quaternion_matrix
from refine.shot import Array, Channel, Control, Pin, Shot, frozen
from tests.flags.arm import arm_shot, flags_of, mended, motion, with_samples
from tests.flags.tolerances import LED, REFILLED, WHITE_SHARE

CAPTURED = 0.1  # deg of noise, as captures have (0.05 to 0.2)
FINGERS = ("thumb", "index", "middle", "ring")


def hand_shot(fps: float = 24.0) -> Shot:
    """The arm, with four fingers on its hand that all move."""
    shot = arm_shot(fps)
    added = tuple(
        Control(
            name,
            parent="hand",
            rest_translation=(0.2, 0.05 * n, 0.0),
            tip=(0.15, 0.0, 0.0),
            channels=(Channel("rotation.z", samples=frozen(motion(fps, 9 + n)[:, None])),),
        )
        for n, name in enumerate(FINGERS)
    )
    return replace(shot, controls=(*shot.controls, *added))


def rough(shot: Shot, controls: tuple[str, ...], sigma: float, first: int, count: int, seed: int = 5) -> Shot:
    rng = np.random.default_rng(seed)
    for name in controls:
        shot = with_samples(shot, name, "rotation.z", rng.normal(0, sigma, count), first)
    return shot


@pytest.mark.parametrize("order", [4, 8])
def test_a_displaced_frame_reads_as_far_as_it_lies_off(order: int) -> None:
    """On a parabola, whose differences of third order and up are nothing."""
    path = 0.1 * np.arange(60.0)[:, None] ** 2
    path[30] += 7.0
    assert residual(path, order)[30, 0] == pytest.approx(7.0, abs=LED)
    (single, *_) = fitted(path[None], kernel(order)[None])
    assert single.amount[0, 30, 0] == pytest.approx(7.0, abs=LED)
    assert int(np.argmax(single.sigmas[0])) == 30


@pytest.mark.parametrize("fps", [24.0, 30.0])
def test_one_joint_lapses_but_a_blow_moves_them_all(fps: float) -> None:
    at, off = round(2.1 * fps), np.array([10.0])
    (flag,) = flags_of(with_samples(hand_shot(fps), "index", "rotation.z", off, at))
    assert (flag.cause.control, flag.frames) == ("index", (at, at))
    every = ("hips", "arm", "hand", *FINGERS)
    shot = rough(hand_shot(fps), every, CAPTURED, 0, round(5 * fps))
    for name in every:
        shot = with_samples(shot, name, "rotation.z", off, at)
    assert not [flag for flag in flags_of(shot) if flag.frames[0] <= at <= flag.frames[1]]


def test_a_spike_of_a_quaternion_is_found_and_mended() -> None:
    shot = arm_shot()
    angle = motion(24.0, 3)
    angle[50] += 12.0
    turn = np.zeros((120, 4))
    turn[:, 2], turn[:, 3] = np.sin(np.deg2rad(angle) / 2), np.cos(np.deg2rad(angle) / 2)
    turn[80:] *= -1  # the same turns
    arm = replace(shot.controls[1], channels=(Channel("rotation", samples=frozen(turn)),))
    shot = replace(shot, controls=(shot.controls[0], arm, shot.controls[2]))
    (flag,) = flags_of(shot)
    assert (flag.fault, flag.cause.control, flag.frames) == ("spike", "arm", (50, 50))
    cured = mended(shot, flag)
    assert flags_of(cured) == []
    after = cured.controls[1].channels[0].samples
    assert after is not None
    assert np.linalg.norm(after, axis=1) == pytest.approx(np.ones(120), abs=LED)
    truth = euler_matrix(np.deg2rad([[0.0, 0.0, motion(24.0, 3)[50]]]), arm.order)
    apart = quaternion_matrix(after[50:51]) @ np.swapaxes(truth, 1, 2)
    assert np.rad2deg(np.arccos((np.trace(apart[0]) - 1) / 2)) < REFILLED


def test_setting_right_takes_away_just_what_lies_off() -> None:
    shot = with_samples(arm_shot(), "arm", "rotation.z", np.array([12.0]), 50)
    stage = stage_of(shot, Look())
    (out,) = joints.out_of_place(stage)
    right = joints.set_right(stage, out)
    before, after = (s.controls[1].channel("rotation.z") for s in (shot, right))
    assert before is not None
    assert after is not None
    assert before.samples is not None
    assert after.samples is not None
    assert np.flatnonzero(before.samples != after.samples).tolist() == [50]
    assert after.samples[50, 0] == pytest.approx(motion(24.0, 5)[50], abs=REFILLED)


def rough_motion(seed: int, count: int = 240) -> Array:
    """(N,) deg of 30 waves of 3 frames and longer, falling off with frequency: a foot roughly captured."""
    rng, t = np.random.default_rng(seed), np.arange(float(count))
    hz = rng.uniform(0.3, 8.0, (30, 1))  # at 24 fps
    phase = rng.uniform(0, 2 * np.pi, (30, 1))
    return np.asarray(np.sum(2 / hz * np.sin(2 * np.pi * hz / 24 * t + phase), axis=0))


def test_own_motion_foretells_what_a_high_difference_does_not() -> None:
    """A frame off by 1 deg among rough motion: median over 12 draws of how it stands out, by both."""
    beyond = []
    for seed in range(12):
        path = rough_motion(seed)[None, :, None]
        path[0, 120] += 1.0
        own, plain = unforeseen(path)[0], fitted(path, kernel(CAPTURE)[None])[0]
        assert own.amount[0, 120, 0] == pytest.approx(1.0, abs=REFILLED), seed
        beyond.append((own.sigmas[0, 120], plain.sigmas[0, 120]))
    own_median, plain_median = np.median(beyond, axis=0)
    assert own_median > 1.5 * plain_median


@pytest.mark.parametrize("off", [6.0, 30.0])
def test_a_displaced_frame_does_not_hide_others(off: float) -> None:
    """What is learnt with one in it would make room for the next."""
    path = rough_motion(3)[None, :, None]
    path[0, [60, 150], 0] += np.array([off, 1.0])
    single = unforeseen(path)[0]
    assert single.clear[0, [60, 150]].all()
    assert single.amount[0, [60, 150], 0] == pytest.approx(np.array([off, 1.0]), abs=REFILLED)


def test_the_largest_frames_of_noise_are_no_lapses() -> None:
    """24 draws of noise of 1 deg on a calm joint: it trembles, and no frame of it is taken out as a lapse."""
    for seed in range(24):
        stage = stage_of(rough(hand_shot(), ("arm",), 1.0, 30, 60, seed), Look())
        assert not [o for o in joints.out_of_place(stage) if o.control == "arm" and 45 < o.first < 75], seed


def test_a_hand_that_points_at_the_camera_is_not_small() -> None:
    """The hand turned by 90 deg about y looks along z, to the camera: it is drawn as a dot, and is as large as ever."""
    shot = arm_shot()
    turned = with_samples(shot, "hand", "rotation.y", np.full(120, 90.0), 0)
    sizes = [float(np.median(stage_of(s, Look()).size("hand"))) for s in (shot, turned)]
    assert sizes[1] == pytest.approx(sizes[0], rel=0.2)  # but for standing nearer or farther


def test_a_shot_too_short_to_say_what_is_usual() -> None:
    shot = arm_shot()
    controls = tuple(
        replace(
            c,
            channels=tuple(
                replace(ch, samples=frozen(ch.samples[:12])) for ch in c.channels if ch.samples is not None
            ),
        )
        for c in shot.controls
    )
    assert flags_of(replace(shot, controls=controls, last_frame=11)) == []
    assert unforeseen(np.zeros((1, 12, 1))) == []


# --- noise -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0, 120.0])
def test_share_of_white_noise_above_a_frequency(fps: float) -> None:
    """Parseval: white noise has as much in each Hz. The filter's slope takes 1.7 Hz to either side (Hamming [mem])."""
    share = white_above(6.0, fps) ** 2
    assert share == pytest.approx(1 - 6.0 / (fps / 2), abs=WHITE_SHARE)


def test_noise_throughout_is_noted_only() -> None:
    """The grain of a clip is for a cleaning: nothing stands out."""
    shot = rough(hand_shot(60.0), ("arm", "index"), 1.0, 0, 300)
    found = [flag for flag in flags_of(shot) if flag.fault == "jitter"]
    assert found
    assert {flag.severity for flag in found} == {"note"}


def test_noise_that_another_joint_makes_up_for_is_not_seen() -> None:
    """Two joints on one pivot turn against each other, as solved captures do."""
    noise = np.random.default_rng(2).normal(0, 1.5, 50)
    shot = arm_shot()
    calm = Channel("rotation.z", samples=frozen(motion(24.0, 4)[:, None]))
    twist = Control("twist", parent="hips", channels=(calm,))
    back = Control("back", parent="twist", tip=(0.5, 0.0, 0.0), channels=(calm,))
    shot = replace(shot, controls=(shot.controls[0], twist, back))
    alone = with_samples(shot, "twist", "rotation.z", noise, 40)
    assert [f.cause.control for f in flags_of(alone) if f.fault == "jitter"] == ["twist"]
    assert not [
        f for f in flags_of(with_samples(alone, "back", "rotation.z", -noise, 40)) if f.fault == "jitter"
    ]


def test_a_pinned_stretch_of_jitter_stays() -> None:
    shot = rough(hand_shot(), ("arm",), 1.5, 36, 50)
    pinned = replace(shot, pins=(Pin("arm", None, (0.0, 119.0)),))
    (flag,) = [f for f in flags_of(pinned) if f.fault == "jitter"]
    assert screen.MENDS["jitter"](stage_of(pinned, Look()), flag) is None
    part = replace(shot, pins=(Pin("arm", "rotation.z", (50.0, 60.0)),))
    cured = screen.MENDS["jitter"](stage_of(part, Look()), flag)
    assert cured is not None
    before, after = (s.controls[1].channel("rotation.z") for s in (shot, cured))
    assert before is not None
    assert after is not None
    assert before.samples is not None
    assert after.samples is not None
    assert np.array_equal(before.samples[50:61], after.samples[50:61])


@pytest.mark.parametrize("count", [2, 3, 4])
@pytest.mark.parametrize("fps", [24.0, 30.0])
def test_frames_that_are_off_alike_are_found_and_put_back(count: int, fps: float) -> None:
    """As of samples that were lost for a moment: off by as much, and back."""
    clean, at = arm_shot(fps), round(2.1 * fps)
    shot = with_samples(clean, "arm", "rotation.z", np.full(count, 18.0), at)
    (flag,) = flags_of(shot)
    assert (flag.fault, flag.control, flag.frames) == ("spike", "arm", (at, at + count - 1))
    after = mended(shot, flag).channel("arm", "rotation.z").samples
    right = clean.channel("arm", "rotation.z").samples
    assert after is not None
    assert right is not None
    assert np.abs(after - right).max() < REFILLED * count


@pytest.mark.parametrize("frames", [5, 7, 9])
def test_a_quick_move_there_and_back_is_no_lapse(frames: int) -> None:
    """A minimum-jerk move out and one back, within some frames: quick, but nobody's samples were lost."""
    way = minimum_jerk(np.linspace(0.0, 1.0, frames))
    move = 25.0 * np.concatenate([way, way[::-1]])
    shot = with_samples(arm_shot(), "arm", "rotation.z", move, 50)
    assert [flag.frames for flag in flags_of(shot) if flag.fault == "spike"] == []

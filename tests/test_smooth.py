"""Baked channels: the noise that is found, the spikes, and a smoothing of just the range."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.cure import Held
from refine.held import Locks
from refine.range_noise import Noise, noise
from refine.rotation import turn, vector_quaternion
from refine.shot import QUATERNION, Array, Limits, Mark, Pin, Shot
from refine.smooth import smoothed
from tests.hand_made import baked_shot
from tests.tolerances import LIMIT, NOISE_ESTIMATE, ROW, SMOOTH_CHANGE

N, FPS = 400, 60.0
RANGE = (150, 250)
T = np.arange(N) / FPS
MOTION = 12 * np.sin(2 * np.pi * 0.7 * T) + 3 * np.sin(2 * np.pi * 1.3 * T + 1)
INSIDE = slice(RANGE[0], RANGE[1] + 1)


def noisy(sigma: float = 0.2, seed: int = 1) -> Array:
    return MOTION + sigma * np.random.default_rng(seed).normal(size=N)


def found_noise(shot: Shot, name: str = "rotation.z", frames: tuple[int, int] = RANGE) -> Noise:
    breaks = Locks(shot, shot.pins, frames).breaks("hips", shot.frames)
    return noise(shot.channel("hips", name), shot, frames, breaks)


def smooth(shot: Shot, strength: float = 1.0, held: Held | None = None, name: str = "rotation.z") -> Array:
    """(N, D) samples after the smoothing of RANGE."""
    breaks = Locks(shot, shot.pins, RANGE).breaks("hips", shot.frames)
    channel = shot.channel("hips", name)
    result = smoothed(channel, shot, RANGE, found_noise(shot, name), strength, breaks, held or Held())
    assert result.channel.samples is not None
    return result.channel.samples


# --- noise ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [0.01, 0.1, 1.0])
def test_the_noise_is_estimated_inside_and_around(sigma: float) -> None:
    """Iid noise of known size, ten times larger inside; the motion's own fourth difference is below 1e-3."""
    size = np.full(N, sigma)
    size[INSIDE] *= 10
    values = MOTION + size * np.random.default_rng(3).normal(size=N)
    found = found_noise(baked_shot({"rotation.z": values}, FPS))
    assert found.inside == pytest.approx(10 * sigma, rel=NOISE_ESTIMATE)
    assert found.around == pytest.approx(sigma, rel=2 * NOISE_ESTIMATE)
    assert found.stands_out
    assert found.worth_smoothing


def test_a_smooth_range_amid_noise_was_smoothed_already() -> None:
    values = noisy()
    values[INSIDE] = MOTION[INSIDE]
    found = found_noise(baked_shot({"rotation.z": values}, FPS))
    assert not found.worth_smoothing
    assert not found.stands_out


def test_the_same_noise_everywhere_is_worth_it_but_does_not_stand_out() -> None:
    found = found_noise(baked_shot({"rotation.z": noisy()}, FPS))
    assert found.worth_smoothing
    assert not found.stands_out


def test_spikes_are_found_one_and_two_frames_long() -> None:
    values = noisy(0.05)
    values[[180, 220, 221]] += [8.0, -6.0, -6.5]
    values[120] += 8.0  # outside the range
    assert {180, 220, 221} <= set(found_noise(baked_shot({"rotation.z": values}, FPS)).spikes)
    assert 120 not in found_noise(baked_shot({"rotation.z": values}, FPS)).spikes


@pytest.mark.parametrize("by", [18.0, -18.0])
def test_a_spike_amid_a_quick_move_is_found(by: float) -> None:
    """Against the move it draws the median of the samples beside it away as well."""
    move = 30.0 / (1.0 + np.exp(-(np.arange(N) - 200.0) / 4.0)) + noisy(0.05) - MOTION
    for at in (198, 200, 203):
        values = move + by * (np.arange(N) == at)
        assert found_noise(baked_shot({"rotation.z": values}, 24.0)).spikes == (at,)
    assert found_noise(baked_shot({"rotation.z": move}, 24.0)).spikes == ()


def test_a_step_and_a_bump_of_five_frames_are_moves_not_spikes() -> None:
    for bump in (np.arange(N) >= 200, (np.arange(N) >= 200) & (np.arange(N) < 205)):
        assert not {*range(196, 209)} & set(
            found_noise(baked_shot({"rotation.z": noisy(0.05) + 8.0 * bump}, FPS)).spikes
        )


def test_a_spike_within_an_accent_is_meant() -> None:
    values = noisy(0.05)
    values[180] += 8.0
    shot = baked_shot({"rotation.z": values}, FPS)
    assert 180 in found_noise(shot).spikes
    assert 180 not in found_noise(replace(shot, marks=(Mark("accent", (178.0, 182.0)),))).spikes


def test_frame_numbers_count_from_the_shots_first_frame() -> None:
    values = noisy(0.05)
    values[180] += 8.0
    shot = baked_shot({"rotation.z": values}, FPS)
    shot = replace(shot, first_frame=1000, last_frame=1000 + N - 1)
    assert 1180 in found_noise(shot, frames=(1150, 1250)).spikes


# --- the smoother --------------------------------------------------------------------------------------------


def test_smoothing_brings_the_range_nearer_to_the_motion_and_leaves_the_rest() -> None:
    values = noisy()
    new = smooth(baked_shot({"rotation.z": values}, FPS))[:, 0]
    before, after = (np.sqrt(np.mean((y - MOTION)[INSIDE] ** 2)) for y in (values, new))
    assert after < 0.65 * before
    assert np.array_equal(np.delete(new, np.arange(N)[INSIDE]), np.delete(values, np.arange(N)[INSIDE]))


TRUTHS = (
    lambda t: 25 * np.sin(2 * np.pi * 0.6 * t) + 6 * np.sin(2 * np.pi * 1.7 * t + 1),
    lambda t: 15 * np.sin(2 * np.pi * 0.9 * t + 0.5),
    lambda t: 10 * np.sin(2 * np.pi * 1.2 * t),
)


def errors(fps: float, length: int, strength: float, sigma: float = 0.25) -> tuple[Array, Array]:
    """(R,) RMS after a smoothing over that before, and the largest error after it in sigmas, of many ranges."""
    ratios, largest = [], []
    for seed in range(4):
        for n, truth in enumerate(TRUTHS):
            motion = truth(np.arange(N) / fps)
            y = motion + sigma * np.random.default_rng(10 * seed + n).normal(size=N)
            shot = baked_shot({"rotation.z": y}, fps)
            frames = (100 + 31 * seed, 100 + 31 * seed + length)
            part, breaks = slice(frames[0], frames[1] + 1), np.ones(N)
            channel = shot.channel("hips", "rotation.z")
            found = noise(channel, shot, frames, breaks)
            z = smoothed(channel, shot, frames, found, strength, breaks, Held()).channel.samples
            assert z is not None
            before, after = (y - motion)[part], (z[:, 0] - motion)[part]
            ratios.append(float(np.sqrt(np.mean(after**2) / np.mean(before**2))))
            largest.append(float(np.abs(after).max()) / sigma)
    return np.array(ratios), np.array(largest)


@pytest.mark.parametrize("fps", [24.0, 120.0])
@pytest.mark.parametrize("length", [20, 60, 150])
@pytest.mark.parametrize("strength", [0.5, 1.0, 1.5, 2.0])
def test_no_range_is_farther_from_the_motion_than_its_noise_was(
    fps: float, length: int, strength: float
) -> None:
    """Twenty samples may by chance have less noise than all around says: then a little more may be left."""
    ratios, largest = errors(fps, length, strength)
    assert ratios.max() <= (1.0 if length > 20 else 1.25)
    assert ratios.mean() < 0.75
    assert largest.max() < 3.0


@pytest.mark.parametrize("fps", [24.0, 120.0])
def test_the_greatest_strength_takes_no_more_than_some_noise_of_motion(fps: float) -> None:
    ratios, largest = errors(fps, 60, 4.0)
    assert ratios.max() < 1.5
    assert largest.max() < 3.0


@pytest.mark.parametrize("strength", [1.0, 4.0])
def test_noise_just_outside_the_range_is_not_carried_into_it(strength: float) -> None:
    """Three sigmas more on the last sample before the range move nothing in it by more than a sigma."""
    one, other = noisy(), noisy()
    other[RANGE[0] - 1] += 0.6
    moved = [smooth(baked_shot({"rotation.z": y}, FPS), strength)[INSIDE, 0] for y in (one, other)]
    assert np.abs(moved[1] - moved[0]).max() < 0.2


def test_noise_that_is_pinned_is_not_carried_on() -> None:
    shot = baked_shot({"rotation.z": noisy()}, FPS)
    free, pinned = (
        smooth(shot, 4.0, held)[INSIDE, 0]
        for held in (Held(), held_by(shot, Pin("hips", None, (190.0, 194.0))))
    )
    assert np.abs(pinned - free).max() < 3 * 0.2


def test_the_turn_of_a_quick_motion_is_no_spike() -> None:
    """A limb swung and back within ten frames: its turning point is on the way that its neighbours take."""
    swing = np.zeros(N)
    swing[195:206] = [0.0, 3.0, 11.0, 30.0, 41.0, 52.0, 40.0, 29.0, 10.0, 3.0, 0.0]
    values = swing + 0.02 * np.random.default_rng(2).normal(size=N)
    assert not found_noise(baked_shot({"rotation.z": values}, FPS)).spikes
    values[200] += 20.0
    assert 200 in found_noise(baked_shot({"rotation.z": values}, FPS)).spikes


def test_few_samples_take_their_noise_from_what_is_around() -> None:
    """Of ten samples alone the noise may come out as twice what it is."""
    told = []
    for seed in range(40):
        shot = baked_shot({"rotation.z": noisy(seed=seed)}, FPS)
        told.append(found_noise(shot, frames=(200, 210)))
    alone, pooled = (
        max(abs(float(np.log(value / 0.2))) for value in values)
        for values in ([n.inside for n in told], [n.sigma for n in told])
    )
    assert pooled < 0.35 < alone


def test_more_strength_takes_away_more() -> None:
    shot = baked_shot({"rotation.z": noisy()}, FPS)
    taken = [
        np.linalg.norm(smooth(shot, strength)[:, 0] - noisy()) for strength in (0.25, 0.5, 1.0, 2.0, 4.0)
    ]
    assert np.all(np.diff(taken) > 0)


@pytest.mark.parametrize("seed", range(5))
def test_the_seam_is_no_rougher_than_before(seed: int) -> None:
    """Second differences across both borders of the range: RMS no larger than the recorded ones."""
    values = noisy(seed=seed)
    new = smooth(baked_shot({"rotation.z": values}, FPS))[:, 0]
    for border in RANGE:
        across = slice(border - 3, border + 4)
        before, after = (np.sqrt(np.mean(np.diff(y[across], 2) ** 2)) for y in (values, new))
        assert after <= before


def test_the_smoothed_range_joins_what_is_clean_around_it() -> None:
    """Noise inside the range only: across its borders the worst second difference is near the motion's own."""
    inside = (np.arange(N) >= RANGE[0]) & (np.arange(N) <= RANGE[1])
    worst = []
    for seed in range(8):
        values = MOTION + 0.2 * inside * np.random.default_rng(seed).normal(size=N)
        new = smooth(baked_shot({"rotation.z": values}, FPS))[:, 0]
        for across in (slice(147, 152), slice(249, 254)):
            worst.append([np.abs(np.diff(y[across], 2)).max() for y in (MOTION, values, new)])
    motion, before, after = np.mean(worst, axis=0)
    assert before > 5 * motion
    assert after < 2 * motion


@pytest.mark.parametrize("before", [1, 2, 3])
def test_a_spike_beside_the_range_does_not_draw_it(before: int) -> None:
    values = noisy(0.02)
    values[RANGE[0] - before] += 15.0
    new = smooth(baked_shot({"rotation.z": values}, FPS))[:, 0]
    assert np.abs(new - MOTION)[INSIDE].max() < 2 * np.abs(values - MOTION)[INSIDE].max()


@pytest.mark.parametrize("at", [RANGE[0], (RANGE[0] + RANGE[1]) // 2])
def test_a_step_stays_a_step(at: int) -> None:
    step = MOTION + 20.0 * (np.arange(N) >= at)
    values = step + (noisy(0.02) - MOTION)
    new = smooth(baked_shot({"rotation.z": values}, FPS))[:, 0]
    assert np.abs(new - step)[INSIDE].max() < 2 * np.abs(values - step)[INSIDE].max()


def test_a_spike_is_removed_to_where_the_motion_is() -> None:
    values = noisy(0.05)
    values[[180, 220]] += [8.0, -6.0]
    new = smooth(baked_shot({"rotation.z": values}, FPS))[:, 0]
    assert np.abs(new - MOTION)[[180, 220]].max() < 4 * 0.05


@pytest.mark.parametrize("beside", [0, 1, 3, 10])
def test_a_spike_is_removed_where_the_range_has_little_else(beside: int) -> None:
    """Up to two samples beside it there is no difference without the spike: what is around tells the noise."""
    at = 150 + int(np.abs(np.gradient(MOTION[150:250])).argmin())
    values = noisy(0.05)
    values[at] += 8.0
    shot, frames = baked_shot({"rotation.z": values}, FPS), (at - beside, at + beside)
    found, channel = found_noise(shot, frames=frames), shot.channel("hips", "rotation.z")
    assert found.spikes == (at,)
    new = smoothed(channel, shot, frames, found, 1.0, np.ones(N), Held()).channel.samples
    assert new is not None
    assert abs(new[at, 0] - MOTION[at]) < 4 * 0.05
    changed = np.flatnonzero(new[:, 0] != values)
    assert changed.min() >= frames[0]
    assert changed.max() <= frames[1]


def test_a_spike_amid_samples_without_any_noise() -> None:
    values = 0.3 * np.random.default_rng(3).normal(size=N)
    values[INSIDE] = 2.0
    values[200] += 8.0
    new = smooth(baked_shot({"rotation.z": values}, FPS))[INSIDE, 0]
    assert np.abs(new[10:-10] - 2.0).max() < 1e-3


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_a_few_frames_are_no_trouble(count: int) -> None:
    shot = baked_shot({"rotation.z": np.arange(float(count))}, FPS)
    frames, channel = (0, count - 1), shot.channel("hips", "rotation.z")
    result = smoothed(channel, shot, frames, Noise(0.1, 0.0, ()), 2.0, np.ones(count), Held())
    assert result.channel.samples is not None
    assert np.isfinite(result.channel.samples).all()


def test_contacts_break_the_smoothing() -> None:
    """A foot stops dead at frame 200: with the contact marked the corner stays, without it is rounded."""
    corner = np.where(np.arange(N) < 200, 0.5 * (np.arange(N) - 200), 0.0)
    values = corner + 0.05 * np.random.default_rng(4).normal(size=N)
    shot = baked_shot({"rotation.z": values}, FPS)
    marked = replace(shot, marks=(Mark("contact", (200.0, 399.0)),))
    rounded, kept = (np.abs(smooth(s, 2.0)[195:206, 0] - corner[195:206]).max() for s in (shot, marked))
    assert kept < 0.6 * rounded
    assert kept < 3 * 0.05


# --- pins, limits, wraps and signs ---------------------------------------------------------------------------


def held_by(shot: Shot, *pins: Pin) -> Held:
    return Locks(shot, pins, RANGE).held("hips", shot.controls[0].channels[0], shot.frames)


def test_pinned_samples_stay_to_the_bit() -> None:
    values = noisy()
    values[180] += 8.0  # a pinned spike stays too
    shot = baked_shot({"rotation.z": values}, FPS)
    new = smooth(
        shot, 1.0, held_by(shot, Pin("hips", None, (180.0, 180.0)), Pin("hips", "rotation.z", (200.0, 205.0)))
    )
    at = [180, *range(200, 206)]
    assert new[at, 0].tolist() == values[at].tolist()
    assert np.abs(new[:, 0] - values)[INSIDE].max() > SMOOTH_CHANGE
    assert np.abs(smooth(shot)[at, 0] - values[at]).max() > 1.0  # without the pins they move


def test_limits_hold() -> None:
    """A spike sits above the motion, which is above the limit around 160: the smoothed samples keep it."""
    values = noisy(0.1)
    top = float(MOTION[INSIDE].max())
    values[INSIDE] = np.minimum(values[INSIDE], top - 1.0)
    shot = baked_shot({"rotation.z": values}, FPS)
    loose = smooth(shot, 3.0)[INSIDE, 0].max()
    limit = float(values[INSIDE].max()) + 1e-3
    assert loose > limit + 0.01
    tight = smooth(shot, 3.0, Held(limits=Limits(upper=limit)))[INSIDE, 0]
    assert tight.max() <= limit + LIMIT
    slow = smooth(shot, 1.0, Held(limits=Limits(rate=1.0)))[:, 0]
    steps = np.abs(np.diff(values))
    assert np.all(np.abs(np.diff(slow)) <= np.maximum(1.0, steps) + LIMIT)


def test_whole_turns_are_undone_for_the_smoothing_and_put_back() -> None:
    """The same motion written with jumps of 360 deg gets the same changes."""
    whole = 200 + 170 * np.sin(2 * np.pi * 0.3 * T) + 0.2 * np.random.default_rng(5).normal(size=N)
    wrapped = (whole + 180) % 360 - 180
    assert np.abs(np.diff(wrapped[INSIDE])).max() > 300
    plain, jumping = (smooth(baked_shot({"rotation.z": y}, FPS))[:, 0] for y in (whole, wrapped))
    assert jumping - wrapped == pytest.approx(plain - whole, abs=ROW)
    assert np.abs(jumping - wrapped).max() < 2.0


def quaternions(sigma: float = 0.3) -> tuple[Array, Array]:
    """(N, 4) of a motion, and of the motion with noise of sigma deg about each axis."""
    rng = np.random.default_rng(2)
    turns = np.column_stack([150 * np.sin(2 * np.pi * 0.4 * T), 30 * np.sin(2 * np.pi * 0.9 * T), 0 * T])
    still = vector_quaternion(np.deg2rad(turns))
    return still, vector_quaternion(np.deg2rad(turns + sigma * rng.normal(size=(N, 3))))


def test_quaternions_whose_signs_flip_are_smoothed_like_those_that_do_not() -> None:
    _, values = quaternions()
    signs = np.where((np.arange(N) // 7) % 2 == 0, 1.0, -1.0)[:, None]
    plain = smooth(baked_shot({QUATERNION: values}, FPS), name=QUATERNION)
    flipped = smooth(baked_shot({QUATERNION: values * signs}, FPS), name=QUATERNION)
    assert flipped * signs == pytest.approx(plain, abs=ROW)
    assert np.all(np.sum(flipped * values * signs, axis=1) > 0)


def test_quaternions_stay_unit_length_and_come_nearer_to_the_motion() -> None:
    still, values = quaternions()
    new = smooth(baked_shot({QUATERNION: values}, FPS), name=QUATERNION)
    assert np.linalg.norm(new, axis=1) == pytest.approx(np.ones(N), abs=ROW)
    before, after = (np.linalg.norm(turn(still, q)[INSIDE], axis=1).mean() for q in (values, new))
    assert after < 0.6 * before


def test_pinned_quaternions_stay_to_the_bit() -> None:
    _, values = quaternions()
    shot = baked_shot({QUATERNION: values}, FPS)
    new = smooth(shot, 1.0, held_by(shot, Pin("hips", None, (180.0, 184.0))), QUATERNION)
    assert np.array_equal(new[180:185], values[180:185])
    assert not np.array_equal(new[185], values[185])

"""Smoothing by each channel's own noise: what it may move, what stays to the bit, and what stays sharp."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from refine.clean.branches import angles_of
from refine.clean.denoise import Denoised, Keep, denoised
from refine.clean.settings import Settings
from refine.clean.tracks import Tracks, quaternions, tracks
from refine.rotation import quaternion_matrix
from refine.shot import Array, Shot
from tests.clean.shots import COUNT, FPS, angle_between, matrices, noisy, quaternion_control, rms, shot, turns
from tests.clean.tolerances import (
    BREAK_KEPT,
    CORNER_KEPT,
    GAP_FILLED,
    LOCK_NO_WORSE,
    NOISE_LEFT_OVER,
    SPIKE_GONE,
    TIMES_STRONGER,
    TORN,
)
from tests.tolerances import SAME_TURN

Mask = NDArray[np.bool_]
NONE = np.zeros(COUNT, np.bool_)
SIGMA = 0.3


def at(frames: Sequence[int]) -> Mask:
    return np.isin(np.arange(COUNT), frames)


def keep(gaps: Mask = NONE, spikes: Mask = NONE, held: Mask = NONE, breaks: Mask = NONE) -> Keep:
    return Keep(gaps, spikes, held, breaks)


def smooth(read: Tracks, each: Keep, settings: Settings | None = None) -> Denoised:
    return denoised(read, dict.fromkeys(read.groups, each), settings or Settings())


def near_lock(seed: int = 0) -> Array:
    """Turns whose middle angle goes through 88 deg, where the other two race."""
    values = turns(seed)
    values[1] += 88.0 - values[1].mean()
    return values


def test_noise_goes_and_the_motion_stays() -> None:
    for seed in range(4):
        true = turns(seed)
        read = tracks(shot({"arm": noisy(true, SIGMA, seed)}))
        after = smooth(read, keep()).tracks.values
        assert rms(after - true) < NOISE_LEFT_OVER * SIGMA


def test_strength_0_changes_nothing_but_gaps_and_spikes() -> None:
    gone, wild = at(range(100, 120)), at([200, 201, 300])
    for made in (shot({"arm": noisy(turns(1), SIGMA, 1)}), shot({"arm": noisy(near_lock(), SIGMA, 1)})):
        read = tracks(made)
        found = smooth(read, keep(gaps=gone, spikes=wild), Settings(strength=0.0))
        kept = ~(gone | wild)
        np.testing.assert_array_equal(found.tracks.values[:, kept], read.values[:, kept])
        assert np.all(found.tracks.values[:, ~kept] != read.values[:, ~kept])
        assert all(part.hz == 0 for part in found.parts.values())


@pytest.mark.parametrize("strength", [0.0, 1.0])
@pytest.mark.parametrize("middle", [0.0, 88.0])
def test_gaps_are_filled_by_the_motion_beside_them(strength: float, middle: float) -> None:
    """A sixth of a second, under noise: the slopes are the motion's, not those of the noise."""
    gone = at([f + k for f in (60, 150, 240, 330, 420) for k in range(20)])
    off = []
    for seed in range(4):
        true = turns(seed)
        true[1] += middle - true[1].mean()
        read = tracks(shot({"arm": noisy(true, SIGMA, seed)}))
        after = smooth(read, keep(gaps=gone), Settings(strength=strength)).tracks.values
        off.append(angle_between(matrices(after, "zxy"), matrices(true, "zxy"))[gone])
    assert rms(np.concatenate(off)) < GAP_FILLED


@pytest.mark.parametrize("kind", ["angles", "near lock", "quaternion"])
def test_pinned_samples_come_out_to_the_bit(kind: str) -> None:
    values = noisy(near_lock() if kind == "near lock" else turns(2), SIGMA, 2)
    made = shot({"arm": values})
    if kind == "quaternion":
        made = Shot("q", FPS, 1, COUNT, (quaternion_control("arm", values),))
    read = tracks(made)
    held = at([0, 50, 100, 101, 102, 300, COUNT - 1])
    after = smooth(read, keep(held=held)).tracks.values
    np.testing.assert_array_equal(after[:, held], read.values[:, held])
    assert np.all(np.any(after[:, ~held] != read.values[:, ~held], axis=0))


@pytest.mark.parametrize("settings", [Settings(strength=30.0), Settings(keep_below=1.0)], ids=str)
@pytest.mark.parametrize("sigma", [0.0, SIGMA])
def test_strong_smoothing_goes_through_pinned_samples(settings: Settings, sigma: float) -> None:
    """Left as they stand beside a way that was smoothed elsewhere, they would stick out of it."""
    rows = noisy(turns(1), sigma, 1)
    read, held = tracks(shot({"arm": rows})), at(range(200, 211))
    after = smooth(read, keep(held=held), settings).tracks.values
    np.testing.assert_array_equal(after[:, held], rows[:, held])
    beside = np.abs(np.diff(after, axis=1))[:, 195:216]
    assert beside.max() < TORN * np.abs(np.diff(rows, axis=1)).max()


def test_stronger_is_smoother_and_keep_below_says_where() -> None:
    true = turns(3)
    read = tracks(shot({"arm": noisy(true, SIGMA, 3)}))

    def roughness(settings: Settings) -> float:
        return rms(np.diff(smooth(read, keep(), settings).tracks.values, 3, axis=1))

    half, usual, twice = (roughness(Settings(strength=s)) for s in (0.5, 1.0, 2.0))
    assert half > TIMES_STRONGER * usual > TIMES_STRONGER**2 * twice
    slow = smooth(read, keep(), Settings(keep_below=5.0))
    assert all(part.hz == pytest.approx(5.0) for part in slow.parts.values())
    assert roughness(Settings(keep_below=5.0)) < roughness(Settings(keep_below=10.0))


@pytest.mark.parametrize("middle", [0.0, 88.0])
def test_motion_without_noise_stays_to_the_bit_but_where_a_person_asks(middle: float) -> None:
    values = turns(3)
    values[1] += middle - values[1].mean()
    read, gone = tracks(shot({"arm": values})), at(range(100, 120))
    found = smooth(read, keep(gaps=gone))
    np.testing.assert_array_equal(found.tracks.values[:, ~gone], read.values[:, ~gone])
    assert np.abs(found.tracks.values - read.values)[:, gone].max() > 0
    assert found.parts[read.groups[0]].hz == 0
    asked = smooth(read, keep(), Settings(keep_below=5.0)).tracks.values
    assert np.all(np.ptp(asked - read.values, axis=1) > 0)


def test_one_noisy_angle_of_a_joint_is_smoothed_and_the_others_stay() -> None:
    true = turns(4)
    rows = true.copy()
    rows[1] = noisy(true, SIGMA, 4)[1]
    read = tracks(shot({"arm": rows}))
    after = smooth(read, keep()).tracks.values
    np.testing.assert_array_equal(after[[0, 2]], rows[[0, 2]])
    assert rms(after[1] - true[1]) < NOISE_LEFT_OVER * SIGMA


def test_where_frames_are_rare_a_quick_move_is_no_spike() -> None:
    """A blow of two frames at 24 a second, in a channel with little noise."""
    rows = noisy(turns(5, fps=24.0), 0.1, 5, fps=24.0)
    rows[:, 200:202] += 4.0
    made = replace(shot({"arm": rows}), fps=24.0)
    found = smooth(tracks(made), keep())
    assert not any(part.spikes.any() for part in found.parts.values())


def test_a_cut_does_not_smear() -> None:
    """40 deg from one frame to the next: neither side knows of the other."""
    true = turns(4)
    true[:, 240:] += 40.0
    read = tracks(shot({"arm": noisy(true, SIGMA, 4)}))
    after = smooth(read, keep(breaks=at([239]))).tracks.values
    assert np.abs(after - true)[:, 225:255].max() < BREAK_KEPT * SIGMA


def test_an_impact_stays_sharp() -> None:
    """Speed breaks off at 3 deg a frame, unmarked: the corner may be rounded by little more than the noise."""
    for seed in range(4):
        true = turns(seed) + 3.0 * np.minimum(np.arange(COUNT) - 240.0, 0.0)
        read = tracks(shot({"arm": noisy(true, SIGMA, seed)}))
        after = smooth(read, keep()).tracks.values
        assert np.abs(after - true)[:, 230:251].max() < CORNER_KEPT * SIGMA


def test_near_gimbal_lock_the_turn_is_no_worse_than_elsewhere() -> None:
    """The same motion, once turned so that its middle angle passes 88 deg; noise of the same size on each turn."""
    errors = []
    for values in (turns(5), near_lock(5)):
        true = matrices(values, "zxy")
        made = matrices(noisy(np.zeros((3, COUNT)), SIGMA, 5), "zxy") @ true
        read = tracks(shot({"arm": values}))
        group = read.groups[0]
        noisy_rows = angles_of(group, made, values[:, 0])
        read = tracks(shot({"arm": noisy_rows}))
        after = smooth(read, keep()).tracks.of(read.groups[0])
        errors.append(rms(angle_between(matrices(after, "zxy"), true)))
    assert errors[1] < LOCK_NO_WORSE * errors[0]


def test_quaternions_come_out_as_unit_turns_on_one_side() -> None:
    values = turns(6, size=80.0)
    made = Shot("q", FPS, 1, COUNT, (quaternion_control("arm", noisy(values, SIGMA, 6)),))
    read = tracks(made)
    after = smooth(read, keep()).tracks
    q = after.values.T
    np.testing.assert_allclose(np.linalg.norm(q, axis=1), 1.0, atol=SAME_TURN)
    assert np.all(np.sum(q[1:] * q[:-1], axis=1) > 0)
    noise_before = rms(angle_between(matrices(noisy(values, SIGMA, 6), "zxy"), matrices(values, "zxy")))
    noise_after = rms(angle_between(quaternion_matrix(q), matrices(values, "zxy")))
    assert noise_after < NOISE_LEFT_OVER * noise_before
    np.testing.assert_allclose(quaternions(after.groups[0], after.values), q, atol=SAME_TURN)


def test_a_spike_under_loud_noise_is_learnt_of() -> None:
    true = turns(7)
    rows = noisy(true, SIGMA, 7)
    rows[:, 200] += [4.0, -3.5, 4.5]
    read = tracks(shot({"arm": rows}))
    found = smooth(read, keep())
    assert found.parts[read.groups[0]].spikes[200]
    assert np.abs(found.tracks.values[:, 200] - true[:, 200]).max() < 3 * SIGMA


@pytest.mark.parametrize("row", [0.1 * np.arange(COUNT), np.where(np.arange(COUNT) < 240, 0.0, 20.0)])
def test_a_spike_is_learnt_of_beside_a_row_without_any_noise_that_is_to_be_smoothed(row: Array) -> None:
    true = turns(7)
    rows = noisy(true, SIGMA, 7)
    rows[:, 200] += [4.0, -3.5, 0.0]
    rows[2] = row
    read = tracks(shot({"arm": rows}))
    found = smooth(read, keep(), Settings(keep_below=5.0))
    assert found.parts[read.groups[0]].noise[2].sigma == 0
    assert found.parts[read.groups[0]].spikes[200]
    assert np.all(np.isfinite(found.tracks.values))


def test_channels_at_rest_stay_to_the_bit() -> None:
    rows = noisy(turns(8), SIGMA, 8)
    rows[1] = 7.5
    read = tracks(shot({"arm": rows}))
    after = smooth(read, keep()).tracks.values
    np.testing.assert_array_equal(after[1], rows[1])


@pytest.mark.parametrize("strength", [0.0, 1.0])
def test_a_spike_of_a_joint_at_rest_goes(strength: float) -> None:
    """A knee that is still, or turns about one axis alone."""
    for rows in (np.full((3, COUNT), 7.5), np.stack([turns(9)[0], np.zeros(COUNT), np.zeros(COUNT)])):
        wild = rows.copy()
        wild[:, 200] += [12.0, -9.0, 8.0]
        read = tracks(shot({"arm": wild}))
        after = smooth(read, keep(spikes=at([200])), Settings(strength=strength)).tracks.values
        assert np.abs(after - rows)[:, 200].max() < SPIKE_GONE

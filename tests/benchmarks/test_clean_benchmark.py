"""The clean benchmark is what the tool is tuned by: its truth is clean, its degradations have the size they say, its
baselines are what their names say, and its figures see what they should.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline
from scipy.signal import freqz, welch

from benchmarks import clean, clean_speed
from benchmarks.cleaning import baselines, smoothers, trial
from benchmarks.cleaning.degrade import CORNER, NAMES, SPIKE, Degraded, degraded, unit_noise, units
from benchmarks.cleaning.drift import SLIDE
from benchmarks.cleaning.figures import Figures, Reference, accent_frames, figures, reference
from benchmarks.cleaning.smoothers import GRID, Kind, by_cross_validation, smoothed, traces, weights
from benchmarks.cleaning.steady_truth import STEADY, truth_of
from benchmarks.cleaning.table import continuous_table, first_seconds, table, with_table
from benchmarks.cleaning.truth import high_pass_noise, keyed_truth, metres, raw, truth
from benchmarks.cleaning.undegraded import LEAST_SIGMA, moves, noise_ratio
from refine.pose import Point, pose, world_point
from refine.shot import Array, Shot
from tests.benchmarks.tolerances import (
    BANDED_TWICE,
    DRAWN_RMS,
    DRAWN_RMS_OF_ONE,
    DRAWN_SHARE,
    FAR_FROM_THE_ENDS,
    FILTER_GAIN,
    GRID_OF_WEIGHTS,
    LEG_OF_A_SLIDE,
    MM_OF_THE_SAME_POSE,
    NOISE_FOUND,
    NOISE_LEFT,
    OTHER_BRANCH,
    OVER_A_STRETCHED_LEG,
    SCALE_OF_A_WINDOW,
    SPECTRUM,
    TRACE,
    TRUTH_FROM_CLIP,
)
from tests.open_clips import clip_or_skip
from tests.tolerances import PLACE, SAME_TURN

CLIP = "01_01"
SECONDS = 10.0
RNG = np.random.default_rng(7)
NOISY = 20 * np.sin(np.arange(300) / 20)[:, None] + RNG.normal(0, 0.3, (300, 3))


@pytest.fixture(scope="module")
def known() -> Reference:
    clip_or_skip(CLIP)
    return reference(first_seconds(truth(CLIP), SECONDS))


def made(known: Reference, name: str, seed: int = 0) -> Degraded:
    return degraded(known.shot, name, seed, known.standing.scale)


def errors(known: Reference, after: Shot) -> Array:
    """(N, C) channel errors in deg, translations by what a degree is worth in them."""
    off = continuous_table(after).values - continuous_table(known.shot).values
    columns = table(known.shot)
    off[:, columns.turns] = (off[:, columns.turns] + 180.0) % 360.0 - 180.0
    return np.asarray(off / units(columns, known.standing.scale))


# --- the truth ---------------------------------------------------------------------------------------------


def test_the_truth_has_lost_the_clips_noise_and_kept_its_motion(known: Reference) -> None:
    columns = table(first_seconds(raw(CLIP), SECONDS))
    before, after = high_pass_noise(columns.values), high_pass_noise(table(known.shot).values)
    noisy = np.array(columns.turns)[before[columns.turns] > LEAST_SIGMA]
    assert len(noisy) > 30
    assert np.median(after[noisy] / before[noisy]) < NOISE_LEFT
    assert figures(known, first_seconds(raw(CLIP), SECONDS), 0.0).rms < TRUTH_FROM_CLIP


def test_the_truths_feet_stand_as_well_as_the_clips(known: Reference) -> None:
    captured = figures(known, first_seconds(raw(CLIP), SECONDS), 0.0)
    assert 0 < captured.planted_truth < captured.planted
    assert len(known.standing.contacts) >= 8


def test_the_truth_is_what_its_keys_say_and_leaves_the_rest_pose_out() -> None:
    clip_or_skip(CLIP)
    keyed, baked = keyed_truth(CLIP), truth(CLIP)
    frames = keyed.frames[:200]
    for name in ("LeftFoot", "Head"):
        point = Point(name, (0.0, 0.0, 0.0))
        one, other = (world_point(pose(shot, frames), shot, point) for shot in (keyed, baked))
        np.testing.assert_allclose(one, other, atol=PLACE)
    assert len(raw(CLIP).frames) == len(baked.frames) == 2751


def test_the_steady_truths_feet_stand_and_the_rest_is_the_truths() -> None:
    clip_or_skip(CLIP)
    whole, steady = reference(truth_of(CLIP)), truth_of(CLIP + STEADY)
    assert figures(whole, steady, 0.0).planted < 0.5 * figures(whole, whole.shot, 0.0).planted
    before, after = whole.standing.posed, pose(steady, steady.frames)
    for name in ("Hips", "LeftUpLeg", "LeftHand", "Head"):
        i = steady.index(name)
        assert np.array_equal(before.origin[i], after.origin[i])


# --- degradations ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["white-0.1", "white-1", "coloured-0.3"])
def test_noise_has_its_size_on_every_channel(known: Reference, name: str) -> None:
    off = errors(known, made(known, name).shot)
    size = float(name.split("-")[1])
    assert np.sqrt(np.mean(off**2)) == pytest.approx(size, rel=DRAWN_RMS)
    assert np.sqrt(np.mean(off**2, axis=0)) == pytest.approx(size, rel=DRAWN_RMS_OF_ONE)


def test_coloured_noise_has_the_spectrum_of_its_filter() -> None:
    """[lib] scipy.signal.freqz for 1 / (1 - a z^-1) against Welch's estimate of what is drawn."""
    fps = 120.0
    noise = unit_noise((60_000, 1), True, fps, np.random.default_rng(3))[:, 0]
    hz, power = welch(noise, fps, nperseg=512)
    a = np.exp(-2 * np.pi * CORNER / fps)
    _, gain = freqz([np.sqrt(1 - a * a)], [1.0, -a], hz, fs=fps)
    np.testing.assert_allclose(power[2:-2], (2 / fps * np.abs(gain) ** 2)[2:-2], rtol=SPECTRUM)


@pytest.mark.parametrize("share", [0.1, 0.5, 1.0])
def test_spikes_stand_on_their_share_of_frames_and_jump(known: Reference, share: float) -> None:
    found = [made(known, f"spikes-{share:g}-bare", seed) for seed in range(4)]
    assert np.mean([each.spikes.mean() for each in found]) == pytest.approx(share / 100, rel=DRAWN_SHARE)
    size = np.abs(errors(known, found[0].shot))
    assert SPIKE[0] - SAME_TURN < size[found[0].spikes].min()
    assert size[found[0].spikes].max() < SPIKE[1] + SAME_TURN
    assert size[~found[0].spikes].max() < SAME_TURN


@pytest.mark.parametrize(("name", "longest"), [("gaps", 0.5), ("gaps-short", 0.3)])
def test_gaps_hold_the_last_sample(known: Reference, name: str, longest: float) -> None:
    found = made(known, name)
    values = table(found.shot).values
    assert found.gaps.any()
    assert np.all(np.diff(values, axis=0)[found.gaps[1:]] == 0)
    foot = table(known.shot).columns(["LeftFoot", "LeftUpLeg"])
    assert found.gaps[:, foot].shape == (len(values), 6)
    starts = np.flatnonzero(np.diff(np.concatenate([[0], found.gaps.any(axis=1)])) > 0)
    assert len(starts) >= 3
    assert found.gaps.mean() < 4 * 0.05 * longest


def test_wraps_change_the_numbers_and_no_rotation(known: Reference) -> None:
    found = made(known, "wraps-bare").shot
    angles = table(found).values[:, table(found).turns]
    assert angles.min() >= -180.0
    assert angles.max() < 180.0
    assert np.mean(np.abs(np.diff(angles, axis=0)).max(axis=1) > 90) > 0.05
    assert figures(known, found, 0.0).rms < MM_OF_THE_SAME_POSE


def test_a_foot_drifts_by_what_it_says_and_the_hips_stay(known: Reference) -> None:
    found = made(known, "drift-bare").shot
    before, after = known.standing.posed, pose(found, known.shot.frames)
    off = {
        name: np.linalg.norm(after.origin[found.index(name)] - before.origin[found.index(name)], axis=1).max()
        * known.standing.scale
        * 1000
        for name in ("LeftFoot", "RightFoot", "LeftUpLeg", "Head")
    }
    assert off["LeftUpLeg"] == off["Head"] == 0
    for foot in ("LeftFoot", "RightFoot"):
        assert SLIDE[0] < off[foot] < SLIDE[1] * OVER_A_STRETCHED_LEG


def test_a_straight_leg_that_drifts_isn_t_torn() -> None:
    """01_03 climbs with straight legs, which can't follow every slide: 60 mm turn a leg by 4 deg at the hip."""
    clip_or_skip("01_03")
    shot = first_seconds(truth("01_03"), SECONDS)
    off = table(degraded(shot, "drift-bare", 0, metres(shot)).shot).values - table(shot).values
    assert 2.0 < np.abs(off).max() < LEG_OF_A_SLIDE


@pytest.mark.parametrize("name", [*NAMES, "all-bare"])
def test_the_same_seed_gives_the_same_and_another_another(known: Reference, name: str) -> None:
    one, same, other = (table(made(known, name, seed).shot).values for seed in (0, 0, 1))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


# --- baselines ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("weight", [1.0, 100.0, 1e5])
def test_whittaker_is_whittaker(weight: float) -> None:
    """[lib] whittaker-eilers 0.2.0, order 3."""
    from whittaker_eilers import WhittakerSmoother

    wanted = WhittakerSmoother(lmbda=weight, order=3, data_length=300).smooth(NOISY[:, 0].tolist())
    np.testing.assert_allclose(smoothed("whittaker", NOISY, weight)[:, 0], wanted, atol=BANDED_TWICE)


def test_whittaker_without_weight_in_a_gap() -> None:
    """[lib] whittaker-eilers 0.2.0 with the weights of its samples, at the weight that was chosen."""
    from whittaker_eilers import WhittakerSmoother

    gaps = np.zeros(NOISY.shape, np.bool_)
    gaps[100:130, 1] = True
    told = baselines.whittaker_told(NOISY, gaps)
    led = NOISY.copy()
    led[gaps] = np.interp(np.arange(100, 130), [99, 130], NOISY[[99, 130], 1])
    chosen = smoothers.best_of_grid("whittaker", led)
    weight = float(weights("whittaker", GRID)[chosen[1]])
    free = np.where(gaps[:, 1], 0.0, 1.0).tolist()
    library = WhittakerSmoother(lmbda=weight, order=3, data_length=300, weights=free)
    np.testing.assert_allclose(told[:, 1], library.smooth(NOISY[:, 1].tolist()), atol=BANDED_TWICE)


@pytest.mark.parametrize("weight", [1.0, 100.0, 1e5])
def test_the_spline_is_the_smoothing_spline(weight: float) -> None:
    """[lib] scipy.interpolate.make_smoothing_spline with its penalty given."""
    at = np.arange(300.0)
    wanted = make_smoothing_spline(at, NOISY[:, 1], lam=weight)(at)
    np.testing.assert_allclose(smoothed("spline", NOISY, weight)[:, 1], wanted, atol=BANDED_TWICE)


def test_cross_validation_chooses_as_the_library_does() -> None:
    """[lib] make_smoothing_spline choosing its own penalty by GCV; ours is the nearest of a grid."""
    at = np.arange(300.0)
    ours, _ = by_cross_validation("spline", NOISY)
    for column in range(3):
        library = make_smoothing_spline(at, NOISY[:, column])(at)
        apart = np.sqrt(np.mean((ours[:, column] - library) ** 2))
        assert apart < GRID_OF_WEIGHTS * np.sqrt(np.mean((library - NOISY[:, column]) ** 2))


@pytest.mark.parametrize("kind", ["whittaker", "spline"])
def test_traces_are_those_of_the_dense_matrix(kind: Kind) -> None:
    """[lib] the smoother applied to each unit vector by scipy's banded solver, and its diagonal summed."""
    dense = [np.trace(smoothed(kind, np.eye(120), w)) for w in weights(kind, GRID)]
    np.testing.assert_allclose(traces(kind, 120), dense, atol=TRACE)


@pytest.mark.parametrize("kind", ["whittaker", "spline"])
def test_weights_halve_the_amplitude_they_say(kind: Kind) -> None:
    t = np.arange(4000.0)
    for cycles in (0.01, 0.05, 0.2):
        wave = np.cos(2 * np.pi * cycles * t)[:, None]
        weight = float(weights(kind, np.array([cycles]))[0])
        inside = smoothed(kind, wave, weight)[1000:3000, 0]
        gain = 2 * np.mean(inside * wave[1000:3000, 0])
        assert gain == pytest.approx(0.5, abs=FAR_FROM_THE_ENDS)


def test_butterworth_is_down_to_0_7_at_six_hertz() -> None:
    t = np.arange(12_000) / 120.0
    for hz, wanted in ((baselines.CUT, np.sqrt(0.5)), (1.0, 1.0)):
        wave = np.sin(2 * np.pi * hz * t)[:, None]
        inside = baselines.butterworth(wave, 120.0)[3000:9000, 0]
        assert 2 * np.mean(inside * wave[3000:9000, 0]) == pytest.approx(wanted, abs=FILTER_GAIN)


def test_the_running_median_takes_spikes_and_leaves_motion() -> None:
    spiky = NOISY.copy()
    spiky[[50, 51, 170], 0] += 25.0
    off = np.abs(baselines.despiked(spiky) - NOISY)[[50, 51, 170], 0]
    assert off.max() < 3.0
    smooth = 20 * np.sin(np.arange(300) / 20)[:, None]
    assert np.array_equal(baselines.despiked(smooth)[10:-10], smooth[10:-10])


def test_baselines_get_wrapped_angles_made_continuous(known: Reference) -> None:
    method = baselines.BASELINES["Butterworth 6 Hz"]
    plain, wrapped = (
        figures(known, method(shot), 0.0) for shot in (known.shot, made(known, "wraps-bare").shot)
    )
    assert wrapped.rms == pytest.approx(plain.rms, rel=OTHER_BRANCH)


# --- figures -----------------------------------------------------------------------------------------------


def test_figures_of_the_truth_itself(known: Reference) -> None:
    own = figures(known, known.shot, 1.5)
    assert (own.rms, own.p99, own.jerk, own.seconds) == (0.0, 0.0, 0.0, 1.5)
    assert (own.accent_worst, own.accent_median) == (1.0, 1.0)
    assert own.planted == own.planted_truth


def test_a_shift_is_seen_in_mm_and_in_nothing_else(known: Reference) -> None:
    columns = table(known.shot)
    values = columns.values.copy()
    values[:, columns.owners.index(("Hips", "translation.y"))] += 0.007 / metres(known.shot)
    moved = figures(known, with_table(known.shot, values), 0.0)
    assert moved.rms == pytest.approx(7.0, rel=SCALE_OF_A_WINDOW)
    assert moved.planted == pytest.approx(moved.planted_truth)


def test_accents_are_sharp_fast_and_wide_enough() -> None:
    t = np.arange(600) / 120.0
    punch = np.exp(-(((t - 1.0) / 0.08) ** 2)) + 0.8 * np.exp(-(((t - 2.5) / 0.3) ** 2))
    glitch = 2.0 * np.exp(-(((t - 4.0) / 0.01) ** 2))
    path = np.column_stack([np.cumsum(punch + glitch), np.zeros((600, 2))])
    found = accent_frames(path, 120.0)
    assert abs(found[0] - 120) <= 1
    assert not np.any(np.abs(found - 480) < 30)


def test_moves_of_the_capture_are_counted_in_its_own_noise() -> None:
    clip_or_skip(CLIP)
    still = moves(trial.untouched, CLIP, SECONDS)
    assert (still.share, still.largest) == (1.0, 0.0)

    def one_sample_off(shot: Shot) -> Shot:
        values = table(shot).values.copy()
        at = table(shot).owners.index(("Head", "rotation.x"))
        values[500, at] += 100 * max(high_pass_noise(values)[at], LEAST_SIGMA)
        return with_table(shot, values)

    off = moves(one_sample_off, CLIP, SECONDS)
    assert off.largest_where == "Head.rotation.x@500"
    assert off.largest == pytest.approx(100.0)
    assert 0.9999 < off.share < 1.0


def test_noise_found_is_held_against_what_was_put_on() -> None:
    clip_or_skip(CLIP)

    def median_noise(shot: Shot) -> float:
        return float(np.median(high_pass_noise(table(shot).values[:, table(shot).turns])))

    assert noise_ratio(median_noise, CLIP, "white-0.3", 0, SECONDS) == pytest.approx(1.0, rel=NOISE_FOUND)
    with pytest.raises(ValueError, match="no noise"):
        noise_ratio(median_noise, CLIP, "spikes-0.5-bare", 0, SECONDS)


def test_kept_figures_are_those_computed(
    known: Reference, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trial, "cache_folder", lambda: tmp_path)
    first = trial.baselines(CLIP, "white-0.3", 0, 4.0)
    monkeypatch.setattr(trial, "evaluate", None)  # the second time nothing is computed
    assert trial.baselines(CLIP, "white-0.3", 0, 4.0) == first
    best = trial.baseline_best(CLIP, "white-0.3", 0, 4.0)
    assert best["rms"] == min(first[name].rms for name in baselines.BASELINES)


# --- the table ---------------------------------------------------------------------------------------------


def outcome(**mine: float) -> clean.Outcome:
    """Every baseline at an RMS of 2 mm, the best at 1, and ours as given."""
    usual = Figures(2.0, 5.0, 90.0, 50.0, 0.0, 0.9, 1.0, 0.1)
    found = {**dict.fromkeys(baselines.BASELINES, usual), "Whittaker 3, GCV": replace(usual, rms=1.0)}
    good = Figures(0.69, 2.0, 60.0, 50.0, 0.0, 0.98, 1.0, 0.1)
    return clean.Outcome(
        clean.Cell("a", "spikes-0.5", 0, None), {**found, clean.OURS: replace(good, **mine)}, None
    )


def test_a_row_says_which_goals_are_missed() -> None:
    def verdict(degradation: str, **mine: float) -> str:
        line = clean.row("x", clean.OURS, [outcome(**mine)], clean.goal_of(degradation))
        return line.split("|")[-2].strip()

    assert verdict("spikes-0.5") == "yes"
    assert verdict("spikes-0.5", rms=0.72) == "no: RMS > 0.7"
    assert verdict("white-0.3", rms=0.72) == "yes"
    assert verdict("gaps", rms=3.0) == "yes"  # no goal is stated for those
    assert verdict("all", planted=76.0, accent_worst=0.96) == "no: planted > 1.5, accent < 0.97"


def test_the_loop_of_the_speed_clips_has_no_seam() -> None:
    clip_or_skip(clean_speed.CLIP)
    columns = table(raw(clean_speed.CLIP))
    turn = clean_speed.closed(columns.values, columns.turns, 120)
    step = np.diff(np.concatenate([turn, turn[:1]]), axis=0)
    step[:, columns.turns] = (step[:, columns.turns] + 180.0) % 360.0 - 180.0
    assert len(turn) == len(columns.values) - 120
    assert np.all(np.abs(step[-1]) <= np.abs(step[:-1]).max(axis=0))

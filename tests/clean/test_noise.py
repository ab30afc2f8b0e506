"""The noise of a channel is told from its motion: known noise put on known motion is found again."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.cleaning.degrade import CORNER
from benchmarks.cleaning.table import first_seconds
from benchmarks.cleaning.truth import raw, truth
from refine.clean.noise import EMPTY, NONE, TELLING, Noise, estimated, falling, liveliness, sound_windows
from refine.clean.tracks import tracks
from refine.shot import Array, Shot
from tests.clean.shots import FPS, noisy, turns
from tests.clean.tolerances import (
    COLOUR_FOUND,
    COLOUR_ON_TRUTH,
    COLOURED_FOUND,
    OWN_TREMBLE,
    SAME_NOISE,
    WHITE_FOUND,
)
from tests.open_clips import clip_or_skip

COUNT = 2400
CLIPS = ("01_01", "01_03", "Boxing_Toes")


def told(values: Array, fps: float = FPS) -> tuple[Noise, ...]:
    return estimated(values, np.zeros(values.shape, np.bool_), fps)


def sigma(values: Array, fps: float = FPS) -> float:
    """The median over the rows."""
    return float(np.median([noise.sigma for noise in told(values, fps)]))


def moving_turns(shot: Shot) -> Array:
    """(rows, N) angles that move by more than a degree, over 20 s."""
    read = tracks(first_seconds(shot, 20.0))
    rows = [row for group in read.groups if group.kind == "angles" for row in read.of(group)]
    return np.array([row for row in rows if np.ptp(row) > 1.0])


@pytest.mark.parametrize("size", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("fps", [60.0, 120.0])
def test_white_noise_is_found_on_made_motion(size: float, fps: float) -> None:
    values = noisy(turns(0, COUNT, fps, rows=12), size, 0, fps=fps)
    assert sigma(values, fps) == pytest.approx(size, rel=WHITE_FOUND)
    assert told(values, fps)[0].alike == 0


@pytest.mark.parametrize("size", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("clip", CLIPS)
def test_white_noise_is_found_on_captured_motion(clip: str, size: float) -> None:
    clip_or_skip(clip)
    shot = truth(clip)
    values = noisy(moving_turns(shot), size, 1, fps=shot.fps)
    assert sigma(values, shot.fps) == pytest.approx(size, rel=WHITE_FOUND)
    assert told(values, shot.fps)[0].alike == 0


@pytest.mark.parametrize("size", [0.3, 1.0])
def test_coloured_noise_is_found_with_its_colour(size: float) -> None:
    """Neighbouring frames correlate by exp(-2 pi 10 Hz / fps)."""
    values = noisy(turns(0, COUNT, rows=12), size, 0, coloured=True)
    assert sigma(values) == pytest.approx(size, rel=COLOURED_FOUND)
    assert told(values)[0].alike == pytest.approx(np.exp(-2 * np.pi * CORNER / FPS), abs=COLOUR_FOUND)


@pytest.mark.parametrize("clip", CLIPS)
def test_strong_coloured_noise_is_found_on_captured_motion(clip: str) -> None:
    clip_or_skip(clip)
    shot = truth(clip)
    values = noisy(moving_turns(shot), 1.0, 1, coloured=True, fps=shot.fps)
    assert sigma(values, shot.fps) == pytest.approx(1.0, rel=COLOUR_ON_TRUTH)
    assert told(values, shot.fps)[0].alike > 0.4


@pytest.mark.parametrize("clip", CLIPS)
def test_a_captures_own_tremble_is_not_taken_for_noise(clip: str) -> None:
    """Between 5 and 15 Hz a body trembles by itself: the noise told may not be more than the fast modes show.

    The sixth difference hardly knows motion below 15 Hz; white noise of that size is what it says.
    """
    clip_or_skip(clip)
    shot = raw(clip)
    values = moving_turns(shot)
    sixth = np.median(np.abs(np.diff(values, 6, axis=1)), axis=1) / 0.6745 / np.sqrt(924.0)
    found = np.array([noise.sigma for noise in told(values, shot.fps)])
    assert np.median(found / np.maximum(sixth, 1e-3)) < OWN_TREMBLE


def test_motion_without_noise_has_hardly_any() -> None:
    assert sigma(turns(0, COUNT, rows=6)) < 0.01


def test_a_channel_at_rest_has_none() -> None:
    values = noisy(turns(0, COUNT), 0.3, 0)
    values[1] = 12.5
    assert told(values)[1].sigma == 0
    assert told(values)[0].sigma > 0
    assert told(np.zeros((2, COUNT)))[0] == Noise(0.0, 0.0, 0.0)


def test_noise_is_in_the_channels_own_unit() -> None:
    values = noisy(turns(0, COUNT), 0.3, 0)
    one, other = told(values), told(100.0 * values)
    for a, b in zip(one, other, strict=True):
        assert b.sigma == pytest.approx(100.0 * a.sigma, rel=SAME_NOISE)
        assert b.jerk == pytest.approx(100.0**2 * a.jerk, rel=SAME_NOISE)
        assert b.alike == pytest.approx(a.alike, abs=SAME_NOISE)


def test_missing_samples_have_no_say() -> None:
    values = noisy(turns(0, COUNT), 0.3, 0)
    gone = np.zeros(values.shape, np.bool_)
    gone[:, 700:1000] = True
    wild = np.where(gone, 1e3 * np.random.default_rng(0).standard_normal(values.shape), values)
    one, other = (estimated(each, gone, FPS) for each in (values, wild))
    assert one == other
    assert one[0].sigma == pytest.approx(0.3, rel=WHITE_FOUND)


@pytest.mark.parametrize("fps", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("coloured", [False, True])
def test_noise_fills_the_fast_modes_and_motion_dies_out_in_them(fps: float, coloured: bool) -> None:
    made, whole = turns(0, COUNT, fps, rows=6), np.zeros(COUNT, np.bool_)
    assert np.all(falling(made, whole, fps) > EMPTY)
    assert np.all(falling(noisy(made, 0.1, 0, coloured, fps), whole, fps) < TELLING)


def test_what_rests_or_is_rounded_only_holds_no_noise() -> None:
    rows = np.stack([np.full(COUNT, 7.5), np.round(turns(1, COUNT)[0], 6)])
    assert np.all(falling(rows, np.zeros(COUNT, np.bool_), FPS) > EMPTY)


def test_wild_samples_that_are_missing_do_not_fill_the_fast_modes() -> None:
    gone = np.arange(COUNT) % 90 == 0
    wild = turns(2, COUNT) + 20.0 * gone
    assert np.all(falling(wild, gone, FPS) > EMPTY)


@pytest.mark.parametrize("noisy_rows", [1, 12])
def test_noise_of_a_few_rows_is_found_as_that_of_all(noisy_rows: int) -> None:
    """Rows that have none say nothing of it: not even that it is white, or slow."""
    values, whole = turns(0, COUNT, rows=12), np.zeros(COUNT, np.bool_)
    values[:noisy_rows] = noisy(values[:noisy_rows], 0.3, 0)
    found = estimated(values, [whole] * 12, FPS, falls=falling(values, whole, FPS))
    assert [noise.alike for noise in found] == [0.0] * 12
    assert np.median([noise.sigma for noise in found[:noisy_rows]]) == pytest.approx(0.3, rel=WHITE_FOUND)
    assert found[noisy_rows:] == (NONE,) * (12 - noisy_rows)


def test_liveliness_is_high_where_the_motion_is_quick() -> None:
    """The same channel: calm for ten seconds, then quick for five."""
    t = np.arange(1800) / FPS
    row = 10.0 * np.sin(2 * np.pi * 0.3 * t) + np.where(t > 10, 10.0 * np.sin(2 * np.pi * 4 * (t - 10)), 0.0)
    values = noisy(row[None], 0.2, 0)
    level = np.log(liveliness(values[0], told(values)[0], FPS))
    assert level.shape == (len(row) - 3,)
    assert np.median(level[1300:1700]) > np.median(level[200:1000]) + 3.0  # nats


def test_a_sample_that_is_missing_takes_away_its_window_and_no_other() -> None:
    """Else a clip whose one spike was mended is asked elsewhere, and may have noise the next time."""
    row = np.arange(50 * 60.0)[None]
    every = sound_windows(row, np.zeros(3000, np.bool_), 60)[0, :, 0]
    gone = np.arange(3000) == int(every[7]) + 3
    assert sound_windows(row, gone, 60)[0, :, 0].tolist() == [*every[:7], *every[8:]]
    few = np.ones(3000, np.bool_)
    few[60:120] = few[600:660] = False
    assert sound_windows(row, few, 60)[0, :, 0].tolist() == [60.0, 600.0]
    assert sound_windows(row, np.ones(3000, np.bool_), 60).shape == (1, 0, 60)

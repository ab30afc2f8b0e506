"""A loop stays one: it is smoothed as if it went on for ever, wherever it begins."""

from __future__ import annotations

import numpy as np
import pytest

from refine.clean.clip import cleaned
from refine.clean.denoise import Keep, denoised
from refine.clean.loop import padded, round_adds, unpadded
from refine.clean.settings import Settings
from refine.clean.tracks import tracks
from refine.shot import Array
from tests.clean.shots import COUNT, looped, noisy, rms, rows_of, shot
from tests.clean.tolerances import NOISE_LEFT_OVER, SAME_LOOP, SEAM_STEP
from tests.tolerances import ANGLE

SIGMA = 0.3
NONE = np.zeros(COUNT, np.bool_)


def clean(rows: Array, loop: bool = True) -> Array:
    return rows_of(cleaned(shot({"arm": rows}, loop=loop), Settings()).shot, "arm")


def seam(rows: Array) -> tuple[float, float]:
    """The third difference over the seam, and the largest inside."""
    around = np.concatenate([rows[:, -3:], rows[:, :3]], axis=1)
    return float(np.abs(np.diff(around, 3, axis=1)).max()), float(np.abs(np.diff(rows, 3, axis=1)).max())


@pytest.mark.parametrize("seed", range(4))
def test_the_seam_is_as_smooth_as_the_rest(seed: int) -> None:
    rows = noisy(looped(seed), SIGMA, seed)
    before, after = seam(rows), seam(clean(rows))
    assert after[0] < SEAM_STEP * before[0]
    assert after[0] < 2.0 * after[1]
    assert rms(clean(rows) - looped(seed)) < NOISE_LEFT_OVER * SIGMA


def test_without_the_loop_the_seam_is_no_better_than_its_ends_noise() -> None:
    worse = 0
    for seed in range(4):
        rows = noisy(looped(seed), SIGMA, seed)
        worse += seam(clean(rows, loop=False))[0] > seam(clean(rows))[0]
    assert worse >= 3


@pytest.mark.parametrize("by", [1, 117, 240])
def test_where_it_begins_makes_no_difference(by: int) -> None:
    """The noise is told from whole windows, so it differs by a little; the smoothing by that alone."""
    rows = noisy(looped(1), SIGMA, 1)
    one, other = clean(rows), clean(np.roll(rows, -by, axis=1))
    assert rms(np.roll(other, by, axis=1) - one) < SAME_LOOP * rms(one - rows)


def test_what_is_continued_is_cut_off_again() -> None:
    rows = looped(0)
    read = tracks(shot({"arm": rows}))
    wild = Keep(NONE, np.arange(COUNT) == 3, NONE, NONE)
    longer, masks = padded(read, dict.fromkeys(read.groups, wild))
    reach = (len(longer) - COUNT) // 2
    np.testing.assert_allclose(longer.values[:, :reach], rows[:, -reach:], atol=ANGLE)
    np.testing.assert_allclose(longer.values[:, -reach:], rows[:, :reach], atol=ANGLE)
    assert np.flatnonzero(masks[read.groups[0]].spikes).tolist() == [reach + 3, reach + COUNT + 3]
    back = unpadded(denoised(longer, masks, Settings(strength=0.0)), COUNT)
    kept = np.arange(COUNT) != 3
    np.testing.assert_array_equal(back.tracks.values[:, kept], rows[:, kept])
    assert np.flatnonzero(back.parts[read.groups[0]].spikes).tolist() == [3]


def test_a_spin_adds_its_turns_and_a_walk_its_way() -> None:
    t = np.arange(COUNT) / COUNT
    spin = np.stack([720.0 * t, 5 * np.sin(2 * np.pi * t)], axis=1)
    np.testing.assert_allclose(round_adds("angles", spin), [720.0, 0.0])
    walk = np.stack([2.0 * t + 0.1 * np.sin(2 * np.pi * t), 0.1 * np.sin(2 * np.pi * t)], axis=1)
    np.testing.assert_allclose(round_adds("place", walk), [2.0, 0.0], rtol=1e-3)
    np.testing.assert_allclose(round_adds("number", walk), [0.0, 0.0])


def test_a_spinning_loop_spins_on_after_cleaning() -> None:
    t = np.arange(COUNT) / COUNT
    spin = np.stack([720.0 * t, 5 * np.sin(2 * np.pi * t), 10 * np.cos(2 * np.pi * t)])
    after = clean(noisy(spin, SIGMA, 2))
    assert rms(after - spin) < NOISE_LEFT_OVER * SIGMA
    assert after[0, -1] - after[0, 0] == pytest.approx(720.0 * t[-1], abs=3 * SIGMA)

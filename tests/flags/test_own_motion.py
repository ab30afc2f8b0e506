"""Samples led anew as a path moves elsewhere: against the same problem written out and solved by numpy [lib]."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.flags.own_motion import LEAST_JERK, Motion, chance_of_harm, learnt, led
from refine.shot import Array
from tests.flags.tolerances import CHANCE, LED

FREE = slice(60, 72)


def waves(count: int = 240) -> Array:
    """(N,) motion of two waves, of 40 and 17 frames."""
    t = np.arange(count)
    return np.asarray(20 * np.sin(2 * np.pi * t / 40) + 4 * np.cos(2 * np.pi * t / 17 + 1))


def mask(count: int = 240) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    free = np.zeros(count, np.bool_)
    free[FREE] = True
    return free


def written_out(y: Array, noise: float | None, motion: Motion) -> Array:
    """The least squares of the module's docstring over the whole path, by numpy."""
    width, count = len(motion.kernel), len(y)
    rows = np.zeros((count - width + 1, count))
    for i in range(len(rows)):
        rows[i, i : i + width] = motion.kernel[::-1] / np.sqrt(motion.variance)
    free = np.flatnonzero(mask(count))
    known = np.delete(np.arange(count), free)
    target = [-rows[:, known] @ y[known]]
    matrix = [rows[:, free]]
    if noise is not None:
        matrix.append(np.eye(len(free)) / noise)
        target.append(y[free] / noise)
    z = y.copy()
    z[free] = np.linalg.lstsq(np.concatenate(matrix), np.concatenate(target), rcond=None)[0]
    return z


@pytest.mark.parametrize("noise", [None, 0.3, 2.0])
@pytest.mark.parametrize("own", [False, True])
def test_least_squares(noise: float | None, own: bool) -> None:
    y = waves() + np.random.default_rng(1).normal(0, 1, 240)
    motion = learnt(y, ~mask()) if own else LEAST_JERK
    assert led(y, mask(), noise, motion).path == pytest.approx(written_out(y, noise, motion), abs=LED)


def test_least_jerk_fills_a_parabola_exactly() -> None:
    """Its third difference is nothing."""
    truth = 0.02 * (np.arange(240) - 50.0) ** 2
    faulty = truth.copy()
    faulty[FREE] += 9.0
    assert led(faulty, mask(), None, LEAST_JERK).path == pytest.approx(truth, abs=LED)


def test_own_motion_fills_waves_better_than_least_jerk() -> None:
    truth, faulty = waves(), waves()
    faulty[FREE] = faulty[59]
    motion = learnt(faulty, ~mask())
    own, jerk = (np.abs(led(faulty, mask(), None, m).path - truth).max() for m in (motion, LEAST_JERK))
    assert own < jerk / 2, (own, jerk)


def test_smoothing_takes_noise_and_little_motion() -> None:
    """Noise is independent of the motion: what is left must lie nearer to the truth on every draw."""
    for seed in range(10):
        y = waves()
        y[FREE] += np.random.default_rng(seed).normal(0, 1.0, 12)
        motion = learnt(y, ~mask())
        left = np.linalg.norm(led(y, mask(), 1.0, motion).path - waves())
        assert left < np.linalg.norm(y - waves())


def test_other_frames_stay_to_the_last_bit() -> None:
    y = waves()
    found = led(y, mask(), 0.5, LEAST_JERK).path
    assert np.array_equal(found[~mask()], y[~mask()])


def test_from_little_or_from_rest_only_jerk_is_learnt() -> None:
    little, rest = learnt(waves(40), np.ones(40, np.bool_)), learnt(np.full(240, 3.0), np.ones(240, np.bool_))
    assert np.array_equal(little.kernel, LEAST_JERK.kernel)
    assert little.variance == pytest.approx(float(np.mean(np.diff(waves(40), 3) ** 2)))
    assert np.array_equal(rest.kernel, LEAST_JERK.kernel)
    assert rest.variance == 0
    assert learnt(waves(12), np.zeros(12, np.bool_)).variance == np.inf


def test_what_is_foretold_of_the_errors_is_taken_off_them() -> None:
    """With all errors foretold the path is exactly the one that makes them."""
    truth = waves() + np.cumsum(np.cumsum(np.random.default_rng(4).normal(0, 0.1, 240)))
    faulty = truth.copy()
    faulty[FREE] = faulty[59]
    motion = learnt(faulty, ~mask())
    knowing = replace(motion, foretold=Motion(motion.kernel, 1.0).errors(truth))
    assert led(faulty, mask(), None, knowing).path == pytest.approx(truth, abs=LED)
    assert np.abs(led(faulty, mask(), None, motion).path - truth).max() > 1.0


@pytest.mark.parametrize("noise", [None, 1.0])
def test_the_chance_of_harm_is_how_often_it_harms(noise: float | None) -> None:
    """Paths drawn from the motion, a few frames lost or made noisy: by the model's own law of large numbers [lib]."""
    rng, harmed, foretold = np.random.default_rng(0), [], []
    motion = Motion(np.array([1.0, -1.9, 0.95]), 1.0)
    free = np.zeros(60, np.bool_)
    free[30:34] = True
    for _ in range(2000):
        truth, error = np.zeros(60), rng.normal(0, 1, 60)
        for t in range(2, 60):
            truth[t] = 1.9 * truth[t - 1] - 0.95 * truth[t - 2] + error[t]
        given = truth.copy()
        given[free] = given[29] if noise is None else truth[free] + rng.normal(0, noise, 4)
        found = led(given, free, noise, motion)
        foretold.append(
            chance_of_harm(np.array([np.sum((found.path - given) ** 2)]), np.array([found.along]))
        )
        harmed.append(np.sum((found.path - truth) ** 2) > np.sum((given - truth) ** 2))
    assert np.mean(foretold) == pytest.approx(np.mean(harmed), abs=CHANCE)
    doubtful = np.array(foretold) > 0.2
    assert np.mean(np.array(foretold)[doubtful]) == pytest.approx(
        np.mean(np.array(harmed)[doubtful]), abs=3 * CHANCE
    )
    assert np.mean(np.array(harmed)[np.array(foretold) <= 0.05]) <= 0.05


def test_what_nothing_ties_stays() -> None:
    """A path of three samples, all free: no third difference fits."""
    y = np.array([1.0, 5.0, 2.0])
    found = led(y, np.ones(3, np.bool_), None, LEAST_JERK)
    assert np.array_equal(found.path, y)
    assert found.along == np.inf

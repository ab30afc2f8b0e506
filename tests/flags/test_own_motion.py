"""Samples led anew as a path moves elsewhere: against the same problem written out and solved by numpy [lib]."""

from __future__ import annotations

import numpy as np
import pytest

from refine.flags.own_motion import LEAST_JERK, Motion, learnt, led
from refine.shot import Array
from tests.flags.tolerances import LED

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
    assert motion is not None
    assert led(y, mask(), noise, motion) == pytest.approx(written_out(y, noise, motion), abs=LED)


def test_least_jerk_fills_a_parabola_exactly() -> None:
    """Its third difference is nothing."""
    truth = 0.02 * (np.arange(240) - 50.0) ** 2
    faulty = truth.copy()
    faulty[FREE] += 9.0
    assert led(faulty, mask(), None, LEAST_JERK) == pytest.approx(truth, abs=LED)


def test_own_motion_fills_waves_better_than_least_jerk() -> None:
    truth, faulty = waves(), waves()
    faulty[FREE] = faulty[59]
    motion = learnt(faulty, ~mask())
    assert motion is not None
    own, jerk = (np.abs(led(faulty, mask(), None, m) - truth).max() for m in (motion, LEAST_JERK))
    assert own < jerk / 2, (own, jerk)


def test_smoothing_takes_noise_and_little_motion() -> None:
    """Noise is independent of the motion: what is left must lie nearer to the truth on every draw."""
    for seed in range(10):
        y = waves()
        y[FREE] += np.random.default_rng(seed).normal(0, 1.0, 12)
        motion = learnt(y, ~mask())
        assert motion is not None
        left = np.linalg.norm(led(y, mask(), 1.0, motion) - waves())
        assert left < np.linalg.norm(y - waves())


def test_other_frames_stay_to_the_last_bit() -> None:
    y = waves()
    found = led(y, mask(), 0.5, LEAST_JERK)
    assert np.array_equal(found[~mask()], y[~mask()])


def test_nothing_is_learnt_from_little_or_from_rest() -> None:
    assert learnt(waves(40), np.ones(40, np.bool_)) is None
    assert learnt(np.full(240, 3.0), np.ones(240, np.bool_)) is None


def test_what_nothing_ties_stays() -> None:
    """A path of three samples, all free: no third difference fits."""
    y = np.array([1.0, 5.0, 2.0])
    assert np.array_equal(led(y, np.ones(3, np.bool_), None, LEAST_JERK), y)

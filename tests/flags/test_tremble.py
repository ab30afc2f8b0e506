"""Noise on some frames of a path, told from none and from livelier motion: planted into drawn motion of a known law."""

from __future__ import annotations

import numpy as np
import pytest

from refine.flags.own_motion import Motion, learnt
from refine.flags.tremble import Tremble, _Evidence, tremble
from refine.shot import Array
from tests.flags.tolerances import LIKELY, NOISE_LEVEL, NOISY_ENDS

COUNT, FIRST, LAST, SIZE = 240, 90, 139, 0.3
LAW = np.array([1.0, -2.85, 2.72, -0.87])  # a damped swing with drift: slow motion, whose errors are white


def drawn(seed: int, livelier: float = 1.0) -> Array:
    """(COUNT,) motion by LAW with errors of size 0.05, larger on the frames FIRST to LAST."""
    errors = np.random.default_rng(seed).normal(0, 0.05, COUNT)
    errors[FIRST : LAST + 1] *= livelier
    y = np.zeros(COUNT)
    for t in range(3, COUNT):
        y[t] = errors[t] - LAW[1:] @ y[t - 3 : t][::-1]
    return y


def noisy(seed: int, y: Array) -> Array:
    y = y.copy()
    y[FIRST : LAST + 1] += np.random.default_rng([seed, 1]).normal(0, SIZE, LAST - FIRST + 1)
    return y


def sought(y: Array, near: tuple[int, int] = (FIRST, LAST)) -> Tremble | None:
    frames = np.arange(len(y))
    return tremble(y, lambda first, last: learnt(y, (frames < first) | (frames > last)), near, 24)


def test_frames_and_level_are_the_planted_ones() -> None:
    """However far off the frames are that it is sought about."""
    firsts, lasts, levels = [], [], []
    for seed in range(12):
        y, near = (
            noisy(seed, drawn(seed)),
            [(FIRST, LAST), (FIRST + 15, LAST - 10), (FIRST - 10, LAST + 12)][seed % 3],
        )
        found = sought(y, near)
        assert found is not None
        firsts.append(found.first)
        lasts.append(found.last)
        levels.append(found.noise)
    assert np.median(np.abs(np.array(firsts) - FIRST)) <= NOISY_ENDS
    assert np.median(np.abs(np.array(lasts) - LAST)) <= NOISY_ENDS
    assert np.sqrt(np.mean(np.square(levels))) == pytest.approx(SIZE, rel=NOISE_LEVEL)


@pytest.mark.parametrize("livelier", [1.0, 6.0])
def test_motion_is_no_noise_however_lively(livelier: float) -> None:
    for seed in range(12):
        y = drawn(seed, livelier)
        assert sought(y) is None


def test_noise_of_what_else_rests() -> None:
    y = noisy(0, np.full(COUNT, 7.0))
    found = sought(y)
    assert found is not None
    assert (found.first, found.last) == (FIRST, LAST)
    assert sought(np.full(COUNT, 7.0)) is None


def test_too_few_frames_or_a_path_too_short() -> None:
    y = noisy(0, drawn(0))
    assert sought(y, (FIRST, FIRST + 3)) is None
    assert sought(y[:20], (2, 17)) is None


def test_likelihood_is_that_of_the_normal_law() -> None:
    """Written out with dense matrices [lib]: errors of variance v and the kernel times noise of variance r v."""
    y, motion, (low, high), (a, b), ratio = noisy(3, drawn(3)), Motion(LAW, 1.0), (60, 170), (95, 130), 3.0
    errors = np.convolve(y, LAW, "valid")[low : high - 3]
    kernel = np.zeros((len(errors), high - low))
    for i in range(len(errors)):
        kernel[i, i : i + 4] = LAW[::-1]
    part = kernel[:, a - low : b - low]
    spread = np.eye(len(errors)) + ratio * part @ part.T
    variance = errors @ np.linalg.solve(spread, errors) / len(errors)
    written = -0.5 * np.linalg.slogdet(spread)[1] - 0.5 * len(errors) * np.log(variance)
    found = _Evidence(y, motion, low, high).noise(a, b, ratio)
    assert found.variance == pytest.approx(variance, rel=LIKELY)
    assert found.nats == pytest.approx(written, rel=LIKELY)

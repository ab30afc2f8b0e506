"""What windows of a path have beside their cubics."""

from __future__ import annotations

import numpy as np
import pytest

from refine.clean.windows import Explained, fourth_differences, quantiles, squares, unlike_cubics
from tests.tolerances import ARITHMETIC


def wandering(count: int, seed: int) -> np.ndarray:
    return np.cumsum(np.random.default_rng(seed).normal(size=(count, 4)), axis=0)


@pytest.mark.parametrize("half", [4, 5])
@pytest.mark.parametrize("step", [1, 2])
def test_fourth_differences_tell_what_a_cubic_leaves_of_a_window(half: int, step: int) -> None:
    path = wandering(60, half)
    count = 60 - 2 * half * step
    every = squares(unlike_cubics(fourth_differences(path, step), slice(0, count), half, step))
    some = squares(unlike_cubics(fourth_differences(path, step), np.array([0, 7, count - 1]), half, step))
    assert len(every) == count
    for first, found in zip((0, 7, count - 1), some, strict=True):
        window = path[first : first + 2 * half * step + 1 : step]
        _, (*left,), *_ = np.polyfit(np.arange(2 * half + 1.0), window, 3, full=True)
        np.testing.assert_allclose([found, every[first]], np.sum(left), rtol=ARITHMETIC)


def test_what_explains_a_window_leaves_what_least_squares_leave() -> None:
    """A step in the middle and a free sample, each beside a cubic: numpy's own least squares say the same."""
    half, t = 5, np.arange(-5.0, 6.0)
    step, free = (t > 0).astype(float)[:, None], (t == 2).astype(float)[:, None]
    ways = Explained.by(half, [step, np.hstack([step, free])])
    window = wandering(11, 3)
    unlike = unlike_cubics(fourth_differences(window), np.array([0]), half)
    left = squares(unlike) - ways.explains(unlike)[:, 0]
    cubic = np.vander(t / half, 4)
    for found, extra in zip(left, (step, np.hstack([step, free])), strict=True):
        expected = np.linalg.lstsq(np.hstack([cubic, extra]), window)[1]
        assert found == pytest.approx(expected.sum(), rel=ARITHMETIC)


def test_quantiles_by_blocks_leave_out_what_is_skipped() -> None:
    out, skipped = np.arange(20.0), np.zeros(20, np.bool_)
    skipped[10:15] = True
    centres, (middle, high) = quantiles(out, skipped, 10, (0.5, 0.75))
    np.testing.assert_allclose(centres, [5.0, 15.0])
    np.testing.assert_allclose(middle, [4.5, 17.0])
    np.testing.assert_allclose(high, [np.quantile(out[:10], 0.75), 18.0])


def test_the_last_second_has_a_quantile_of_its_own() -> None:
    """A clip hardly ever lasts whole seconds: what begins in its last one would stand out of the second before."""
    out = np.where(np.arange(29) < 20, 1.0, 8.0)
    centres, (middle,) = quantiles(out, np.zeros(29, np.bool_), 10, (0.5,))
    np.testing.assert_allclose(centres, [5.0, 15.0, 24.0])
    np.testing.assert_allclose(middle, [1.0, 1.0, 8.0])

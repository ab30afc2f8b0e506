"""Lags along a chain: the follower's own move counts, whatever larger one stands beside it."""

from __future__ import annotations

import numpy as np
import pytest

from refine.body.lag import lags
from refine.shot import Array
from tests.body.tolerances import LAG

MOVES = ((40.0, 1.0), (70.0, 2.5), (95.0, 0.8), (130.0, 3.0), (160.0, 1.2))  # frame and size at 24 fps
WIDTH = 3.5  # frames


def speeds(fps: float, late: float = 0.0, but: tuple[int, ...] = ()) -> Array:
    """Bell-shaped moves, each of them later by some frames at 24 fps, some left out."""
    at = np.arange(200 * fps / 24) * 24 / fps
    bells = [
        s * np.exp(-0.5 * ((at - f - late) / WIDTH) ** 2) for i, (f, s) in enumerate(MOVES) if i not in but
    ]
    return np.asarray(np.sum(bells, axis=0))


@pytest.mark.parametrize("fps", [12.0, 24.0, 30.0, 60.0])
@pytest.mark.parametrize("late", [0.0, 0.3, 1.0, 2.4, -0.6])
def test_the_lag_of_each_move_is_measured_between_frames(fps: float, late: float) -> None:
    found = lags(speeds(fps), 0.7 * speeds(fps, late), fps)
    assert len(found) == len(MOVES)
    np.testing.assert_allclose(found, late * fps / 24, atol=LAG)


def test_a_larger_move_beside_a_small_one_has_no_say() -> None:
    at = np.arange(60.0)
    both = np.exp(-0.5 * ((at - 25) / 2) ** 2) + 6.0 * np.exp(-0.5 * ((at - 36) / 2) ** 2)
    np.testing.assert_allclose(lags(both, both, 24.0), 0.0, atol=LAG)
    assert len(lags(both, both, 24.0)) == 2


def test_a_follower_that_makes_no_such_move_has_no_lag() -> None:
    found = lags(speeds(24.0), speeds(24.0, but=(1, 3)), 24.0)
    assert np.isinf(found[[1, 3]]).all()
    np.testing.assert_allclose(found[[0, 2, 4]], 0.0, atol=LAG)
    assert np.isinf(lags(speeds(24.0), np.zeros(200), 24.0)).all()

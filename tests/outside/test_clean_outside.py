"""The cleaning against the world outside: an independent smoother, the minimum-jerk law, and resampling by Fourier."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample
from scipy.spatial.transform import Rotation
from whittaker_eilers import WhittakerSmoother

from refine.clean.branches import angles_of
from refine.clean.rate import resampled
from refine.clean.smoother import smoothed
from refine.clean.tracks import Group
from tests.clean.shots import ORDERS, turns
from tests.outside.tolerances import FOURIER, MINIMUM_JERK_FILLED, SAME_WHITTAKER
from tests.tolerances import SAME_TURN

pytestmark = pytest.mark.outside


def test_it_is_the_whittaker_smoother_of_the_third_order() -> None:
    """[lib] whittaker-eilers, order 3; numbers [lib] for 20 samples at lambda 100, as printed in the notes."""
    i = np.arange(20)
    y = np.sin(0.5 * i) + 0.1 * (-1.0) ** i
    ours = smoothed(y, np.zeros(20, np.bool_), np.ones(20), 10.0, 0.0, np.ones(17))  # lambda = 10^2 / 1
    theirs = WhittakerSmoother(lmbda=100.0, order=3, data_length=20).smooth(y.tolist())
    np.testing.assert_allclose(ours, theirs, atol=SAME_WHITTAKER)
    assert ours[[0, 10]] == pytest.approx([0.4383257229, -0.5035301738], abs=SAME_WHITTAKER)


@pytest.mark.parametrize("weight", [1.0, 1e3, 1e5])
def test_weights_of_samples_are_whittakers_too(weight: float) -> None:
    """[lib] whittaker-eilers with weights, 0 where a sample is missing."""
    rng = np.random.default_rng(3)
    count = 300
    y = 10.0 * np.sin(np.arange(count) / 30.0) + rng.standard_normal(count)
    missing = np.zeros(count, np.bool_)
    missing[100:130] = True
    stiff = rng.uniform(0.5, 4.0, count)
    weights = np.where(missing, 0.0, stiff)
    theirs = WhittakerSmoother(lmbda=weight, order=3, data_length=count, weights=weights.tolist()).smooth(
        y.tolist()
    )
    ours = smoothed(y, missing, stiff, 1.0, 0.0, np.full(count - 3, 1.0 / weight))
    np.testing.assert_allclose(ours, theirs, atol=SAME_WHITTAKER * max(weight, 1.0))


@pytest.mark.parametrize("hole", [6, 18, 36])
def test_a_hole_in_a_minimum_jerk_move_is_filled_back(hole: int) -> None:
    """[doc] Flash & Hogan 1985: 10 t^3 - 15 t^4 + 6 t^5. 60 deg in a second at 120 frames a second; rest around it."""
    t = np.clip((np.arange(240) - 60) / 120.0, 0.0, 1.0)
    y = 60.0 * (10 * t**3 - 15 * t**4 + 6 * t**5)
    missing = np.abs(np.arange(240) - 120) < hole // 2
    z = smoothed(np.where(missing, 0.0, y), missing, np.full(240, 1e8), 1.0, 0.0, np.ones(237))
    assert np.abs(z - y).max() < MINIMUM_JERK_FILLED


@pytest.mark.parametrize(("before", "after"), [(240, 60), (240, 120), (120, 300)])
def test_a_loop_at_another_rate_is_what_fouriers_series_says(before: int, after: int) -> None:
    """[lib] scipy.signal.resample of a periodic signal whose waves lie below the slower rate's band."""
    t = np.arange(before) / before
    y = np.stack([np.sin(2 * np.pi * 3 * t) + 0.5 * np.cos(2 * np.pi * 9 * t + 1), np.cos(2 * np.pi * 5 * t)])
    times = np.arange(after) * before / after
    ours = resampled(y.T, times, min(1.0, after / before), np.zeros(2))
    np.testing.assert_allclose(ours, resample(y.T, after), atol=FOURIER)


@pytest.mark.parametrize("order", ORDERS)
def test_angles_of_rotations_are_scipys(order: str) -> None:
    """[lib] scipy.spatial.transform, intrinsic angles: the same rotation by the same order."""
    values = turns(3, 200, size=50.0)
    rotations = Rotation.from_euler(order.upper(), values.T, degrees=True)
    names = tuple(f"rotation.{axis}" for axis in order)
    group = Group("arm", "angles", order, names, (0, 1, 2))
    ours = angles_of(group, rotations.as_matrix(), values[:, 0])
    back = Rotation.from_euler(order.upper(), ours.T, degrees=True)
    assert np.rad2deg((rotations.inv() * back).magnitude()).max() < SAME_TURN
    np.testing.assert_allclose(ours, values, atol=SAME_TURN)

"""The smoother solves the formula in its docstring, whichever samples are missing, firm, or alike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from refine.clean.smoother import Steps, smoothed
from refine.shot import Array
from refine.third_differences import weight_of
from tests.clean.tolerances import DENSE_SOLVE, HALF_LEFT, LEAST_JERK_HOLE, QUADRATIC_KEPT

FPS = 120.0


def dense(
    y: Array,
    missing: NDArray[np.bool_],
    stiff: Array,
    sigma: float,
    alike: float,
    jerk: Array,
    steps: Steps | None = None,
) -> Array:
    """The formula with whole matrices: noise that correlates within each run of samples that are there, steps that do
    throughout."""
    count = len(y)
    third = np.diff(np.eye(count), 3, axis=0)
    precision = np.zeros((count, count))
    for t in range(count):
        if missing[t]:
            continue
        e, scale = np.zeros(count), 1.0
        e[t] = 1.0
        if t and not missing[t - 1]:
            e[t - 1], scale = -alike, 1.0 - alike**2
        precision += stiff[t] / sigma**2 / scale * np.outer(e, e)
    matrix = third.T @ np.diag(1.0 / jerk) @ third + precision
    if steps is not None:
        at, first = np.arange(count - 1), np.diff(np.eye(count), axis=0)
        covariance = steps.alike ** np.abs(at - at[:, None]) * np.outer(steps.sigma, steps.sigma)
        matrix += first.T @ np.linalg.inv(covariance) @ first
    return np.asarray(np.linalg.solve(matrix, precision @ y), np.float64)


@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.3, 0.7]), st.booleans(), st.booleans(), st.booleans())
@settings(max_examples=60, derandomize=True, deadline=None)
def test_it_is_the_dense_solution(seed: int, alike: float, holes: bool, firm: bool, rests: bool) -> None:
    rng = np.random.default_rng(seed)
    count = 40
    y = np.cumsum(rng.standard_normal(count))
    missing = np.zeros(count, np.bool_)
    if holes:
        missing[[0, 11, 12, 13, 25, 39]] = True
    stiff = 10.0 ** rng.uniform(0, 3, count) if firm else np.ones(count)
    jerk = 10.0 ** rng.uniform(-3, 1, count - 3)
    known = np.where(missing, 0.0, y)  # what a missing sample says has no effect
    steps = Steps(10.0 ** rng.uniform(-1, 1, count - 1), 0.8) if rests else None
    expected = dense(known, missing, stiff, 0.3, alike, jerk, steps)
    np.testing.assert_allclose(
        smoothed(y, missing, stiff, 0.3, alike, jerk, steps), expected, atol=DENSE_SOLVE
    )


@pytest.mark.parametrize("alike", [0.0, 0.6])
def test_quadratics_stay(alike: float) -> None:
    """Third differences of a parabola are 0: no smoothing however strong bends it."""
    t = np.arange(200.0)
    y = 3.0 - 0.2 * t + 0.004 * t**2
    missing = np.zeros(200, np.bool_)
    missing[80:110] = True
    wild = np.where(missing, 99.0, y)
    z = smoothed(wild, missing, np.ones(200), 0.5, alike, np.full(197, 1e-6))
    np.testing.assert_allclose(z, y, atol=QUADRATIC_KEPT)


@pytest.mark.parametrize("hz", [2.0, 6.0, 15.0])
def test_half_of_a_sine_is_left_at_the_frequency_that_was_asked_for(hz: float) -> None:
    count = 1201
    t = np.arange(count) / FPS
    sine = np.sin(2 * np.pi * hz * t)
    jerk = np.full(count - 3, 1.0 / float(weight_of(hz, FPS)))
    z = smoothed(sine, np.zeros(count, np.bool_), np.ones(count), 1.0, 0.0, jerk)
    inner = slice(300, 900)
    share = z[inner] @ sine[inner] / (sine[inner] @ sine[inner])
    assert share == pytest.approx(0.5, abs=HALF_LEFT)


def test_a_hole_is_filled_by_the_least_jerk() -> None:
    """A parabola on either side: the fill is the curve with the least third differences that passes both, found by
    trying: moving any of its samples raises the cost."""
    t = np.arange(60.0)
    y = np.where(t < 30, 0.01 * t**2, 9.0 + 0.4 * (t - 30))
    missing = (t >= 22) & (t < 38)
    z = smoothed(y, missing, np.full(60, 1e8), 1.0, 0.0, np.ones(57))
    np.testing.assert_allclose(z[~missing], y[~missing], atol=LEAST_JERK_HOLE)
    cost = np.sum(np.diff(z, 3) ** 2)
    for at in np.flatnonzero(missing):
        for step in (-0.01, 0.01):
            other = z.copy()
            other[at] += step
            assert np.sum(np.diff(other, 3) ** 2) > cost


def test_what_is_firm_stays_and_what_is_alone_gives_way() -> None:
    rng = np.random.default_rng(0)
    y = rng.standard_normal(100)
    stiff = np.ones(100)
    stiff[40] = 1e8
    z = smoothed(y, np.zeros(100, np.bool_), stiff, 1.0, 0.0, np.full(97, 1e-5))
    assert abs(z[40] - y[40]) < LEAST_JERK_HOLE
    assert np.std(z - y) > 0.5


@pytest.mark.parametrize("count", [60, 600, 3000])
@pytest.mark.parametrize("weight", [1e4, 1e12])
def test_hundreds_of_missing_samples_have_a_solution(count: int, weight: float) -> None:
    """Also at the ends, where nothing leads them."""
    rng = np.random.default_rng(3)
    y = np.sin(np.arange(count + 400) / 40.0) + 0.05 * rng.standard_normal(count + 400)
    jerk = 0.05**2 / weight * 10.0 ** rng.uniform(-3, 3, len(y) - 3)
    for first in (0, 200, 400):
        missing = np.zeros(len(y), np.bool_)
        missing[first : first + count] = True
        z = smoothed(y, missing, np.ones(len(y)), 0.05, 0.5, jerk)
        assert np.all(np.isfinite(z))
        assert np.abs(z[~missing] - y[~missing]).max() < 3.0

"""Samples that are missing, and how far samples scatter."""

from __future__ import annotations

import numpy as np
import pytest

from refine.samples import led_through, robust_sigma
from tests.tolerances import ANGLE, NOISE_ESTIMATE


def test_lines_lead_through_what_is_missing() -> None:
    y = np.stack([np.arange(20.0), np.full(20, 3.0)], axis=1)
    missing = np.isin(np.arange(20), [0, 7, 8, 19])
    wild = np.where(missing[:, None], 99.0, y)
    led = led_through(wild, missing)
    np.testing.assert_allclose(led[1:19], y[1:19], atol=ANGLE)
    np.testing.assert_array_equal(led[[0, 19]], y[[1, 18]])
    assert led_through(y, np.zeros(20, np.bool_)) is y


def test_one_row_is_led_through_like_each_of_several() -> None:
    rows = np.random.default_rng(1).normal(size=(30, 2))
    missing = np.isin(np.arange(30), [0, 1, 12, 29])
    np.testing.assert_array_equal(led_through(rows[:, 0], missing), led_through(rows, missing)[:, 0])
    turned = np.ascontiguousarray(rows.T).T  # rows of an array that lies the other way
    np.testing.assert_array_equal(led_through(turned, missing), led_through(rows, missing))
    assert led_through(rows, np.ones(30, np.bool_)) is rows


def test_the_median_tells_sigma_whatever_a_few_samples_do() -> None:
    size = np.abs(np.random.default_rng(2).normal(0, 0.7, 20000))
    size[:200] = 1e6
    assert robust_sigma(size) == pytest.approx(0.7, rel=NOISE_ESTIMATE)
    assert robust_sigma(np.zeros(0)) == 0.0

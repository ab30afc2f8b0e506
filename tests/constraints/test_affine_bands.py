"""Bands against the same matrices written out, for each way in which they are stored and applied."""

from __future__ import annotations

import numpy as np
import pytest

from constraints.affine import Affine, Band, difference, identity, plus
from tests.constraints.tolerances import SUM_ORDER

RANDOM = np.random.default_rng(7)


def scattered() -> Band:
    """Rows that start anywhere, as those of a keyed curve do."""
    start = np.sort(np.append(RANDOM.integers(0, 9, 12), [8, 8]))
    return Band(RANDOM.normal(size=(14, 4)), start, 12)


def consecutive() -> Band:
    return Band(RANDOM.normal(size=(9, 3)), np.arange(1, 10), 12)


BANDS = {
    "stencil": difference(3, 12),
    "identity": identity(12),
    "rows": Band(np.broadcast_to(1.0, (4, 1)), np.array([0, 3, 4, 11]), 12),
    "one row": difference(11, 12),
    "no rows": difference(13, 12),
    "scattered": scattered(),
    "consecutive": consecutive(),
}


@pytest.mark.parametrize("name", BANDS)
def test_products_equal_those_of_the_dense_matrix(name: str) -> None:
    band = BANDS[name]
    if band.width > band.columns:
        return
    full, m = band.dense(), len(band.start)
    x, xs, y, w = RANDOM.normal(size=12), RANDOM.normal(size=(12, 2)), RANDOM.normal(size=m), RANDOM.random(m)
    np.testing.assert_allclose(band @ x, full @ x, atol=SUM_ORDER * 100)
    np.testing.assert_allclose(band @ xs, full @ xs, atol=SUM_ORDER * 100)
    np.testing.assert_allclose(band.transposed_times(y), full.T @ y, atol=SUM_ORDER * 100)
    for weight in (w, np.broadcast_to(0.7, (m,))):
        square = full.T @ (weight[:, None] * full)
        bands = band.gram(weight)
        for k in range(band.width):
            np.testing.assert_allclose(bands[k, : 12 - k], np.diagonal(square, -k), atol=SUM_ORDER * 1e6)


@pytest.mark.parametrize("a", ["identity", "scattered", "consecutive"])
@pytest.mark.parametrize("b", ["identity", "scattered", "consecutive"])
def test_sum_of_two_maps(a: str, b: str) -> None:
    rows = slice(0, min(len(BANDS[a].start), len(BANDS[b].start)))
    one = Affine(BANDS[a], np.arange(float(len(BANDS[a].start)))).restrict(rows)
    two = Affine(BANDS[b], np.ones(len(BANDS[b].start))).restrict(rows)
    x = RANDOM.normal(size=12)
    both = plus(one, two)
    assert isinstance(both.matrix, Band)
    np.testing.assert_allclose(both(x), one(x) + two(x), atol=SUM_ORDER * 100)
    dense = plus(Affine(BANDS[a].dense()[rows], one.offset), two)
    np.testing.assert_allclose(dense(x), both(x), atol=SUM_ORDER * 100)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_differences_of_a_repeated_row_stay_one(order: int) -> None:
    over = Affine(identity(12), RANDOM.normal(size=12)).scaled(2.0)
    x = RANDOM.normal(size=12)
    steps = over.differences(order)
    assert isinstance(steps.matrix, Band)
    assert steps.matrix.stencil is not None
    np.testing.assert_allclose(steps(x), np.diff(over(x), order), atol=SUM_ORDER * 1e3)


def test_rows_scaled_one_by_one_lose_the_repeated_row() -> None:
    over = Affine(identity(5), np.zeros(5)).scaled(np.arange(5.0))
    np.testing.assert_array_equal(over(np.ones(5)), np.arange(5.0))


@pytest.mark.parametrize("order", [1, 2, 3])
def test_differences_of_scattered_rows_stay_within_the_columns(order: int) -> None:
    """Rows that end at the last column have no room for the differences' common width."""
    over = Affine(BANDS["scattered"], RANDOM.normal(size=14))
    steps = over.differences(order)
    assert isinstance(steps.matrix, Band)
    assert steps.matrix.start.max() + steps.matrix.width <= 12
    x = RANDOM.normal(size=12)
    np.testing.assert_allclose(steps(x), np.diff(over(x), order), atol=SUM_ORDER * 1e3)

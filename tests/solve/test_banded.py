"""D'WD on bands against the product written out."""

from __future__ import annotations

import numpy as np
import pytest

from refine.solve.banded import gram
from tests.tolerances import ARITHMETIC


@pytest.mark.parametrize(("width", "size"), [(1, 5), (4, 4), (4, 6), (4, 40), (10, 12), (10, 80)])
def test_bands_of_one_row_at_all_places(width: int, size: int) -> None:
    rng = np.random.default_rng(width + size)
    row, weight = rng.normal(size=width), rng.uniform(0.1, 3, size - width + 1)
    matrix = np.zeros((len(weight), size))
    for i in range(len(weight)):
        matrix[i, i : i + width] = row
    full = matrix.T @ np.diag(weight) @ matrix
    bands = gram(row, weight)
    assert bands.shape == (width, size)
    assert bands.flags.f_contiguous
    for offset in range(width):
        assert bands[offset, : size - offset] == pytest.approx(np.diag(full, -offset), abs=ARITHMETIC)
        assert not bands[offset, size - offset :].any()

"""The strength of the smoother by third differences, said in Hz and back."""

from __future__ import annotations

import numpy as np
import pytest

from refine.third_differences import STIFFEST, frequency_of, weight_of
from tests.tolerances import ROW, SAME_FREQUENCY

FPS = 120.0


def test_half_the_amplitude_is_left_at_the_named_frequency() -> None:
    """Gain of the third-difference smoother, 1 / (1 + lambda (2 sin(pi f / fps))^6) [doc, checks]."""
    for hz in (2.0, 6.0, 15.0):
        gain = 1 / (1 + float(weight_of(hz, FPS)) * (2 * np.sin(np.pi * hz / FPS)) ** 6)
        assert gain == pytest.approx(0.5, abs=ROW)
    assert weight_of(3.0, FPS) / weight_of(6.0, FPS) == pytest.approx(2**6, rel=0.1)


def test_weight_and_frequency_undo_each_other() -> None:
    hz = np.array([0.5, 1.0, 5.0, 20.0, 59.0, 60.0])
    np.testing.assert_allclose(frequency_of(weight_of(hz, FPS), FPS), hz, rtol=SAME_FREQUENCY)
    assert float(weight_of(500.0, FPS)) == float(weight_of(60.0, FPS))


def test_no_strength_is_more_than_a_factor_can_bear() -> None:
    assert float(weight_of(0.0, FPS)) == float(weight_of(0.001 * FPS, FPS)) == STIFFEST
    assert float(weight_of(0.002 * FPS, FPS)) < STIFFEST

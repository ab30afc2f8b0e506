"""Of few frames a second noise is what lies on all rows alike; where they differ by much it may be motion."""

from __future__ import annotations

import numpy as np
import pytest

from refine.clean.few_frames import FEW, LOUDER, Rows, certain, levels, loudest
from refine.clean.noise import falling
from refine.shot import Array
from tests.clean.shots import noisy, turns
from tests.clean.tolerances import LEVEL_TOLD

COUNT, FPS = 480, 15.0
JOINTS = 12


def joint(seed: int, sigma: float, quick: float = 0.0, unit: float = 1.0) -> Rows:
    """Three angles with noise, and with motion too quick for the rate, which is as even as noise."""
    values = noisy(turns(seed, COUNT, FPS), sigma, seed, fps=FPS)
    values = noisy(values, quick, seed + 1000, fps=FPS) / unit
    none = np.zeros(COUNT, np.bool_)
    return Rows(values, none, falling(values, none, FPS), unit)


def told(every: list[Rows], fps: float = FPS) -> list[bool]:
    """Which joints have certain noise."""
    return [bool(np.isfinite(falls).all()) for falls in certain(every, fps)]


def test_noise_that_all_rows_have_is_certain_and_a_row_that_has_far_more_is_not() -> None:
    every = [joint(seed, 1.0) for seed in range(JOINTS)]
    assert told(every) == [True] * JOINTS
    every[3] = joint(3, 1.0, 2.5 * LOUDER)
    assert told(every) == [n != 3 for n in range(JOINTS)]


def test_rows_that_differ_by_much_may_move() -> None:
    """A tenth of a degree of noise, and twists that the rate can't hold of up to three degrees."""
    every = [joint(seed, 0.1, 0.0 if seed < 6 else 0.3 * (seed - 5)) for seed in range(JOINTS)]
    moving = np.concatenate([rows.falls for rows in every])
    assert np.median(moving[18:]) < 0.3  # as even as noise
    assert not loudest(*spread(every, more=1.6), FPS)
    assert told(every, FEW) == [True] * JOINTS


def spread(every: list[Rows], more: float) -> tuple[Array, Array, Array]:
    """What is asked of the rows, most of which fall too steeply to be noise."""
    level = np.concatenate([levels(rows.values, rows.missing, FPS) for rows in every])
    falls = np.concatenate([rows.falls for rows in every])
    falls[: round(len(falls) * 0.5)] = more
    return level, falls, np.full(len(level), 100.0)


def test_where_nothing_else_is_in_most_rows_it_is_noise_of_several_sizes() -> None:
    every = [joint(seed, 0.3 * (1.0 + seed)) for seed in range(JOINTS)]
    level, falls, spans = spread(every, more=0.0)
    assert loudest(level, np.zeros_like(falls), spans, FPS) == pytest.approx(LOUDER * np.median(level))
    assert loudest(level, np.full_like(falls, 1.0), spans, FPS) == 0.0
    assert loudest(np.empty(0), np.empty(0), np.empty(0), FPS) == 0.0


def test_rows_in_other_units_go_by_the_turns() -> None:
    """A quaternion is compared in degrees; a place, which can't be, goes as most turns do."""
    unit = float(np.rad2deg(2.0))
    sound = [joint(seed, 1.0, unit=unit if seed % 2 else 1.0) for seed in range(JOINTS)]
    place = Rows(50.0 * sound[0].values, sound[0].missing, sound[0].falls, 0.0)
    assert told([*sound, place]) == [True] * (JOINTS + 1)
    quiet = [joint(seed, 0.01 * 3.0**seed) for seed in range(6)]
    for rows in quiet:
        rows.falls[:] = 1.0
    assert told([*quiet, place]) == [False] * 7
    assert told([place]) == [False]


@pytest.mark.parametrize("sigma", [0.1, 1.0])
def test_what_the_fastest_modes_hold_is_the_noise(sigma: float) -> None:
    rows = noisy(turns(0, 2400, 120.0), sigma, 0)
    found = levels(rows, np.zeros(2400, np.bool_), 120.0)
    np.testing.assert_allclose(found, sigma, rtol=LEVEL_TOLD)
    assert levels(np.zeros((1, 2400)), np.zeros(2400, np.bool_), 120.0).tolist() == [0.0]

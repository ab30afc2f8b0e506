"""A foot that stands is told from its noise: it comes to rest, and what it really does stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.cleaning.degrade import CORNER, unit_noise
from refine.clean.feet.steadied import UNDER_WAY, Way, steadied, usual_speed
from refine.limbs.planting import minimum_jerk
from refine.pose import Point
from refine.shot import Array, Channel, Control, Shot, frozen
from tests.clean.tolerances import RESTED, SHUFFLE_LOST, UNDER_WAY_CHANGES

FPS, COUNT = 120.0, 480
STANDS = (120, 360)
SPEED = 0.025  # m/s on each axis
ALIKE = float(np.exp(-2 * np.pi * CORNER / FPS))
FOOT = Point("foot", (0.0, 0.0, 0.0))


def way(stride: float, shuffle: float) -> Array:
    """(COUNT,) metres: a step to where the foot stands from 1 s to 3 s, a shuffle in its middle, a step away."""
    t = np.arange(COUNT) / FPS
    return np.asarray(
        stride * minimum_jerk((t - 0.4) / 0.6)
        + shuffle * minimum_jerk((t - 1.9) / 0.2)
        + stride * minimum_jerk((t - 3.0) / 0.6)
    )


def told(path: Array, noise: float) -> Way:
    rng = np.random.default_rng(7)
    coloured = unit_noise((COUNT, 3), True, FPS, rng)
    noisy = np.stack([path, 0.0 * path, 0.0 * path], axis=1) + noise * coloured
    channels = tuple(
        Channel(f"translation.{axis}", samples=frozen(row[:, None]))
        for axis, row in zip("xyz", noisy.T, strict=True)
    )
    shot = Shot("foot", FPS, 0, COUNT - 1, (Control("foot", channels=channels),))
    return steadied(shot, [FOOT], ALIKE)[FOOT]


def test_steps_are_those_of_rest_in_contacts_alone() -> None:
    usual = usual_speed([(10, 60), (80, 100)], 200, FPS)
    assert len(usual) == 199
    np.testing.assert_array_equal(usual[:10], UNDER_WAY)
    np.testing.assert_array_equal(usual[100:], UNDER_WAY)
    assert usual[35] == 1.0
    assert usual[10] == UNDER_WAY
    assert np.all(np.diff(usual[10:35]) <= 0.0)


def test_a_foot_that_stands_rests_under_noise() -> None:
    """25 mm of coloured noise: what some joints of a degree make of it at the end of a leg."""
    given = told(way(0.6, 0.0), 0.025)
    inner = slice(STANDS[0] + 24, STANDS[1] - 24)
    fast = [
        float(np.sqrt(np.mean(np.square(np.diff(each[inner], axis=0))))) * FPS
        for each in (given.likely, given.at_rest([STANDS], SPEED, FPS))
    ]
    assert fast[1] < RESTED * fast[0]


def test_a_shuffle_in_a_contact_stays() -> None:
    given = told(way(0.6, 0.06), 0.004)
    rested = given.at_rest([STANDS], SPEED, FPS)[:, 0]
    gone = float(np.median(rested[300:340]) - np.median(rested[150:200]))
    assert abs(gone - 0.06) < SHUFFLE_LOST * 0.06


def test_without_contacts_it_is_the_likely_way() -> None:
    """A foot under way may go as fast as it likes."""
    given = told(way(0.6, 0.0), 0.008)
    off = given.at_rest([], SPEED, FPS) - given.likely
    assert float(np.abs(off).max()) < UNDER_WAY_CHANGES


def test_what_has_no_noise_stays_to_the_last_bit() -> None:
    given = told(way(0.6, 0.0), 0.008)
    silent = replace(given, noise=tuple(replace(each, sigma=0.0) for each in given.noise))
    np.testing.assert_array_equal(silent.at_rest([STANDS], SPEED, FPS), silent.captured)

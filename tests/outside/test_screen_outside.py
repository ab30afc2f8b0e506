"""What is seen on screen against published motion: sound by construction, so no spacing or arc flag.

Minimum jerk: Flash & Hogan 1985, J Neurosci 5(7):1688-1703 [doc]. Power-law ellipse: Lacquaniti et al. 1983, Acta
Psychol 54:115-130. Easings: CSS easing (W3C css-easing-1). Rates: the trade's 12, 24, 30, 60 (common practice).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from refine.flags.path import above, residual, unevenness
from refine.shot import Array, Channel, Control, Shot, frozen, make_keys
from tests.flags.arm import arm_shot, flags_of
from tests.outside.tolerances import HALF_GAIN
from tests.tolerances import ARITHMETIC

pytestmark = pytest.mark.outside
RATES = (12.0, 24.0, 30.0, 48.0, 60.0)
LEAD = 1.0  # s of rest before and after a move


def minimum_jerk(s: Array) -> Array:
    return np.asarray(10 * s**3 - 15 * s**4 + 6 * s**5)


def cubic(s: Array) -> Array:
    return np.asarray(3 * s**2 - 2 * s**3)


def ball(fps: float, x: Array, y: Array) -> Shot:
    """A ball with baked places, in shot units of some 250 px."""
    names = {"translation.x": x, "translation.y": y}
    channels = tuple(Channel(name, samples=frozen(values[:, None])) for name, values in names.items())
    shot = replace(arm_shot(fps), last_frame=len(x) - 1)
    return replace(shot, controls=(Control("ball", tip=(0.0, 0.4, 0.0), channels=channels),))


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("seconds", [0.3, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("ease", [minimum_jerk, cubic])
def test_eased_moves_have_no_flag(fps: float, seconds: float, ease: Callable[[Array], Array]) -> None:
    t = np.arange(round((2 * LEAD + seconds) * fps)) / fps
    s = np.clip((t - LEAD) / seconds, 0, 1)
    shot = ball(fps, 3 * ease(s) - 1.5, 0.8 * ease(s))
    assert flags_of(shot) == []


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("seconds", [0.8, 1.0, 2.0])
def test_power_law_ellipse_has_no_flag(fps: float, seconds: float) -> None:
    """a = 2, b = 1 at 1 Hz obeys the two-thirds law when drawn by (a cos, b sin): slower at the bends, yet sound."""
    t = 2 * np.pi * np.arange(round(4 * fps)) / fps / seconds
    assert flags_of(ball(fps, 2.0 * np.cos(t), np.sin(t))) == []


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("seconds", [0.3, 0.5, 1.0, 2.0])
def test_two_eased_keys_have_no_flag(fps: float, seconds: float) -> None:
    """The same as keys: a move from rest to rest, keyed at its ends."""
    a, b, last = round(LEAD * fps), round((LEAD + seconds) * fps), round((2 * LEAD + seconds) * fps)
    place = Channel("translation.x", make_keys([0, a, b, last], [-1.5, -1.5, 1.5, 1.5], [0, 0, 0, 0]))
    shot = replace(ball(fps, np.zeros(last + 1), np.zeros(last + 1)), last_frame=last)
    shot = replace(shot, controls=(replace(shot.controls[0], channels=(place,)),))
    assert flags_of(shot) == []


def test_alternating_frames_read_16_sixths() -> None:
    """Fourth difference of +-d is 16 d (binomials 1 4 6 4 1 [mem]), over 6: the 2.7 d of the fault catalogue."""
    path = np.stack([np.arange(40.0), 0.5 * (-1.0) ** np.arange(40)], axis=1)
    inner = residual(path)[2:-2]
    assert np.abs(inner[:, 1]) == pytest.approx(np.full(36, 0.5 * 16 / 6), abs=ARITHMETIC)
    assert np.abs(inner[:, 0]).max() < ARITHMETIC


def test_cubics_have_no_residual() -> None:
    t = np.arange(30.0) / 10
    path = np.stack([t**3 - t, 2 * t**2], axis=1)
    assert np.abs(residual(path)).max() < ARITHMETIC


@pytest.mark.parametrize("count", [6, 12, 30, 120])
def test_single_peaked_easings_have_no_unevenness(count: int) -> None:
    """Z of the fault catalogue is exactly 0 for any single-peaked spacing, at any frame rate."""
    s = np.linspace(0, 1, count)
    for ease in (minimum_jerk, cubic, np.square, np.sqrt):
        assert unevenness(np.diff(ease(s))) == pytest.approx(0.0, abs=ARITHMETIC)
    assert unevenness(np.array([1.0, 2.0, 1.0, 2.0, 1.0])) == pytest.approx(2.0 / (2 * 1.4))


@pytest.mark.parametrize(("fps", "hz"), [(24.0, 6.0), (60.0, 6.0), (120.0, 6.0)])
def test_high_pass_against_scipy(fps: float, hz: float) -> None:
    """Gain of the filter [lib]: the same windowed sinc as scipy's, and it is a half at its edge."""
    from scipy.signal import firwin

    taps = firwin(2 * round(fps / 2) + 1, hz, fs=fps, window="hamming")
    pulse = np.zeros((4 * round(fps) + 1, 1))
    pulse[2 * round(fps)] = 1.0
    found = above(pulse, hz, fps)[:, 0]
    half = round(fps / 2)
    middle = 2 * round(fps)
    expected = -taps
    expected[half] += 1
    assert found[middle - half : middle + half + 1] == pytest.approx(expected, abs=ARITHMETIC)
    wave = np.cos(2 * np.pi * hz / fps * np.arange(8 * round(fps)))[:, None]
    inside = above(wave, hz, fps)[2 * round(fps) : -2 * round(fps), 0]
    assert np.abs(inside).max() == pytest.approx(0.5, abs=HALF_GAIN)

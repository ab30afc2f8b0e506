"""Each row holds when its constraint is on and is broken when it is off, by the same penalties."""

from __future__ import annotations

import numpy as np
import pytest

from constraints.bounds import Bounds
from constraints.pins import Pins
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Constraint, Motion
from refine.curve import evaluate, with_unknowns
from refine.problem import build
from refine.shot import make_keys
from refine.solve import solve
from tests.constraints.motions import CHANNEL, Baked, Keyed, wave
from tests.tolerances import ROW

BAKED = Baked(wave(60))
KEYED = Keyed(make_keys([0, 8, 16, 24], [0.0, 1.4, 1.4, 0.0], [0.1, 0.2, -0.2, -0.1]))
PULL = [StayClose(3.0), SmoothMotion("channel", 50.0, channel=CHANNEL)]


def solved(motion: Motion, *extra: Constraint) -> tuple[np.ndarray, np.ndarray]:
    """x and the channel's samples after the cure."""
    x = solve(build(motion, [*PULL, *extra])).x
    return x, motion.samples(CHANNEL)(x)


def moved(motion: Motion, y: np.ndarray) -> np.ndarray:
    return np.abs(y - motion.samples(CHANNEL).offset)


@pytest.mark.parametrize("motion", [BAKED, KEYED], ids=["baked", "keyed"])
def test_pins(motion: Motion) -> None:
    at = np.array([3, 8, 20])
    pins = Pins(CHANNEL, at.astype(float), "pin")
    assert moved(motion, solved(motion, pins)[1])[at].max() <= ROW
    assert moved(motion, solved(motion)[1])[at].max() > 1e3 * ROW


def test_pins_outside_the_frames_make_no_rows() -> None:
    assert Pins(CHANNEL, np.array([-1.0, 60.0]), "pin").terms(BAKED).rows == ()


def test_bounds_of_values() -> None:
    inside = Baked(np.clip(wave(60), -15.0, 15.0))
    free = solved(inside)[1]
    bound = 0.9 * np.abs(free).max()
    motion = Baked(np.clip(inside.y, -bound, bound))
    assert np.abs(solved(motion)[1]).max() > bound + 1e3 * ROW
    assert np.abs(solved(motion, Bounds(CHANNEL, -bound, bound))[1]).max() <= bound + ROW


def test_bounds_of_rates() -> None:
    ramp = Baked(np.clip(0.5 * np.arange(60.0) - 10, 0.0, 8.0))
    steep = 0.5
    lean = SmoothMotion("channel", 3.0, order=1, channel=CHANNEL)
    hold = Pins(CHANNEL, np.array([30.0, 40.0]), "pin")
    assert np.abs(np.diff(solved(ramp, hold)[1])).max() > steep + 1e3 * ROW
    held = solved(ramp, hold, lean, Bounds(CHANNEL, rate=steep))[1]
    assert np.abs(np.diff(held)).max() <= steep + ROW


def test_a_bound_that_the_shot_breaks_is_never_broken_further() -> None:
    """Soft where the shot already violates: the row's own excess is its new bound."""
    limit = 15.0
    assert np.abs(BAKED.y).max() > limit
    bound = Bounds(CHANNEL, -limit, limit)
    y = solved(BAKED, bound)[1]
    assert np.all(np.abs(y) <= np.maximum(limit, np.abs(BAKED.y)) + ROW)
    free = solved(BAKED)[1]
    assert np.any(np.abs(free) > np.maximum(limit, np.abs(BAKED.y)) + 1e3 * ROW)


LIFTED = make_keys([0, 8, 16], [0.0, 1.0, 0.0], [0.0, 0.0, 0.0])
UNEVEN = make_keys([0, 8, 16], [0.0, 1.0, 0.0], [0.0, 0.0, 0.0], None, [np.nan, 5.0, 2.0], [1.0, 0.0, np.nan])


def peak(motion: Keyed, x: np.ndarray, slope: bool) -> float:
    """The largest value, or slope, of the curve at a thousand points a frame."""
    fine = np.linspace(0, 16, 16001)
    y = evaluate(with_unknowns(motion.keys, _keys_of(motion, x)), fine)[:, 0]
    return float(np.abs(np.diff(y) * 1000).max() if slope else np.abs(y).max())


def _keys_of(motion: Keyed, x: np.ndarray) -> np.ndarray:
    from refine.curve import unknowns

    return unknowns(motion.keys) + x[:, None]


@pytest.mark.parametrize("keys", [LIFTED, UNEVEN], ids=["thirds", "other reaches"])
@pytest.mark.parametrize("slope", [False, True], ids=["value", "rate"])
def test_bounds_between_frames(keys, slope: bool) -> None:  # type: ignore[no-untyped-def]
    """A bound at frames leaks between them; one on Bezier control points doesn't."""
    motion = Keyed(keys)
    # The cure is pulled towards slopes of 0.9 a frame at the middle key, which overshoots either bound.
    target = np.zeros(motion.size)
    target[4] = target[5] = 0.9
    pull = _Towards(target)
    limit = 0.35 if slope else 1.0
    values = {"rate": limit} if slope else {"upper": limit, "lower": -limit}
    frames_only = solve(build(motion, [pull, Bounds(CHANNEL, **values)])).x
    everywhere = solve(build(motion, [pull, Bounds(CHANNEL, **values, between=True)])).x
    start = peak(motion, np.zeros(motion.size), slope)
    assert peak(motion, frames_only, slope) > max(limit, start) + 1e3 * ROW
    hull = motion.control_rates(CHANNEL) if slope else motion.control_values(CHANNEL)
    assert hull is not None
    assert peak(motion, everywhere, slope) <= max(limit, float(np.abs(hull.offset).max())) + ROW


class _Towards:
    """Least squares towards given changes."""

    def __init__(self, target: np.ndarray) -> None:
        self.target = target

    def terms(self, motion: Motion):  # type: ignore[no-untyped-def]
        from dataclasses import replace

        terms = StayClose(1.0).terms(motion)
        return replace(terms, penalties=(replace(terms.penalties[0], target=self.target),))

"""The rows of an overshoot hold with it and are broken without it, and its charge keeps off the lower bound."""

from __future__ import annotations

import numpy as np
import pytest

from constraints.overshoot import LEAST, MOST, RETURN, SETTLED, Overshoot
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Constraint, Motion
from refine.problem import build
from refine.shot import make_keys
from refine.solve import solve
from tests.constraints.motions import CHANNEL, Baked, Keyed
from tests.constraints.tolerances import COST
from tests.tolerances import ROW

POSE, DELTA = 8.0, 2.0
ARRIVES = np.clip(np.arange(30.0), 0.0, 8.0)  # one unit a frame, then dead from frame 8 on
BAKED = Baked(ARRIVES)
KEYED = Keyed(make_keys([0, 8, 11, 16, 20, 29], [0.0, *[POSE] * 5], [1.0, *[0.0] * 5]))
PULL = [StayClose(1.0), SmoothMotion("channel", 20.0, channel=CHANNEL)]
MIRRORED = Baked(-ARRIVES)


def wanted(peak: float, sign: float = 1.0, weight: float = 1.0) -> Overshoot:
    return Overshoot(CHANNEL, 8.0, peak, 18.0, 22.0, 28.0, sign * POSE, sign, DELTA, weight)


def away(motion: Motion, constraints: list[Constraint], sign: float = 1.0) -> np.ndarray:
    """(N,) e = sign (x - pose) of the solution."""
    x = solve(build(motion, constraints)).x
    return np.asarray(sign * motion.samples(CHANNEL)(x) - POSE)


def broken(e: np.ndarray, peak: int) -> float:
    """By how much the worst row is broken, written out frame by frame."""
    ups, downs = np.diff(e[8 : peak + 1]), np.diff(e[peak:19])
    rows = [LEAST * DELTA - e[peak], e[peak] - MOST * DELTA, *(-ups), *downs]
    rows += [*(-RETURN * DELTA - e[peak:29]), *(np.abs(e[22:29]) - SETTLED * DELTA)]
    return float(max(rows))


@pytest.mark.parametrize("motion", [BAKED, KEYED], ids=["baked", "keyed"])
@pytest.mark.parametrize("peak", [10, 11, 12])
def test_rows_hold_with_it_and_not_without(motion: Motion, peak: int) -> None:
    held = away(motion, [*PULL, wanted(peak)])
    assert broken(held, peak) <= ROW
    assert np.argmax(held[8:]) == peak - 8
    assert broken(away(motion, list(PULL)), peak) > 1e3 * ROW


def test_direction_is_followed() -> None:
    there = away(BAKED, [*PULL, wanted(11)])
    np.testing.assert_allclose(away(MIRRORED, [*PULL, wanted(11, -1.0)], -1.0), there, atol=ROW)


def test_the_charge_lifts_the_peak_off_the_lower_bound() -> None:
    hugs = away(BAKED, [*PULL, wanted(11, weight=0.0)])[11]
    assert hugs == pytest.approx(LEAST * DELTA, abs=ROW)
    assert away(BAKED, [*PULL, wanted(11, weight=1e6)])[11] == pytest.approx(DELTA, rel=SETTLED)


def test_the_charge_is_its_formula() -> None:
    x = np.random.default_rng(5).normal(size=30)
    cost = build(BAKED, [wanted(11, weight=3.0)]).merit(x)
    assert cost == pytest.approx(3.0 * ((ARRIVES[11] + x[11] - POSE - DELTA) / DELTA) ** 2, rel=COST)


def test_rows_are_in_the_channel_and_name_their_part() -> None:
    rows = wanted(11).terms(BAKED).rows
    assert {row.unit for row in rows} == {"unit"}
    assert [row.source.split(": ")[1] for row in rows] == [
        "height",
        "rising",
        "falling",
        "return swing",
        "settled",
    ]


def test_outside_the_frames_there_is_nothing() -> None:
    late = Overshoot(CHANNEL, 40.0, 43.0, 50.0, 55.0, 60.0, POSE, 1.0, DELTA)
    assert late.terms(BAKED).rows == ()
    assert late.terms(BAKED).penalties == ()

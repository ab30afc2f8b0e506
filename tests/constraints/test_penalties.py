"""Each penalty against its formula written out, and its effect with and without it."""

from __future__ import annotations

import numpy as np
import pytest

from constraints.affine import Affine
from constraints.bounds import Bounds
from constraints.slope_habit import SlopeHabit
from constraints.smooth_motion import SmoothMotion, difference_weights
from constraints.stay_close import StayClose
from constraints.terms import Penalty
from refine.problem import build
from refine.solve import solve
from tests.constraints.motions import CHANNEL, Baked, wave
from tests.constraints.tolerances import COST
from tests.tolerances import ROW

MOTION = Baked(wave(40))
X = np.random.default_rng(3).normal(size=40)


def cost(constraint, x: np.ndarray = X) -> float:  # type: ignore[no-untyped-def]
    return build(MOTION, [constraint]).merit(x)


def test_stay_close_with_mixed_scales() -> None:
    scale = np.linspace(0.1, 9.0, 40)
    assert cost(StayClose(scale)) == pytest.approx(np.sum((X / scale) ** 2), rel=COST)
    assert cost(StayClose(2.0)) == pytest.approx(np.sum(X**2) / 4, rel=COST)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_smooth_channel(order: int) -> None:
    wanted = 5.0 * np.sum(np.diff(MOTION.y + X, order) ** 2)
    assert cost(SmoothMotion("channel", 5.0, order, CHANNEL)) == pytest.approx(wanted, rel=COST)


def test_smooth_points() -> None:
    u, v = (p(X) for p in MOTION.points("world"))
    wanted = 2.0 * (np.sum(np.diff(u, 3) ** 2) + np.sum(np.diff(v, 3) ** 2))
    assert cost(SmoothMotion("world", 2.0)) == pytest.approx(wanted, rel=COST)


def test_smoothing_smooths() -> None:
    smooth = SmoothMotion("channel", 50.0, channel=CHANNEL)
    with_it = MOTION.y + solve(build(MOTION, [StayClose(1.0), smooth])).x
    without = MOTION.y + solve(build(MOTION, [StayClose(1.0)])).x
    assert np.sum(np.diff(with_it, 3) ** 2) < 0.1 * np.sum(np.diff(without, 3) ** 2)


def test_a_contact_keeps_its_break() -> None:
    """A bounce at frame 20: with the frame's weight at 0 the kink survives, each side is smoothed on its
    own."""
    bounce = Baked(np.abs(np.arange(41.0) - 20))
    weight = np.ones(41)
    weight[20] = 0.0
    close = StayClose(1.0)
    kept = solve(build(bounce, [close, SmoothMotion("channel", 1e3, 3, CHANNEL, weight)])).x
    lost = solve(build(bounce, [close, SmoothMotion("channel", 1e3, 3, CHANNEL)])).x
    assert np.abs(kept).max() <= ROW
    assert lost[20] > 0.5


def test_the_differences_that_end_at_a_contact_stay() -> None:
    weight = np.ones(8)
    weight[3] = 0.0
    # The third difference from frame i spans i .. i + 3: those from 1 and 2 hold frame 3 inside.
    np.testing.assert_array_equal(difference_weights(weight, 8, 3), [1, 0, 0, 1, 1])


def test_space_and_channel_belong_together() -> None:
    with pytest.raises(ValueError, match="channel"):
        SmoothMotion("world", 1.0, channel=CHANNEL)


def test_slope_habit_is_l1_on_its_rows() -> None:
    random = np.random.default_rng(5)
    rows = Affine(random.normal(size=(7, 40)), random.normal(size=7))
    assert cost(SlopeHabit(rows, 0.3)) == pytest.approx(0.3 * np.sum(np.abs(rows(X))), rel=COST)
    with pytest.raises(ValueError, match="unknowns"):
        SlopeHabit(Affine(np.eye(3), np.zeros(3)), 1.0).terms(MOTION)


def test_slope_habit_leaves_most_rows_on_the_rule() -> None:
    random = np.random.default_rng(6)
    rows = Affine(random.normal(size=(8, 40)), random.normal(size=8))
    with_it = rows(solve(build(MOTION, [StayClose(1.0), SlopeHabit(rows, 50.0)])).x)
    without = rows(solve(build(MOTION, [StayClose(1.0)])).x)
    assert np.sum(np.abs(with_it) < ROW) >= 7
    assert np.sum(np.abs(without) < ROW) == 0


def test_a_term_over_other_unknowns_is_refused_when_built() -> None:
    class Other:
        def terms(self, motion):  # type: ignore[no-untyped-def]
            return StayClose(1.0).terms(Baked(np.zeros(3)))

    with pytest.raises(ValueError, match="3 unknowns"):
        build(MOTION, [Other()])


def test_forms_of_a_penalty() -> None:
    over = Affine(np.eye(4), np.array([0.5, -3.0, 1.0, 0.0]))
    w = np.array([1.0, 2.0, 3.0, 4.0])

    costs = [Penalty("p", over, np.zeros(4), w, form).cost(np.zeros(4)) for form in ("squares", "l1")]  # type: ignore[arg-type]
    assert costs == [0.25 + 18 + 3, 0.5 + 6 + 3]


def test_violations_name_source_frame_and_unit() -> None:
    problem = build(Baked(np.zeros(5)), [Bounds(CHANNEL, -1.0, 1.0)])
    x = np.array([0.0, 0.5, -3.0, 2.0, 0.0])
    (found,) = problem.violations(x)
    assert (found.source, found.worst, found.unit, found.frame) == (f"bounds {CHANNEL}", 2.0, "unit", 2.0)
    assert not found.holds

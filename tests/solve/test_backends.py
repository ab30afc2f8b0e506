"""The backends agree with each other, with dense algebra and with cvxpy, also where it is hard."""

from __future__ import annotations

import numpy as np
import pytest

from constraints.affine import Affine, difference
from constraints.bounds import Bounds
from constraints.pins import Pins
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Array, Penalty, Rows, Terms
from refine.problem import Problem, build
from refine.solve import solve
from refine.solve.conic import solve_conic
from refine.solve.interior import solve_interior
from refine.solve.presolve import presolve
from refine.solve.quadratic import solve_quadratic
from tests.constraints.motions import CHANNEL, Baked, tube, wave
from tests.solve.tolerances import BACKENDS_ILL, CONIC, MERIT
from tests.tolerances import BACKENDS, ROW


def smoother(size: int, weight: float, *extra: Rows, seed: int = 0) -> Problem:
    motion = Baked(wave(size, seed))
    problem = build(motion, [StayClose(1.0), SmoothMotion("channel", weight, channel=CHANNEL)])
    return Problem(size, problem.terms + Terms(rows=extra))


def tubed(size: int, weight: float, radius: float, seed: int = 0) -> Problem:
    return smoother(size, weight, tube(Baked(wave(size, seed)), radius), seed=seed)


def by(backend, problem: Problem, trust: float | None = None) -> Array:  # type: ignore[no-untyped-def]
    box = presolve(problem, None, trust)
    answer = backend(problem.terms.penalties, box) if backend is solve_interior else backend(problem, box)
    assert answer is not None
    return np.asarray(answer[0])


def test_banded_against_dense_normal_equations() -> None:
    problem = smoother(80, 30.0)
    found = solve(problem)
    d = difference(3, 80).dense()
    wanted = np.linalg.solve(np.eye(80) + 30 * d.T @ d, wave(80))
    assert found.backend == "banded"
    np.testing.assert_allclose(wave(80) + found.x, wanted, atol=ROW)


def test_pinned_samples_are_fixed_exactly_in_the_bands() -> None:
    motion = Baked(wave(80))
    pins = [0, 1, 40, 41, 79]
    pull = [StayClose(1.0), SmoothMotion("channel", 30.0, channel=CHANNEL)]
    found = solve(build(motion, [*pull, Pins(CHANNEL, np.array(pins, float), "pin")]))
    assert found.backend == "banded"
    np.testing.assert_array_equal(found.x[pins], 0.0)
    free = np.setdiff1d(np.arange(80), pins)
    d = difference(3, 80).dense()
    h, g = np.eye(80) + 30 * d.T @ d, 30 * d.T @ d @ motion.y
    np.testing.assert_allclose(found.x[free], np.linalg.solve(h[np.ix_(free, free)], -g[free]), atol=ROW)


@pytest.mark.parametrize("weight", [1.0, 1e3])
@pytest.mark.parametrize("radius", [0.3, 1.0, 1.5])
def test_bounds_on_each_frame(weight: float, radius: float) -> None:
    problem = tubed(600, weight, radius)
    found = solve(problem)
    assert found.backend == "interior"
    assert np.mean(np.abs(found.x) > radius * (1 - 1e-9)) > 0.001
    np.testing.assert_allclose(found.x, by(solve_quadratic, problem), atol=BACKENDS)
    np.testing.assert_allclose(found.x, by(solve_conic, problem), atol=CONIC)


@pytest.mark.parametrize("radius", [0.3, 1.0, 2.5])
@pytest.mark.parametrize("size", [20, 600])
def test_ill_conditioned_with_bounds(size: int, radius: float) -> None:
    problem = tubed(size, 1e8, radius)
    x, y, z = (by(backend, problem) for backend in (solve_interior, solve_quadratic, solve_conic))
    np.testing.assert_allclose(x, y, atol=BACKENDS_ILL)
    for other in (y, z):
        assert problem.merit(x) == pytest.approx(problem.merit(other), rel=MERIT)


def test_ill_conditioned_without_bounds() -> None:
    problem = smoother(3000, 1e8)
    found = solve(problem)
    assert found.backend == "banded"
    np.testing.assert_allclose(found.x, by(solve_quadratic, problem), atol=BACKENDS_ILL)


@pytest.mark.parametrize("weight", [1.0, 1e3, 1e8])
@pytest.mark.parametrize("pinned", [False, True])
def test_rates_and_values_together(weight: float, pinned: bool) -> None:
    """Two-sided rows on one unknown and on two neighbours, some unknowns fixed."""
    size, over = 600, Baked(wave(600)).samples(CHANNEL)
    frames, ones = np.arange(size, dtype=float), np.ones(size)
    rate = Rows("rate", over.differences(1), -ones[1:], ones[1:], "unit/frame", frames[1:], 1e-6)
    value = Rows("value", over, -15 * ones, 15 * ones, "unit", frames, 1e-6)
    at = np.array([100, 300])
    pin = Rows("pin", over.restrict(at), np.array([2.0, -1.0]), np.array([2.0, -1.0]), "unit", at * 1.0, 1e-6)
    problem = smoother(size, weight, rate, value, *([pin] if pinned else []))
    found = solve(problem)
    assert found.backend == "interior"
    near = BACKENDS if weight < 1e8 else BACKENDS_ILL
    np.testing.assert_allclose(found.x, by(solve_quadratic, problem), atol=near)
    assert problem.merit(found.x) == pytest.approx(problem.merit(by(solve_conic, problem)), rel=MERIT)


def test_one_sided_bounds_and_a_trust_region() -> None:
    size = 500
    over = Baked(wave(size)).samples(CHANNEL)
    floor = Rows(
        "floor", over, np.full(size, -12.0), np.full(size, np.inf), "unit", np.arange(size) * 1.0, 1e-6
    )
    problem = smoother(size, 100.0, floor)
    open_ended = solve(problem)
    assert open_ended.backend == "interior"
    np.testing.assert_allclose(open_ended.x, by(solve_quadratic, problem), atol=BACKENDS)
    near = solve(problem, start=open_ended.x + 1.0, trust=0.9)
    assert np.abs(near.x - open_ended.x - 1.0).max() <= 0.9 + ROW
    assert near.x.min() != pytest.approx(open_ended.x.min(), abs=ROW)


def mixed(seed: int, form: str, size: int = 24) -> Problem:
    """Dense rows in mixed units (values of 1, slopes of 1e-3), equalities and inequalities that bind."""
    random = np.random.default_rng(seed)
    unit = np.where(np.arange(size) % 3 == 0, 1.0, 1e-3)
    a = Affine(random.normal(size=(40, size)) / unit, random.normal(size=40))
    smooth = Penalty("fit", a, np.zeros(40), np.full(40, 2.0), form)  # type: ignore[arg-type]
    close = StayClose(3 * unit).terms(Baked(np.zeros(size))).penalties
    over = Affine(random.normal(size=(5, size)) / unit, np.zeros(5))
    equal = Rows("tie", over.restrict(slice(0, 2)), np.ones(2), np.ones(2), "", np.zeros(2), 1e-6)
    bound = Rows("cap", over.restrict(slice(2, 5)), np.full(3, 0.1), np.full(3, 0.4), "", np.zeros(3), 1e-6)
    return Problem(size, Terms((equal, bound), (smooth, *close)))


@pytest.mark.parametrize("form", ["squares", "l1"])
@pytest.mark.parametrize("seed", range(3))
def test_every_form_with_dense_rows_in_mixed_units(form: str, seed: int) -> None:
    problem = mixed(seed, form)
    found = solve(problem)
    assert found.backend == "quadratic"
    reference = by(solve_conic, problem)
    assert problem.merit(found.x) <= problem.merit(reference) * (1 + MERIT)
    assert problem.merit(found.x) == pytest.approx(problem.merit(reference), rel=MERIT * 10)


def test_a_long_l1_takes_the_sparse_way() -> None:
    jerk = Baked(wave(200)).samples(CHANNEL).differences(3)
    charge = Penalty("jerk", jerk, np.zeros(197), np.full(197, 5.0), "l1")
    base = tubed(200, 0.1, 1.0)
    problem = Problem(200, base.terms + Terms(penalties=(charge,)))
    found = solve(problem)
    assert found.backend == "quadratic"
    assert problem.merit(found.x) == pytest.approx(problem.merit(by(solve_conic, problem)), rel=MERIT * 10)


def test_weight_zero_is_harmless() -> None:
    problem = mixed(0, "l1")
    first = problem.terms.penalties[0]
    idle = Penalty("idle", first.over, first.target, 0 * first.weight)
    with_idle = Problem(24, problem.terms + Terms(penalties=(idle,)))
    assert with_idle.merit(solve(with_idle).x) == pytest.approx(problem.merit(solve(problem).x), rel=MERIT)


def test_a_cost_without_a_unique_minimum_is_still_solved() -> None:
    """Jerk alone leaves parabolas free: the banded factor doesn't exist, PIQP answers."""
    motion = Baked(wave(30))
    problem = build(motion, [SmoothMotion("channel", 1.0, channel=CHANNEL)])
    found = solve(problem)
    assert problem.merit(found.x) == pytest.approx(0.0, abs=ROW)
    assert np.abs(found.x).max() < 100


def test_unknowns_that_nothing_touches_stay() -> None:
    motion = Baked(wave(30))
    over = motion.samples(CHANNEL).restrict(slice(0, 10))
    problem = Problem(30, Terms(penalties=(Penalty("first", over, np.zeros(10), np.ones(10)),)))
    x = solve(problem).x
    np.testing.assert_allclose(x[:10], -motion.y[:10], atol=ROW)
    np.testing.assert_array_equal(x[10:], 0.0)


def test_no_penalties_and_no_unknown_left() -> None:
    np.testing.assert_array_equal(solve(Problem(4, Terms())).x, 0.0)
    pins = Pins(CHANNEL, np.arange(4.0), "pin").terms(Baked(np.ones(4)))
    np.testing.assert_array_equal(solve(Problem(4, pins)).x, 0.0)


def test_bounds_hold_in_the_residuals() -> None:
    motion = Baked(np.clip(wave(60), -15, 15))
    found = solve(build(motion, [StayClose(1.0), Bounds(CHANNEL, -15.0, 15.0, rate=30.0)]))
    assert [r.source for r in found.residuals] == [f"bounds {CHANNEL}", f"rate {CHANNEL}"]
    assert all(r.worst <= r.bound for r in found.residuals)

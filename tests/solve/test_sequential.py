"""The sequential solve against scipy's minimisers, against the optimality conditions, and its own
promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import NonlinearConstraint, minimize

from constraints.terms import Array
from refine.errors import NoSolution
from refine.solve.sequential import Stop, sequential
from tests.constraints.motions import Curved
from tests.solve.tolerances import MINIMISER, STATIONARY
from tests.tolerances import ROW

LENGTHS = np.array([4.0, 3.0, 2.0])


def arm(x: Array) -> Array:
    """Tip of a chain of three links with relative angles x (rad)."""
    angle = np.cumsum(x)
    return np.array([LENGTHS @ np.cos(angle), LENGTHS @ np.sin(angle)])


def arm_jacobian(x: Array) -> Array:
    angle = np.cumsum(x)
    along = np.array([-LENGTHS * np.sin(angle), LENGTHS * np.cos(angle)])
    return np.asarray(np.cumsum(along[:, ::-1], axis=1)[:, ::-1])


def reach_for(target: Array, close: float = 0.3) -> Curved:
    """The tip to a target, angles staying close to 0: a residual that doesn't vanish."""
    return Curved(
        3,
        lambda x: np.concatenate([arm(x) - target, close * x]),
        lambda x: np.vstack([arm_jacobian(x), close * np.eye(3)]),
    )


def on_a_wall(low: float, high: float) -> Curved:
    """The same with the tip's height held within [low, high]."""
    free = reach_for(np.array([2.0, 5.0]))
    return Curved(
        3, free.f, free.df, lambda x: arm(x)[1:], lambda x: arm_jacobian(x)[1:], low, high, tolerance=1e-9
    )


ROSENBROCK = Curved(
    2,
    lambda x: np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]]),
    lambda x: np.array([[-20 * x[0], 10.0], [-1.0, 0.0]]),
)


def test_rosenbrock_from_the_classic_start() -> None:
    found = sequential(ROSENBROCK.linearised, 2, ROSENBROCK.merit, start=np.array([-1.2, 1.0]))
    np.testing.assert_allclose(found.x, 1.0, atol=MINIMISER)
    assert found.converged


@pytest.mark.parametrize("target", [(2.0, 5.0), (-6.0, 1.0), (12.0, 3.0)])
def test_unconstrained_arm_against_scipy(target: tuple[float, float]) -> None:
    curved = reach_for(np.array(target))
    found = sequential(curved.linearised, 3, curved.merit)
    reference = minimize(curved.merit, found.x, method="BFGS", options={"gtol": 1e-10})
    np.testing.assert_allclose(found.x, reference.x, atol=MINIMISER)
    assert np.abs(gradient(curved.merit, found.x)).max() <= STATIONARY * scale_of(curved)


@pytest.mark.parametrize("bounds", [(3.0, 3.0), (-1.0, 3.0), (5.5, 8.0)])
@pytest.mark.parametrize("method", ["SLSQP", "trust-constr"])
def test_constrained_arm_against_scipy(bounds: tuple[float, float], method: str) -> None:
    curved = on_a_wall(*bounds)
    found = sequential(curved.linearised, 3, curved.merit, start=np.array([0.3, 0.2, 0.1]))
    second = {} if method == "SLSQP" else {"hess": "3-point"}
    wall = NonlinearConstraint(lambda x: arm(x)[1], *bounds, jac=lambda x: arm_jacobian(x)[1:], **second)
    options = {"SLSQP": {"ftol": 1e-14, "maxiter": 500}, "trust-constr": {"xtol": 1e-12, "gtol": 1e-9}}[
        method
    ]
    reference = minimize(
        curved.merit,
        found.x + 0.02,
        jac=lambda x: 2 * curved.df(x).T @ curved.f(x),
        **second,
        method=method,
        constraints=[wall],
        options=options,
    )
    np.testing.assert_allclose(found.x, reference.x, atol=MINIMISER)


def gradient(merit, x: Array, h: float = 1e-6) -> Array:  # type: ignore[no-untyped-def]
    steps = h * np.eye(len(x))
    return np.array([(merit(x + e) - merit(x - e)) / (2 * h) for e in steps])


def scale_of(curved: Curved) -> float:
    return float(np.abs(gradient(curved.merit, np.full(curved.size, 0.3))).max())


@pytest.mark.parametrize("bounds", [(3.0, 3.0), (-1.0, 3.0), (5.5, 8.0), (-9.0, 9.0)])
def test_optimality_conditions_by_finite_differences(bounds: tuple[float, float]) -> None:
    """grad f + y grad g = 0 with y of the right sign: y > 0 only at the upper bound, y < 0 at the lower."""
    curved = on_a_wall(*bounds)
    found = sequential(curved.linearised, 3, curved.merit, start=np.array([0.3, 0.2, 0.1]))
    assert found.converged
    g = arm(found.x)[1]
    assert bounds[0] - ROW <= g <= bounds[1] + ROW
    pull, normal = gradient(curved.merit, found.x), gradient(lambda x: arm(x)[1], found.x)
    active = [abs(g - bound) <= 1e3 * ROW for bound in bounds]
    y = -(pull @ normal) / (normal @ normal) if any(active) else 0.0
    assert np.abs(pull + y * normal).max() <= STATIONARY * scale_of(curved)
    assert y >= 0 or active[0]
    assert y <= 0 or active[1]


def test_rows_broken_at_the_start_are_restored() -> None:
    curved = on_a_wall(5.5, 5.5)
    start = np.array([-0.5, 0.1, 0.2])
    assert arm(start)[1] < 0
    found = sequential(curved.linearised, 3, curved.merit, start=start)
    assert arm(found.x)[1] == pytest.approx(5.5, abs=ROW)


def test_rows_that_cannot_be_met_are_named() -> None:
    """The arm is 9 long; a height of 12 is out of reach."""
    curved = on_a_wall(12.0, 12.0)
    with pytest.raises(NoSolution) as caught:
        sequential(curved.linearised, 3, curved.merit, start=np.array([0.3, 0.2, 0.1]))
    assert caught.value.clash == ("g",)


def test_passes_that_run_out_are_said() -> None:
    found = sequential(
        ROSENBROCK.linearised, 2, ROSENBROCK.merit, start=np.array([-1.2, 1.0]), stop=Stop(passes=2)
    )
    assert not found.converged


def test_scales_make_the_trust_region_natural() -> None:
    """The same problem in other units takes the same passes."""
    unit = np.array([1.0, 1e-3])
    other = Curved(2, lambda x: ROSENBROCK.f(x / unit), lambda x: ROSENBROCK.df(x / unit) / unit)
    start = np.array([-1.2, 1.0])
    one = sequential(ROSENBROCK.linearised, 2, ROSENBROCK.merit, start=start)
    two = sequential(other.linearised, 2, other.merit, start=start * unit, scale=unit)
    np.testing.assert_allclose(two.x / unit, one.x, atol=MINIMISER)
    assert abs(one.iterations - two.iterations) <= 1


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-2.0, 2.0), min_size=3, max_size=3),
    st.tuples(st.floats(-8.0, 8.0), st.floats(-8.0, 8.0)),
    st.floats(0.05, 3.0),
)
def test_merit_never_rises(start: list[float], target: tuple[float, float], radius: float) -> None:
    curved = reach_for(np.array(target))
    found = sequential(curved.linearised, 3, curved.merit, start=np.array(start), radius=radius)
    assert np.all(np.diff(found.merits) <= 0)
    assert found.merits[-1] == curved.merit(found.x)
    assert found.merits[0] == curved.merit(np.array(start))


@pytest.mark.property
@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-1.5, 1.5), min_size=3, max_size=3), st.floats(-6.0, 6.0), st.floats(0.0, 2.0))
def test_merit_never_rises_on_the_rows_either(start: list[float], low: float, width: float) -> None:
    curved = on_a_wall(low, low + width)
    try:
        found = sequential(curved.linearised, 3, curved.merit, start=np.array(start))
    except NoSolution as refused:
        # A stretched arm can't start to bend in the linearised problem; that is said, never hidden.
        if refused.clash != ("g",):
            raise
        return
    assert np.all(np.diff(found.merits) <= 0)
    assert low - ROW <= arm(found.x)[1] <= low + width + ROW

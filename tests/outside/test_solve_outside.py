"""The solvers against independent libraries, published numbers and the theory of the smoother.

Signal of the reference libraries: y_i = sin(0.5 i) + 0.1 (-1)^i, i = 0..19, lambda 100, third differences.
"Locked" means that samples 0, 10 and 19 are fixed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from constraints.affine import Affine, difference, identity
from constraints.pins import Pins
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Array, Penalty, Rows, Terms
from refine.problem import Problem, build
from refine.solve import solve
from tests.constraints.motions import CHANNEL, Baked
from tests.outside.tolerances import (
    GAIN,
    JERK_GRID,
    JERK_INTEGRAL,
    OSQP_CLARABEL,
    PRINTED_8,
    PRINTED_10,
    PRINTED_11,
    SPLINE,
)
from tests.tolerances import BACKENDS

pytestmark = pytest.mark.outside

COUNT = np.arange(20)
Y = np.sin(0.5 * COUNT) + 0.1 * (-1.0) ** COUNT
LOCKED = np.array([0.0, 10.0, 19.0])


def smoothed(y: Array, weight: float, order: int = 3, pinned: Sequence[float] = ()) -> Array:
    motion = Baked(y)
    pull = [StayClose(1.0), SmoothMotion("channel", weight, order, CHANNEL)]
    pins = [Pins(CHANNEL, np.asarray(pinned), "locked")] if len(pinned) else []
    return np.asarray(y + solve(build(motion, [*pull, *pins])).x)


def test_whittaker_eilers() -> None:
    """[lib] whittaker-eilers 0.2.0, lambda 100, order 3; two of its values are also stored."""
    from whittaker_eilers import WhittakerSmoother

    z = smoothed(Y, 100.0)
    smoother = WhittakerSmoother(lmbda=100.0, order=3, data_length=20)
    np.testing.assert_allclose(z, smoother.smooth(Y.tolist()), atol=PRINTED_10)
    assert z[0] == pytest.approx(0.4383257229, abs=PRINTED_10)
    assert z[10] == pytest.approx(-0.5035301738, abs=PRINTED_10)


def test_locked_problem() -> None:
    """[lib] dense KKT system by numpy: z[5] and the cost as stored, and each sample computed anew."""
    d = difference(3, 20).dense()
    h, e = np.eye(20) + 100 * d.T @ d, np.eye(20)[[0, 10, 19]]
    kkt = np.block([[h, e.T], [e, np.zeros((3, 3))]])
    wanted = np.linalg.solve(kkt, np.concatenate([Y, Y[[0, 10, 19]]]))[:20]
    z = smoothed(Y, 100.0, pinned=LOCKED)
    np.testing.assert_allclose(z, wanted, atol=PRINTED_10)
    assert z[5] == pytest.approx(0.21948142702, abs=PRINTED_11)
    cost = np.sum((z - Y) ** 2) + 100 * np.sum(np.diff(z, 3) ** 2)
    assert cost == pytest.approx(5.15356737, abs=PRINTED_8)


def test_osqp_and_clarabel() -> None:
    """[lib] osqp and clarabel called directly on the locked problem."""
    import clarabel
    import osqp
    from scipy import sparse

    d = difference(3, 20).dense()
    p = sparse.csc_matrix(np.eye(20) + 100 * d.T @ d)
    a, b = sparse.csc_matrix(np.eye(20)[[0, 10, 19]]), Y[[0, 10, 19]]
    z = smoothed(Y, 100.0, pinned=LOCKED)
    first = osqp.OSQP()
    first.setup(p, -Y, a, b, b, verbose=False, eps_abs=1e-12, eps_rel=1e-12, polishing=True, max_iter=100000)
    np.testing.assert_allclose(z, first.solve(raise_error=True).x, atol=OSQP_CLARABEL)
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    second = clarabel.DefaultSolver(p, -Y, a, b, [clarabel.ZeroConeT(3)], settings)
    np.testing.assert_allclose(z, second.solve().x, atol=OSQP_CLARABEL)


def test_hodrick_prescott_filter() -> None:
    """[lib] statsmodels hpfilter, lambda 100: the same smoother with second differences; trend[10] stored."""
    from statsmodels.tsa.filters.hp_filter import hpfilter

    z = smoothed(Y, 100.0, order=2)
    np.testing.assert_allclose(z, hpfilter(Y, 100)[1], atol=PRINTED_10)
    assert z[10] == pytest.approx(-0.2076838134, abs=PRINTED_10)


@pytest.mark.parametrize(("fps", "hertz"), [(24, 6.0), (120, 6.0), (30, 3.0)])
def test_half_amplitude_frequency(fps: int, hertz: float) -> None:
    """[doc] transfer function of the Whittaker-Henderson smoother: lambda = (2 sin(pi fc / fps))^-6 leaves
    half.

    A cosine that is even about the middle sample, so that the middle of a long clip reads the gain itself.
    """
    t = np.arange(-2000, 2001)
    weight = (2 * np.sin(np.pi * hertz / fps)) ** -6
    for f in (hertz, 0.52 * hertz, 1.5 * hertz):
        z = smoothed(np.cos(2 * np.pi * f / fps * t), weight)
        gain = 1 / (1 + weight * (2 * np.sin(np.pi * f / fps)) ** 6)
        assert z[2000] == pytest.approx(gain, abs=GAIN)
    assert smoothed(np.cos(2 * np.pi * hertz / fps * t), weight)[2000] == pytest.approx(0.5, abs=GAIN)


def test_smoothing_spline() -> None:
    """[lib] scipy make_smoothing_spline lam=1 and csaps smooth=0.5 minimise sum (y - s)^2 + integral s''^2.

    With s a natural cubic spline the integral is c' Q' R^-1 Q c over its knot values (Green & Silverman 1994,
    ch. 2); the same quadratic cost given to `solve` must give their splines, and s(9.5) as stored.
    """
    from csaps import csaps
    from scipy.interpolate import CubicSpline, make_smoothing_spline

    q = difference(2, 20).dense()
    r = np.diag(np.full(18, 2 / 3)) + np.diag(np.full(17, 1 / 6), 1) + np.diag(np.full(17, 1 / 6), -1)
    root = np.linalg.solve(np.linalg.cholesky(r), q)
    close = Penalty("data", Affine(identity(20), Y), Y, np.ones(20))
    bend = Penalty("bend", Affine(root, root @ Y), np.zeros(18), np.ones(18))
    z = Y + solve(Problem(20, Terms(penalties=(close, bend)))).x
    x = COUNT.astype(float)
    np.testing.assert_allclose(z, make_smoothing_spline(x, Y, lam=1)(x), atol=SPLINE)
    np.testing.assert_allclose(z, csaps(x, Y, x, smooth=0.5), atol=SPLINE)
    assert CubicSpline(x, z, bc_type="natural")(9.5) == pytest.approx(-0.9401564312, abs=PRINTED_10)


# --- minimum jerk: Flash & Hogan 1985, J Neurosci 5(7):1688-1703 ------------------------------------------

N = 400


def minimum_jerk(via: float | None, end: float) -> tuple[Array, float]:
    """Discrete minimiser of squared third differences from 0 to `end` in N steps, at rest at both ends.

    Rest means value, velocity and acceleration: three samples at each end. Two samples stand outside the move
    (before 0 and after N), so that sample 0 is the start itself. Returns samples 0..N and the jerk's
    integral.
    """
    size = N + 3
    over = Affine(identity(size), np.zeros(size))
    at = [0, 1, 2, size - 3, size - 2, size - 1]
    values = [0.0, 0.0, 0.0, end, end, end]
    if via is not None:
        at.insert(3, size // 2)
        values.insert(3, via)
    held = over.restrict(np.array(at))
    rows = Rows("ends", held, np.array(values), np.array(values), "", np.array(at, float), 1e-12)
    jerk = over.differences(3)
    cost = Penalty("jerk", jerk, np.zeros(jerk.rows), np.ones(jerk.rows))
    found = solve(Problem(size, Terms((rows,), (cost,))))
    assert found.backend == "banded"
    step = 1.0 / N
    return found.x[1:-1], float(np.sum(np.diff(found.x, 3) ** 2) * step**-5)


def test_minimum_jerk_is_the_quintic() -> None:
    """[doc] 10 t^3 - 15 t^4 + 6 t^5; peak speed 1.875 of the mean; integral of jerk^2 720."""
    x, integral = minimum_jerk(None, 1.0)
    t = np.linspace(0, 1, N + 1)
    np.testing.assert_allclose(x, 10 * t**3 - 15 * t**4 + 6 * t**5, atol=JERK_GRID)
    assert np.diff(x).max() * N == pytest.approx(1.875, rel=JERK_INTEGRAL)
    assert integral == pytest.approx(720.0, rel=JERK_INTEGRAL * 2)


def test_minimum_jerk_through_a_via_point() -> None:
    """[lib] 12 x 12 quintic system: 0 -> 0.3 at half time -> 1: 1539.2, x(1/4), x(3/4)."""
    x, integral = minimum_jerk(0.3, 1.0)
    assert x[N // 4] == pytest.approx(0.0243490, abs=JERK_GRID)
    assert x[3 * N // 4] == pytest.approx(0.8173177, abs=JERK_GRID)
    assert integral == pytest.approx(1539.2, rel=JERK_INTEGRAL * 4)


def test_minimum_jerk_out_and_back() -> None:
    """[lib] the same system: out to 1 and back: 20480, x(1/4) = 19/48."""
    x, integral = minimum_jerk(1.0, 0.0)
    assert x[N // 4] == pytest.approx(19 / 48, abs=JERK_GRID * 10)
    assert integral == pytest.approx(20480.0, rel=JERK_INTEGRAL * 4)


def test_bounded_smoother_by_piqp_itself() -> None:
    """[lib] PIQP on the smoother with a bound on each sample, called directly, against our interior point."""
    import piqp
    from scipy import sparse

    random = np.random.default_rng(11)
    y = np.sin(np.arange(1000) / 9) + 0.2 * random.normal(size=1000)
    d = difference(3, 1000).dense()
    h = sparse.csc_matrix(2 * (np.eye(1000) + 20 * d.T @ d))
    reference = piqp.SparseSolver()
    reference.settings.eps_abs = reference.settings.eps_rel = 1e-12
    reference.settings.eps_duality_gap_abs = reference.settings.eps_duality_gap_rel = 1e-12
    reference.setup(P=h, c=-2 * y, x_l=np.full(1000, -0.9), x_u=np.full(1000, 0.9))
    assert reference.solve() == piqp.PIQP_SOLVED
    motion = Baked(y)
    pull = build(motion, [StayClose(1.0), SmoothMotion("channel", 20.0, channel=CHANNEL)])
    over, frames = motion.samples(CHANNEL), motion.frames
    bound = Rows("bound", over, np.full(1000, -0.9), np.full(1000, 0.9), "unit", frames, 1e-9)
    found = solve(Problem(1000, pull.terms + Terms(rows=(bound,))))
    assert found.backend == "interior"
    np.testing.assert_allclose(y + found.x, reference.result.x, atol=BACKENDS)

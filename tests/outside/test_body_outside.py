"""Masses, responses and smoothness against published numbers and an independent library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchmarks.cleaning.smoothness import log_dimensionless_jerk
from refine.body.masses import ADULT, DE_LEVA, LIMBS, Body
from refine.body.response import Response, driven_overshoot
from refine.curve import sample
from refine.flags import body as family
from refine.shot import Array, Channel, frozen
from tests.flags.weights import dart, figure, looked_at
from tests.outside.tolerances import DRIVEN, LANDED, PRINTED_5, PRINTED_PERCENT, SAMPLED_PEAK, TABLE
from tests.tolerances import ARITHMETIC, PRINTED_4

pytestmark = pytest.mark.outside


@pytest.mark.parametrize(("sex", "whole"), [(0, 1.0), (1, 0.9999)])
def test_segments_make_a_body(sex: int, whole: float) -> None:
    """[doc] de Leva 1996, J Biomech 29:1223-1230, table 4: the segments add up to 1.0000 and 0.9999."""
    total = sum(shares[sex] * (2 if name in LIMBS else 1) for name, shares in DE_LEVA.items())
    assert total == pytest.approx(whole, abs=ARITHMETIC)


def test_some_segments() -> None:
    """[doc] the same table: trunk .4346/.4257 in one piece, thigh .1416/.1478."""
    trunk = np.sum([DE_LEVA[f"{part} trunk"] for part in ("upper", "middle", "lower")], axis=0)
    np.testing.assert_allclose(trunk, [0.4346, 0.4257], atol=ARITHMETIC)
    assert DE_LEVA["thigh"] == (0.1416, 0.1478)


@pytest.mark.parametrize(
    ("zeta", "percent", "peak"),
    [
        (0.2, 52.6621, 3.2064),
        (0.4, 25.3827, 3.4278),
        (0.5, 16.3034, 3.6276),
        (0.6, 9.4780, 3.9270),
        (0.7, 4.5988, 4.3991),
    ],
)
def test_step_response(zeta: float, percent: float, peak: float) -> None:
    """[mem] Ogata ch. 5, Nise ch. 4; formulas [doc]: overshoot in % and peak time at wn = 1."""
    response = Response(1 / (2 * np.pi), zeta)
    assert 100 * driven_overshoot(response, 1e-4) == pytest.approx(percent, abs=100 * DRIVEN)
    assert response.step_peak_time == pytest.approx(peak, abs=PRINTED_PERCENT)


@pytest.mark.parametrize("zeta", [0.3, 0.5, 0.7])
def test_step_and_impulse_of_a_library(zeta: float) -> None:
    """[lib] control: step_info's overshoot, and the impulse response's peak, its time and its settling."""
    control = pytest.importorskip("control")
    response = Response(1.4, zeta)
    wn = response.wn
    plant = control.tf([wn**2], [1, 2 * zeta * wn, wn**2])
    t = np.linspace(0, 4, 40001)
    info = control.step_info(plant, T=t)
    assert info["Overshoot"] == pytest.approx(100 * driven_overshoot(response, 1e-5), abs=100 * DRIVEN)
    t, y = control.impulse_response(control.tf([1], [1, 2 * zeta * wn, wn**2]), t)
    k = int(np.argmax(y))
    assert y[k] == pytest.approx(response.overshoot(1.0), abs=SAMPLED_PEAK)
    assert t[k] == pytest.approx(response.peak_time, abs=2 * (t[1] - t[0]))
    place, _ = response.free(t)
    np.testing.assert_allclose(place, y, atol=SAMPLED_PEAK)
    outside = np.flatnonzero(np.abs(y) > 0.1 * y[k])
    assert t[outside[-1]] == pytest.approx(response.settled(0.1), abs=2 * (t[1] - t[0]))


@pytest.mark.parametrize(
    ("name", "delta", "peaks", "settles", "lag"),
    [
        ("upper body", 12, (3.3, 4.1, 8.2), (16, 20, 40), 114),
        ("head", 7, (1.5, 1.9, 3.8), (8, 9, 19), 53),
        ("arm", 10, (2.6, 3.2, 6.4), (13, 16, 31), 88),
        ("forearm and hand", 10, (2.1, 2.7, 5.4), (10, 13, 26), 65),
        ("hand", 9, (1.2, 1.4, 2.9), (6, 7, 14), 40),
        ("finger", 5, (0.5, 0.7, 1.3), (2, 2, 4), 28),
        ("leg", 15, (3.7, 4.6, 9.3), (18, 22, 45), 98),
    ],
)
def test_the_adult(
    name: str, delta: int, peaks: tuple[float, ...], settles: tuple[int, ...], lag: int
) -> None:
    """[doc] the table of the project's notes, computed there from the same formulas and rounded by hand."""
    row = next(row for row in ADULT if row.name == name)
    assert row.response is not None
    fps = np.array([24.0, 30.0, 60.0])
    assert 100 * row.response.overshoot(1 / row.move) == pytest.approx(delta, abs=0.5 + TABLE)
    np.testing.assert_allclose(row.response.peak_time * fps, peaks, atol=0.05 + TABLE)
    np.testing.assert_allclose(row.response.settled(0.1) * fps, settles, atol=0.5 + TABLE)
    assert 1000 * row.response.lag == pytest.approx(lag, abs=0.5 + TABLE)


def test_gain() -> None:
    """[doc] G(.3/.5/.7) = .67/.55/.46, tending to 1/e at zeta = 1."""
    found = [Response(1.0, zeta).gain for zeta in (0.3, 0.5, 0.7)]
    np.testing.assert_allclose(found, [0.67, 0.55, 0.46], atol=0.005 + TABLE)
    assert Response(1.0, 1 - 1e-9).gain == pytest.approx(1 / np.e, abs=PRINTED_5)


def test_a_driven_part() -> None:
    """[doc] the step response for a drive in no time; the closed form of a minimum-jerk drive without damping."""
    assert driven_overshoot(Response(2.0, 0.5), 1e-4) == pytest.approx(0.163034, abs=DRIVEN)
    u = np.pi * 2.0 * 0.2  # the transform of the drive's speed at the part's own frequency
    residue = abs(15 * ((3 - u**2) * np.sin(u) - 3 * u * np.cos(u)) / u**5)
    assert driven_overshoot(Response(2.0, 0.0), 0.2) == pytest.approx(residue, abs=DRIVEN)
    assert driven_overshoot(Response(8.0, 0.7), 1.0) < 0.01 * 0.045988  # a long move by a quick part


@pytest.mark.parametrize(("hz", "zeta", "seconds"), [(1.4, 0.5, 1 / 12), (1.3, 0.4, 0.2), (3.0, 0.5, 0.15)])
def test_what_a_short_move_leaves_its_part_with_is_what_a_library_integrates(
    hz: float, zeta: float, seconds: float
) -> None:
    """[lib] scipy integrates x'' + 2 zeta wn x' + wn^2 (x - drive) = 0, the drive a minimum-jerk move of size 20."""
    answer, size = Response(hz, zeta), 20.0

    def drive(t: float) -> float:
        u = min(t / seconds, 1.0)
        return size * (10 * u**3 - 15 * u**4 + 6 * u**5)

    def rate(t: float, y: Array) -> list[float]:
        return [y[1], -2 * zeta * answer.wn * y[1] - answer.wn**2 * (y[0] - drive(t))]

    times = np.linspace(0, seconds + 2 / hz, 4000)
    found = solve_ivp(
        rate, (0, times[-1]), [0.0, 0.0], t_eval=times, max_step=seconds / 50, rtol=1e-8, atol=1e-8
    )
    past = float(found.y[0].max()) - size
    assert answer.landing(size / seconds, size) == pytest.approx(past, rel=LANDED)
    assert answer.landing(size / seconds, size) < answer.overshoot(size / seconds)


def test_long_moves_keep_the_free_answer_and_none_goes_beyond_the_step() -> None:
    answer = Response(1.4, 0.5)
    assert answer.landing(20.0 / 0.5, 20.0) == answer.overshoot(20.0 / 0.5)
    assert answer.landing(20.0 / 1e-3, 20.0) == pytest.approx(20.0 * 0.163034, rel=LANDED)
    assert answer.landing(0.0, 20.0) == 0.0


def test_smoothness_of_a_bell() -> None:
    """[doc] Balasubramanian et al. 2015, JNER 12:112: exp(-5 t^2), 100 Hz, LDLJ -5.81636."""
    speed = np.exp(-5 * np.arange(-1, 1, 0.01) ** 2)
    assert log_dimensionless_jerk(speed, 100.0) == pytest.approx(-5.81636, abs=PRINTED_5)


def test_smoothness_of_minimum_jerk() -> None:
    """[doc] Flash & Hogan 1985, 1 s, 101 samples: LDLJ -5.30163, analytic -ln 204.8."""
    t = np.linspace(0, 1, 101)
    speed = 30 * t**2 - 60 * t**3 + 30 * t**4
    assert log_dimensionless_jerk(speed, 100.0) == pytest.approx(-5.30163, abs=PRINTED_5)
    fine = np.linspace(0, 1, 100001)
    speed = 30 * fine**2 - 60 * fine**3 + 30 * fine**4
    assert log_dimensionless_jerk(speed, 1e5) == pytest.approx(-np.log(204.8), abs=PRINTED_4)


def weighty(fps: float, motion: np.ndarray) -> list[str]:
    """Faults of a figure whose hips move (N, 2) along x and y, baked, metres."""
    shot = figure({}, fps, len(motion) - 1)
    channels = tuple(
        Channel(f"translation.{axis}", samples=frozen(motion[:, i : i + 1])) for i, axis in enumerate("xy")
    )
    hips, *others = shot.controls
    shot = replace(shot, controls=(replace(hips, channels=channels), *others))
    return [flag.fault for flag in family.find(looked_at(shot))]


@pytest.mark.parametrize("fps", [12.0, 24.0, 30.0, 60.0])
@pytest.mark.parametrize("seconds", [0.5, 1.0])
def test_minimum_jerk_is_no_fault(fps: float, seconds: float) -> None:
    """[doc] Flash & Hogan 1985: 10 t^3 - 15 t^4 + 6 t^5, how people reach; no dead stop, no overshoot."""
    t = np.clip((np.arange(round(3 * fps)) / fps - 1.0) / seconds, 0, 1)
    x = 0.4 * (10 * t**3 - 15 * t**4 + 6 * t**5)
    assert weighty(fps, np.column_stack([x, np.zeros_like(x)])) == []


@pytest.mark.parametrize("fps", [12.0, 24.0, 30.0, 60.0])
def test_the_power_laws_ellipse_is_no_fault(fps: float) -> None:
    """[doc] Lacquaniti et al. 1983, Acta Psychol 54:115-130: a = 2, b = 1 at 1 Hz, K = 7.916317, exponent -1/3."""
    t = np.arange(round(4 * fps)) / fps
    w = 2 * np.pi
    speed = np.hypot(-2 * w * np.sin(w * t), w * np.cos(w * t))
    curvature = 2 * w**3 / speed**3
    np.testing.assert_allclose(speed * curvature ** (1 / 3), 7.916317, atol=PRINTED_5)
    path = 0.2 * np.column_stack([2 * np.cos(w * t), np.sin(w * t)])
    assert weighty(fps, path) == []


@pytest.mark.parametrize("degrees", [5.0, 10.0, 20.0])
def test_darts_of_the_main_sequence(degrees: float) -> None:
    """[mem] Bahill et al. 1975: a dart of A deg lasts about 2.2 A + 21 ms; at 24 fps that is two frames at most."""
    seconds = (2.2 * degrees + 21) / 1000
    frames = int(np.ceil(seconds * 24))
    assert 1 <= frames <= 2
    keys, _ = dart(24.0, degrees, frames)
    shot = figure({("eyes", "rotation.y"): keys}, 24.0, int(keys.frames[-1]))
    assert list(family.find(looked_at(shot))) == []
    eyes = shot.control("eyes")
    assert np.ptp(sample(eyes.channels[0], shot, shot.frames)) == degrees
    assert Body(shot).response("eyes") is None

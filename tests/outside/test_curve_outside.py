"""Curves against published numbers and independent libraries."""

from __future__ import annotations

import bezier
import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation, Slerp

from refine.curve import evaluate, sample, slerp
from refine.shot import QUATERNION, Channel, Keys, Segment, make_keys
from tests.hand_made import two_part_shot
from tests.outside.tolerances import LIBRARY_CURVE, PRINTED_8, PRINTED_9
from tests.tolerances import CURVE

pytestmark = pytest.mark.outside

# W3C css-easing-1 and its tests [doc]: cubic-bezier(x1, y1, x2, y2) and values at 0.25, 0.5, 0.75.
EASINGS = {
    "ease": ((0.25, 0.1, 0.25, 1.0), (0.408510591, 0.802403388, 0.960458978)),
    "ease-in": ((0.42, 0.0, 1.0, 1.0), (0.093464651, 0.315356813, 0.621861869)),
}


def easing(x1: float, y1: float, x2: float, y2: float, length: float) -> Keys:
    """Two keys from (0, 0) to (length, 1) whose inner control points are those of a CSS easing."""
    slopes = [y1 / x1 / length, (1 - y2) / (1 - x2) / length if x2 < 1 else 0.0]
    reach_in, reach_out = (1 - x2) * length, x1 * length
    return make_keys([0, length], [0, 1], slopes, None, [np.nan, reach_in], [reach_out, np.nan])


@pytest.mark.parametrize("name", EASINGS)
@pytest.mark.parametrize("length", [1.0, 24.0])
def test_css_easings(name: str, length: float) -> None:
    points, expected = EASINGS[name]
    found = evaluate(easing(*points, length), length * np.array([0.25, 0.5, 0.75]))[:, 0]
    assert found == pytest.approx(expected, abs=PRINTED_9)


def test_the_cubic_spline_of_gltf() -> None:
    """glTF 2.0, appendix C [doc]: 2 s, values 1 and 3, out-tangent .5/s, in-tangent -1/s, at .5 s and 1 s."""
    fps = 24.0
    keys = make_keys([0, 2 * fps], [1, 3], [0, -1 / fps], [0.5 / fps, 0])
    assert evaluate(keys, np.array([0.5, 1.0]) * fps)[:, 0] == pytest.approx([1.546875, 2.375], abs=CURVE)


def test_hermite_polynomials_of_scipy() -> None:
    """Default reaches are the cubic Hermite polynomial in the frame [lib]."""
    rng = np.random.default_rng(4)
    frames = np.cumsum(rng.uniform(1, 9, 12))
    values, slopes = rng.normal(0, 20, 12), rng.normal(0, 3, 12)
    at = np.linspace(frames[0], frames[-1], 500)
    expected = CubicHermiteSpline(frames, values, slopes)(at)
    assert evaluate(make_keys(frames, values, slopes), at)[:, 0] == pytest.approx(expected, abs=LIBRARY_CURVE)


@pytest.mark.parametrize(
    ("reach_out", "reach_in"), [(4.0, 2.0), (7.0, 8.0), (10.0, 10.0), (0.0, 6.0), (10.0, 1.0)]
)
def test_the_bezier_library(reach_out: float, reach_in: float) -> None:
    """Any reaches, overlapping ones too, against the `bezier` library evaluated at its own parameter [lib]."""
    keys = make_keys([0, 10], [2, -3], [0, 1.5], [-0.7, 0], [np.nan, reach_in], [reach_out, np.nan])
    nodes = np.array(
        [[0.0, reach_out, 10 - reach_in, 10.0], [2, 2 - 0.7 * reach_out, -3 - 1.5 * reach_in, -3]]
    )
    points = bezier.Curve(nodes, degree=3).evaluate_multi(np.linspace(0, 1, 301))
    assert np.all(np.diff(points[0]) >= -LIBRARY_CURVE)
    # Where the curve is nearly vertical a frame's last digits decide the value, so frames there are left out.
    steep = np.gradient(points[1], np.linspace(0, 1, 301)) / np.maximum(np.gradient(points[0]), 1e-12)
    clear = np.abs(steep) < 1e5
    assert evaluate(keys, points[0])[clear, 0] == pytest.approx(points[1][clear], abs=LIBRARY_CURVE)
    assert clear.mean() > 0.9


def test_the_number_of_the_bezier_library() -> None:
    """(0,0), (.42,0), (.58,1), (1,1) at s = .25 is (0.274375, 0.15625) [lib, checks]."""
    keys = easing(0.42, 0.0, 0.58, 1.0, 1.0)
    assert evaluate(keys, np.array([0.274375]))[0, 0] == pytest.approx(0.15625, abs=CURVE)


def test_slerp_of_a_quarter_turn() -> None:
    """0 to 90 deg about x at .3: (w, x) = (0.97236992, 0.23344536) [lib pytransform3d, checks]."""
    half = np.pi / 4
    found = slerp(np.array([[0, 0, 0, 1.0]]), np.array([[np.sin(half), 0, 0, np.cos(half)]]), np.array([0.3]))
    assert found[0] == pytest.approx([0.23344536, 0, 0, 0.97236992], abs=PRINTED_8)


def test_quaternion_lines_are_the_slerp_of_scipy() -> None:
    """Line segments between quaternion keys, the second with its sign turned, take the short way [lib]."""
    turns = Rotation.from_rotvec([[0.1, 0.2, -0.3], [1.2, -0.4, 0.9]])
    values = turns.as_quat() * np.array([[1.0], [-1.0]])
    keys = make_keys([4, 16], values, np.zeros((2, 4)), segment=[Segment.LINE, Segment.CURVE])
    at = np.linspace(4, 16, 25)
    found = sample(Channel(QUATERNION, keys), two_part_shot(), at)
    expected = Slerp([4, 16], turns)(at)
    apart = (Rotation.from_quat(found) * expected.inv()).magnitude()
    assert apart.max() < LIBRARY_CURVE


def test_quaternion_curves_are_componentwise_cubic_then_unit_length() -> None:
    """As glTF 2.0, appendix C asks [doc]: the four numbers by scipy's Hermite polynomials, then normalised."""
    turns = Rotation.from_rotvec([[0, 0, 0], [0.5, 0.1, 0], [0.9, -0.2, 0.4]]).as_quat()
    slopes = np.array([[0.0, 0, 0, 0], [0.03, 0.01, 0.02, -0.01], [0, 0, 0, 0]])
    at = np.linspace(0, 20, 41)
    found = sample(Channel(QUATERNION, make_keys([0, 8, 20], turns, slopes)), two_part_shot(), at)
    cubic = CubicHermiteSpline([0, 8, 20], turns, slopes)(at)
    assert found == pytest.approx(cubic / np.linalg.norm(cubic, axis=1, keepdims=True), abs=CURVE)

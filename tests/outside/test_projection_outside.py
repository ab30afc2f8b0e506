"""The projection and its derivative against OpenCV.

[lib] opencv-python-headless, cv2.projectPoints without distortion. Its camera looks along +Z with +Y down,
ours along -Z with +Y up: the two are half a turn about x apart, FLIP below.
"""

from __future__ import annotations

import numpy as np
import pytest

from refine.pose import pose
from refine.shot import Array, Camera, Channel, Control, Shot, frozen
from refine.view import View, project, screen_jacobian, view
from tests.tolerances import PIXEL

cv2 = pytest.importorskip("cv2", reason="opencv-python-headless isn't installed")

pytestmark = pytest.mark.outside

FLIP = np.diag([1.0, -1.0, -1.0])
FOCAL, WIDTH, HEIGHT = 800.0, 640, 480  # px; the middle of the image is OpenCV's principal point (320, 240)
ANGLE = float(np.rad2deg(2 * np.arctan(HEIGHT / 2 / FOCAL)))
LENS = np.array([[FOCAL, 0.0, WIDTH / 2], [0.0, FOCAL, HEIGHT / 2], [0.0, 0.0, 1.0]])


def through(control: Control, aspect: float = WIDTH / HEIGHT) -> View:
    shot = Shot("invented", 24.0, 0, 0, (), cameras=(Camera(control, ANGLE, WIDTH, HEIGHT, aspect),))
    return view(shot, pose(shot, shot.frames))


def by_opencv(lens: View, matrix: Array, points: Array) -> tuple[Array, Array]:
    """Pixels (P, 2) and their derivative (P, 2, 3) by OpenCV of world points (P, 3), for a one-frame view."""
    to_camera = FLIP @ lens.axes[0]
    turn, _ = cv2.Rodrigues(to_camera)
    shift = -to_camera @ lens.place[0]
    pixels, derivative = cv2.projectPoints(points[:, None, :], turn, shift, matrix, None)[:2]
    by_shift = derivative[:, 3:6].reshape(
        -1, 2, 3
    )  # a moved point and a moved origin are the same in the camera
    return pixels[:, 0, :], by_shift @ to_camera


def test_the_reference_point() -> None:
    """[lib] X = (0.1, 0.2, 2), f = 800, c = (320, 240), no distortion: u = 360, v = 320."""
    point = np.array([0.1, 0.2, 2.0])
    pixels = cv2.projectPoints(point[None, None, :], np.zeros(3), np.zeros(3), LENS, None)[0]
    np.testing.assert_allclose(pixels.ravel(), [360.0, 320.0], atol=PIXEL)
    np.testing.assert_allclose(
        project(through(Control("main")), (FLIP @ point)[None, :])[0], [360.0, 320.0], atol=PIXEL
    )


@pytest.mark.parametrize("seed", range(6))
def test_random_cameras_and_points(seed: int) -> None:
    """[lib] cv2.projectPoints: pixels, and their derivative by the translation of what is seen."""
    rng = np.random.default_rng(seed)
    q = rng.normal(size=4)
    x, y, z, w = (float(part) for part in q / np.linalg.norm(q))
    channels = tuple(
        Channel(name, samples=frozen(rng.normal(size=(1, 1)) * 20))
        for name in ("translation.y", "rotation.x")
    )
    lens = through(
        Control("main", rest_translation=(1.0, -2.0, 3.0), rest_rotation=(x, y, z, w), channels=channels)
    )
    inside = np.stack([*rng.normal(size=(2, 30)), -rng.uniform(1, 20, size=30)], axis=1)
    points = inside @ lens.axes[0] + lens.place[0]
    pixels, derivative = by_opencv(lens, LENS, points)
    np.testing.assert_allclose(project(lens, points[:, None, :])[:, 0], pixels, atol=PIXEL)
    np.testing.assert_allclose(screen_jacobian(lens, points[:, None, :])[:, 0], derivative, atol=PIXEL)


def test_pixels_that_are_not_square() -> None:
    """[lib] cv2.projectPoints with two focal lengths: an aspect twice the delivered one halves the first."""
    lens = through(Control("main"), aspect=2 * WIDTH / HEIGHT)
    matrix = LENS * np.array([[0.5, 1.0, 1.0], [1.0, 1.0, 1.0], [1.0, 1.0, 1.0]])
    points = np.array([[0.5, -0.3, -2.0], [-1.0, 0.7, -3.0]])
    pixels, derivative = by_opencv(lens, matrix, points)
    np.testing.assert_allclose(project(lens, points[:, None, :])[:, 0], pixels, atol=PIXEL)
    np.testing.assert_allclose(screen_jacobian(lens, points[:, None, :])[:, 0], derivative, atol=PIXEL)

"""Cameras, the view from the front, pixels and their derivatives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.errors import InputError
from refine.pose import Point, pose, world_point
from refine.shot import Array, Camera, Channel, Control, Shot, frozen
from refine.view import (
    FRONT_FRAMES,
    FRONT_MARGIN,
    NEAR_METRES,
    VERTICAL_ANGLE,
    View,
    check_camera,
    depth,
    project,
    screen_jacobian,
    view,
    visible,
)
from tests.random_rigs import FRAMES, random_rig, still
from tests.tolerances import DERIVATIVE_STEP, PIXEL, PIXEL_DERIVATIVE, PLACE


def filmed(*cameras: Camera, controls: tuple[Control, ...] = (Control("a"),)) -> Shot:
    return Shot("invented", 24.0, 0, FRAMES - 1, controls, cameras=cameras)


def camera(name: str = "main", vertical_angle: float = 90.0, control: Control | None = None) -> Camera:
    return Camera(replace(control or Control(name), name=name), vertical_angle, 400, 200, 2.0)


def seen(shot: Shot, name: str | None = None) -> View:
    return view(shot, pose(shot, shot.frames), name)


def everywhere(*point: float) -> Array:
    return np.tile(np.array(point, float), (FRAMES, 1))


def pixels(shot: Shot, *point: float, name: str | None = None) -> Array:
    return project(seen(shot, name), everywhere(*point))


def test_a_camera_looks_along_minus_z_with_y_up_and_pixels_count_from_the_top_left() -> None:
    shot = filmed(camera())
    for point, pixel in (
        ((0, 0, -5), (200, 100)),
        ((0, 5, -5), (200, 0)),  # 45 deg up is half the vertical angle: the upper edge
        ((-10, 5, -5), (0, 0)),  # the aspect of 2 widens that
        ((10, -5, -5), (400, 200)),
    ):
        np.testing.assert_allclose(pixels(shot, *point)[0], pixel, atol=PIXEL)
    np.testing.assert_allclose(depth(seen(shot), everywhere(1, 2, -5)), 5.0, atol=PLACE)
    np.testing.assert_allclose(depth(seen(shot), everywhere(1, 2, 3)), -3.0, atol=PLACE)


@pytest.mark.parametrize(
    ("cameras", "words"), [((), "leave it out"), ((camera(),), "main; name one of these, or leave it out")]
)
def test_a_camera_that_is_not_there_is_named_or_left_out(cameras: tuple[Camera, ...], words: str) -> None:
    with pytest.raises(InputError) as caught:
        check_camera(filmed(*cameras), "x")
    assert str(caught.value).endswith(words)
    assert ("name one" in str(caught.value)) == bool(cameras)


def test_an_aspect_of_its_own_stretches_the_width_only() -> None:
    wide = filmed(replace(camera(), aspect=4.0))
    np.testing.assert_allclose(pixels(wide, -20, 5, -5)[0], [0, 0], atol=PIXEL)


def test_a_camera_moves_with_its_channels_and_with_its_parent() -> None:
    dolly = Channel("translation.x", samples=frozen(np.arange(FRAMES, dtype=float)[:, None]))
    own = filmed(camera(control=Control("main", channels=(dolly,))))
    carried = filmed(camera(control=Control("main", "cart")), controls=(Control("cart", channels=(dolly,)),))
    expected = 200 - 100 * np.arange(FRAMES) / 5
    for shot in (own, carried):
        np.testing.assert_allclose(pixels(shot, 0, 0, -5)[:, 0], expected, atol=PIXEL)


def test_a_scaled_parent_moves_the_camera_but_does_not_bend_its_image() -> None:
    scales = (Channel("scale.x", samples=still(3.0)), Channel("scale.y", samples=still(0.5)))
    carried = camera(control=Control("main", "cart", rest_translation=(1.0, 0.0, 0.0)))
    shot = filmed(carried, controls=(Control("cart", channels=scales),))
    np.testing.assert_allclose(pixels(shot, 3 - 10, 5, -5)[0], [0, 0], atol=PIXEL)


def test_the_lens_may_be_animated() -> None:
    zoom = Channel(VERTICAL_ANGLE, samples=frozen(np.linspace(90, 30, FRAMES)[:, None]))
    shot = filmed(camera(control=Control("main", channels=(zoom,))))
    edge = 5 * np.tan(np.deg2rad(np.linspace(90, 30, FRAMES) / 2))
    points = np.stack([np.zeros(FRAMES), edge, np.full(FRAMES, -5.0)], axis=1)
    np.testing.assert_allclose(project(seen(shot), points)[:, 1], 0.0, atol=PIXEL)


def test_several_cameras() -> None:
    shot = filmed(camera("left"), camera("right", 30.0))
    assert seen(shot).name == "left"
    assert "left, the first of 2" in seen(shot).note
    assert seen(shot, "right").name == "right"
    assert "400 x 200" in seen(shot, "right").note
    assert pixels(shot, 0, 1, -5, name="right")[0, 1] < pixels(shot, 0, 1, -5)[0, 1]


def test_an_unknown_camera_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(InputError) as caught:
        seen(filmed(camera("left"), camera("right")), "middle")
    assert "middle" in caught.value.found
    assert caught.value.allowed == "left, right"
    with pytest.raises(InputError, match="no camera"):
        seen(filmed(), "middle")


@pytest.mark.parametrize("angle", [0.0, 180.0, -20.0])
def test_an_impossible_angle_of_view_is_refused_with_its_frame(angle: float) -> None:
    samples = np.full((FRAMES, 1), 40.0)
    samples[3] = angle
    lens = Channel(VERTICAL_ANGLE, samples=frozen(samples))
    with pytest.raises(InputError, match="frame 3") as caught:
        seen(filmed(camera(control=Control("main", channels=(lens,)))))
    assert "main" in caught.value.place


def test_a_camera_scaled_to_nothing_is_refused() -> None:
    samples = np.ones((FRAMES, 1))
    samples[2] = 0.0
    cart = Control("cart", channels=(Channel("scale.y", samples=frozen(samples)),))
    with pytest.raises(InputError, match="frame 2"):
        seen(filmed(camera(control=Control("main", "cart")), controls=(cart,)))


def test_what_is_visible() -> None:
    shot = filmed(camera())
    near = NEAR_METRES / shot.metres_per_unit
    for point, expected in (
        ((0, 0, -5), True),
        ((0, 0, 5), False),  # behind
        ((0, 0, -near * 0.9), False),
        ((0, 0, -near * 1.1), True),
        ((0, 6, -5), False),  # above the image
        ((9, -4, -5), True),
        ((11, 0, -5), False),  # right of it
    ):
        assert visible(seen(shot), everywhere(*point)).tolist() == [expected] * FRAMES, point
    centimetres = replace(shot, metres_per_unit=0.01)
    assert not visible(seen(centimetres), everywhere(0, 0, -0.9)).any()
    assert visible(seen(centimetres), everywhere(0, 0, -1.1)).all()


@pytest.mark.parametrize("z", [0.0, 5.0, -1e-12])
def test_points_behind_the_camera_stay_finite(z: float) -> None:
    view = seen(filmed(camera()))
    points = everywhere(1, 2, z)
    assert np.isfinite(project(view, points)).all()
    assert np.isfinite(screen_jacobian(view, points)).all()


def filmed_rig(seed: int) -> Shot:
    """A random rig with a random camera on its first control, whose lens moves."""
    rng = np.random.default_rng(seed)
    lens = Channel(VERTICAL_ANGLE, samples=frozen(rng.uniform(20, 100, size=(FRAMES, 1))))
    turn = Channel("rotation.y", samples=frozen(rng.uniform(-180, 180, size=(FRAMES, 1))))
    rig = random_rig(seed)
    control = Control("main", rig.controls[0].name, channels=(lens, turn))
    return replace(rig, cameras=(Camera(control, 40.0, 1998, 1080, 1.85),), metres_per_unit=0.1)


@pytest.mark.parametrize("seed", range(6))
def test_the_screen_derivative_agrees_with_central_differences(seed: int) -> None:
    through = seen(filmed_rig(seed))
    rng = np.random.default_rng(seed)
    inside = np.stack([*rng.normal(size=(2, 20, FRAMES)), -rng.uniform(1, 9, size=(20, FRAMES))], axis=-1)
    inside[:5, :, 2] *= -1  # some behind the camera
    points = (np.swapaxes(through.axes, 1, 2) @ inside[..., None])[..., 0] + through.place
    exact = screen_jacobian(through, points)
    assert exact.shape == (20, FRAMES, 2, 3)
    for axis in range(3):
        step = DERIVATIVE_STEP * np.eye(3)[axis]
        near = (project(through, points + step) - project(through, points - step)) / (2 * DERIVATIVE_STEP)
        np.testing.assert_allclose(exact[..., axis], near, atol=PIXEL_DERIVATIVE, rtol=PIXEL_DERIVATIVE)
    np.testing.assert_allclose(screen_jacobian(through, points[7]), exact[7], atol=PIXEL)


def all_points(shot: Shot) -> Array:
    posed = pose(shot, shot.frames)
    ends = [
        (control.name, local) for control in shot.controls for local in (control.pivot, control.tip) if local
    ]
    return np.stack([world_point(posed, shot, Point(*end)) for end in ends])


@pytest.mark.parametrize("up", ["y", "z"])
@pytest.mark.parametrize("seed", range(4))
def test_without_a_camera_the_whole_motion_is_seen_from_the_front(seed: int, up: str) -> None:
    shot = replace(random_rig(seed), up=up)  # type: ignore[arg-type]
    front = seen(shot)
    assert (front.width, front.height) == (1920, 1080)
    points = all_points(shot)
    assert visible(front, points).all()
    free = np.abs(project(front, points) - [960, 540]) / [960, 540]
    assert free.max() <= 1 - FRONT_MARGIN + PIXEL
    assert free.max() > (1 - FRONT_MARGIN) / 2, "the motion fills the image"
    height = points[..., 1 if up == "y" else 2]
    assert front.place[0, 1 if up == "y" else 2] == pytest.approx(
        (height.min() + height.max()) / 2, abs=PLACE
    )
    assert (front.place == front.place[0]).all(), "it stands still"
    assert "no camera" in front.note
    assert ("-Z, +Y up" if up == "y" else "+Y, +Z up") in front.note


@pytest.mark.parametrize(
    ("up", "rise", "nearer"), [("y", (0, 1, 0), (0, 0, 1)), ("z", (0, 0, 1), (0, -1, 0))]
)
def test_the_front_is_where_the_note_says(up: str, rise: tuple[int, ...], nearer: tuple[int, ...]) -> None:
    front = seen(replace(filmed(), up=up))  # type: ignore[arg-type]
    centre = project(front, everywhere(0, 0, 0))
    np.testing.assert_allclose(centre, np.tile([960.0, 540.0], (FRAMES, 1)), atol=PIXEL)
    assert (project(front, everywhere(0.1, 0, 0))[:, 0] > 960).all(), "+X to the right"
    assert (project(front, everywhere(*rise) * 0.1)[:, 1] < 540).all()
    assert (depth(front, everywhere(*nearer) * 0.1) < depth(front, everywhere(0, 0, 0))).all()


def test_ranges_of_a_shot_share_the_view_from_the_front() -> None:
    shot = random_rig(1)
    whole, part = seen(shot), view(shot, pose(shot, shot.frames[2:4]))
    np.testing.assert_array_equal(part.place, whole.place[:2])
    assert part.focal.shape == (2, 2)


def test_a_long_shot_is_framed_by_some_of_its_frames_ends_included() -> None:
    count = 4 * FRONT_FRAMES
    walk = Channel("translation.x", samples=frozen(np.linspace(0, 50, count)[:, None]))
    shot = Shot("invented", 24.0, 0, count - 1, (Control("a", channels=(walk,)),))
    front = seen(shot)
    points = pose(shot, shot.frames).origin[0]
    assert visible(front, points).all()
    assert front.place[0, 0] == pytest.approx(25.0, abs=PLACE)


@pytest.mark.parametrize("metres_per_unit", [1.0, 0.01])
def test_a_still_point_is_seen_at_a_finite_size(metres_per_unit: float) -> None:
    shot = replace(filmed(), metres_per_unit=metres_per_unit)
    front = seen(shot)
    metre = project(front, everywhere(0, 0.5 / metres_per_unit, 0)) - project(front, everywhere(0, 0, 0))
    np.testing.assert_allclose(metre[:, 1], -540 * (1 - FRONT_MARGIN), atol=PIXEL)
    assert project(seen(replace(shot, controls=())), everywhere(0, 0, 0)).shape == (FRAMES, 2)

"""Forward kinematics against matrices multiplied one by one, and derivatives against central differences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from refine.curve import sample, sample_matrix, unknowns, with_unknowns
from refine.errors import InputError
from refine.pose import Point, Pose, camera_pose, driven, in_axes, jacobian, pose, reposed, world_point
from refine.rotation import (
    EULER_ORDERS,
    conjugate,
    cross_matrix,
    euler_matrix,
    matrix_quaternion,
    quaternion_matrix,
    quaternion_product,
    rotation_vector,
    turn,
    vector_quaternion,
)
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    SCALES,
    TRANSLATIONS,
    Array,
    Camera,
    Channel,
    Control,
    Shot,
    frozen,
    make_keys,
)
from tests.random_rigs import FRAMES, random_rig, still
from tests.tolerances import DERIVATIVE, DERIVATIVE_STEP, HALF_TURN, MATRIX, PLACE

LOCAL = (0.3, -0.4, 0.5)


def shift(offset: Array | Sequence[float]) -> Array:
    matrix = np.eye(4)
    matrix[:3, 3] = offset
    return matrix


def linear(part: Array) -> Array:
    matrix = np.eye(4)
    matrix[:3, :3] = part
    return matrix


def value(control: Control, name: str, shot: Shot, frame: float, default: float) -> float:
    channel = control.channel(name)
    return default if channel is None else float(sample(channel, shot, np.array([frame]))[0, 0])


def world_matrix(shot: Shot, name: str, frame: float) -> Array:
    """(4, 4) of one control on one frame, written out as the documentation says it; rotations by scipy."""
    control = shot.control(name)
    up = np.eye(4) if control.parent is None else world_matrix(shot, control.parent, frame)
    quaternion = control.channel(QUATERNION)
    if quaternion is not None:
        turned = Rotation.from_quat(sample(quaternion, shot, np.array([frame]))[0]).as_matrix()
    else:
        angles = [value(control, f"rotation.{axis}", shot, frame, 0.0) for axis in control.order]
        turned = Rotation.from_euler(control.order.upper(), angles, degrees=True).as_matrix()
    moved = [value(control, channel, shot, frame, 0.0) for channel in TRANSLATIONS]
    scaled = [value(control, channel, shot, frame, 1.0) for channel in SCALES]
    rest = shift(control.rest_translation) @ linear(Rotation.from_quat(control.rest_rotation).as_matrix())
    about_pivot = (
        shift(control.pivot) @ linear(turned) @ linear(np.diag(scaled)) @ shift(-np.array(control.pivot))
    )
    return up @ rest @ shift(moved) @ about_pivot


@pytest.mark.parametrize("seed", range(12))
def test_every_control_stands_where_the_product_of_its_matrices_puts_it(seed: int) -> None:
    shot = random_rig(seed)
    frames = shot.frames
    posed = pose(shot, frames)
    for i, control in enumerate(shot.controls):
        for n, frame in enumerate(frames):
            expected = world_matrix(shot, control.name, frame)
            np.testing.assert_allclose(posed.linear[i, n], expected[:3, :3], atol=PLACE, rtol=PLACE)
            np.testing.assert_allclose(posed.origin[i, n], expected[:3, 3], atol=PLACE, rtol=PLACE)
        point = world_point(posed, shot, Point(control.name, LOCAL))
        np.testing.assert_allclose(point[-1], (expected @ [*LOCAL, 1.0])[:3], atol=PLACE, rtol=PLACE)


def test_keyed_channels_are_posed_between_frames() -> None:
    x = Channel("translation.x", keys=make_keys([0, 4], [0.0, 8.0], [2.0, 2.0]))
    shot = Shot("invented", 24.0, 0, 4, (Control("a", channels=(x,)),))
    np.testing.assert_allclose(pose(shot, np.array([0.5, 1.25])).origin[0, :, 0], [1.0, 2.5], atol=PLACE)


def test_a_control_without_channels_keeps_its_rest() -> None:
    shot = Shot(
        "invented", 24.0, 0, 2, (Control("a", rest_translation=(1.0, 2.0, 3.0), pivot=(5.0, 0.0, 0.0)),)
    )
    posed = pose(shot, shot.frames)
    np.testing.assert_allclose(posed.linear[0], np.tile(np.eye(3), (3, 1, 1)), atol=PLACE)
    np.testing.assert_allclose(posed.origin[0], np.tile([1.0, 2.0, 3.0], (3, 1)), atol=PLACE)


def test_a_turn_and_a_scale_leave_the_pivot_where_it_is() -> None:
    pivot = (1.0, 2.0, 3.0)
    channels = (Channel("rotation.y", samples=still(70.0)), Channel("scale.x", samples=still(3.0)))
    shot = Shot("invented", 24.0, 0, FRAMES - 1, (Control("a", pivot=pivot, channels=channels),))
    posed = pose(shot, shot.frames)
    np.testing.assert_allclose(
        world_point(posed, shot, Point("a", pivot)), np.tile(pivot, (FRAMES, 1)), atol=PLACE
    )
    assert not np.allclose(world_point(posed, shot, Point("a", LOCAL)), LOCAL, atol=PLACE)


def test_a_quaternion_of_any_length_turns_as_its_direction_says() -> None:
    long = Control("long", channels=(Channel(QUATERNION, samples=still([0.0, 3.0, 0.0, 3.0])),))
    unit = Control("unit", channels=(Channel("rotation.y", samples=still(90.0)),))
    shot = Shot("invented", 24.0, 0, FRAMES - 1, (long, unit))
    posed = pose(shot, shot.frames)
    np.testing.assert_allclose(posed.linear[0], posed.linear[1], atol=PLACE)


def test_a_pose_cannot_be_changed_by_its_readers() -> None:
    posed = pose(random_rig(0), np.arange(3.0))
    with pytest.raises(ValueError, match="read-only"):
        posed.origin[0, 0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        posed.linear[0] = 0.0


def test_a_circle_of_parents_is_refused() -> None:
    shot = Shot("invented", 24.0, 0, 1, (Control("a", "b"), Control("b", "a")))
    with pytest.raises(InputError, match="cycle"):
        pose(shot, shot.frames)


def nudged(shot: Shot, control: str, channel: str, step: float, component: int = 0) -> Shot:
    """The shot with one baked channel moved by `step` on all frames."""
    old = shot.control(control).channel(channel)
    assert old is not None
    assert old.samples is not None
    samples = old.samples.copy()
    samples[:, component] += step
    return shot.with_channel(control, replace(old, samples=frozen(samples)))


def baked(shot: Shot) -> Shot:
    """The shot with samples instead of keys and no absent channel, so that every channel can be nudged."""
    rng = np.random.default_rng(5)
    controls = []
    for control in shot.controls:
        names = [*TRANSLATIONS, *([QUATERNION] if control.channel(QUATERNION) else ROTATIONS)]
        names += SCALES if any(control.channel(name) for name in SCALES) else ()
        channels = []
        for name in names:
            size, spread = (4, 1.0) if name == QUATERNION else (1, 30.0 if name in ROTATIONS else 0.5)
            samples = rng.normal(size=(FRAMES, size)) * spread + (1.5 if name in SCALES else 0.0)
            channels.append(Channel(name, samples=frozen(samples)))
        controls.append(replace(control, channels=tuple(channels)))
    return replace(shot, controls=tuple(controls))


def central_difference(
    make: Callable[[float], Shot], before: Pose, control: str, points: list[Point]
) -> Array:
    """(P, N, 3) per unit of what `make` changes."""
    places = []
    for step in (DERIVATIVE_STEP, -DERIVATIVE_STEP):
        shot = make(step)
        posed = reposed(before, shot, [control])
        places.append(np.array([world_point(posed, shot, point) for point in points]))
    return np.asarray((places[0] - places[1]) / (2 * DERIVATIVE_STEP))


@pytest.mark.parametrize("scaled", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_derivatives_of_every_channel_agree_with_central_differences(seed: int, scaled: bool) -> None:
    shot = baked(random_rig(seed, size=6, scaled=scaled))
    posed = pose(shot, shot.frames)
    points = [Point(control.name, LOCAL) for control in shot.controls]
    for control in shot.controls:
        for channel in control.channels:
            exact = jacobian(shot, posed, control.name, channel.name, points)
            for d in range(exact.shape[-1]):
                near = central_difference(
                    lambda step, c=control, k=channel, d=d: nudged(shot, c.name, k.name, step, d),  # type: ignore[misc]
                    posed,
                    control.name,
                    points,
                )
                np.testing.assert_allclose(exact[..., d], near, atol=DERIVATIVE, rtol=DERIVATIVE)
            if channel.samples is not None and channel.name == QUATERNION:  # its length alone moves nothing
                radial = np.einsum("pnkd,nd->pnk", exact, channel.samples)
                np.testing.assert_allclose(radial, 0.0, atol=PLACE)


def test_the_random_rigs_exercise_what_the_derivatives_claim() -> None:
    """Guards the test above: moving points, non-zero pivots, each order and both kinds of rotation."""
    rigs = [random_rig(seed, size=6) for seed in range(6)]
    controls = [control for rig in rigs for control in rig.controls]
    assert {control.order for control in controls} == set(EULER_ORDERS)
    assert any(control.channel(QUATERNION) for control in controls)
    assert any(any(control.pivot) and control.parent for control in controls)
    shot = baked(rigs[0])
    root = next(control for control in shot.controls if control.parent is None)
    moved = jacobian(shot, pose(shot, shot.frames), root.name, "translation.x", [Point(root.name, LOCAL)])
    np.testing.assert_allclose(np.linalg.norm(moved, axis=2), 1.0, atol=PLACE)


def test_derivatives_hold_under_a_scale_of_nothing() -> None:
    flat = Control("flat", channels=(Channel("scale.y", samples=still(0.0)),))
    turned = Control(
        "turned", "flat", order="yzx", channels=(Channel("rotation.z", samples=still(25.0)),), tip=LOCAL
    )
    shot = Shot("invented", 24.0, 0, FRAMES - 1, (flat, turned))
    posed = pose(shot, shot.frames)
    points = [Point("turned", LOCAL)]
    for control, channel in (("turned", "rotation.z"), ("flat", "scale.y")):
        near = central_difference(
            lambda step, c=control, k=channel: nudged(shot, c, k, step),  # type: ignore[misc]
            posed,
            control,
            points,
        )
        exact = jacobian(shot, posed, control, channel, points)[..., 0]
        np.testing.assert_allclose(exact, near, atol=DERIVATIVE, rtol=DERIVATIVE)
        assert np.abs(exact).max() > DERIVATIVE


def test_derivatives_by_the_keys_of_a_quaternion_follow_from_its_sample_matrix() -> None:
    """d world / d key = derivative by the value before normalisation, times the sample matrix."""
    keys = make_keys(
        [0, 3, 6], [[0.1, 0.2, 0.1, 0.9], [0.5, -0.2, 0.3, 0.7], [0.0, 0.9, 0.1, 0.2]], np.zeros((3, 4))
    )
    control = Control("a", channels=(Channel(QUATERNION, keys=keys),), tip=LOCAL)
    shot = Shot("invented", 24.0, 0, FRAMES - 1, (control,))
    posed, points = pose(shot, shot.frames), [Point("a", LOCAL)]
    by_value = jacobian(shot, posed, "a", QUATERNION, points)
    weights = sample_matrix(keys, shot.frames).dense()
    for column in range(weights.shape[1]):
        for d in range(4):

            def make(step: float, column: int = column, d: int = d) -> Shot:
                x = unknowns(keys)
                x[column, d] += step
                return shot.with_channel("a", Channel(QUATERNION, keys=with_unknowns(keys, x)))

            near = central_difference(make, posed, "a", points)[0]
            exact = by_value[0, :, :, d] * weights[:, column, None]
            np.testing.assert_allclose(exact, near, atol=DERIVATIVE, rtol=DERIVATIVE)


def test_absent_channels_have_the_derivative_at_their_default() -> None:
    shot = Shot("invented", 24.0, 0, 0, (Control("a", pivot=(1.0, 0.0, 0.0), tip=(3.0, 0.0, 0.0)),))
    posed, tip = pose(shot, shot.frames), [Point("a", (3.0, 0.0, 0.0))]
    degree = np.pi / 180
    for channel, expected in (
        ("translation.y", [0.0, 1.0, 0.0]),
        ("rotation.z", [0.0, 2 * degree, 0.0]),
        ("rotation.y", [0.0, 0.0, -2 * degree]),
        ("scale.x", [2.0, 0.0, 0.0]),
        ("vertical_angle", [0.0, 0.0, 0.0]),
    ):
        np.testing.assert_allclose(jacobian(shot, posed, "a", channel, tip)[0, 0, :, 0], expected, atol=PLACE)
    quaternion = jacobian(shot, posed, "a", QUATERNION, tip)[0, 0]
    np.testing.assert_allclose(quaternion, [[0, 0, 0, 0], [0, 0, 4, 0], [0, -4, 0, 0]], atol=PLACE)


def test_points_that_a_control_does_not_carry_stay() -> None:
    shot = Shot("invented", 24.0, 0, 0, (Control("a"), Control("b", "a"), Control("c", "a", tip=LOCAL)))
    posed = pose(shot, shot.frames)
    for channel in ("translation.x", "rotation.x", "scale.x", QUATERNION):
        moved = jacobian(shot, posed, "b", channel, [Point("a", LOCAL), Point("c", LOCAL), Point("b", LOCAL)])
        assert not moved[:2].any()
        assert moved[2].any()


def test_a_quaternion_overrules_euler_angles() -> None:
    channels = (
        Channel(QUATERNION, samples=still([0.0, 0.0, 0.0, 1.0])),
        Channel("rotation.x", samples=still(50.0)),
    )
    shot = Shot("invented", 24.0, 0, FRAMES - 1, (Control("a", channels=channels, tip=LOCAL),))
    posed = pose(shot, shot.frames)
    np.testing.assert_allclose(posed.linear[0], np.tile(np.eye(3), (FRAMES, 1, 1)), atol=PLACE)
    assert not jacobian(shot, posed, "a", "rotation.x", [Point("a", LOCAL)]).any()
    assert jacobian(shot, posed, "a", QUATERNION, [Point("a", LOCAL)]).any()


def test_a_quaternion_that_is_absent_moves_nothing_beside_euler_angles() -> None:
    euler = Control("a", channels=(Channel("rotation.x", samples=still(50.0)),), tip=LOCAL)
    shot = Shot("invented", 24.0, 0, FRAMES - 1, (euler,))
    posed = pose(shot, shot.frames)
    assert not jacobian(shot, posed, "a", QUATERNION, [Point("a", LOCAL)]).any()
    assert jacobian(shot, posed, "a", "rotation.x", [Point("a", LOCAL)]).any()


@pytest.mark.parametrize("seed", range(4))
def test_posing_anew_what_changed_equals_posing_everything(seed: int) -> None:
    shot = baked(random_rig(seed))
    before = pose(shot, shot.frames)
    changed = nudged(nudged(shot, "control 1", "translation.x", 0.7), "control 3", "translation.y", -0.2)
    again, whole = reposed(before, changed, ["control 1", "control 3"]), pose(changed, changed.frames)
    np.testing.assert_array_equal(again.linear, whole.linear)
    np.testing.assert_array_equal(again.origin, whole.origin)
    assert not np.array_equal(again.origin, before.origin)
    np.testing.assert_array_equal(before.origin, pose(shot, shot.frames).origin)


def test_posing_anew_leaves_the_rest_alone() -> None:
    shot = Shot(
        "invented", 24.0, 0, 0, (Control("a"), Control("b", "a"), Control("c", "b"), Control("d", "a"))
    )
    before = pose(shot, shot.frames)
    x = Channel("translation.x", samples=frozen([[2.0]]))
    every = replace(shot, controls=tuple(replace(control, channels=(x,)) for control in shot.controls))
    np.testing.assert_allclose(
        reposed(before, every, ["b"]).origin[:, 0, 0], [0.0, 2.0, 4.0, 0.0], atol=PLACE
    )


def test_a_camera_rides_on_its_parent() -> None:
    y = Channel("rotation.y", samples=still(90.0))
    shot = Shot(
        "invented",
        24.0,
        0,
        FRAMES - 1,
        (Control("crane", rest_translation=(0.0, 1.0, 0.0), channels=(y,)),),
        cameras=(Camera(Control("main", "crane", rest_translation=(0.0, 0.0, 5.0)), 40.0, 100, 50, 2.0),),
    )
    axes, place = camera_pose(shot, pose(shot, shot.frames), shot.cameras[0])
    np.testing.assert_allclose(place, np.tile([5.0, 1.0, 0.0], (FRAMES, 1)), atol=PLACE)
    np.testing.assert_allclose(axes[0] @ [0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], atol=PLACE)


def test_what_a_channel_drives() -> None:
    up = (0.0, 1.0, 0.0)
    x = Channel("translation.x", samples=frozen([[0.0]]))
    shot = Shot(
        "invented",
        24.0,
        0,
        0,
        (
            Control("hips", pivot=(0.0, 0.5, 0.0)),
            Control("spine", "hips", rest_translation=up, pivot=(0.1, 0.0, 0.0)),
            Control("twist", "hips", rest_translation=(0.0, 0.5, 0.0)),
            Control("leg", "twist", rest_translation=up, tip=(0.0, -1.0, 0.0)),
            Control("slider", "hips", rest_translation=(0.0, 0.5, 0.0), channels=(x,)),
        ),
    )
    assert driven(shot, "hips", "translation.z") == (Point("hips", (0.0, 0.5, 0.0)),)
    seen = (Point("spine", (0.1, 0.0, 0.0)), Point("leg", (0.0, 0.0, 0.0)), Point("slider", (0.0, 0.0, 0.0)))
    for channel in ("rotation.x", QUATERNION, "scale.z"):
        assert driven(shot, "hips", channel) == seen, "the twist stands on the pivot: its leg takes its place"
        assert driven(shot, "leg", channel) == (Point("leg", (0.0, -1.0, 0.0)),)
        assert driven(shot, "spine", channel) == ()
    assert driven(shot, "hips", "smile") == ()


@pytest.mark.parametrize("seed", range(3))
def test_rotations_by_every_road_are_the_same_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    q = rng.normal(size=(50, 4))
    q[0] = [1.0, 0.0, 0.0, 0.0]  # half turns, where some formulas divide by nothing
    q[1] = [0.0, 0.6, 0.8, 0.0]
    q[2] = [0.0, 0.0, 0.0, -1.0]
    q /= np.linalg.norm(q, axis=1, keepdims=True)
    matrix = quaternion_matrix(q)
    np.testing.assert_allclose(quaternion_matrix(matrix_quaternion(matrix)), matrix, atol=MATRIX)
    np.testing.assert_allclose(quaternion_matrix(vector_quaternion(rotation_vector(q))), matrix, atol=MATRIX)
    assert np.all(np.linalg.norm(rotation_vector(q), axis=1) <= np.pi + HALF_TURN)
    p = np.roll(q, 1, axis=0)
    np.testing.assert_allclose(
        quaternion_matrix(quaternion_product(p, q)), quaternion_matrix(p) @ matrix, atol=MATRIX
    )
    np.testing.assert_allclose(quaternion_matrix(conjugate(q)), np.swapaxes(matrix, 1, 2), atol=MATRIX)
    np.testing.assert_allclose(
        quaternion_matrix(quaternion_product(p, vector_quaternion(turn(p, q)))), matrix, atol=MATRIX
    )


def test_a_tiny_rotation_keeps_its_vector() -> None:
    vector = np.array([[1e-9, -2e-9, 3e-9], [0.0, 0.0, 0.0]])
    np.testing.assert_allclose(rotation_vector(vector_quaternion(vector)), vector, rtol=MATRIX)


def test_the_cross_matrix_is_the_cross_product() -> None:
    a, b = np.random.default_rng(0).normal(size=(2, 5, 3))
    np.testing.assert_allclose((cross_matrix(a) @ b[:, :, None])[:, :, 0], np.cross(a, b), atol=MATRIX)


def test_an_order_that_repeats_an_axis_is_refused() -> None:
    with pytest.raises(ValueError, match="zxz"):
        euler_matrix(np.zeros((1, 3)), "zxz")


def test_columns_in_axes_that_a_zero_scale_flattened() -> None:
    linear = np.stack([np.diag([2.0, 1.0, 0.5]), np.diag([0.0, 1.0, 4.0])])
    found = in_axes(linear, np.ones((2, 3, 1)))
    np.testing.assert_allclose(found[:, :, 0], [[0.5, 1.0, 2.0], [0.0, 1.0, 0.25]], atol=MATRIX)

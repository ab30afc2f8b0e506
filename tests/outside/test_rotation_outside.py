"""Rotations and forward kinematics against independent libraries.

[lib] pytransform3d 3.x and scipy.spatial.transform: matrices of the six Euler orders, quaternions, slerp,
and a tree of frames resolved by pytransform3d's TransformManager.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from refine.curve import slerp
from refine.pose import pose
from refine.rotation import (
    EULER_ORDERS,
    euler_axes,
    euler_matrix,
    matrix_quaternion,
    quaternion_matrix,
    quaternion_product,
    rotation_vector,
    vector_quaternion,
)
from refine.shot import AXES, QUATERNION, ROTATIONS, SCALES, TRANSLATIONS, Array, Control, Shot
from tests.outside.tolerances import PRINTED_8
from tests.random_rigs import random_rig
from tests.test_pose import baked
from tests.tolerances import DERIVATIVE, DERIVATIVE_STEP, MATRIX, PLACE

rotations = pytest.importorskip("pytransform3d.rotations", reason="pytransform3d isn't installed")
transformations = pytest.importorskip("pytransform3d.transformations", reason="pytransform3d isn't installed")
managers = pytest.importorskip("pytransform3d.transform_manager", reason="pytransform3d isn't installed")

pytestmark = pytest.mark.outside


def scalar_first(quaternion: Array) -> Array:
    """XYZW to pytransform3d's WXYZ."""
    return np.roll(quaternion, 1, axis=-1)


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_euler_matrices(order: str) -> None:
    """[lib] pytransform3d.rotations.matrix_from_euler, turns about the moving axes; scipy's capitals."""
    angles = np.random.default_rng(1).uniform(-np.pi, np.pi, size=(20, 3))
    ours = euler_matrix(angles, order)
    sequence = [AXES.index(letter) for letter in order]
    for angle, matrix in zip(angles[:, sequence], ours, strict=True):
        expected = rotations.matrix_from_euler(angle, *sequence, extrinsic=False)
        np.testing.assert_allclose(matrix, expected, atol=MATRIX)
    by_scipy = Rotation.from_euler(order.upper(), angles[:, sequence]).as_matrix()
    np.testing.assert_allclose(ours, by_scipy, atol=MATRIX)


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_euler_axes(order: str) -> None:
    """[lib] The rotation vector by scipy between two sets of angles, divided by the change of one angle."""
    angles = np.random.default_rng(2).uniform(-np.pi, np.pi, size=(20, 3))
    sequence = [AXES.index(letter) for letter in order]
    axes = euler_axes(angles, order)
    for axis in range(3):
        step = DERIVATIVE_STEP * np.eye(3)[axis]
        after = Rotation.from_euler(order.upper(), (angles + step)[:, sequence])
        before = Rotation.from_euler(order.upper(), (angles - step)[:, sequence])
        expected = (after * before.inv()).as_rotvec() / (2 * DERIVATIVE_STEP)
        np.testing.assert_allclose(axes[axis], expected, atol=DERIVATIVE)


def test_quaternions() -> None:
    """[lib] pytransform3d's matrix, product and axis-angle of quaternions; scipy's quaternion of a matrix."""
    p, q = np.random.default_rng(3).normal(size=(2, 30, 4))
    p, q = (each / np.linalg.norm(each, axis=1, keepdims=True) for each in (p, q))
    product, vectors = quaternion_product(p, q), rotation_vector(q)
    for n in range(len(q)):
        expected = rotations.matrix_from_quaternion(scalar_first(q[n]))
        np.testing.assert_allclose(quaternion_matrix(q[n]), expected, atol=MATRIX)
        expected = rotations.concatenate_quaternions(scalar_first(p[n]), scalar_first(q[n]))
        np.testing.assert_allclose(scalar_first(product[n]), expected, atol=MATRIX)
        expected = rotations.compact_axis_angle_from_quaternion(scalar_first(q[n]))
        np.testing.assert_allclose(vectors[n], expected, atol=MATRIX)
    by_scipy = Rotation.from_quat(q)
    np.testing.assert_allclose(
        vector_quaternion(by_scipy.as_rotvec()), by_scipy.as_quat(canonical=True), atol=MATRIX
    )
    np.testing.assert_allclose(
        matrix_quaternion(by_scipy.as_matrix()), by_scipy.as_quat(canonical=True), atol=MATRIX
    )


def test_slerp() -> None:
    """[lib] pytransform3d slerp, 0 to 90 deg about x at t = 0.3: w = 0.97236992, x = 0.23344536."""
    start = np.array([[0.0, 0.0, 0.0, 1.0]])
    end = np.array([[np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5)]])
    ours = scalar_first(slerp(start, end, np.array([0.3]))[0])
    np.testing.assert_allclose(ours, [0.97236992, 0.23344536, 0.0, 0.0], atol=PRINTED_8)
    library = rotations.quaternion_slerp(
        scalar_first(start[0]), scalar_first(end[0]), 0.3, shortest_path=True
    )
    np.testing.assert_allclose(ours, library, atol=MATRIX)


def test_slerp_takes_the_shorter_way() -> None:
    """[lib] pytransform3d slerp with shortest_path, random pairs of either sign."""
    a, b = np.random.default_rng(4).normal(size=(2, 40, 4))
    a, b = (each / np.linalg.norm(each, axis=1, keepdims=True) for each in (a, b))
    assert (np.sum(a * b, axis=1) < 0).any()
    ours = slerp(a, b, np.full(len(a), 0.7))
    for n in range(len(a)):
        library = rotations.quaternion_slerp(scalar_first(a[n]), scalar_first(b[n]), 0.7, shortest_path=True)
        np.testing.assert_allclose(
            quaternion_matrix(ours[n]), rotations.matrix_from_quaternion(library), atol=MATRIX
        )


def own_value(control: Control, name: str, n: int) -> Array:
    channel = control.channel(name)
    assert channel is not None
    assert channel.samples is not None
    row: Array = channel.samples[n]
    return row


def own_rotation(control: Control, n: int) -> Array:
    """(3, 3) by pytransform3d from the samples of a control."""
    if control.channel(QUATERNION) is not None:
        return np.asarray(rotations.matrix_from_quaternion(scalar_first(own_value(control, QUATERNION, n))))
    angles = [np.deg2rad(own_value(control, f"rotation.{axis}", n)[0]) for axis in control.order]
    return np.asarray(rotations.matrix_from_euler(angles, *map(AXES.index, control.order), extrinsic=False))


def tree(shot: Shot, n: int) -> object:
    """pytransform3d's tree of frames: of each control its rest, its translated pivot, itself under that."""
    manager = managers.TransformManager()
    for control in shot.controls:
        up, rest, at_pivot = control.parent or "world", f"{control.name}/rest", f"{control.name}/pivot"
        axes = rotations.matrix_from_quaternion(scalar_first(np.array(control.rest_rotation)))
        moved = np.array([own_value(control, name, n)[0] for name in TRANSLATIONS])
        pivot = np.array(control.pivot)
        manager.add_transform(rest, up, transformations.transform_from(axes, control.rest_translation))
        turned = transformations.transform_from(own_rotation(control, n), moved + pivot)
        manager.add_transform(at_pivot, rest, turned)
        manager.add_transform(control.name, at_pivot, transformations.transform_from(np.eye(3), -pivot))
    return manager


@pytest.mark.parametrize("seed", range(8))
def test_forward_kinematics_of_a_rigid_tree(seed: int) -> None:
    """[lib] pytransform3d TransformManager: random trees with pivots, rests, every order and quaternions."""
    shot = baked(random_rig(seed, size=7, scaled=False))
    assert not any(control.channel(name) for control in shot.controls for name in SCALES)
    assert any(control.channel(name) for control in shot.controls for name in ROTATIONS)
    posed = pose(shot, shot.frames)
    for n in range(len(shot.frames)):
        manager = tree(shot, n)
        for i, control in enumerate(shot.controls):
            expected = manager.get_transform(control.name, "world")  # type: ignore[attr-defined]
            np.testing.assert_allclose(posed.linear[i, n], expected[:3, :3], atol=PLACE)
            np.testing.assert_allclose(posed.origin[i, n], expected[:3, 3], atol=PLACE)

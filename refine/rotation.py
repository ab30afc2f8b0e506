"""Rotations as matrices, axes, quaternions and rotation vectors, any number at once.

Column vectors: a matrix takes what stands in the turned frame to the frame around it. Angles are radians.
Quaternions are XYZW. All functions take any leading axes ("..."). In memory matrices have the leading axes last, so
that each of their nine entries is one row of numbers: sums and products over many matrices are three times as fast so.
"""

from __future__ import annotations

import numpy as np

from refine.shot import AXES, ROTATIONS, Array, Channel

_EVEN = ("xyz", "yzx", "zxy")
EULER_ORDERS = (*_EVEN, "xzy", "yxz", "zyx")


def _matrices(shape: tuple[int, ...]) -> Array:
    """(*shape, 3, 3) to be filled."""
    return np.moveaxis(np.empty((3, 3, *shape)), (0, 1), (-2, -1))


def _turns(angles: Array, order: str) -> tuple[tuple[int, int, int], list[Array], list[Array]]:
    """Axes of the three factors, and cosine and signed sine of each factor's angle, in that sequence.

    With the axes renamed in the sequence of the factors every order becomes x, y, z. An odd renaming turns a
    right-handed frame into a left-handed one, in which each angle has the other sign.
    """
    if order not in EULER_ORDERS:
        raise ValueError(f"Euler order {order!r}: one of {', '.join(EULER_ORDERS)}")
    i, j, k = (AXES.index(letter) for letter in order)
    sign = 1.0 if order in _EVEN else -1.0
    parts = [angles[..., axis] for axis in (i, j, k)]
    return (i, j, k), [np.cos(part) for part in parts], [sign * np.sin(part) for part in parts]


def euler_matrix(angles: Array, order: str) -> Array:
    """(..., 3, 3) from angles (..., 3) about x, y, z in radians.

    The factors are multiplied left to right as `order` says: "zxy" is Rz Rx Ry. ValueError for an order that
    isn't one of the six.
    """
    (i, j, k), (ca, cb, cc), (sa, sb, sc) = _turns(angles, order)
    matrix = _matrices(angles.shape[:-1])
    sa_sb, ca_sb = sa * sb, ca * sb
    matrix[..., i, i] = cb * cc
    matrix[..., i, j] = -cb * sc
    matrix[..., i, k] = sb
    matrix[..., j, i] = ca * sc + sa_sb * cc
    matrix[..., j, j] = ca * cc - sa_sb * sc
    matrix[..., j, k] = -sa * cb
    matrix[..., k, i] = sa * sc - ca_sb * cc
    matrix[..., k, j] = sa * cc + ca_sb * sc
    matrix[..., k, k] = ca * cb
    return matrix


def euler_quaternion(angles: Array, order: str) -> Array:
    """(..., 4) unit quaternions of the same rotations as `euler_matrix`: the products of the factors' own."""
    (i, j, k), (ca, cb, cc), (sa, sb, sc) = _turns(0.5 * angles, order)
    sign = 1.0 if order in _EVEN else -1.0  # a mirror turns axes of rotations round
    q: Array = np.moveaxis(np.empty((4, *angles.shape[:-1])), 0, -1)
    ca_cb, sa_sb, sa_cb, ca_sb = ca * cb, sa * sb, sa * cb, ca * sb
    q[..., i] = sign * (sa_cb * cc + ca_sb * sc)
    q[..., j] = sign * (ca_sb * cc - sa_cb * sc)
    q[..., k] = sign * (ca_cb * sc + sa_sb * cc)
    q[..., 3] = ca_cb * cc - sa_sb * sc
    return q


def euler_axes(angles: Array, order: str) -> Array:
    """(3, ..., 3): for the angle about x, y and z the unit axis, in the frame around, about which it turns.

    A small change d of that angle left-multiplies the rotation by a turn of d about this axis, so that
    d(R v) = d axis x (R v). It is the product of the factors before it times the factor's own unit axis.
    """
    (i, j, k), (ca, cb, _), (sa, sb, _) = _turns(angles, order)
    axes = np.zeros((3, *angles.shape))
    axes[i, ..., i] = 1.0
    axes[j, ..., j], axes[j, ..., k] = ca, sa
    axes[k, ..., i], axes[k, ..., j], axes[k, ..., k] = sb, -sa * cb, ca * cb
    return axes


def cross_matrix(vectors: Array) -> Array:
    """(..., 3, 3) whose product with w is vectors x w, for vectors (..., 3)."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    matrix = np.zeros((*vectors.shape, 3))
    matrix[..., 0, 1], matrix[..., 0, 2] = -z, y
    matrix[..., 1, 0], matrix[..., 1, 2] = z, -x
    matrix[..., 2, 0], matrix[..., 2, 1] = -y, x
    return matrix


def quaternion_matrix(quaternions: Array) -> Array:
    """(..., 3, 3) from quaternions (..., 4) XYZW of any length but 0: the rotation of the normalised ones."""
    x, y, z, w = np.moveaxis(quaternions, -1, 0)
    twice = 2.0 / (x * x + y * y + z * z + w * w)
    matrix = _matrices(quaternions.shape[:-1])
    matrix[..., 0, 0] = 1 - twice * (y * y + z * z)
    matrix[..., 0, 1] = twice * (x * y - z * w)
    matrix[..., 0, 2] = twice * (x * z + y * w)
    matrix[..., 1, 0] = twice * (x * y + z * w)
    matrix[..., 1, 1] = 1 - twice * (x * x + z * z)
    matrix[..., 1, 2] = twice * (y * z - x * w)
    matrix[..., 2, 0] = twice * (x * z - y * w)
    matrix[..., 2, 1] = twice * (y * z + x * w)
    matrix[..., 2, 2] = 1 - twice * (x * x + y * y)
    return matrix


def quaternion_axes(quaternions: Array) -> Array:
    """(4, ..., 3): for each component of a quaternion (..., 4), of any length, the axis of its effect (0 at 0).

    A small change d of the component turns the normalised rotation by d |axis| about the axis, in the frame
    around. The rotation vector of dq is 2 Im(dq q*) / |q|^2, to which a change of length alone adds nothing:
    so the derivative of the normalisation is contained.
    """
    square = np.sum(quaternions * quaternions, axis=-1)[..., None]
    scale = np.where(
        square > 1e-18, 2.0 / np.maximum(square, 1e-18), 0.0
    )  # of length 0 it has no direction to turn
    vector, w = quaternions[..., :3], quaternions[..., 3]
    axes: Array = np.empty((4, *quaternions.shape[:-1], 3))
    axes[:3] = np.moveaxis(cross_matrix(vector), -1, 0)  # Im(dv q*) = w dv + v x dv
    for i in range(3):
        axes[i, ..., i] += w
    axes[3] = -vector
    axes *= scale
    return axes


def quaternion_product(a: Array, b: Array) -> Array:
    """(..., 4): the rotation b followed by a, a b in column-vector order."""
    v, w, u, s = a[..., :3], a[..., 3:], b[..., :3], b[..., 3:]
    real = w * s - np.sum(v * u, axis=-1, keepdims=True)
    return np.concatenate([w * u + s * v + np.cross(v, u), real], axis=-1)


def conjugate(quaternions: Array) -> Array:
    """(..., 4): the inverse rotation of unit quaternions."""
    inverse: Array = quaternions * np.array([-1.0, -1.0, -1.0, 1.0])
    return inverse


def rotation_vector(quaternions: Array) -> Array:
    """(..., 3) axis times angle in radians, at most pi long, of quaternions (..., 4) of any length but 0."""
    q = np.where(quaternions[..., 3:] < 0, -quaternions, quaternions)
    sine = np.linalg.norm(q[..., :3], axis=-1, keepdims=True)
    angle = 2.0 * np.arctan2(sine, q[..., 3:])
    tiny = sine < 1e-300  # no axis left to divide by; the vector is 0 to machine precision
    return q[..., :3] * np.where(tiny, 2.0, angle / np.where(tiny, 1.0, sine))


def vector_quaternion(vectors: Array) -> Array:
    """(..., 4) unit quaternions from rotation vectors (..., 3) in radians: undoes `rotation_vector`."""
    half = 0.5 * np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.concatenate([0.5 * vectors * np.sinc(half / np.pi), np.cos(half)], axis=-1)


def turn(before: Array, after: Array) -> Array:
    """(..., 3) rotation vector in radians, on the child's side, from unit quaternion before to after."""
    return rotation_vector(quaternion_product(conjugate(before), after))


def matrix_quaternion(matrices: Array) -> Array:
    """(..., 4) unit quaternions, w >= 0, of rotation matrices (..., 3, 3).

    Of the four ways to write the quaternion the one that divides by the largest component is taken
    (Shepperd 1978), which loses no digits near half turns.
    """
    m = matrices
    trace = m[..., 0, 0] + m[..., 1, 1] + m[..., 2, 2]
    outer = np.empty((*m.shape[:-2], 4, 4))  # 4 q q^T
    outer[..., :3, :3] = m + np.swapaxes(m, -1, -2)
    for i in range(3):
        outer[..., i, i] = 1 + 2 * m[..., i, i] - trace
    antisymmetric = (m[..., 2, 1] - m[..., 1, 2], m[..., 0, 2] - m[..., 2, 0], m[..., 1, 0] - m[..., 0, 1])
    outer[..., 3, :3] = outer[..., :3, 3] = np.stack(antisymmetric, axis=-1)
    outer[..., 3, 3] = 1 + trace
    largest = np.argmax(np.einsum("...ii->...i", outer), axis=-1)
    row = np.take_along_axis(outer, largest[..., None, None], axis=-2)[..., 0, :]
    row = np.where(row[..., 3:] < 0, -row, row)
    unit: Array = row / np.linalg.norm(row, axis=-1, keepdims=True)
    return unit


def signs(quaternions: Array) -> Array:
    """(N,) 1 or -1 that keep quaternions (N, 4) from changing sides between frames."""
    if not len(quaternions):
        return np.ones(0)
    near = np.where(np.sum(quaternions[1:] * quaternions[:-1], axis=1) < 0, -1.0, 1.0)
    return np.concatenate([[1.0], np.cumprod(near)])


def continuous(channel: Channel, samples: Array) -> Array:
    """(N, D) samples of a channel, in its own unit, with whole turns and quaternion signs undone, so that neighbours
    are near each other."""
    if channel.name in ROTATIONS:
        return np.unwrap(samples, period=360.0, axis=0)
    if samples.shape[1] == 4:
        return samples * signs(samples)[:, None]
    return samples

"""Forward kinematics of all frames at once, and exact derivatives of what a channel drives.

world = parent * T(rest_translation) R(rest_rotation) * T(translation) * T(pivot) R S T(-pivot), columns.
The loop runs over controls, never over frames. Angles become radians here and nowhere else.

Derivatives are closed: a translation moves everything below along one column of the frame it is written in; a
rotation moves a point by axis x lever arm; a scale stretches along one turned axis.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from refine.curve import evaluate, sample
from refine.rig import children, descendants, parent_order, positions
from refine.rotation import euler_axes, euler_matrix, quaternion_axes, quaternion_matrix
from refine.shot import QUATERNION, ROTATIONS, SCALES, TRANSLATIONS, Array, Camera, Channel, Control, Shot

# A child nearer than this to its parent's pivot, in shot units, stands on it: only rounding moves it.
FLAT = 1e-12  # of its size, that the volume of a frame with a scale of 0 has at most
ON_THE_PIVOT = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Where controls stand on each of N frames: world(p) = linear @ p + origin, p in the control's space.

    The frames that a control's channels are written in follow from its parent's entry and its rest, which
    don't move by themselves, so they aren't stored: see `frame_of`.
    """

    frames: Array  # (N,)
    linear: Array  # (C, N, 3, 3), scale included; in memory (C, 3, 3, N), see `rotation`
    origin: Array  # (C, N, 3), shot units; in memory (C, 3, N)


@dataclass(frozen=True)
class Point:
    """A point fixed in a control's own space, in shot units."""

    control: str
    local: tuple[float, float, float]


def _values(
    control: Control, names: tuple[str, ...], shot: Shot, frames: Array, default: float
) -> Array | None:
    """(N, 3) of three channels, the absent ones at `default`; None when all three are absent."""
    found = [(axis, channel) for axis, name in enumerate(names) if (channel := control.channel(name))]
    if not found:
        return None
    values = np.full((3, len(frames)), default)
    for axis, channel in found:
        values[axis] = sample(channel, shot, frames)[:, 0]
    return values.T


def _angles(control: Control, shot: Shot, frames: Array) -> Array | None:
    """(N, 3) Euler angles in radians; None when none of the three is animated."""
    degrees = _values(control, ROTATIONS, shot, frames, 0.0)
    return None if degrees is None else np.deg2rad(degrees)


def _rotation(control: Control, shot: Shot, frames: Array) -> Array | None:
    """(N, 3, 3) of the rotation channels, a quaternion before Euler angles; None when there are none."""
    quaternion = control.channel(QUATERNION)
    if quaternion is not None:
        return quaternion_matrix(sample(quaternion, shot, frames))
    angles = _angles(control, shot, frames)
    return None if angles is None else euler_matrix(angles, control.order)


def _rest(control: Control) -> Array | None:
    """(3, 3) rest rotation, None when it is none: most rigs have none, and the product is worth sparing."""
    x, y, z, w = control.rest_rotation
    return None if x == y == z == 0.0 and w != 0.0 else quaternion_matrix(np.array([x, y, z, w]))


def _unturned(count: int) -> Array:
    """(N, 3, 3) no turn."""
    return np.moveaxis(np.tile(np.eye(3)[:, :, None], count), 2, 0)


def local(control: Control, shot: Shot, frames: Array) -> tuple[Array, Array]:
    """Linear part (N, 3, 3) and origin (N, 3) of a control in its parent's space."""
    pivot, rest = np.array(control.pivot), _rest(control)
    rotation = _rotation(control, shot, frames)
    linear = _unturned(len(frames)) if rotation is None else rotation
    scale = _values(control, SCALES, shot, frames, 1.0)
    if scale is not None:
        linear = linear * scale[:, None, :]
    translation = _values(control, TRANSLATIONS, shot, frames, 0.0)
    origin = np.zeros((len(frames), 3)) if translation is None else translation
    if pivot.any():
        origin = origin + pivot - _apply(linear, pivot)
    if rest is not None:
        linear, origin = np.einsum("ij,njk->nik", rest, linear), origin @ rest.T
    return linear, origin + np.array(control.rest_translation)


def _apply(linear: Array, points: Array) -> Array:
    """(N, 3) = linear (N, 3, 3) times points (N, 3) or (3,)."""
    return np.asarray(np.einsum("nij,j->ni" if points.ndim == 1 else "nij,nj->ni", linear, points))


def _below(pose: Pose, shot: Shot, control: Control, at: dict[str, int]) -> tuple[Array, Array]:
    """Linear part and origin of a control in the world, its parent being posed."""
    linear, origin = local(control, shot, pose.frames)
    if control.parent is None:
        return linear, origin
    up = at[control.parent]
    product = np.einsum("nij,njk->nik", pose.linear[up], linear)
    return product, _apply(pose.linear[up], origin) + pose.origin[up]


def _fill(pose: Pose, shot: Shot, order: Iterable[int]) -> None:
    """Computes the controls at these positions, parents first, into the pose's arrays, then closes them."""
    at = positions(shot)
    for i in order:
        pose.linear[i], pose.origin[i] = _below(pose, shot, shot.controls[i], at)
    pose.linear.setflags(write=False)
    pose.origin.setflags(write=False)


def pose(shot: Shot, frames: Array) -> Pose:
    """The pose of every control on the frames (N,), which may be fractional where channels are keyed.

    InputError when parents are unknown or form a cycle.
    """
    frames = np.array(frames, float)
    size = (len(shot.controls), len(frames))
    linear, origin = np.empty((size[0], 3, 3, size[1])), np.empty((size[0], 3, size[1]))
    empty = Pose(frames, np.moveaxis(linear, 3, 1), np.swapaxes(origin, 1, 2))
    _fill(empty, shot, parent_order(shot))
    return empty


def reposed(pose: Pose, shot: Shot, controls: Iterable[str]) -> Pose:
    """The pose after channels of these controls changed: they and what they carry are computed anew.

    The rest is copied as it stands. `shot` is the changed one, with the same controls in the same order.
    """
    names = set(controls)
    for name in tuple(names):
        names.update(descendants(shot, name))
    changed = Pose(pose.frames, np.copy(pose.linear), np.copy(pose.origin))
    _fill(changed, shot, (i for i in parent_order(shot) if shot.controls[i].name in names))
    return changed


def in_axes(linear: Array, columns: Array) -> Array:
    """(..., 3, K) columns in the axes of matrices (..., 3, 3); along an axis that a scale of 0 flattened there is 0."""
    flat = np.abs(np.linalg.det(linear)) <= FLAT * np.linalg.norm(linear, axis=(-2, -1)) ** 3
    return np.asarray(np.linalg.pinv(linear) @ columns if flat.any() else np.linalg.solve(linear, columns))


def camera_pose(shot: Shot, pose: Pose, camera: Camera) -> tuple[Array, Array]:
    """Linear part (N, 3, 3) and origin (N, 3) of a camera in the world; its parent may be any control."""
    return _below(pose, shot, camera.control, positions(shot))


def frame_of(shot: Shot, pose: Pose, control: Control) -> Array:
    """(N, 3, 3): the linear part, in the world, of the frame that the control's channels are written in."""
    rest = _rest(control)
    axes = np.eye(3) if rest is None else rest
    if control.parent is None:
        return np.broadcast_to(axes, (len(pose.frames), 3, 3))
    frame: Array = pose.linear[shot.index(control.parent)]
    return frame if rest is None else frame @ rest


def world_point(pose: Pose, shot: Shot, point: Point) -> Array:
    """(N, 3): where the point stands in the world."""
    i = shot.index(point.control)
    return np.asarray(_apply(pose.linear[i], np.array(point.local)) + pose.origin[i])


def driven(shot: Shot, control: str, channel: str) -> tuple[Point, ...]:
    """The points by which the effect of a channel is seen.

    A translation moves the control's own pivot. A rotation or scale moves the pivots of the children and
    the tip. A child that stands right on the pivot shows nothing of it: what it drives takes its place.
    Nothing for custom channels, and for rotations and scales of a control without children and tip.
    """
    if channel in TRANSLATIONS:
        return (Point(control, shot.control(control).pivot),)
    if channel != QUATERNION and channel not in ROTATIONS + SCALES:
        return ()
    return tuple(_outer_points(shot, control, children(shot), positions(shot)))


def _outer_points(
    shot: Shot, name: str, below: dict[str | None, tuple[str, ...]], at: dict[str, int]
) -> list[Point]:
    control = shot.controls[at[name]]
    points: list[Point] = []
    for child in (shot.controls[at[child]] for child in below[name]):
        if _stands_on_pivot(child, control):
            points.extend(_outer_points(shot, child.name, below, at))
        else:
            points.append(Point(child.name, child.pivot))
    if control.tip is not None:
        points.append(Point(name, control.tip))
    return points


def _stands_on_pivot(child: Control, parent: Control) -> bool:
    """Whether the child's pivot is the parent's, on all frames."""
    if any(child.channel(name) is not None for name in TRANSLATIONS):
        return False
    axes = quaternion_matrix(np.array(child.rest_rotation))
    offset = np.array(child.rest_translation) + axes @ np.array(child.pivot) - np.array(parent.pivot)
    return float(np.linalg.norm(offset)) <= ON_THE_PIVOT


def jacobian(shot: Shot, pose: Pose, control: str, channel: str, points: Sequence[Point]) -> Array:
    """(P, N, 3, D): derivative of each world point with respect to the channel's value on that same frame.

    `pose` is that of `shot`. Units: shot units per degree for Euler rotations, per unit for the rest. D is 4
    for a quaternion, else 1; a quaternion's value is the one before normalisation (componentwise interpolated
    where keyed), whose derivative is contained. Points that the control doesn't carry, and custom channels,
    have zeros.
    """
    moved = shot.control(control)
    carried = {control, *descendants(shot, control)}
    result = np.zeros((len(points), len(pose.frames), 3, 4 if channel == QUATERNION else 1))
    frame = frame_of(shot, pose, moved)
    if channel in TRANSLATIONS:
        column = frame[:, :, TRANSLATIONS.index(channel), None]
        result[[p for p, point in enumerate(points) if point.control in carried]] = column
        return result
    axes = _turn_axes(moved, channel, shot, pose.frames)
    scaled = _scaled_above(shot, moved)
    for p, point in enumerate(points):
        if point.control not in carried:
            continue
        if axes is not None:
            arm = _arm(shot, pose, moved, frame, point, scaled)
            result[p] = frame @ np.moveaxis(np.cross(axes, arm), 0, -1)
        elif channel in SCALES:
            result[p] = frame @ _stretch(shot, pose, moved, SCALES.index(channel), point)[:, :, None]
    return result


def turn_axis(shot: Shot, pose: Pose, control: str, channel: str) -> Array | None:
    """(N, 3) the axis in the world about which a channel turns what its control carries, of length radians a unit.

    None for what isn't one turn about an axis. `pose` is that of `shot`.
    """
    moved = shot.control(control)
    axes = _turn_axes(moved, channel, shot, pose.frames) if channel in ROTATIONS else None
    if axes is None:
        return None
    frame = frame_of(shot, pose, moved)
    size = np.cbrt(np.abs(np.linalg.det(frame)))[:, None, None]
    return np.asarray((frame / np.maximum(size, FLAT) @ axes[0][..., None])[..., 0])


def _turn_axes(control: Control, channel: str, shot: Shot, frames: Array) -> Array | None:
    """(D, N, 3) axes, in the rest frame, about which the channel turns, radians per unit of the channel."""
    quaternion, angles = control.channel(QUATERNION), _angles(control, shot, frames)
    if channel == QUATERNION and (quaternion is not None or angles is None):
        return quaternion_axes(_unnormalised(quaternion, shot, frames))
    if channel not in ROTATIONS or quaternion is not None:
        return None  # a quaternion overrules Euler angles, which then move nothing
    angles = np.zeros((len(frames), 3)) if angles is None else angles
    axis = ROTATIONS.index(channel)
    return np.deg2rad(euler_axes(angles, control.order)[axis : axis + 1])


def _unnormalised(channel: Channel | None, shot: Shot, frames: Array) -> Array:
    """(N, 4) quaternion values as they stand before normalisation; no turn when there is no channel."""
    if channel is None:
        return np.tile([0.0, 0.0, 0.0, 1.0], (len(frames), 1))
    return evaluate(channel.keys, frames) if channel.keys is not None else sample(channel, shot, frames)


def _arm(shot: Shot, pose: Pose, control: Control, frame: Array, point: Point, scaled: bool) -> Array:
    """(N, 3): from the control's pivot to the point, in the control's rest frame."""
    if not scaled:  # the frame is a rotation: its transpose is its inverse
        lever = world_point(pose, shot, point) - world_point(pose, shot, Point(control.name, control.pivot))
        return _apply(np.swapaxes(frame, 1, 2), lever)
    inside = _carried_point(shot, pose, control.name, point) - np.array(control.pivot)
    return _apply(_turned(control, shot, pose.frames), inside * _scale(control, shot, pose.frames))


def _stretch(shot: Shot, pose: Pose, control: Control, axis: int, point: Point) -> Array:
    """(N, 3): how the point moves in the control's rest frame per unit of scale along the axis."""
    inside = _carried_point(shot, pose, control.name, point) - np.array(control.pivot)
    moved: Array = _turned(control, shot, pose.frames)[:, :, axis] * inside[:, axis, None]
    return moved


def _scale(control: Control, shot: Shot, frames: Array) -> Array:
    scale = _values(control, SCALES, shot, frames, 1.0)
    return np.ones((len(frames), 3)) if scale is None else scale


def _turned(control: Control, shot: Shot, frames: Array) -> Array:
    rotation = _rotation(control, shot, frames)
    return _unturned(len(frames)) if rotation is None else rotation


def _scaled_above(shot: Shot, control: Control) -> bool:
    """Whether any control above this one has a scale, so that its frame may be more than a rotation."""
    while control.parent is not None:
        control = shot.control(control.parent)
        if any(control.channel(name) is not None for name in SCALES):
            return True
    return False


def _carried_point(shot: Shot, pose: Pose, ancestor: str, point: Point) -> Array:
    """(N, 3): the point in the space of a control above it.

    Goes up link by link instead of inverting the pose, which a scale of 0 would make impossible.
    """
    place = np.tile(np.array(point.local), (len(pose.frames), 1))
    name = point.control
    while name != ancestor:
        control = shot.control(name)
        linear, origin = local(control, shot, pose.frames)
        place = _apply(linear, place) + origin
        assert control.parent is not None  # the point is carried by the ancestor
        name = control.parent
    return place

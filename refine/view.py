"""What the audience sees: points of the world as pixels of a camera's image, and the derivative of that.

A camera looks along its own -Z with +Y up; pixel (0, 0) is the top left corner of the image and y runs down.
The vertical angle of view spans the height, and the aspect times its tangent the width, so pixels are square
where the aspect is width over height.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample
from refine.errors import InputError
from refine.pose import Pose, camera_pose
from refine.pose import pose as pose_of
from refine.shot import Array, Camera, Shot

VERTICAL_ANGLE = "vertical_angle"  # the custom channel that animates a camera's lens, in degrees
NEAR_METRES = 0.01  # nothing nearer is seen; common practice lies between 1 mm and 10 cm
FRONT = "front"
FRONT_SIZE = (1920, 1080)  # px
FRONT_ANGLE = 40.0  # deg, vertical
FRONT_MARGIN = 0.1  # share of the half image left free at each side
FRONT_FRAMES = 256  # at most as many frames of the shot decide what the front view must hold
SMALLEST_METRES = 1.0  # the front view holds at least this much, or a lone still point would have no size


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A camera on each of N frames, ready to project. `note` is one sentence for the output."""

    name: str
    width: int  # px
    height: int  # px
    note: str
    axes: Array  # (N, 3, 3), the rows being the camera's right, up and backward directions in the world
    place: Array  # (N, 3), shot units
    focal: Array  # (N, 2), px per unit of x / depth and y / depth
    near: float  # shot units


def check_camera(shot: Shot, camera: str | None) -> None:
    """InputError for a camera that isn't there; None is always right."""
    names = [each.name for each in shot.cameras]
    if camera is not None and camera not in names:
        allowed = ", ".join(names) if names else "none: the shot has no camera"
        remedy = "name one of these, or leave it out" if names else "leave it out"
        raise InputError("camera", f"no camera {camera!r}", allowed, remedy)


def view(shot: Shot, pose: Pose, camera: str | None = None) -> View:
    """The named camera on the pose's frames; the first when None; a view from the front when there is none.

    The front view frames the whole shot, not only the pose's frames, so that ranges of one shot are measured
    in the same pixels. InputError for an unknown camera, an angle of view out of range, a collapsed camera.
    """
    if camera is None and not shot.cameras:
        return _front(shot, pose)
    check_camera(shot, camera)
    names = [each.name for each in shot.cameras]
    chosen = shot.cameras[0 if camera is None else names.index(camera)]
    which = f", the first of {len(names)}" if camera is None and len(names) > 1 else ""
    linear, place = camera_pose(shot, pose, chosen)
    return View(
        name=chosen.name,
        width=chosen.width,
        height=chosen.height,
        note=f"Seen through camera {chosen.name}{which}, {chosen.width} x {chosen.height} px.",
        axes=_axes(linear, chosen.name, pose.frames),
        place=place,
        focal=_focal(_angle(shot, chosen, pose.frames), chosen.width, chosen.height, chosen.aspect),
        near=NEAR_METRES / shot.metres_per_unit,
    )


def _axes(linear: Array, name: str, frames: Array) -> Array:
    """(N, 3, 3) orthonormal rows right, up, backward: a scaled parent doesn't distort the image."""
    back, up = linear[:, :, 2], linear[:, :, 1]
    right = np.cross(up, back)
    size = np.linalg.norm(right, axis=1)
    if not np.all(size > 0):
        frame = frames[int(np.argmin(size > 0))]
        found = f"scaled to nothing at frame {frame:g}"
        raise InputError(f"camera {name}", found, "any scale but 0", "remove the scale from what carries it")
    back = back / np.linalg.norm(back, axis=1, keepdims=True)
    right = right / size[:, None]
    return np.stack([right, np.cross(back, right), back], axis=1)


def _angle(shot: Shot, camera: Camera, frames: Array) -> Array:
    """(N,) vertical angle of view in degrees."""
    channel = camera.control.channel(VERTICAL_ANGLE)
    fixed = np.full(len(frames), camera.vertical_angle)
    angle = fixed if channel is None else sample(channel, shot, frames)[:, 0]
    bad = ~((angle > 0) & (angle < 180))
    if bad.any():
        n = int(np.argmax(bad))
        found = f"{angle[n]:g} deg at frame {frames[n]:g}"
        place = f"camera {camera.name}: {VERTICAL_ANGLE}"
        raise InputError(place, found, "above 0 and below 180 deg", "correct the camera's angle of view")
    return angle


def _focal(angle: Array, width: int, height: int, aspect: float) -> Array:
    """(N, 2) focal lengths in px from the vertical angle (N,) in degrees."""
    tangent = np.tan(np.deg2rad(angle) / 2)
    return np.stack([width / (2 * aspect * tangent), height / (2 * tangent)], axis=1)


def _front(shot: Shot, pose: Pose) -> View:
    """A static view along -Z with +Y up, or along +Y with +Z up: the front of a character that faces it."""
    axes = np.eye(3) if shot.up == "y" else np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    width, height = FRONT_SIZE
    focal = _focal(np.array([FRONT_ANGLE]), width, height, width / height)
    place = axes.T @ _front_place(_motion(shot, pose) @ axes.T, focal[0], shot.metres_per_unit)
    along = "-Z, +Y up" if shot.up == "y" else "+Y, +Z up"
    note = (
        f"The shot has no camera: seen from the front (along {along}) at the character's height, standing "
        f"still, the whole motion in the image, {width} x {height} px, vertical angle {FRONT_ANGLE:g} deg."
    )
    count = len(pose.frames)
    return View(
        name=FRONT,
        width=width,
        height=height,
        note=note,
        axes=np.broadcast_to(axes, (count, 3, 3)),
        place=np.broadcast_to(place, (count, 3)),
        focal=np.broadcast_to(focal, (count, 2)),
        near=NEAR_METRES / shot.metres_per_unit,
    )


def _motion(shot: Shot, pose: Pose) -> Array:
    """(M, 3): pivots and tips of all controls over the whole shot, on at most FRONT_FRAMES frames of it."""
    if not shot.controls:
        return np.zeros((1, 3))
    frames = shot.frames
    if len(frames) > FRONT_FRAMES:
        frames = np.rint(np.linspace(frames[0], frames[-1], FRONT_FRAMES))
    whole = pose if np.array_equal(pose.frames, frames) else pose_of(shot, frames)
    parts = []
    for i, control in enumerate(shot.controls):
        for local in (control.pivot,) if control.tip is None else (control.pivot, control.tip):
            parts.append(whole.linear[i] @ np.array(local) + whole.origin[i])
    return np.concatenate(parts)


def _front_place(points: Array, focal: Array, metres_per_unit: float) -> Array:
    """(3,) where the camera stands, in its own axes, so that all points (M, 3) lie inside the margin."""
    low, high = points.min(axis=0), points.max(axis=0)
    centre = (low + high) / 2
    half = (1 - FRONT_MARGIN) * np.array(FRONT_SIZE) / 2  # px that may be used to each side
    away = points - centre
    smallest = SMALLEST_METRES / metres_per_unit / 2
    spread = np.maximum(np.abs(away[:, :2]), smallest)
    distance = np.max(away[:, 2:] + spread * focal / half)
    place: Array = centre + np.array([0.0, 0.0, distance])
    return place


def _inside(view: View, points: Array) -> Array:
    """(..., N, 3): right, up and backward coordinates of world points (..., N, 3) as the camera has them."""
    return np.asarray(np.einsum("nij,...nj->...ni", view.axes, points - view.place))


def depth(view: View, points: Array) -> Array:
    """(..., N) distance in front of the camera along its axis, in shot units; negative behind it."""
    return -_inside(view, points)[..., 2]


def project(view: View, points: Array) -> Array:
    """(..., N, 2) pixels, x to the right and y down from the top left corner, of world points (..., N, 3).

    A point nearer than the near distance, or behind, is projected as if it stood on that distance: finite,
    but to be asked about with `visible`.
    """
    inside = _inside(view, points)
    away = np.maximum(-inside[..., 2:], view.near)
    pixels: Array = inside[..., :2] * view.focal / away * np.array([1.0, -1.0])
    pixels += np.array([view.width / 2, view.height / 2])
    return pixels


def visible(view: View, points: Array) -> NDArray[np.bool_]:
    """(..., N): whether world points (..., N, 3) stand in front of the near distance and inside the image."""
    pixels = project(view, points)
    on_image = np.all((pixels >= 0) & (pixels <= np.array([view.width, view.height])), axis=-1)
    return np.asarray(on_image & (depth(view, points) >= view.near), np.bool_)


def screen_jacobian(view: View, points: Array) -> Array:
    """(..., N, 2, 3): derivative of `project`, px per shot unit, at world points (..., N, 3).

    At points nearer than the near distance that of what `project` does there, which ignores depth.
    """
    inside = _inside(view, points)
    away = np.maximum(-inside[..., 2], view.near)[..., None, None]
    free = np.where(-inside[..., 2] > view.near, 1.0, 0.0)[..., None]
    focal = view.focal * np.array([1.0, -1.0])
    slope = focal[..., None] * view.axes[:, :2, :] / away  # at fixed depth
    shift = (inside[..., :2] * focal * free)[..., None] * view.axes[:, 2:, :]  # depth falls along "backward"
    jacobian: Array = slope + shift / away**2
    return jacobian

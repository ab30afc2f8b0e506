"""Arms, legs and eyes posed by what they must meet, as an artist poses them: hand on the rim, foot on the floor.

Only the frames of the plan are solved. What comes out are angles in degrees for the keys there; between keys
the curves run as they do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from body import FOREARM, GRIP, SHIN, SWING, THIGH, TURN, TWIST, UPPER_ARM

from refine.formats.euler import euler_angles
from refine.rotation import euler_matrix
from refine.shot import Array

LONGEST = 0.995  # of a limb's length: an artist doesn't lock a joint


@dataclass(frozen=True, eq=False)
class Bend:
    """A two-bone limb on F frames: where its upper bone points (F, 3, 3), and the joint's angle in degrees."""

    upper: Array
    angle: Array  # (F,)


def unit(vectors: Array) -> Array:
    """(F, 3) made one long."""
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def bend(start: Array, end: Array, pole: Array, lengths: tuple[float, float], forward: float) -> Bend:
    """The limb from start to end (F, 3), its middle joint towards `pole`, both bones along -Y.

    `forward` is the sign of Z towards which the outer bone folds: 1 for elbows, -1 for knees. ValueError where
    the end is out of reach.
    """
    a, b = lengths
    line = end - start
    distance = np.linalg.norm(line, axis=1)
    if distance.max() > LONGEST * (a + b):
        raise ValueError(f"frame {int(np.argmax(distance))} of the list: {distance.max():.3f} m, too far")
    axis = line / distance[:, None]
    side = unit(pole - np.sum(pole * axis, axis=1, keepdims=True) * axis)
    along = (a * a - b * b + distance**2) / (2 * distance)
    middle = start + along[:, None] * axis + np.sqrt(a * a - along**2)[:, None] * side
    y = -unit(middle - start)
    outer = unit(end - middle)
    z = forward * unit(outer - np.sum(outer * y, axis=1, keepdims=True) * y)
    upper = np.stack([np.cross(y, z), y, z], axis=2)
    cosine = np.clip(-np.sum(outer * y, axis=1), -1, 1)
    return Bend(upper, -forward * np.rad2deg(np.arccos(cosine)))


def degrees(matrices: Array, order: str) -> Array:
    """(F, 3) Euler angles in degrees."""
    return np.rad2deg(euler_angles(matrices, order))


def about_x(angle: Array) -> Array:
    """(F, 3, 3) turns about X by angles (F,) in degrees."""
    return euler_matrix(np.deg2rad(np.stack([angle, 0 * angle, 0 * angle], axis=1)), TWIST)


def about_y(angle: Array) -> Array:
    """(F, 3, 3) turns about Y by angles (F,) in degrees."""
    return euler_matrix(np.deg2rad(np.stack([0 * angle, angle, 0 * angle], axis=1)), TWIST)


def level(matrices: Array) -> Array:
    """(F, 3, 3) turns about Y by which +Z of the matrices points, seen from above."""
    return about_y(np.rad2deg(np.arctan2(matrices[:, 0, 2], matrices[:, 2, 2])))


def arm(base: Array, start: Array, wrist: Array, hand: Array, pole: Array) -> dict[str, dict[str, Array]]:
    """Angles of upper arm, forearm and hand: `base` (F, 3, 3) is the shoulder, `hand` how the hand points.

    The forearm takes the hand's turn about its own length, as bones do.
    """
    found = bend(start, wrist, pole, (UPPER_ARM, FOREARM), 1.0)
    swing = degrees(np.swapaxes(base, 1, 2) @ found.upper, SWING)
    rest = np.swapaxes(found.upper @ about_x(found.angle), 1, 2) @ hand
    wrist_angles = degrees(rest, TURN)  # Ry is the forearm's, Rx Rz are the hand's
    return {
        "upper_arm": _channels(swing),
        "forearm": {"rotation.x": found.angle, "rotation.y": wrist_angles[:, 1]},
        "hand": {"rotation.x": wrist_angles[:, 0], "rotation.z": wrist_angles[:, 2]},
    }


def leg(base: Array, start: Array, ankle: Sequence[float], heading: float) -> dict[str, dict[str, Array]]:
    """Angles of thigh, shin and foot for a foot that stays flat on its place; `base` is the hips."""
    count = len(start)
    foot = about_y(np.full(count, heading))
    pole = foot[:, :, 2]
    found = bend(start, np.tile(np.array(ankle), (count, 1)), pole, (THIGH, SHIN), -1.0)
    swing = degrees(np.swapaxes(base, 1, 2) @ found.upper, SWING)
    flat = degrees(np.swapaxes(found.upper @ about_x(found.angle), 1, 2) @ foot, SWING)
    return {"thigh": _channels(swing), "shin": {"rotation.x": found.angle}, "foot": _channels(flat)}


def aim(base: Array, start: Array, target: Array) -> dict[str, Array]:
    """Angles that turn +Z from start towards target (F, 3); `base` is the parent."""
    x, y, z = np.moveaxis(np.einsum("nji,nj->ni", base, target - start), 1, 0)
    return {
        "rotation.x": np.rad2deg(-np.arctan2(y, np.hypot(x, z))),
        "rotation.y": np.rad2deg(np.arctan2(x, z)),
    }


def wrist_of(grip: Array, hand: Array) -> Array:
    """(F, 3): the wrist of a hand that holds on at `grip`."""
    place: Array = grip - hand @ np.array(GRIP)
    return place


def _channels(angles: Array) -> dict[str, Array]:
    return {f"rotation.{axis}": angles[:, i] for i, axis in enumerate("xyz")}

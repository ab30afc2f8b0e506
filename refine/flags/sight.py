"""Where an eye or a head looks, where a gaze wants it to, and the fixations between its darts.

The axis of an eye runs from its pivot to its tip, or along its own -Z, as a camera looks, where it has none. A head
that looks does so along the axis of the eyes it carries; without eyes along its tip, unless the tip is the crown.
The target of a gaze is a point, or the pivot of a control. The error is atan2(|g x d|, g . d) of the axis g and the
direction d to the target; the vergence of two eyes atan2((g1 x g2) . n, g1 . g2), n being normal to the line from
eye 1 to eye 2 and to their gaze, positive where they converge, whichever of them is the left one.

Darts are faster than 40 deg/s relative to the target [judge: a dart of 5 deg over two frames at 24 fps moves at
60 deg/s, a drift that a viewer takes for a steady look below 10]. What lies between two darts is a fixation; small
darts belong to it, and a quick look away and back isn't one.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from refine.flags.stage import Stage, runs
from refine.pose import Point
from refine.rotation import quaternion_matrix
from refine.shot import ROTATIONS, Array, Control, Gaze

EYES = ("eye", "eyes")
DART = 40.0  # deg/s [judge]
FIXATION = (
    0.2  # s: a look lasts no less; 0.2 to 0.3 s is the usual fixation in reading and scene viewing [mem]
)
DART = 40.0  # deg/s [judge]
FIXATION = (
    0.2  # s: a look lasts no less; 0.2 to 0.3 s is the usual fixation in reading and scene viewing [mem]
)
AWAY = 0.5  # s: looks away and back are shorter [judge]
SMALL_DART = 5.0  # deg [judge]
AVERTED = 10.0  # deg: between two fixations a longer look as far off is meant [judge]
UPRIGHT = (
    0.7  # share of a tip's length that rises along the up axis, from which it is a crown, not a nose [judge]
)


def axis(stage: Stage, name: str) -> Array | None:
    """(3,) the direction in which a control looks, in its own space; None where nothing says it."""
    control = stage.control(name)
    if control.part not in EYES:
        carried = (c for c in stage.shot.controls if c.parent == name and c.part in EYES)
        eye = next(carried, None)
        if eye is not None:
            return np.asarray(quaternion_matrix(np.array(eye.rest_rotation)) @ _eye_axis(eye))
        if control.tip is not None:
            towards = np.array(control.tip) - np.array(control.pivot)
            up = towards[1 if stage.shot.up == "y" else 2]
            return None if abs(up) > UPRIGHT * np.linalg.norm(towards) else towards
    return _eye_axis(control)


def _eye_axis(control: Control) -> Array:
    towards = np.array(control.tip or control.pivot) - np.array(control.pivot)
    return towards if towards.any() else np.array([0.0, 0.0, -1.0])


def looking(stage: Stage, name: str) -> Array | None:
    """(N, 3) unit directions in the world in which a control looks."""
    own = axis(stage, name)
    return None if own is None else unit(stage.posed.linear[stage.control_at[name]] @ own)


def wanted(stage: Stage, gaze: Gaze, control: str) -> Array:
    """(N, 3) unit directions from a control to the target of a gaze."""
    if gaze.target is not None:
        place = stage.world(Point(gaze.target, stage.control(gaze.target).pivot))
    else:
        place = np.broadcast_to(np.array(gaze.point), (len(stage.frames), 3))
    return unit(place - stage.world(Point(control, stage.control(control).pivot)))


def unit(vectors: Array) -> Array:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12))


def degrees(sine: Array, cosine: Array) -> Array:
    return np.asarray(np.rad2deg(np.arctan2(sine, cosine)))


def errors(g: Array, d: Array) -> Array:
    """(N, 3) rotation vectors in degrees that would bring g to d."""
    cross = np.cross(g, d)
    angle = degrees(np.linalg.norm(cross, axis=1), np.sum(g * d, axis=1))
    return unit(cross) * angle[:, None]


def fixations(error: Array, fps: float) -> list[tuple[int, int, Array]]:
    """First and last position of each fixation and its median error (3,): darts up to 5 deg are part of it."""
    speed = np.linalg.norm(np.diff(error, axis=0), axis=1) * fps
    slow = np.concatenate([[True], speed < DART]) & np.concatenate([speed < DART, [True]])
    found: list[tuple[int, int, Array]] = []
    for a, b in runs(slow):
        middle = np.median(error[a : b + 1], axis=0)
        if found and np.linalg.norm(middle - found[-1][2]) < SMALL_DART:
            start = found[-1][0]
            found[-1] = start, b, np.median(error[start : b + 1][slow[start : b + 1]], axis=0)
        elif b - a + 1 >= max(2.0, (AWAY if found and b < len(error) - 1 else FIXATION) * fps):
            found.append((a, b, middle))
    lasting = [each for each in found if each[1] - each[0] + 1 >= FIXATION * fps]
    averted = [
        0 < i < len(lasting) - 1 and np.linalg.norm(m) > AVERTED for i, (_, _, m) in enumerate(lasting)
    ]
    return [each for each, away in zip(lasting, averted, strict=True) if not away]


def key_frames(stage: Stage, name: str, where: tuple[int, int]) -> tuple[float, ...]:
    """The frames within a range on which a control's rotations have keys."""
    frames = [
        channel.keys.frames
        for channel in stage.control(name).channels
        if channel.keys and turns(channel.name)
    ]
    every = np.unique(np.concatenate(frames)) if frames else np.zeros(0)
    return tuple(every[(every >= where[0]) & (every <= where[1])].tolist())


def turns(channel: str) -> bool:
    return channel in ROTATIONS


def common(stage: Stage, one: str, other: str) -> Iterator[tuple[Gaze, NDArray[np.bool_]]]:
    """Gazes that tell both eyes where to look: each eye's own, or that of the head that carries them."""
    for gaze in stage.shot.gazes:
        if gaze.control in (one, other, stage.control(one).parent):
            yield gaze, (stage.frames >= gaze.frames[0]) & (stage.frames <= gaze.frames[1])

"""A limb of two bones moved in closed form, all frames at once: knee by the law of cosines, hip by the shortest turn.

With bones u (hip to knee) and v (knee to ankle), turned by d about the bend's axis n, hip and ankle are apart by

    |u + R(n, d) v|^2 = |u|^2 + |v|^2 + 2 ((u.n)(v.n) + A cos d + B sin d),  A = u.v - (u.n)(v.n),  B = u.(n x v)

which gives d; of the two solutions the one on today's side. The axis is the bend's own, so that the knee stays in its
plane; of a knee that hardly bends, the one it usually bends about. The end keeps how it is turned in the world.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from refine.limbs.limb import Limb
from refine.pose import Point, frame_of, pose, world_point
from refine.rig import positions
from refine.rotation import EULER_ORDERS, cross_matrix, euler_matrix, matrix_quaternion
from refine.shot import AXES, QUATERNION, ROTATIONS, SCALES, Array, Control, Shot

NEARLY = 0.2  # rad of bend that no move goes below: two even bones are then 0.995 of their length apart
BENT = 0.17  # sine of the bend under which the usual axis has a say: 10 degrees
LOOKS = 256  # frames from which the usual axis is taken
LOCKED = 1e-7  # cosine of the middle angle under which only the sum of the outer two is known
TINY = 1e-12


@dataclass(frozen=True, eq=False)
class Solved:
    """A limb on N frames before and after: places (N, 3) of knee and ankle, and the new samples of its channels.

    `samples` holds (N, D) by control and channel, in the channels' own units.
    """

    knee: tuple[Array, Array]
    ankle: tuple[Array, Array]
    samples: dict[tuple[str, str], Array]


@dataclass(frozen=True, eq=False)
class Places:
    """Where a limb's joints are in the world, (N, 3) each, and the linear parts (N, 3, 3) of its three controls."""

    hip: Array
    knee: Array
    ankle: Array
    linear: tuple[Array, Array, Array]
    frames_in: tuple[Array, Array, Array]  # (N, 3, 3) that the controls' rotations are written in


# --- which limbs -------------------------------------------------------------------------------------------


def closed(shot: Shot, limb: Limb) -> bool:
    """Whether the closed form applies: baked rotations, three each (one is enough for a hinge), and no scale."""
    upper, lower, end = (shot.control(name) for name in limb.chain)
    if lower.parent != upper.name or end.parent != lower.name:
        return False
    if not (
        _turns_freely(upper) and _turns_freely(end) and (_turns_freely(lower) or hinge(lower) is not None)
    ):
        return False
    above: Control | None = end
    while above is not None:
        if any(above.channel(name) is not None for name in SCALES):
            return False
        above = None if above.parent is None else shot.control(above.parent)
    return True


def _angles(control: Control) -> list[str]:
    return [channel.name for channel in control.channels if channel.name in ROTATIONS and channel.baked]


def _turns_freely(control: Control) -> bool:
    quaternion = control.channel(QUATERNION)
    if quaternion is not None:
        return quaternion.baked
    return len(_angles(control)) == 3 and control.order in EULER_ORDERS


def hinge(control: Control) -> int | None:
    """The axis of a control that turns about one only."""
    names = [channel.name for channel in control.channels if channel.name in (*ROTATIONS, QUATERNION)]
    return ROTATIONS.index(names[0]) if len(names) == 1 and names == _angles(control) else None


def carrying(shot: Shot, names: tuple[str, ...]) -> Shot:
    """The shot with only these controls and what carries them: what their pose takes."""
    at, wanted = positions(shot), set[str]()
    for name in names:
        above: str | None = name
        while above is not None and above not in wanted:
            wanted.add(above)
            above = shot.controls[at[above]].parent
    return replace(shot, controls=tuple(c for c in shot.controls if c.name in wanted), cameras=())


# --- the closed form ---------------------------------------------------------------------------------------


def places(shot: Shot, limb: Limb, frames: Array) -> Places:
    """The limb's joints on frames (N,). `shot` need only hold the limb and what carries it."""
    posed = pose(shot, frames)
    controls = [shot.control(name) for name in limb.chain]
    hip, knee, ankle = (world_point(posed, shot, Point(c.name, c.pivot)) for c in controls)
    upper, lower, end = (posed.linear[shot.index(c.name)] for c in controls)
    inside = [frame_of(shot, posed, c) for c in controls]
    return Places(hip, knee, ankle, (upper, lower, end), (inside[0], inside[1], inside[2]))


def usual_axis(shot: Shot, limb: Limb) -> Array:
    """(3,) the axis in the upper control's space about which the limb usually bends; strong bends count more."""
    step = max(len(shot.frames) // LOOKS, 1)
    at = places(carrying(shot, limb.chain), limb, shot.frames[::step])
    bends = _local(at.linear[0], _sine(at.knee - at.hip, at.ankle - at.knee))
    mean = bends.mean(axis=0)
    return np.asarray(mean / max(float(np.linalg.norm(mean)), TINY))


def stretch_left(hip: Array, knee: Array, ankle: Array, by: Array) -> Array:
    """(N,) the share, 0 to 1, of how much farther from the hip shifts (N, 3) take the ankle that a limb may stretch.

    It may up to a bend of NEARLY, or stay as straight as it is.
    """
    u, v, today = knee - hip, ankle - knee, _length(ankle - hip)
    more = _length(ankle + by - hip) - today
    longest = np.sqrt(_dot(u, u) + _dot(v, v) + 2 * _length(u) * _length(v) * np.cos(NEARLY))
    share = np.maximum(longest - today, 0.0) / np.where(more > 0, more, 1.0)
    return np.asarray(np.where(more > TINY * today, np.minimum(share, 1.0), 1.0))


def solved(shot: Shot, limb: Limb, frames: Array, by: Array, stretch: Array, usual: Array) -> Solved:
    """The limb with its ankle moved by (N, 3) on frames (N,), of which its length takes the shares `stretch` (N,).

    `shot` need only hold the limb and what carries it; `closed` must hold for it.
    """
    at = places(shot, limb, frames)
    controls = [shot.control(name) for name in limb.chain]
    u, v, goal = at.knee - at.hip, at.ankle - at.knee, at.ankle + by - at.hip
    today = _length(at.ankle - at.hip)
    apart = today + stretch * (_length(goal) - today)
    about = hinge(controls[1])
    axis, known = at.frames_in[1][:, :, about or 0], at.linear[0] @ usual
    axis = _axis(u, v, known) if about is None else axis
    bend = bend_by(u, v, axis, apart, known)
    turn = axis_matrix(axis, bend)
    swing = shortest_turn(u + _apply(turn, v), goal)
    upper = swing @ at.linear[0]
    lower = swing @ turn @ at.linear[1]
    knee = at.hip + _apply(swing, u)
    ankle = knee + _apply(swing @ turn, v)
    samples: dict[tuple[str, str], Array] = {}
    _write(samples, shot, controls[0], frames, _back(at.frames_in[0]) @ upper)
    if about is None:
        _write(samples, shot, controls[1], frames, _back(swing @ at.frames_in[1]) @ lower)
    else:
        old = _old(shot, controls[1], ROTATIONS[about], frames)
        samples[limb.lower, ROTATIONS[about]] = old + np.rad2deg(bend)[:, None]
    inside = swing @ turn @ at.frames_in[2]
    _write(samples, shot, controls[2], frames, _back(inside) @ at.linear[2])
    return Solved((at.knee, knee), (at.ankle, ankle), samples)


def bend_by(u: Array, v: Array, axis: Array, distance: Array, usual: Array) -> Array:
    """(N,) radians by which the lower bone turns about the axes (N, 3) for hip and ankle to be that far apart.

    Of bones that can't be, the nearest they come; of a limb that is nearly straight, as near as its knee can follow
    without a pop. `usual` (N, 3) says which way it usually bends: a little beyond straight counts as less than none.
    """
    fixed = _dot(u, axis) * _dot(v, axis)
    a, b = _dot(u, v) - fixed, _dot(u, np.cross(axis, v))
    both, size = _dot(u, u) + _dot(v, v) + 2 * fixed, np.maximum(np.hypot(a, b), TINY)
    # A cos d + B sin d = H cos(d - p), so today's bend about the axis is -p.
    p = np.arctan2(b, a)
    side = np.where(np.where(np.abs(p) < BENT, _dot(axis, usual) < 0, p > 0), -1.0, 1.0)
    today = -p * side
    apart = np.sqrt(np.maximum(both + 2 * size * np.cos(p), 0.0))
    bend = _bend_of(_distance_of(today, both, size) + distance - apart, both, size)
    return np.asarray(side * (bend - today))


def _distance_of(bend: Array, both: Array, size: Array) -> Array:
    """(N,) the distance of hip and ankle at a bend; nearly straight, and beyond, what it would be on the line there.

    On the true curve the bend goes as the root of what is left to straight, and pops.
    """
    least = np.sqrt(both + 2 * size * np.cos(NEARLY))
    line = least + (NEARLY - bend) * size * np.sin(NEARLY) / least
    true = np.sqrt(np.maximum(both + 2 * size * np.cos(bend), 0.0))
    return np.asarray(np.where(bend < NEARLY, line, true))


def _bend_of(distance: Array, both: Array, size: Array) -> Array:
    """(N,) the bend at such a distance: undoes `_distance_of`."""
    least = np.sqrt(both + 2 * size * np.cos(NEARLY))
    line = NEARLY - (distance - least) * least / (size * np.sin(NEARLY))
    true = np.arccos(np.clip(0.5 * (np.square(np.maximum(distance, 0.0)) - both) / size, -1.0, 1.0))
    return np.asarray(np.where(distance > least, line, true))


def _axis(u: Array, v: Array, usual: Array) -> Array:
    """(N, 3) unit axes of the bend in the world; of a weak one turned to the usual axes (N, 3), sides as they are."""
    bend = _sine(u, v)
    size = _length(bend)
    weak = size < BENT
    if weak.any():
        same = np.where(_dot(bend[weak], usual[weak]) < 0, -1.0, 1.0)
        bend[weak] = same[:, None] * bend[weak] + (BENT - size[weak])[:, None] * usual[weak]
    return np.asarray(bend / np.maximum(_length(bend), TINY)[:, None])


def axis_matrix(axis: Array, angle: Array) -> Array:
    """(N, 3, 3) turns by angles (N,) in radians about unit axes (N, 3) (Rodrigues)."""
    k = cross_matrix(axis)
    s, c = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray(np.eye(3) + s * k + (1 - c) * (k @ k))


def shortest_turn(start: Array, end: Array) -> Array:
    """(N, 3, 3) the smallest turns that take directions (N, 3) to others, which mustn't be opposite."""
    a = start / np.maximum(_length(start), TINY)[:, None]
    b = end / np.maximum(_length(end), TINY)[:, None]
    k = cross_matrix(np.cross(a, b))
    return np.asarray(np.eye(3) + k + (k @ k) / (1.0 + _dot(a, b))[:, None, None])


# --- back into channels ------------------------------------------------------------------------------------


def _old(shot: Shot, control: Control, name: str, frames: Array) -> Array:
    channel = control.channel(name)
    assert channel is not None
    assert channel.samples is not None
    rows: Array = channel.samples[frames.astype(np.intp) - shot.first_frame]
    return rows


def _write(
    samples: dict[tuple[str, str], Array], shot: Shot, control: Control, frames: Array, turn: Array
) -> None:
    """Adds the samples of a control's own rotations (N, 3, 3), written nearest to the old ones."""
    if control.channel(QUATERNION) is not None:
        old = _old(shot, control, QUATERNION, frames)
        new = matrix_quaternion(turn)
        samples[control.name, QUATERNION] = new * np.where(_dot(new, old) < 0, -1.0, 1.0)[:, None]
        return
    old = np.concatenate([_old(shot, control, name, frames) for name in ROTATIONS], axis=1)
    angles = np.rad2deg(angles_near(turn, control.order, np.deg2rad(old)))
    for axis, name in enumerate(ROTATIONS):
        samples[control.name, name] = angles[:, axis : axis + 1]


def angles_near(matrices: Array, order: str, near: Array) -> Array:
    """(N, 3) angles about x, y, z in radians of rotations (N, 3, 3), of all ways to write them the nearest to (N, 3).

    Frame by frame, so that frames don't depend on each other. See `formats.euler` for the formulas.
    """
    i, j, k = (AXES.index(axis) for axis in order)
    sign = 1.0 if (j - i) % 3 == 1 else -1.0
    cosine = np.hypot(matrices[:, i, i], matrices[:, i, j])
    a = np.arctan2(-sign * matrices[:, j, k], matrices[:, k, k])
    b = np.arctan2(sign * matrices[:, i, k], cosine)
    c = np.arctan2(-sign * matrices[:, i, j], matrices[:, i, i])
    locked = np.flatnonzero(cosine < LOCKED)
    if len(locked):
        c[locked] = near[locked, k]
        undo = np.zeros((len(locked), 3))
        undo[:, k] = -c[locked]
        rest = matrices[locked] @ euler_matrix(undo, order)
        a[locked] = np.arctan2(sign * rest[:, k, j], rest[:, j, j])
    old = near[:, (i, j, k)]
    one = _whole_turns(np.stack([a, b, c], axis=1), old)
    other = _whole_turns(np.stack([a + np.pi, np.pi - b, c + np.pi], axis=1), old)
    nearer = np.abs(one - old).sum(axis=1) <= np.abs(other - old).sum(axis=1)
    angles = np.empty_like(one)
    angles[:, (i, j, k)] = np.where(nearer[:, None], one, other)
    return angles


def _whole_turns(angles: Array, near: Array) -> Array:
    return np.asarray(angles - 2 * np.pi * np.round((angles - near) / (2 * np.pi)))


# --- rows of vectors ---------------------------------------------------------------------------------------


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("ni,ni->n", a, b))


def _length(a: Array) -> Array:
    return np.sqrt(_dot(a, a))


def _apply(matrices: Array, vectors: Array) -> Array:
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def _back(matrices: Array) -> Array:
    return np.swapaxes(matrices, 1, 2)


def _local(linear: Array, vectors: Array) -> Array:
    return _apply(_back(linear), vectors)


def _sine(u: Array, v: Array) -> Array:
    """(N, 3) the bend's axis, as long as its sine."""
    return np.asarray(np.cross(u, v) / np.maximum(_length(u) * _length(v), TINY)[:, None])

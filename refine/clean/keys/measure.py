"""What an error of a channel does at the joints' ends: the forms it is fitted by, and the exact measure of the result.

To first order an error e of a control's channels turns all it carries by A e about its pivot and shifts it by F e. A
point at r from the pivot then moves by (A e) x r, which summed over points is a quadratic form in e. The form used
has that shape (a twist along the bone counts little) and the size of the farthest point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.clean.keys.fit import triangle
from refine.clean.keys.limits import Indices
from refine.clean.settings import Amount
from refine.curve import sample
from refine.limbs.limb import limbs, metres_per_unit
from refine.measure import marked_points
from refine.pose import Pose, frame_of, local, pose, world_point
from refine.rig import descendants, parent_order, positions
from refine.rotation import euler_axes, quaternion_axes
from refine.shot import QUATERNION, ROTATIONS, SCALES, TRANSLATIONS, Array, Channel, Control, Shot
from refine.view import View, depth, project, screen_jacobian, visible
from refine.view import view as view_of

# [judge] all.
LEAST_ARM = (
    0.05  # m: a turn counts as if it carried a point this far, or all that has no end could turn freely
)
LEAST_SHARE = 0.1  # of the farthest point's distance: the same along a bone
LEAST_DEPTH = 0.2  # of what a px is across the line of sight: how much it counts along it
NEAREST = 0.5  # m: what nobody sees counts as if it stood in the image, at least so far away
NUMBER = 2e-3  # of its range: how exact a channel stays that moves nothing
LOOKS = 32  # frames on which the figure is looked at


@dataclass(frozen=True, eq=False)
class Measure:
    """A shot on some of its frames with its pose there, and the unit in which differences to it are measured."""

    shot: Shot  # whose first frame is the pose's
    posed: Pose
    first_frame: int  # of the whole shot
    unit: str  # mm, px, deg
    per_unit: float  # mm a shot unit
    view: View | None  # on the frames of the pose
    places: tuple[tuple[Array, ...], ...]  # (N, 3) by control of its marked points

    def at(self, rows: Indices) -> Measure:
        """Only on these of its frames."""
        posed = Pose(self.posed.frames[rows], self.posed.linear[:, rows], self.posed.origin[:, rows])
        seen = None if self.view is None else seen_at(self.view, rows)
        places = tuple(tuple(place[rows] for place in own) for own in self.places)
        return replace(self, posed=posed, view=seen, places=places)


def millimetres(shot: Shot) -> float:
    """mm a shot unit: by the file, else by the leg of the figure, taken for an adult's."""
    frames = shot.frames
    few = frames[:: max(len(frames) // LOOKS, 1)]
    return 1000.0 * metres_per_unit(shot, limbs(shot, pose(shot, few)))[0]


def measured(
    shot: Shot, part: tuple[int, int], within: Amount, view: View | None, per_unit: float
) -> Measure:
    """The frames of a shot from position part[0] to part[1], both included, ready to be measured against.

    Pixels without a view are those of the shot's first camera, else of its front.
    """
    a, b = part
    whole = (a, b) == (0, shot.last_frame - shot.first_frame)
    cut = shot if whole else _part(shot, a, b)
    posed = pose(cut, cut.frames)
    if view is not None:
        view = seen_at(view, np.arange(a, b + 1))
    elif within.unit == "px":
        view = view_of(shot, posed)
    return Measure(cut, posed, shot.first_frame, within.unit, per_unit, view, _places(cut, posed))


def seen_at(view: View, rows: Indices) -> View:
    """The view on these of its frames."""
    return replace(view, axes=view.axes[rows], place=view.place[rows], focal=view.focal[rows])


def _places(shot: Shot, posed: Pose) -> tuple[tuple[Array, ...], ...]:
    return tuple(
        tuple(world_point(posed, shot, point) for point in marked_points(control))
        for control in shot.controls
    )


def _part(shot: Shot, a: int, b: int) -> Shot:
    controls = []
    for control in shot.controls:
        channels = (
            channel if channel.samples is None else replace(channel, samples=channel.samples[a : b + 1])
            for channel in control.channels
        )
        controls.append(replace(control, channels=tuple(channels)))
    first, last = shot.first_frame + a, shot.first_frame + b
    return replace(shot, first_frame=first, last_frame=last, controls=tuple(controls))


# --- forms -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Carried:
    """Points p that each control carries, from its pivot and summed, and how far the farthest is from there (C,).

    From the world's origin, squares of a figure far away would leave no digits for its size.
    """

    count: Array  # (C,)
    first: Array  # (C, N, 3) sum of p
    second: Array  # (C, N, 3, 3) sum of p p'
    farthest: Array  # (C,)


def carried(m: Measure) -> Carried:
    """The marked points of all controls, summed from the tips to the root."""
    shot, frames = m.shot, len(m.posed.frames)
    at, size = positions(shot), len(shot.controls)
    count, first, second = np.zeros(size), np.zeros((size, frames, 3)), np.zeros((size, frames, 3, 3))
    for i in reversed(parent_order(shot)):
        control = shot.controls[i]
        pivot = m.places[i][0]
        for place in m.places[i]:
            off = place - pivot
            count[i] += 1
            first[i] += off
            second[i] += off[:, :, None] * off[:, None, :]
        if control.parent is not None:
            up = at[control.parent]
            by = pivot - m.places[up][0]
            cross = by[:, :, None] * first[i][:, None, :]
            count[up] += count[i]
            first[up] += first[i] + count[i] * by
            second[up] += second[i] + cross + np.swapaxes(cross, 1, 2)
            second[up] += count[i] * by[:, :, None] * by[:, None, :]
    return Carried(count, first, second, _farthest(m))


def _farthest(m: Measure) -> Array:
    """(C,) the distance from each pivot to the farthest point carried, on a few frames."""
    shot, at = m.shot, positions(m.shot)
    step = max(len(m.posed.frames) // LOOKS, 1)
    places = [[place[::step] for place in own] for own in m.places]
    far = np.zeros(len(shot.controls))
    for i, control in enumerate(shot.controls):
        below = [i, *(at[name] for name in descendants(shot, control.name))]
        points = np.stack([place for j in below for place in places[j]])
        far[i] = np.sqrt(np.max(np.sum((points - places[i][0]) ** 2, axis=-1)))
    return far


def form(m: Measure, sums: Carried, i: int, channels: Sequence[Channel], within: float) -> Array:
    """(N, D (D + 1) / 2) upper triangles of the form of a control's channels, D being their components."""
    control = m.shot.controls[i]
    frame = frame_of(m.shot, m.posed, control)
    turned = _turn_axes(control, m.shot, m.posed.frames)
    world = _world_form(m, sums, i)
    turn = _turn_form(m, sums, i, world)
    columns: list[tuple[str, Array]] = []
    for channel in channels:
        if channel.name in TRANSLATIONS:
            columns.append(("place", frame[:, :, TRANSLATIONS.index(channel.name)]))
        elif channel.name in turned:
            columns += [("turn", (frame @ axis[:, :, None])[:, :, 0]) for axis in turned[channel.name]]
        else:
            columns.append((channel.name, _number(m, sums, i, channel, world, within)))
    return _gram(columns, {"place": world, "turn": turn})


def _gram(columns: list[tuple[str, Array]], forms: dict[str, Array]) -> Array:
    """(N, D (D + 1) / 2): kinds that mean the same share a form; a number (N,) stands alone."""
    pulled = [(forms[kind] @ c[:, :, None])[:, :, 0] if kind in forms else c for kind, c in columns]
    rows = []
    for a, b in triangle(len(columns)):
        kind, column = columns[a]
        if kind in forms and columns[b][0] == kind:
            rows.append(np.einsum("nk,nk->n", column, pulled[b]))
        else:
            rows.append(column if a == b else np.zeros(len(columns[0][1])))
    return np.stack(rows, axis=1)


def _turn_axes(control: Control, shot: Shot, frames: Array) -> dict[str, list[Array]]:
    """Axes (N, 3) in the rest frame, radians per unit of the channel, of each rotation channel's components."""
    quaternion = control.channel(QUATERNION)
    if quaternion is not None:
        return {QUATERNION: list(quaternion_axes(sample(quaternion, shot, frames)))}
    angles = np.zeros((len(frames), 3))
    found = [(axis, channel) for axis, name in enumerate(ROTATIONS) if (channel := control.channel(name))]
    for axis, channel in found:
        angles[:, axis] = np.deg2rad(sample(channel, shot, frames)[:, 0])
    axes = np.deg2rad(euler_axes(angles, control.order))
    return {channel.name: [axes[axis]] for axis, channel in found}


def _arm(m: Measure, sums: Carried, i: int) -> float:
    """The distance in shot units at which a turn of the control is seen."""
    return max(float(sums.farthest[i]), 1000.0 * LEAST_ARM / m.per_unit)


def _world_form(m: Measure, sums: Carried, i: int) -> Array:
    """(N, 3, 3): square of the size of a displacement of what the control carries."""
    eye = np.eye(3)
    if m.unit == "mm":
        return np.broadcast_to(m.per_unit**2 * eye, (len(m.posed.frames), 3, 3))
    if m.unit == "deg":  # a place is kept as well as a turn would keep the farthest point
        return np.broadcast_to(np.rad2deg(1.0 / _arm(m, sums, i)) ** 2 * eye, (len(m.posed.frames), 3, 3))
    assert m.view is not None
    middle = m.places[i][0] + sums.first[i] / sums.count[i]
    away = seen_distance(m, middle)
    scale = m.view.focal.max(axis=1) / away
    by_place = screen_jacobian(m.view, middle)
    seen = np.swapaxes(by_place, 1, 2) @ by_place
    whole = (scale**2)[:, None, None] * eye
    shown = visible(m.view, middle)[:, None, None]
    return np.asarray(np.where(shown, seen + LEAST_DEPTH**2 * whole, whole))


def seen_distance(m: Measure, places: Array) -> Array:
    """(..., N) how far in front of the camera a place counts as standing, in shot units."""
    assert m.view is not None
    least = 1000.0 * NEAREST / m.per_unit
    straight = np.linalg.norm(places - m.view.place, axis=-1)
    ahead = np.maximum(depth(m.view, places), m.view.near)
    return np.asarray(np.where(visible(m.view, places), ahead, np.maximum(straight, least)))


def _turn_form(m: Measure, sums: Carried, i: int, world: Array) -> Array:
    """(N, 3, 3): square of the size of a small turn (radians, in the world) of what the control carries.

    Of (w x r)' V (w x r) summed over points with S = sum r r' there is w' F w with
    F = (tr V tr S - tr V S) 1 - tr S V - tr V S + V S + S V. It is scaled so that the farthest point has its size.
    """
    if m.unit == "deg":
        return np.broadcast_to(np.asarray(np.rad2deg(1.0) ** 2 * np.eye(3)), world.shape)
    spread = sums.second[i]
    trace = np.einsum("nii->n", spread)
    far = float(sums.farthest[i])
    if far > 0:
        spread = spread * (far**2 / max(float(trace.mean()), 1e-12 * far**2))
    least = max(1000.0 * LEAST_ARM / m.per_unit, LEAST_SHARE * far)
    spread = spread + 0.5 * least**2 * np.eye(3)
    product = world @ spread
    tv, ts = np.einsum("nii->n", world), np.einsum("nii->n", spread)
    both = tv * ts - np.einsum("nii->n", product)
    turned: Array = (
        both[:, None, None] * np.eye(3)
        - ts[:, None, None] * world
        - tv[:, None, None] * spread
        + product
        + np.swapaxes(product, 1, 2)
    )
    return turned


def _number(m: Measure, sums: Carried, i: int, channel: Channel, world: Array, within: float) -> Array:
    """(N,) form of a channel by itself: a scale by the farthest point, what moves nothing by its own range."""
    assert channel.samples is not None
    if channel.name in SCALES and m.unit != "deg":
        return np.asarray(_arm(m, sums, i) ** 2 * np.einsum("nii->n", world))
    span = float(np.ptp(channel.samples))
    return np.full(len(world), (within / (NUMBER * span)) ** 2 if span > 0 else 1.0)


# --- the exact measure -------------------------------------------------------------------------------------


def deviations(m: Measure, shot: Shot) -> tuple[Array, list[int], list[bool]]:
    """(P, N) how far each joint's end of the shot is from the measure's, in its unit, and whose each is.

    mm and px: the pivot and the tip of each control, in the world or on screen; a pivot isn't moved by its own
    control's rotation (True for those). deg: the angle between the two rotations of each control in its parent.
    """
    if m.unit == "deg":
        frames = m.posed.frames
        off = [
            _angle(local(old, m.shot, frames)[0], local(new, shot, frames)[0])
            for old, new in zip(m.shot.controls, shot.controls, strict=True)
        ]
        return np.stack(off), list(range(len(off))), [False] * len(off)
    found = _places(shot, pose(shot, m.posed.frames))
    off, owners, pivots = [], [], []
    for i, (old, new) in enumerate(zip(m.places, found, strict=True)):
        for k in range(len(old)):
            off.append(_apart(m, old[k], new[k]))
            owners.append(i)
            pivots.append(k == 0)
    return np.stack(off), owners, pivots


def _apart(m: Measure, old: Array, new: Array) -> Array:
    """(N,) between two places; on screen where either is seen, else as if it were."""
    straight = np.linalg.norm(new - old, axis=-1)
    if m.unit == "mm":
        return np.asarray(straight * m.per_unit)
    assert m.view is not None
    seen = visible(m.view, old) | visible(m.view, new)
    on_screen = np.linalg.norm(project(m.view, new) - project(m.view, old), axis=-1)
    unseen = straight * m.view.focal.max(axis=1) / seen_distance(m, old)
    return np.asarray(np.where(seen, on_screen, unseen))


def _angle(old: Array, new: Array) -> Array:
    """(N,) degrees between rotations (N, 3, 3), scale left out; exact also near 0, where the cosine isn't."""
    lengths = [np.linalg.norm(each, axis=1, keepdims=True) for each in (old, new)]
    a, b = (each / np.where(size > 0, size, 1.0) for each, size in zip((old, new), lengths, strict=True))
    half = np.linalg.norm((a - b).reshape(len(a), -1), axis=1) / np.sqrt(8.0)
    return np.asarray(np.rad2deg(2.0 * np.arcsin(np.minimum(half, 1.0))))

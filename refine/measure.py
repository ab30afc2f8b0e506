"""What a change does, measured as the audience sees it: pixels through the shot's camera."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from refine.pose import Point, Pose, driven, jacobian, world_point
from refine.rig import descendants
from refine.shot import Array, Control, Shot
from refine.view import View, project, screen_jacobian, visible

FARTHER = 2.0  # times that a carried point must move farther than the control's own to be watched instead


@dataclass(frozen=True, slots=True)
class Move:
    """The largest displacement of one control's points: px at a frame, at its tip or its pivot."""

    pixels: float
    control: str
    frame: float
    tip: bool = False

    @property
    def where(self) -> str:
        """The point in words."""
        return point_name(self.control, self.tip)


@dataclass(frozen=True, slots=True)
class Wobble:
    """How unevenly a point travels, all in px.

    arc and timing: the largest fourth difference of the path over 6, across the path and along it. Zero for cubics,
    2.7 d for a zigzag of +-d from frame to frame. spacing: how much the point speeds up and slows down in all, the
    sum of |s[i + 1] - s[i]| over its spacings s. Zero for constant speed, twice the peak for an ease.

    None of them says by itself what is a fault: a sound move has its own (see DEVELOPERS.md, measured). They say
    what a change does.
    """

    arc: float
    timing: float
    spacing: float


def marked_points(control: Control) -> tuple[Point, ...]:
    """The pivot of a control and its tip."""
    pivot = Point(control.name, control.pivot)
    return (pivot,) if control.tip is None else (pivot, Point(control.name, control.tip))


def is_tip(shot: Shot, point: Point) -> bool:
    return point.local != shot.control(point.control).pivot


def point_name(control: str, tip: bool) -> str:
    """What a marked point is called wherever it is spoken of."""
    return f"tip of {control}" if tip else control


def carried(shot: Shot, control: str) -> list[Point]:
    """Marked points of a control and of all that it carries."""
    names = (control, *descendants(shot, control))
    return [point for name in names for point in marked_points(shot.control(name))]


def displacement(shot: Shot, view: View, before: Pose, after: Pose, point: Point) -> Array:
    """(N,) px that a point moves on screen between two poses; 0 where nobody sees it, before or after."""
    old, new = world_point(before, shot, point), world_point(after, shot, point)
    apart = np.linalg.norm(project(view, new) - project(view, old), axis=-1)
    return np.where(visible(view, old) | visible(view, new), apart, 0.0)


def largest_moves(shot: Shot, view: View, before: Pose, after: Pose, names: Iterable[str]) -> list[Move]:
    """The largest displacement on screen of each named control, largest first; what nobody sees counts as 0."""
    moves = []
    for name in names:
        best = Move(0.0, name, float(before.frames[0]))
        for point in marked_points(shot.control(name)):
            apart = displacement(shot, view, before, after, point)
            k = int(np.argmax(apart))
            if apart[k] > best.pixels:
                best = Move(float(apart[k]), name, float(before.frames[k]), is_tip(shot, point))
        moves.append(best)
    return sorted(moves, key=lambda move: -move.pixels)


def watched(
    shot: Shot, view: View, before: Pose, after: Pose, control: str, channels: Iterable[str]
) -> Point | None:
    """Where a change of these channels shows: the point that they drive and that moves most.

    The control's own points come first, since their path is its doing alone; one that it carries is taken where
    it moves several times as far, as a hand by the turn of a chest. None where nothing moves.
    """

    def farthest(points: Iterable[Point]) -> tuple[Point | None, float]:
        moves = [(point, float(displacement(shot, view, before, after, point).max())) for point in points]
        return max(moves, key=lambda pair: pair[1], default=(None, 0.0))

    own = list(dict.fromkeys(point for name in channels for point in driven(shot, control, name)))
    best, most = farthest(own or marked_points(shot.control(control)))
    other, farther = farthest(carried(shot, control))
    if farther == 0:
        return None
    return other if farther > FARTHER * most else best


def most_moved(shot: Shot, pose: Pose, view: View, control: str, channel: str) -> tuple[Point | None, float]:
    """The point that a channel moves most on screen, and by how many px a unit at most, on the pose's frames.

    A twist of the arm shows at the fingers, not at the elbow. None and 0 where nothing moves.
    """
    points = carried(shot, control)
    by_value = jacobian(shot, pose, control, channel, points)
    found, most = None, 0.0
    for point, derivative in zip(points, by_value, strict=True):
        if derivative.any():
            on_screen = screen_jacobian(view, world_point(pose, shot, point)) @ derivative
            size = float(np.linalg.norm(on_screen, axis=1).max())
            if size > most:
                found, most = point, size
    return found, most


def wobble(path: Array) -> Wobble:
    """Wobble of a path (N, 2) in px; a path of fewer than five frames has none."""
    if len(path) < 5:
        return Wobble(0.0, 0.0, 0.0)
    residual = np.diff(path, 4, axis=0) / 6
    chord = path[3:-1] - path[1:-3]
    length = np.linalg.norm(chord, axis=1)
    tangent = chord / np.maximum(length, 1e-9)[:, None]
    along = np.abs(np.sum(residual * tangent, axis=1))
    across = np.sqrt(np.maximum(np.sum(residual**2, axis=1) - along**2, 0.0))
    spacing = np.linalg.norm(np.diff(path, axis=0), axis=1)
    return Wobble(float(across.max()), float(along.max()), float(np.abs(np.diff(spacing)).sum()))


def unevenness(shot: Shot, pose: Pose, view: View, points: Iterable[Point]) -> Wobble:
    """The worst wobble of any of the points."""
    every = [wobble(project(view, world_point(pose, shot, point))) for point in points] or [Wobble(0, 0, 0)]
    return _worst(every)


MOVED = 0.01  # px
BESIDE = 3  # frames beside what moved that the differences reach


def worst_where_moved(
    rig: Shot, view: View, before: tuple[Pose, Shot], after: tuple[Pose, Shot], points: Iterable[Point]
) -> tuple[Wobble, Wobble]:
    """The worst wobble of any of the points before and after, each on the frames where it moved."""
    old, new = [Wobble(0, 0, 0)], [Wobble(0, 0, 0)]
    for point in points:
        at = np.flatnonzero(displacement(rig, view, before[0], after[0], point) > MOVED)
        if len(at):
            part = slice(max(int(at[0]) - BESIDE, 0), int(at[-1]) + BESIDE + 1)
            old.append(wobble(project(view, world_point(before[0], before[1], point))[part]))
            new.append(wobble(project(view, world_point(after[0], after[1], point))[part]))
    return _worst(old), _worst(new)


def _worst(every: list[Wobble]) -> Wobble:
    return Wobble(max(w.arc for w in every), max(w.timing for w in every), max(w.spacing for w in every))

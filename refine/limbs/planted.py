"""Where the body stands: points that stay in place for a while, by the artist's contact marks or by their motion.

A point of a foot is planted from where it is nearer than 3 cm to its lowest usual height and slower than
0.05 sqrt(g L) until it is faster than 0.13 sqrt(g L) or higher than 5 cm, at least 100 ms; L is the leg's length.
Its anchor is where it stands longest and stillest: the median place, slow frames counting more.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.limbs.limb import GRAVITY, Limb, end_points
from refine.measure import marked_points
from refine.pose import Point, Pose, world_point
from refine.rig import carriers, descendants
from refine.shot import Array, Mark, Shot

# [judge] all: heights over the point's own level in m, speeds in sqrt(g L), shortest contact in s.
ENTER_HEIGHT, LEAVE_HEIGHT = 0.03, 0.05
ENTER_SPEED, LEAVE_SPEED = 0.05, 0.13
SHORTEST = 0.1
LEVEL = 20.0  # percentile of the heights of slow frames that is the point's own level: steps up are rarer
SLOWEST = 25.0  # percentile of a contact's speeds that is as slow as counts
STILL = 1e-3  # of a contact's greatest speed: slower is standing
CLEARLY = 2.0  # [judge] times as still
SWINGS = 10.0  # [judge] times as still a held thing's point is in the hand, from which it swings there
TIE = 1e-3  # weight of the worst frame against the usual one
LIFTED = 0.005  # [judge] m by which a point's height over the planted one changes, from which it has left the ground
RESTS = 0.005  # [judge] m from its place, within which a point of a planted foot usually is where it rests as well
OVERLAP = 0.5  # share of its frames that a point shares with a slower one, from which it only rolls with it


@dataclass(frozen=True, eq=False)
class Planted:
    """A point that stays at `anchor` (k, 3) on the whole frames `frames` (k,), in the world.

    `marked` says that the artist's contact mark says so. `control` is the foot, hand or prop it belongs to, and
    `relative` another control that carries it along (a moving floor), None for the world. `path` (k, 3) is where
    the point really is.
    """

    point: Point
    frames: Array
    anchor: Array
    path: Array
    control: str
    marked: bool
    limb: Limb | None = None
    relative: str | None = None

    def within(self, first: float, last: float) -> Planted:
        """The contact on the frames from `first` to `last` only."""
        own = (self.frames >= first) & (self.frames <= last)
        return replace(self, frames=self.frames[own], anchor=self.anchor[own], path=self.path[own])

    def core(self, margin: int) -> slice:
        """The frames without `margin` at each end, where a contact begins and ends; all where none would be left."""
        inner = slice(margin, len(self.frames) - margin)
        return inner if len(self.frames) > 2 * margin else slice(None)


def runs(inside: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last position of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def speed(path: Array, fps: float) -> Array:
    """(N,) units a second of a path (N, 3), by central differences."""
    if len(path) < 2:
        return np.zeros(len(path))
    return np.asarray(np.linalg.norm(np.gradient(path, axis=0), axis=1) * fps)


def standing(path: Array, up: int, fps: float, leg: float, scale: float) -> NDArray[np.bool_]:
    """(N,) frames on which a point of a foot is planted by its motion; leg in metres, scale in metres a unit."""
    fast = speed(path, fps) * scale / np.sqrt(GRAVITY * leg)
    slow = fast < ENTER_SPEED
    if not slow.any():
        return np.asarray(slow, np.bool_)
    height = path[:, up] * scale
    height = height - np.percentile(height[slow], LEVEL)
    enter = slow & (height < ENTER_HEIGHT)
    keep = (fast < LEAVE_SPEED) & (height < LEAVE_HEIGHT)
    found = np.zeros(len(path), np.bool_)
    for a, b in runs(keep):
        first = a + int(np.argmax(enter[a : b + 1]))
        if enter[first] and (b - first + 1) / fps >= SHORTEST:
            found[first : b + 1] = True
    return found


def found_contacts(shot: Shot, posed: Pose, legs: list[Limb], scale: float) -> Iterator[Planted]:
    """Planted points of the feet by their motion."""
    up = "xyz".index(shot.up)
    for limb in legs:
        spans = []
        for point in limb.points:
            path = world_point(posed, shot, point)
            fast = speed(path, shot.fps)
            inside = standing(path, up, shot.fps, limb.length * scale, scale)
            spans += [(float(fast[a : b + 1].mean()), a, b, point, path) for a, b in runs(inside)]
        yield from _slowest(posed, limb, spans)


def _slowest(posed: Pose, limb: Limb, spans: list[tuple[float, int, int, Point, Array]]) -> Iterator[Planted]:
    """Of points that are planted together the slowest: the others roll about it."""
    taken, count = np.empty((2, len(spans)), np.intp), 0
    for _, a, b, point, path in sorted(spans, key=lambda span: span[0]):
        first, last = taken[:, :count]
        shared = np.max(np.minimum(b, last) - np.maximum(a, first) + 1, initial=0)
        if shared < OVERLAP * (b - a + 1):
            taken[:, count] = a, b
            count += 1
            yield _planted(point, posed.frames[a : b + 1], path[a : b + 1], limb.end, False, limb)


def resting_with(shot: Shot, posed: Pose, planted: Planted, scale: float) -> Iterator[Planted]:
    """The other points of a planted foot that rest meanwhile, on the frames where they do; none of what is carried.

    A foot that stands flat stands with heel and toe. A heel that has risen is no longer where it rests. `posed` are the
    contact's frames, scale metres a unit.
    """
    limb, up = planted.limb, "xyz".index(shot.up)
    if limb is None or limb.kind != "leg" or planted.relative is not None:
        return
    for point in limb.points:
        if point == planted.point:
            continue
        path = world_point(posed, shot, point)
        over = path[:, up] - planted.path[:, up]
        down = np.abs(over - np.median(over)) * scale < LIFTED
        if 2 * np.count_nonzero(down) < len(down):
            continue
        own = _planted(point, planted.frames[down], path[down], planted.control, planted.marked, limb)
        if float(np.median(np.linalg.norm(own.path - own.anchor, axis=1))) * scale < RESTS:
            yield own


def _planted(
    point: Point, frames: Array, path: Array, control: str, marked: bool, limb: Limb | None
) -> Planted:
    anchor = np.broadcast_to(_resting_place(path), path.shape)
    return Planted(point, frames, anchor, path, control, marked, limb)


def _resting_place(path: Array) -> Array:
    """(3,) the median of each coordinate of a path (k, 3), slow frames counting more than fast ones."""
    fast = speed(path, 1.0)
    least = max(float(np.percentile(fast, SLOWEST)), STILL * float(fast.max()))
    if least == 0:
        return np.asarray(path[0])
    weight = np.square(least / np.maximum(fast, least))
    order = np.argsort(path, axis=0)
    share = np.cumsum(weight[order], axis=0)
    at = np.argmax(share >= 0.5 * share[-1], axis=0)
    return np.array([path[order[at[axis], axis], axis] for axis in range(3)])


# --- marked ------------------------------------------------------------------------------------------------


def marked_contacts(shot: Shot, posed: Pose, limbs: tuple[Limb, ...]) -> Iterator[Planted]:
    """Planted points by the artist's contact marks: of each control named the slowest point, against what it
    stays with.

    A mark without controls doesn't say what touches, so nothing follows from it. One that names feet or hands and
    something else says what they hold.
    """
    by_end = {limb.end: limb for limb in limbs}
    known = {control.name for control in shot.controls}
    for mark in shot.marks:
        if mark.kind != "contact":
            continue
        at = np.flatnonzero((posed.frames >= mark.frames[0]) & (posed.frames <= mark.frames[1]))
        limb_ends = [name for name in mark.controls if name in by_end]
        for name in limb_ends or mark.controls:
            if len(at) >= 2 and name in known:
                others, held = _others(shot, mark, name, by_end), _held(shot, mark, name, by_end)
                yield _steadiest(shot, posed, name, by_end.get(name), at, others, held)


def _others(shot: Shot, mark: Mark, name: str, by_end: dict[str, Limb]) -> list[str]:
    """What a control may be in contact with besides the world: links either way, props that the mark names, and the
    hand that carries it."""
    own = shot.control(name)
    linked = [link.to for link in own.links]
    linked += [other for other in carriers(shot, name) if other in by_end]
    linked += [c.name for c in shot.controls if any(link.to == name for link in c.links)]
    linked += [other for other in mark.controls if other not in by_end]
    carried = {name, *descendants(shot, name)}
    names = {control.name for control in shot.controls} - carried
    return [other for other in dict.fromkeys(linked) if other in names]


def _held(shot: Shot, mark: Mark, name: str, by_end: dict[str, Limb]) -> list[str]:
    """What a hand may hold by a contact mark: the props that it names."""
    if name not in by_end or by_end[name].kind != "arm":
        return []
    known = {control.name for control in shot.controls} - {name, *carriers(shot, name)}
    return [other for other in dict.fromkeys(mark.controls) if other in known and other not in by_end]


def _steadiest(
    shot: Shot,
    posed: Pose,
    name: str,
    limb: Limb | None,
    at: NDArray[np.intp],
    others: list[str],
    held: list[str],
) -> Planted:
    """The point of a control that stays in place through most of a contact, and against what it does.

    It is the control's own pivot in the world, unless another point, or going along with something, is clearly
    stiller. What a hand holds may swing in it: then a point of that stays in the hand. What it carries can't be left by
    it, but only leave it. What a fault makes of some frames has hardly a say.
    """
    control, carried = shot.control(name), {name, *descendants(shot, name)}
    tried: list[tuple[float, Planted]] = []
    for n, point in enumerate(end_points(shot, name) if limb is not None else marked_points(control)):
        own = _planted(point, posed.frames[at], world_point(posed, shot, point)[at], name, True, limb)
        along = [_relative(shot, posed, own, other, at) for other in others]
        by = 1.0 if n == 0 else CLEARLY
        tried += [(by, own), *((by * CLEARLY, each) for each in along)]
    if held and not others and carried.issuperset(held):
        tried = []
    for other in held:
        for point in marked_points(shot.control(other)):
            own = _planted(point, posed.frames[at], world_point(posed, shot, point)[at], other, True, None)
            tried.append((SWINGS, _relative(shot, posed, own, name, at)))
    return min(tried, key=lambda each: each[0] * _drift(each[1]))[1]


def _drift(planted: Planted) -> float:
    away = np.linalg.norm(planted.path - planted.anchor, axis=1)
    return float(np.median(away) + TIE * away.max())


def _relative(shot: Shot, posed: Pose, planted: Planted, other: str, at: NDArray[np.intp]) -> Planted:
    """The same point against a control that may carry it along."""
    i = shot.index(other)
    linear, origin = posed.linear[i][at], posed.origin[i][at]
    local = (np.linalg.pinv(linear) @ (planted.path - origin)[..., None])[..., 0]
    anchor = (linear @ np.median(local, axis=0)) + origin
    return replace(planted, anchor=anchor, relative=other)

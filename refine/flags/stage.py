"""What all findings share: the shot posed on every frame, its points on screen, and what exempts them.

Points are the pivot and the tip of each control. A point counts on frames where it is in the image and the control
it belongs to is at least 12 px large there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, wraps
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample
from refine.flags.thresholds import Thresholds
from refine.habit import HabitBook, moving
from refine.held import Locks
from refine.measure import marked_points, most_moved
from refine.pose import Point, Pose, pose, reposed, world_point
from refine.rig import children, descendants, solve_order
from refine.shot import Array, Channel, Control, Shot, frozen
from refine.view import View, depth, project, view, visible

T = TypeVar("T")

SMALL = 12.0  # px under which a control is too small to look at [judge]
_ATTENTION = {"head": 1.0, "eyes": 1.0, "face": 1.0, "hand": 0.7, "foot": 1.0}  # [judge] others 0.4


@dataclass(frozen=True, eq=False)
class Stage:
    """A shot ready to be looked at: on `frames`, whole ones, at the controls in `order`.

    `asked` are the first and last frame in question. What is usual is told by the frames beside them too, so that a
    finding is as large and as serious as in the whole shot.
    """

    shot: Shot
    frames: Array
    thresholds: Thresholds
    camera: str | None
    order: tuple[str, ...]
    asked: tuple[int, int]

    @cached_property
    def posed(self) -> Pose:
        return pose(self.shot, self.frames)

    @cached_property
    def view(self) -> View:
        return view(self.shot, self.posed, self.camera)

    @cached_property
    def range(self) -> tuple[int, int]:
        return int(self.frames[0]), int(self.frames[-1])

    @cached_property
    def book(self) -> HabitBook:
        """The habit of the whole shot: faults are few, so it is learnt with them."""
        return HabitBook(self.shot, self.range)

    def after(self, shot: Shot) -> Stage:
        """The stage of the shot with some of its channels, pins or marks changed: only what moved is posed again.

        Where the shot has no camera it is measured from the same place.
        """
        pairs = zip(self.shot.controls, shot.controls, strict=True)
        changed = [new.name for old, new in pairs if old is not new]
        found = replace(self, shot=shot)
        found.__dict__.update(
            posed=reposed(self.posed, shot, changed) if changed else self.posed,
            book=self.book.after(shot),
            control_at=self.control_at,
            _children=self._children,
        )
        if not shot.cameras:
            found.__dict__["view"] = self.view
        moved = {name for each in changed for name in (each, *descendants(shot, each))}
        if not any(camera.control.parent in moved for camera in shot.cameras):
            still = {name for name in self.control_at if moved.isdisjoint((name, *descendants(shot, name)))}
            found._most.update({place: most for place, most in self._most.items() if place[0] in still})
        return found

    def most_moved(self, name: str, channel: str) -> tuple[Point | None, float]:
        """The point that a channel moves most on screen, and by how many px a unit at most."""
        place = name, channel
        if place not in self._most:
            self._most[place] = most_moved(self.shot, self.posed, self.view, name, channel)
        return self._most[place]

    @cached_property
    def _most(self) -> dict[tuple[str, str], tuple[Point | None, float]]:
        return {}

    @cached_property
    def recorded(self) -> Stage:
        """The stage as a recording, however it is kept: channels whose keys were fitted to a motion as samples.

        A fit breaks its third derivative at every key and keeps the motion's own roughness: what is usual in it is told
        by the motion, as of samples, and not by what an artist's curves do.
        """
        if not self.book.shot_habit.fitted:
            return self

        def channel(old: Channel) -> Channel:
            if not moving(old):
                return old
            return replace(old, keys=None, samples=frozen(sample(old, self.shot, self.shot.frames)))

        controls = [replace(c, channels=tuple(map(channel, c.channels))) for c in self.shot.controls]
        found = replace(self, shot=replace(self.shot, controls=tuple(controls)))
        found.__dict__.update(posed=self.posed, view=self.view)  # on whole frames it is the same
        return found

    @cached_property
    def locks(self) -> Locks:
        return Locks(self.shot, self.shot.pins, self.range)

    @cached_property
    def control_at(self) -> dict[str, int]:
        return {control.name: i for i, control in enumerate(self.shot.controls)}

    def control(self, name: str) -> Control:
        return self.shot.controls[self.control_at[name]]

    def points(self, name: str) -> tuple[Point, ...]:
        """Pivot and tip of a control."""
        return marked_points(self.control(name))

    def world(self, point: Point) -> Array:
        """(N, 3) path of a point in the world, shot units."""
        return world_point(self.posed, self.shot, point)

    def screen(self, point: Point) -> Array:
        """(N, 2) path of a point on screen, px."""
        return project(self.view, self.world(point))

    def counts(self, point: Point) -> NDArray[np.bool_]:
        """(N,) frames on which a point is in the image and its control large enough to be looked at."""
        return visible(self.view, self.world(point)) & (self.size(point.control) >= SMALL)

    def size(self, name: str) -> Array:
        """(N,) extent of a control on screen, px: from its pivot to its tip and its children's pivots.

        As if it were turned square to the camera: a hand that points at the audience isn't small.
        """
        if name not in self._sizes:
            own = self.control(name)
            ends = [Point(child, self.control(child).pivot) for child in self._children.get(name, ())]
            ends += [Point(name, own.tip)] if own.tip is not None else []
            if not ends and own.parent is not None:  # an end without a tip is as large as what it hangs on
                ends = [Point(own.parent, self.control(own.parent).pivot)]
            start = self.world(Point(name, own.pivot))
            apart = [np.linalg.norm(self.world(end) - start, axis=1) for end in ends]
            by_unit = self.view.focal[:, 1] / np.maximum(depth(self.view, start), self.view.near)
            self._sizes[name] = (
                by_unit * np.max(apart, axis=0) if apart else np.full(len(self.frames), np.inf)
            )
        return self._sizes[name]

    @cached_property
    def _sizes(self) -> dict[str, Array]:
        return {}

    @cached_property
    def _children(self) -> dict[str | None, tuple[str, ...]]:
        return children(self.shot)

    def attention(self, name: str) -> float:
        """How closely viewers look at a control's part: faces and contacts 1, hands 0.7, the rest 0.4 [judge]."""
        return _ATTENTION.get(self.control(name).part or "", 0.4)

    def marked(self, name: str, *kinds: str, around: int = 0) -> NDArray[np.bool_]:
        """(N,) frames within marks of these kinds that concern a control, and `around` frames beside them."""
        inside = np.zeros(len(self.frames), np.bool_)
        for mark in self.shot.marks:
            if mark.kind in kinds and (not mark.controls or name in mark.controls):
                inside |= (self.frames >= mark.frames[0] - around) & (self.frames <= mark.frames[1] + around)
        return inside

    def edges(self, name: str, *kinds: str, around: int = 1) -> NDArray[np.bool_]:
        """(N,) frames within `around` of the ends of such marks: where motion may break."""
        near = np.zeros(len(self.frames), np.bool_)
        for mark in self.shot.marks:
            if mark.kind in kinds and (not mark.controls or name in mark.controls):
                for end in mark.frames:
                    near |= np.abs(self.frames - end) <= around
        return near

    def meant(self, fault: str, control: str, frames: tuple[int, int]) -> bool:
        """Whether the animator has said of this finding: I meant that. A note that names no fault is about all."""
        return any(
            mark.kind == "meant"
            and (mark.note == fault or mark.note not in self.thresholds)
            and (not mark.controls or control in mark.controls)
            and mark.frames[0] <= frames[1]
            and frames[0] <= mark.frames[1]
            for mark in self.shot.marks
        )


def kept(found: Callable[[Stage], T]) -> Callable[[Stage], T]:
    """A function of a stage that is asked once: its answer stays as long as the stage does.

    What one answer names, another knows, whatever other stages were asked meanwhile.
    """

    @wraps(found)
    def answer(stage: Stage) -> T:
        known = stage.__dict__.setdefault("_kept", {})
        if found not in known:
            known[found] = found(stage)
        return cast(T, known[found])

    return answer


def runs(inside: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last position of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def in_order(shot: Shot, controls: Sequence[str]) -> tuple[str, ...]:
    """The controls to look at, root outward; all of them where none is named."""
    return tuple(name for group in solve_order(shot) for name in group if not controls or name in controls)

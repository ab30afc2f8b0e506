"""How far planted points go from where they stand, and when: what a slide is measured by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.flags.excerpt import excerpt
from refine.flags.stage import Stage, runs
from refine.flags.standing import MM, floor, margin, planted_lows, resting, standing
from refine.limbs.planted import Planted
from refine.pose import pose, world_point
from refine.shot import Array, Shot
from refine.view import project

SLIDING = "sliding contact"
APART = 0.5  # [judge] s between two slides of one contact that have causes of their own


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """How far a planted point goes from its anchor: mm and px at the worst, and where it is beyond the warning.

    Of `contact` it has the frames about that slide, as of the `beside` that rest with it. On the frames `whole` it is
    farther from its anchor than it usually is when it doesn't slide.
    """

    contact: Planted
    mm: float
    px: float
    frames: tuple[int, int]
    whole: tuple[int, int]
    beside: tuple[Planted, ...] = ()

    @property
    def points(self) -> tuple[Planted, ...]:
        return self.contact, *self.beside


def went(shot: Shot, point: Planted, places: Array) -> float:
    """How far a planted point is from `places` (k, 3) in a shot at the worst, shot units."""
    path = world_point(pose(shot, point.frames), shot, point.point)
    return float(np.linalg.norm(path - places, axis=1).max(initial=0.0))


def drifts(stage: Stage, contact: Planted) -> list[Drift]:
    """The drift of a contact over its core frames on screen, a stretch at a time; none where it isn't seen.

    A found contact is measured along the ground: a heel that rises is leaving, it doesn't slide. So is one whose
    anchor is below the floor, which is another fault. A marked foot slides by the point that rests of it and goes
    farthest.
    """
    core = contact.core(margin(stage))
    frames, beside = contact.frames[core], resting(stage)[contact]
    at = (frames - stage.frames[0]).astype(np.intp)
    near = excerpt(stage, int(at[0]), int(at[-1]))
    flat = not contact.marked or _sunk(stage, contact)
    seen = [_seen(stage, near, each.within(*frames[[0, -1]]), flat) for each in (contact, *beside)]
    if not seen[0].on_screen.any():
        return []
    off, mm, px = _farthest(frames, seen if contact.marked else seen[:1])
    found, apart = [], round(APART * stage.shot.fps)
    limit = stage.thresholds[SLIDING]["warn_mm"]
    for first, last in _stretches(mm > limit, int(np.argmax(mm)), apart):
        own, where = slice(first, last + 1), (int(frames[first]), int(frames[last]))
        a, b = _unusual(off, limit, first, last)
        about = where[0] - apart, where[1] + apart
        parts = tuple(part for point in beside if len((part := point.within(*about)).frames))
        most = float(mm[own].max()), float(px[own].max())
        whole = int(frames[a]), int(frames[b])
        found.append(Drift(contact.within(*about), *most, where, whole, parts))
    return found


def _farthest(frames: Array, seen: Sequence[_Seen]) -> Array:
    """(3, k): mm, those that the camera sees, and px of the point that is farthest on each frame."""
    found = np.zeros((3, len(frames)))
    for each in seen:
        at = np.searchsorted(frames, each.frames)
        own = each.mm, np.where(each.on_screen, each.mm, 0.0), np.where(each.on_screen, each.px, 0.0)
        found[:, at] = np.maximum(found[:, at], own)
    return found


def _unusual(off: Array, limit: float, first: int, last: int) -> tuple[int, int]:
    """First and last position of a slide with all beside it that is farther off than what doesn't slide usually is."""
    sound = off[off <= limit]
    beyond = off > (float(np.median(sound)) if len(sound) else 0.0)
    spans = [(first, last), *(span for span in runs(beyond) if span[0] <= last and first <= span[1])]
    return min(a for a, _ in spans), max(b for _, b in spans)


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """How far a point is from its anchor on each of its frames (k,), in mm and px, and where the camera sees it."""

    frames: Array
    mm: Array
    px: Array
    on_screen: NDArray[np.bool_]


def _seen(stage: Stage, near: Stage, point: Planted, flat: bool) -> _Seen:
    """How far a point is from its anchor, by an excerpt of the stage with all of its frames."""
    away = point.path - point.anchor
    if flat:
        away[:, "xyz".index(stage.shot.up)] = 0.0
    at = (point.frames - near.frames[0]).astype(np.intp)
    seen = near.counts(point.point)[at]
    mm = np.linalg.norm(away, axis=1) * standing(stage).scale * MM
    places = (_on_screen(near, each, at) for each in (point.anchor, point.anchor + away))
    px = np.linalg.norm(np.subtract(*places), axis=1)
    return _Seen(point.frames, mm, px, seen)


def _stretches(beyond: NDArray[np.bool_], worst: int, apart: int) -> list[tuple[int, int]]:
    """First and last position of each slide of a contact; its worst frame where none is beyond the warning."""
    joined: list[tuple[int, int]] = []
    for a, b in runs(beyond):
        if joined and a - joined[-1][1] <= apart:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined or [(worst, worst)]


def _sunk(stage: Stage, contact: Planted) -> bool:
    if contact.limb is None or contact.limb.kind != "leg" or contact.relative is not None:
        return False
    depth = floor(stage).height - planted_lows(stage)[contact]
    return depth * standing(stage).scale * MM > stage.thresholds["through floor"].warn


def _on_screen(stage: Stage, places: Array, at: Array) -> Array:
    """(k, 2) px of places (k, 3) at positions `at` among the stage's frames."""
    every = np.zeros((len(stage.frames), 3))
    every[at] = places
    return np.asarray(project(stage.view, every)[at])

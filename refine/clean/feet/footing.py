"""Where feet stand in a long baked clip, and by how much each must be moved to stay there.

A point that stands keeps still in the core of its contact. How far the foot is moved follows from that: the move's
speed is minus the point's, weighted by a window that rises and falls smoothly, so that the foot comes to rest and sets
off as it did. Between contacts the move goes over from one to the next, or to nothing, as a minimum-jerk move does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.limbs.limb import GRAVITY, Limb, end_points
from refine.limbs.planted import ENTER_SPEED, Planted, found_contacts, marked_contacts, speed
from refine.limbs.planting import minimum_jerk
from refine.limbs.two_bones import carrying
from refine.pose import Point, Pose, pose, world_point
from refine.shot import Array, Control, Shot

BLEND = 0.25  # [judge] s over which a move dies away outside contacts
BLOCK = 8192  # frames posed at once
SAME_PLACE, SAME_TIME = 0.02, 0.2  # m and s: contacts of one point nearer than that are one
RAMP = 0.03  # [judge] s in which a point comes to rest or sets off
OUTSIDE = 0.05  # [judge] s beside a contact in which what frees it of noise dies away
SHORT = 0.04  # [judge] s: half of the least time in which one contact goes over to the next
GIVE_WAY = 0.08  # [judge] s in which the slide of a marked contact goes over into the step beside it
RISE = 0.02  # [judge] m: a found contact's height isn't corrected by much more, for the point may roll
ROLLS = 0.020  # m that a found contact may stray as it lands and leaves: feet roll [judge]
STANDS = 0.010  # m that it may stray while it stands: less than the catalogue flags [judge]
# m that a found contact must creep to be sliding: twice what may be left of a slide. Slides of 21 mm are seen (Prazak &
# O'Sullivan 2011 [pub]), but feet of captures that are said to stand creep by up to 35 [judge, on three open clips].
CREEPS = 0.040
LANDS = 0.2  # s of a contact in which it still lands, or leaves already [judge]
CALM, CALM_HEIGHT = 0.0015, 0.005  # m: a point that stays that near to its anchor stands


# --- paths -------------------------------------------------------------------------------------------------


def paths(shot: Shot, points: Iterable[Point], frames: Array) -> dict[Point, Array]:
    """(N, 3) of points in the world on frames (N,), posed block by block and only what carries them."""
    wanted = tuple(dict.fromkeys(points))
    part = carrying(shot, tuple(dict.fromkeys(point.control for point in wanted)))
    found = {point: np.empty((len(frames), 3)) for point in wanted}
    for start in range(0, len(frames) if wanted else 0, BLOCK):
        posed = pose(part, frames[start : start + BLOCK])
        for point, path in found.items():
            path[start : start + BLOCK] = world_point(posed, part, point)
    return found


# --- contacts ----------------------------------------------------------------------------------------------


def marked(shot: Shot, limbs: tuple[Limb, ...]) -> Iterator[Planted]:
    """The contacts that marks say, each posed on its own frames."""
    known = {control.name for control in shot.controls}
    for mark in shot.marks:
        names = [name for name in mark.controls if name in known]
        a, b = max(np.ceil(mark.frames[0]), shot.first_frame), min(np.floor(mark.frames[1]), shot.last_frame)
        if mark.kind == "contact" and names and b > a:
            part = replace(carrying(shot, tuple(_touching(shot, names))), marks=(mark,))
            yield from marked_contacts(part, pose(part, np.arange(a, b + 1.0)), limbs)


def _touching(shot: Shot, names: Sequence[str]) -> Iterator[str]:
    """Some controls, what they carry, and what is linked with them."""
    for name in names:
        yield name
        yield from (point.control for point in end_points(shot, name))
        yield from (link.to for link in shot.control(name).links if link.to != name)
        yield from (
            control.name for control in shot.controls if any(link.to == name for link in control.links)
        )


def found(shot: Shot, legs: Sequence[Limb], scale: float, known: dict[Point, Array]) -> Iterator[Planted]:
    """The contacts that `found_contacts` sees in the points' paths, those of one point nearly in one place made one."""
    for limb in legs:
        names = [str(i) for i in range(len(limb.points))]
        # Paths are all it takes, and a whole clip's pose is large: each point stands in as a control of its own.
        stand_ins = tuple(Control(name) for name in names)
        here = replace(limb, points=tuple(Point(name, (0.0, 0.0, 0.0)) for name in names))
        places = np.stack([known[point] for point in limb.points])
        still = np.broadcast_to(np.eye(3), (*places.shape[:2], 3, 3))
        contacts = found_contacts(
            replace(shot, controls=stand_ins), Pose(shot.frames, still, places), [here], scale
        )
        real = [replace(each, point=limb.points[int(each.point.control)], limb=limb) for each in contacts]
        yield from _joined(shot, real, scale, known)


def _joined(shot: Shot, contacts: list[Planted], scale: float, known: dict[Point, Array]) -> list[Planted]:
    """Found contacts of one foot, in time; one after which the point is soon in its place again, as one with the next.

    Where a foot stands flat the next may be another point's: then the first point must stay through it as well.
    """
    done: list[Planted] = []
    for each in sorted(contacts, key=lambda contact: contact.frames[0]):
        last = done[-1] if done else None
        if last is not None and 0 < each.frames[0] - last.frames[-1] < SAME_TIME * shot.fps:
            second = _seen_at(shot, last.point, each, known)
            if np.linalg.norm(second.path - last.anchor[0], axis=1).max() * scale < SAME_PLACE:
                done[-1] = _one(shot, last, second, known[last.point])
                continue
        done.append(each)
    return done


def _seen_at(shot: Shot, point: Point, contact: Planted, known: dict[Point, Array]) -> Planted:
    """A contact as a point of the foot goes through it; its own point counts as where it stands."""
    if point == contact.point:
        return replace(contact, path=contact.anchor)
    path = known[point][(contact.frames - shot.first_frame).astype(np.intp)]
    return replace(
        contact, point=point, path=path, anchor=np.broadcast_to(np.median(path, axis=0), path.shape)
    )


def _one(shot: Shot, first: Planted, second: Planted, path: Array) -> Planted:
    frames = np.arange(first.frames[0], second.frames[-1] + 1)
    anchor = max(first, second, key=lambda contact: len(contact.frames)).anchor[0]
    along = path[(frames - shot.first_frame).astype(np.intp)]
    return replace(first, frames=frames, path=along, anchor=np.broadcast_to(anchor, along.shape))


# --- how far a foot must be moved --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Footing:
    """A contact on positions `span` and the moves (k, 3) that it asks for from position `start` on, level beyond.

    The point is still from position `core[0]` to `core[1]`. `needed` is the longest move in it against its slide, shot
    units; `calm` (k, 3) the moves that only free it of noise.
    """

    contact: Planted
    span: tuple[int, int]
    start: int
    by: Array
    calm: Array
    core: tuple[int, int]
    needed: float

    @property
    def slides(self) -> bool:
        """Whether it asks for more than to be freed of noise."""
        return not np.array_equal(self.by, self.calm)

    def less(self) -> Footing:
        """The contact asking to be freed of noise alone."""
        return replace(self, by=self.calm)

    def at(self, positions: Array) -> Array:
        """(n, 3) moves on positions (n,)."""
        moves: Array = self.by[np.clip(positions - self.start, 0, len(self.by) - 1).astype(np.intp)]
        return moves


@dataclass(frozen=True, slots=True)
class _Window:
    """Positions on which a point comes to rest, first to second, and sets off again, third to last."""

    rest: tuple[int, int]
    off: tuple[int, int]

    def share(self, count: int) -> Array:
        """(count,) how far the point is at rest, 0 to 1."""
        t = np.arange(float(count))
        up, down = max(self.rest[1] - self.rest[0], 1), max(self.off[1] - self.off[0], 1)
        return minimum_jerk((t - self.rest[1] + up) / up) * minimum_jerk((self.off[0] + down - t) / down)

    def undone(self, away: Array) -> Array:
        """(k, 3) moves against a way (k, 3): by all of it in the middle, as fast as it goes while the point rests."""
        share, middle = self.share(len(away)), (self.rest[1] + self.off[0]) // 2
        steps = -np.diff(away, axis=0) * (0.5 * (share[1:] + share[:-1]))[:, None]
        moves = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
        return np.asarray(moves - moves[middle] - away[middle])


def footing(shot: Shot, contact: Planted, scale: float, noise: Array | None = None) -> Footing:
    """What a contact asks for; `noise` (N, 3) is what the way of its point has of it, on all frames."""
    first = int(contact.frames[0]) - shot.first_frame
    span = first, first + len(contact.frames) - 1
    start, calm = first, np.zeros((len(contact.frames), 3))
    if contact.marked:
        away, window = _by_mark(shot, contact)
        first -= window.rest[1]
        start, calm = first, np.zeros_like(away)
    elif noise is None:
        away, window = _by_motion(shot, contact, scale)
    else:
        freed = replace(contact, path=contact.path - noise[span[0] : span[1] + 1])
        away, window = _by_motion(shot, freed, scale)
        away = _slide(away, window, shot, scale)
        start, calm = _freed(noise, span, max(round(OUTSIDE * shot.fps), 1))
    rest = away[window.rest[1] : window.off[0] + 1]
    moves = np.zeros_like(away) if _calm(rest * scale, shot, contact.marked) else window.undone(away)
    before = first - start
    moves = np.pad(moves, ((before, len(calm) - len(moves) - before), (0, 0)), mode="edge")
    core = first + window.rest[1], first + window.off[0]
    return Footing(contact, span, start, calm + moves, calm, core, float(np.linalg.norm(rest, axis=1).max()))


def _freed(noise: Array, span: tuple[int, int], reach: int) -> tuple[int, Array]:
    """First position and moves (k, 3) against the noise (N, 3) in a contact, gone `reach` frames outside of it."""
    a, b = max(span[0] - reach, 0), min(span[1] + reach, len(noise) - 1)
    t = np.arange(a, b + 1.0)
    share = minimum_jerk((t - span[0]) / reach + 1.0) * minimum_jerk((span[1] - t) / reach + 1.0)
    return a, -share[:, None] * noise[a : b + 1]


def _creep(away: Array, shot: Shot) -> float:
    """How far a way (k, 3) goes level at its usual velocity, the median of each coordinate's.

    A slide goes on and on; a foot that rocks comes back, one that shuffles stands before and after.
    """
    steps = np.diff(np.delete(away, "xyz".index(shot.up), axis=1), axis=0)
    return float(np.linalg.norm(np.median(steps, axis=0))) * len(steps) if len(steps) else 0.0


def _calm(away: Array, shot: Shot, marked: bool) -> bool:
    """Whether a point stands already, ways (k, 3) in m; the height of a found one is known less well."""
    if marked:
        return bool(np.linalg.norm(away, axis=1).max() < CALM)
    up = "xyz".index(shot.up)
    level = np.delete(away, up, axis=1)
    return bool(np.linalg.norm(level, axis=1).max() < CALM and np.abs(away[:, up]).max() < CALM_HEIGHT)


def _by_mark(shot: Shot, contact: Planted) -> tuple[Array, _Window]:
    """Way from the anchor, and window, of a contact that stands firm on all its frames.

    Beside them the way goes on as fast as it does at its ends, so that not the step itself is held back: by a line
    through as many frames as it goes on for, since one step is mostly noise.
    """
    ramp = max(round(GIVE_WAY * shot.fps), 1)
    away = contact.path - contact.anchor
    t = np.arange(1.0, ramp + 1)[:, None]
    first, last_step = _slope(away[: ramp + 1]), _slope(away[-ramp - 1 :])
    before, after = away[0] - t[::-1] * first, away[-1] + t * last_step
    last = len(away) + 2 * ramp - 1
    return np.concatenate([before, away, after]), _Window((0, ramp), (last - ramp, last))


def _slope(path: Array) -> Array:
    """(3,) steps a frame of the line nearest to a path (k, 3)."""
    t = np.arange(float(len(path))) - 0.5 * (len(path) - 1)
    return np.asarray(t @ path / (t @ t))


def _by_motion(shot: Shot, contact: Planted, scale: float) -> tuple[Array, _Window]:
    """Way from the anchor and window of a contact that was found: where it is slow, and its height only about."""
    assert contact.limb is not None
    away, up = contact.path - contact.anchor, "xyz".index(shot.up)
    away[:, up] /= (1.0 + (away[:, up] * scale / RISE) ** 4) ** 0.25
    slow = speed(contact.path, shot.fps) < ENTER_SPEED * np.sqrt(GRAVITY * contact.limb.length / scale)
    first, last = int(np.argmax(slow)), len(slow) - 1 - int(np.argmax(slow[::-1]))
    ramp = min(max(round(RAMP * shot.fps), 1), (last - first) // 4)
    return away, _Window((first, first + ramp), (last - ramp, last))


def _slide(away: Array, window: _Window, shot: Shot, scale: float) -> Array:
    """(k, 3) what of a found contact's way from its anchor is a slide: the share of it that goes beyond what feet do.

    A share, so that what is left is the same way, only shorter: looked at again it stands in the same place.
    """
    whole = slice(window.rest[0], window.off[1] + 1)
    if _creep(away[whole], shot) * scale < CREEPS:
        return np.zeros_like(away)
    to_end = np.minimum(np.arange(len(away)), np.arange(len(away))[::-1]) / shot.fps
    free = (ROLLS + (STANDS - ROLLS) * minimum_jerk(to_end / LANDS)) / scale
    beyond = float((np.linalg.norm(away, axis=1) / free)[whole].max())
    return np.asarray(away * (1.0 - 1.0 / max(beyond, 1.0)))


def moves_of(footings: Sequence[Footing], count: int, fps: float, fade: float = BLEND) -> Array:
    """(N, 3) moves of a foot that stands by some contacts."""
    moves = np.zeros((count, 3))
    chain = _in_turn(footings)
    for i, each in enumerate(chain):
        rise = _rise(chain[i - 1] if i else None, each, fps, fade)
        fall = _fall(each, chain[i + 1] if i + 1 < len(chain) else None, fps, fade)
        a, b = max(int(np.ceil(rise[0])), 0), min(int(np.floor(fall[1])), count - 1)
        t = np.arange(a, b + 1.0)
        weight = _share(t, rise) - _share(t, fall)
        moves[a : b + 1] += weight[:, None] * each.at(t)
    return moves


def _in_turn(footings: Sequence[Footing]) -> list[Footing]:
    """Contacts that begin and end one after the other; one that lies within another has no say."""
    chain: list[Footing] = []
    for each in sorted(footings, key=lambda f: (f.span[0], -f.span[1])):
        if not chain or each.span[1] > chain[-1].span[1]:
            chain.append(each)
    return chain


Ramp = tuple[float, float]  # first and last position on which a move comes or goes


def _rise(before: Footing | None, each: Footing, fps: float, fade: float) -> Ramp:
    alone = each.span[0] - max(fade * fps, 2.0), float(each.span[0])
    return alone if before is None else _over(before, each, fps, fade) or alone


def _fall(each: Footing, after: Footing | None, fps: float, fade: float) -> Ramp:
    alone = float(each.span[1]), each.span[1] + max(fade * fps, 2.0)
    return alone if after is None else _over(each, after, fps, fade) or alone


def _over(one: Footing, next_one: Footing, fps: float, fade: float) -> Ramp | None:
    """Where a foot goes over from one contact to the next; None where they are too far apart for that."""
    if next_one.span[0] - one.span[1] >= 2 * max(fade * fps, 2.0):
        return None
    a, b = sorted((float(one.span[1]), float(next_one.span[0])))
    middle, least = 0.5 * (a + b), max(SHORT * fps, 0.5)
    return min(a, middle - least), max(b, middle + least)


def _share(t: Array, ramp: Ramp) -> Array:
    return minimum_jerk((t - ramp[0]) / (ramp[1] - ramp[0]))

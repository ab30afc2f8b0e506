"""Putting planted points back where they stand, by the limb that carries them; the rest of the body stays.

The end of the limb is moved as a whole, keeping how it is turned in the world, unless other points of it rest as well:
then each of these goes back to its own place, as a foot that stands flat does with heel and toe. Outside the contact
the shift dies away as a minimum-jerk move does, so that the foot lands and leaves as smoothly as before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from refine.errors import NoSolution
from refine.held import Locks
from refine.limbs.chain import Goals, followed, turning
from refine.limbs.limb import Limb, extension, joints
from refine.limbs.placed import Stretch, placed
from refine.limbs.planted import Planted
from refine.pose import Point, Pose, pose, world_point
from refine.shot import Array, Channel, Shot

STRAIGHT = 0.99  # of a limb's length that a mend doesn't pass
BLEND = 0.15  # [judge] s over which a shift dies away outside a contact
CALM = 0.2  # [judge] of the tolerance: nearer than this to the anchor a frame needs no mending
BLENDED = 0.3  # weight of the frames outside the contact beside those inside


@dataclass(frozen=True, eq=False)
class Shift:
    """How far the end of a limb shall be moved on consecutive frames: (k, 3), with weights (k,).

    Points of it that have a place of their own move by `own` (k, 3) beside that.
    """

    frames: Array
    by: Array
    weight: Array
    own: Mapping[Point, Array] = field(default_factory=dict)


def minimum_jerk(t: Array) -> Array:
    """0 to 1 with no speed and acceleration at either end (Flash & Hogan 1985): 10 t^3 - 15 t^4 + 6 t^5."""
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t**3 * (10 - 15 * t + 6 * t**2))


def shift_of(
    shot: Shot, frames: Array, by: Array, tolerance: float, own: Mapping[Point, Array] | None = None
) -> Shift | None:
    """The shift of a contact's frames (k,) by (k, 3), on those that need one and as they die away beside them.

    Inside the contact each frame has its own; beside it the shift of its first or last frame dies away. None where no
    frame is farther off than the tolerance's calm share. Points move by `own` (k, 3) beside that.
    """
    own = own or {}
    every = np.stack([by, *(by + more for more in own.values())])
    off = np.flatnonzero(np.linalg.norm(every, axis=2).max(axis=0) > CALM * tolerance)
    if not len(off):
        return None
    fade = faded_over(shot)
    a, b = float(frames[off[0]]), float(frames[off[-1]])
    whole = np.arange(max(a - fade, shot.first_frame), min(b + fade, shot.last_frame) + 1.0)
    rest = minimum_jerk(1.0 - np.abs(whole - np.clip(whole, a, b)) / fade)[:, None]
    at = np.clip((whole - frames[0]).astype(np.intp), 0, len(by) - 1)
    planted = (whole >= frames[0]) & (whole <= frames[-1])
    weight = np.where(planted, 1.0, BLENDED)
    return Shift(whole, by[at] * rest, weight, {point: more[at] * rest for point, more in own.items()})


def faded_over(shot: Shot) -> int:
    """Frames over which a shift dies away."""
    return max(round(BLEND * shot.fps), 2)


def shifted(
    shot: Shot,
    limb: Limb | None,
    control: str,
    shift: Shift,
    locks: Locks,
    eps: float,
    beside: bool = False,
) -> Shot | None:
    """The shot with the end of a limb (or a control on its own) moved by a shift as far as the chain can.

    None where no key or sample of it may move, or where pins and limits leave no way. eps in shot units. Of keyed
    chains the keys inside the contact move, with `beside` those where the shift dies away as well.
    """
    names = limb.moved if limb is not None else (control,)
    channels = turning(shot, names)
    planted = shift.frames if beside else shift.frames[shift.weight == 1.0]
    span = (float(planted[0]), float(planted[-1]))
    baked = any(channel.baked for _, channel in channels)
    if not baked:
        shift = _felt(shot, channels, span, shift)
    posed = pose(shot, shift.frames)
    points = limb.points if limb is not None else (Point(control, shot.control(control).pivot),)
    by = shift.by if limb is None else _reachable(shot, posed, limb, shift.by)
    places = np.stack([world_point(posed, shot, point) + by + shift.own.get(point, 0.0) for point in points])
    goals = Goals(points, shift.frames, places, np.tile(shift.weight, (len(points), 1)))
    if baked:
        return followed(shot, names, goals, locks)
    try:
        after = placed(shot, names, goals, span, locks, eps, _stretch(shot, posed, limb))
    except NoSolution:
        return None
    return None if after is shot else after


def _felt(
    shot: Shot, channels: Sequence[tuple[str, Channel]], span: tuple[float, float], shift: Shift
) -> Shift:
    """The shift with the frames beside it that keys within `span` move as well: there the limb stays where it is."""
    first, last = float(shift.frames[0]), float(shift.frames[-1])
    for keys in (channel.keys for _, channel in channels if channel.keys is not None):
        a, b = int(np.searchsorted(keys.frames, span[0])), int(np.searchsorted(keys.frames, span[1], "right"))
        if a < b:
            first = min(first, float(np.ceil(keys.frames[max(a - 1, 0)])))
            last = max(last, float(np.floor(keys.frames[min(b, len(keys) - 1)])))
    whole = np.arange(max(first, shot.first_frame), min(last, shot.last_frame) + 1.0)
    at = np.searchsorted(whole, shift.frames)
    weight, by = np.full(len(whole), BLENDED), np.zeros((len(whole), 3))
    weight[at], by[at] = shift.weight, shift.by
    own = {point: np.zeros((len(whole), 3)) for point in shift.own}
    for point, more in own.items():
        more[at] = shift.own[point]
    return Shift(whole, by, weight, own)


def _reachable(shot: Shot, posed: Pose, limb: Limb, by: Array) -> Array:
    """The shift cut to where the limb would be straighter than STRAIGHT, and than it is."""
    hip, _, ankle = joints(shot, posed, limb)
    longest = np.maximum(STRAIGHT, extension(shot, posed, limb)) * limb.length
    line = ankle + by - hip
    distance = np.linalg.norm(line, axis=1)
    return np.asarray(hip + line * np.minimum(1.0, longest / distance)[:, None] - ankle)


def _stretch(shot: Shot, posed: Pose, limb: Limb | None) -> Stretch | None:
    if limb is None:
        return None
    hip, _, ankle = joints(shot, posed, limb)
    today = np.linalg.norm(ankle - hip, axis=1)
    start, end = (Point(n, shot.control(n).pivot) for n in (limb.upper, limb.end))
    return Stretch(start, end, np.maximum(STRAIGHT * limb.length, today))


def planted_again(
    shot: Shot,
    planted: Planted,
    places: Array,
    locks: Locks,
    tolerance: float,
    beside: bool = False,
    others: Sequence[tuple[Planted, Array]] = (),
) -> Shot | None:
    """The shot with a planted point put to `places` (k, 3) on its frames; the shot itself where it is there.

    `others` are points that rest with it, on some of its frames, and their places. tolerance: shot units, what may be
    left. None where the limb can't.
    """
    posed = pose(shot, planted.frames)
    by = places - world_point(posed, shot, planted.point)
    own = {each.point: _own(shot, planted, by, each, there) for each, there in others if len(each.frames)}
    shift = shift_of(shot, planted.frames, by, tolerance, own)
    if shift is None:
        return shot
    return shifted(shot, planted.limb, planted.control, shift, locks, tolerance, beside)


def _own(shot: Shot, planted: Planted, by: Array, other: Planted, places: Array) -> Array:
    """(k, 3): what a point that rests with a planted one needs beside its shift; it dies away where it doesn't rest."""
    path = world_point(pose(shot, other.frames), shot, other.point)
    more = places - path - by[np.searchsorted(planted.frames, other.frames)]
    apart = np.abs(planted.frames[:, None] - other.frames)
    nearest = np.argmin(apart, axis=1)
    rest = minimum_jerk(1.0 - apart[np.arange(len(apart)), nearest] / faded_over(shot))
    return np.asarray(more[nearest] * rest[:, None])

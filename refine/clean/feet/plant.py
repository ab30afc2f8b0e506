"""Planted feet, and hands that marks say are planted, put back where they stand in long baked clips.

Each limb is moved in closed form, all its frames at once, and judged: what doesn't stand better, or shakes what the
limb carries, is left as it was and said so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.clean.feet.footing import Footing, footing, found, marked, paths
from refine.clean.feet.planted_limb import LimbMover, Moved, Samples, joint_points
from refine.clean.feet.steadied import AT_REST, Way, steadied
from refine.held import Locks
from refine.limbs.limb import GRAVITY, Limb, figure
from refine.limbs.planted import ENTER_SPEED, Planted, runs, speed
from refine.limbs.planting import Shift, shifted
from refine.limbs.two_bones import closed
from refine.pose import Point
from refine.shot import QUATERNION, ROTATIONS, Array, Shot, frozen

MM = 1000.0
FAR = 0.06  # m: a contact that would have to be moved farther is none [judge]
SLID = 0.03  # m: the same beyond what feet do as they stand; what a fight's feet shuffle is more [judge]
NOISY = 0.75  # [judge] of the speed below which a point stands
TIMES = 3.0  # times the clip's usual move, from which that holds where all its feet slide far [judge]
LEVEL = 0.015  # m within which feet must stand for there to be a ground [judge]
SEEN = 3  # [judge] contacts of each foot that tell of a ground: in 4 s of captures on stairs fewer told of a false one
TOLERANCE = 0.002  # m that a limb without a closed form may miss


@dataclass(frozen=True, eq=False)
class Left:
    """A contact that wasn't planted, and why."""

    contact: Planted
    reason: str


@dataclass(frozen=True, eq=False)
class Planting:
    """The shot with its feet put where they stand.

    `drift`: mm a second that the points of `contacts` move in the median, before and after. `touchdowns`: by control
    the first and last frames of its contacts. `left`: contacts that were freed of noise at most, with those that were
    none (they aren't among `contacts`). `lifted`: control, first and last frame of what was raised to the ground.
    """

    shot: Shot
    contacts: tuple[Planted, ...]
    drift: tuple[float, float]
    touchdowns: dict[str, list[int]]
    left: tuple[Left, ...] = ()
    lifted: tuple[tuple[str, int, int], ...] = ()


def planted(
    shot: Shot,
    captured: Shot | None = None,
    alike: float = 0.0,
    frozen: Mapping[str, NDArray[np.bool_]] | None = None,
    by_motion: bool = True,
) -> Planting:
    """The shot with planted points at rest where they stand longest, by marks or else by their motion.

    `captured` is the same shot before its channels were smoothed, with noise that correlates by `alike` from frame to
    frame: a foot that stands is told from its noise far better
    in the world, where it rests, than by the angles that hold it there. Found contacts may then stray a little, as feet
    do that land and roll; without `captured` they are held firm, as marked ones always are.

    Where noise is left in (not `by_motion`) what stands by its motion is found and left: noise would pass for a slide.

    What pins, limits and accents hold stays, and what a gap left `frozen`, masks (N,) by control; so does every frame
    that no move reaches, to the last bit.
    """
    every, scale, _ = figure(shot)
    by_mark = list(marked(shot, every))
    named = {contact.control for contact in by_mark}
    stood = [limb for limb in every if limb.kind == "leg" or limb.end in named]
    known = paths(shot, [p for limb in stood for p in (*limb.points, *joint_points(shot, limb))], shot.frames)
    free = [limb for limb in stood if limb.end not in named]
    ways = {} if captured is None else steadied(captured, [p for limb in free for p in limb.points], alike)
    told = known | _told(shot, free, known, ways, scale)
    contacts = [*by_mark, *_of(shot, known, found(shot, free, scale, told))]
    noise = _noise(shot, contacts, known, ways, scale)
    footings = [
        footing(shot, each, scale, noise.get(each.point)) for each in contacts if each.limb is not None
    ]
    left = [Left(each, "no limb carries it") for each in contacts if each.limb is None]
    false = _false(footings, scale, FAR if captured is None else SLID)
    left += [Left(each.contact, f"it is {MM * each.needed * scale:.0f} mm off") for each in false]
    wrong = {id(each.contact) for each in false}
    sound = tuple(each for each in contacts if id(each) not in wrong)
    ground = _ground(shot, sound, known, scale)
    after, lifted = shot, []
    for limb in stood:
        own = [
            f.less() if id(f.contact) in wrong else f
            for f in footings
            if f.contact.control == limb.end and (by_motion or f.contact.marked)
        ]
        mover = LimbMover(
            shot,
            limb,
            known,
            Locks(shot, shot.pins, (shot.first_frame, shot.last_frame)),
            scale,
            ground if limb.kind == "leg" and by_motion else None,
            _frozen(limb, frozen or {}),
        )
        moved = _moved(mover, own)
        after = _with_samples(after, moved.samples)
        left += [Left(each.contact, reason) for each, reason in moved.left]
        lifted += [(limb.end, a + shot.first_frame, b + shot.first_frame) for a, b in moved.raised]
    before_after = _before(shot, sound, scale), drift(after, sound)
    return Planting(after, sound, before_after, _touchdowns(sound), tuple(left), tuple(lifted))


# --- contacts ----------------------------------------------------------------------------------------------


def _told(
    shot: Shot, legs: Sequence[Limb], known: dict[Point, Array], ways: dict[Point, Way], scale: float
) -> dict[Point, Array]:
    """Ways (N, 3) of the points of legs whose own in the shot are too noisy to tell by their speed what stands.

    Elsewhere the shot's own tell better when a foot lands and leaves.
    """
    likely: dict[Point, Array] = {}
    for limb in legs:
        off = {p: known[p] - ways[p].likely for p in limb.points if p in ways}
        noise = _median([float(np.median(speed(each, shot.fps))) for each in off.values()])
        if noise > NOISY * ENTER_SPEED * np.sqrt(GRAVITY * limb.length / scale):
            likely |= {point: ways[point].likely for point in off}
    return likely


def _noise(
    shot: Shot, contacts: Sequence[Planted], known: dict[Point, Array], ways: dict[Point, Way], scale: float
) -> dict[Point, Array]:
    """(N, 3) what the ways of points in a shot have of noise, knowing where the points rest."""
    spans: dict[Point, list[tuple[int, int]]] = {}
    legs: dict[Point, float] = {}
    for each in contacts:
        if each.point in ways and not each.marked and each.limb is not None:
            a, b = (int(each.frames[k]) - shot.first_frame for k in (0, -1))
            spans.setdefault(each.point, []).append((a, b))
            legs[each.point] = each.limb.length
    return {
        point: known[point]
        - ways[point].at_rest(own, AT_REST * float(np.sqrt(GRAVITY * legs[point] / scale)), shot.fps)
        for point, own in spans.items()
    }


def _of(shot: Shot, known: dict[Point, Array], contacts: Iterable[Planted]) -> Iterator[Planted]:
    """Contacts with the ways (N, 3) that their points have in a shot."""
    for each in contacts:
        yield replace(each, path=known[each.point][(each.frames - shot.first_frame).astype(np.intp)])


def drift(shot: Shot, contacts: Sequence[Planted]) -> float:
    """mm a second that the points of contacts move while they stand, in the median; of any shot of the same rig."""
    if not contacts:
        return 0.0
    _, scale, _ = figure(shot)
    frames = np.unique(np.concatenate([each.frames for each in contacts]))
    known = paths(shot, [each.point for each in contacts], frames)
    return _median(
        [
            _speed(known[each.point][np.searchsorted(frames, each.frames)] - each.anchor, shot.fps)
            * MM
            * scale
            for each in contacts
        ]
    )


def _before(shot: Shot, contacts: Sequence[Planted], scale: float) -> float:
    return _median([_speed(each.path - each.anchor, shot.fps) * MM * scale for each in contacts])


def _speed(path: Array, fps: float) -> float:
    """Units a second in the mean."""
    if len(path) < 2:
        return 0.0
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).mean() * fps)


def _median(amounts: Sequence[float]) -> float:
    return float(np.median(amounts)) if amounts else 0.0


def _false(footings: Sequence[Footing], scale: float, far: float) -> list[Footing]:
    """Contacts, no mark's, that are too far off to be any."""
    far = max(far, TIMES * scale * _median([each.needed for each in footings]))
    return [each for each in footings if not each.contact.marked and each.needed * scale > far]


def _touchdowns(contacts: Sequence[Planted]) -> dict[str, list[int]]:
    ends: dict[str, set[int]] = {}
    for each in contacts:
        ends.setdefault(each.control, set()).update((int(each.frames[0]), int(each.frames[-1])))
    return {control: sorted(frames) for control, frames in ends.items()}


def _ground(shot: Shot, contacts: Sequence[Planted], known: dict[Point, Array], scale: float) -> float | None:
    """Height of the lowest points of feet that stand, in the median.

    None where they stand on several levels, or where a foot stands too seldom to tell that they don't.
    """
    up = "xyz".index(shot.up)
    lows: dict[str, list[float]] = {}
    for each in contacts:
        if each.limb is not None and each.limb.kind == "leg" and each.relative is None:
            at = (each.frames - shot.first_frame).astype(np.intp)
            low = min(float(np.median(known[point][at, up])) for point in each.limb.points)
            lows.setdefault(each.control, []).append(low)
    every = [low for own in lows.values() for low in own]
    if not lows or min(map(len, lows.values())) < SEEN:
        return None
    return None if float(np.subtract(*np.percentile(every, [80, 20]))) * scale > LEVEL else _median(every)


# --- limbs -------------------------------------------------------------------------------------------------


def _frozen(limb: Limb, frozen: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_] | None:
    """(N,) frames on which a gap holds any control of a limb."""
    masks = [frozen[name] for name in limb.chain if name in frozen]
    return np.any(masks, axis=0) if masks else None


def _moved(mover: LimbMover, footings: Sequence[Footing]) -> Moved:
    shot, limb = mover.shot, mover.limb
    if closed(shot, limb):
        return mover.moved(footings)
    turns = [
        channel
        for name in limb.chain
        for channel in shot.controls[shot.index(name)].channels
        if channel.name in (*ROTATIONS, QUATERNION)
    ]
    if not turns or not all(channel.baked for channel in turns):
        return Moved({}, tuple((each, "its limb isn't baked") for each in footings))
    return _step_by_step(mover, footings)


def _step_by_step(mover: LimbMover, footings: Sequence[Footing]) -> Moved:
    """A limb that has no closed form, solved in small steps; all its contacts or none."""
    shot, limb, scale = mover.shot, mover.limb, mover.scale
    by, raised = mover.moves(footings)
    if mover.frozen is not None:
        by = by * mover.share(mover.frozen)[:, None]
    after = shot
    for a, b in runs(np.any(by != 0, axis=1)):
        shift = Shift(shot.frames[a : b + 1], by[a : b + 1], np.ones(b - a + 1))
        after = shifted(after, limb, limb.end, shift, mover.locks, TOLERANCE / scale) or after
    contacts = [each.contact for each in footings]
    if after is shot or drift(after, contacts) > _before(shot, contacts, scale):
        return Moved({}, tuple((each, "it would slide more") for each in footings))
    samples = {
        (name, channel.name): channel.samples
        for name in limb.chain
        for channel in after.controls[after.index(name)].channels
        if channel.samples is not None
    }
    return Moved(samples, (), raised)


def _with_samples(shot: Shot, samples: Samples) -> Shot:
    """The shot with new samples of some channels; those that didn't change stay the very same objects."""
    for (name, channel_name), new in samples.items():
        channel = shot.controls[shot.index(name)].channel(channel_name)
        assert channel is not None
        if channel.samples is not None and not np.array_equal(new, channel.samples):
            shot = shot.with_channel(name, replace(channel, samples=frozen(new)))
    return shot

"""Planted feet, and hands that marks say are planted, put back where they stand in long baked clips.

Each limb is moved in closed form, all its frames at once, and judged: what doesn't stand better, or shakes what the
limb carries, is left as it was and said so. Then its feet are looked at again, until they ask for no more: what is a
contact is decided on what the result shows, and a second cleaning finds nothing to do.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from refine.clean.feet.footing import Footing, paths
from refine.clean.feet.planted_limb import LimbMover, Moved, Samples, joint_points
from refine.clean.feet.stance import Feet, Paths, feet, part
from refine.held import Locks
from refine.limbs.limb import Limb, figure
from refine.limbs.planted import Planted, runs
from refine.limbs.planting import Shift, shifted
from refine.limbs.two_bones import closed
from refine.shot import QUATERNION, ROTATIONS, Array, Shot, frozen

MM = 1000.0
ROUNDS = 4  # of looking where feet stand that have been planted: captures take two or three
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
    frame: a foot that stands is told from its noise far better in the world, where it rests, than by the angles that
    hold it there. Found contacts may then stray a little, as feet do that land and roll, and are only freed of noise
    where they don't slide; without `captured` they are held firm, as marked ones always are.

    Where noise is left in (not `by_motion`) what stands by its motion is found and left: noise would pass for a slide.

    What pins, limits and accents hold stays, and what a gap left `frozen`, masks (N,) by control; so does every frame
    that no move reaches, to the last bit.
    """
    standing = feet(shot, captured, alike)
    work = _Work(standing, shot, standing.paths(), by_motion, frozen or {})
    given = work.known
    restless = list(standing.limbs)
    for _ in range(ROUNDS):
        restless = work.round(restless)
        if not restless:
            break
    contacts = (*standing.by_prop, *work.sound)
    before, after = (_drift(shot, contacts, known, standing.scale) for known in (given, work.known))
    return Planting(
        work.shot, contacts, (before, after), _touchdowns(contacts), tuple(work.left()), tuple(work.lifted)
    )


@dataclass(eq=False)
class _Work:
    """Planting under way: the shot and the paths of its feet so far. It is worked on in place.

    `footings` and `refused` are those of the last look at each limb, `granted` of all looks, `false` what is none.
    """

    feet: Feet
    shot: Shot
    known: Paths
    by_motion: bool
    frozen: Mapping[str, NDArray[np.bool_]]
    footings: dict[str, list[Footing]] = field(default_factory=dict)
    refused: dict[str, tuple[tuple[Footing, str], ...]] = field(default_factory=dict)
    granted: list[Footing] = field(default_factory=list)
    false: list[Footing] = field(default_factory=list)
    lifted: list[tuple[str, int, int]] = field(default_factory=list)

    @property
    def sound(self) -> list[Planted]:
        wrong = {id(each) for each in self.false}
        return [each.contact for own in self.footings.values() for each in own if id(each) not in wrong]

    def round(self, limbs: Sequence[Limb]) -> list[Limb]:
        """Looks where some limbs stand now and moves them as that asks for; those that did move."""
        noisy = not self.footings
        self.footings |= {limb.end: self.feet.asking(limb, self.known, noisy) for limb in limbs}
        self.false = self.feet.false([each for own in self.footings.values() for each in own])
        ground = self.feet.ground(self.sound, self.known) if self.by_motion else None
        return [limb for limb in limbs if self._moved(limb, ground if limb.kind == "leg" else None)]

    def _moved(self, limb: Limb, ground: float | None) -> bool:
        wrong = {id(each) for each in self.false}
        own = [
            each.less() if id(each) in wrong else each
            for each in self.footings[limb.end]
            if self.by_motion or each.contact.marked
        ]
        shot, first = self.shot, self.shot.first_frame
        locks = Locks(shot, shot.pins, (first, shot.last_frame))
        mover = LimbMover(shot, limb, self.known, locks, self.feet.scale, ground, _frozen(limb, self.frozen))
        moved = _put(mover, own)
        refused = {id(each) for each, _ in moved.left}
        self.refused[limb.end] = moved.left
        self.granted += [each for each in own if each.slides and id(each) not in refused]
        self.lifted += [(limb.end, a + first, b + first) for a, b in moved.raised]
        self.shot = _with_samples(shot, moved.samples)
        self.known = self.known | moved.paths
        return self.shot is not shot

    def left(self) -> Iterator[Left]:
        """Contacts that weren't planted. One that was as far as it could be isn't told of when it asks for the rest."""
        for prop in self.feet.by_prop:
            yield Left(prop, "no limb carries it")
        for each in self.false:
            yield Left(each.contact, f"it is {MM * each.needed * self.feet.scale:.0f} mm off")
        for each, reason in (pair for own in self.refused.values() for pair in own):
            if not any(_same(each, other) for other in self.granted):
                yield Left(each.contact, reason)


def _same(one: Footing, other: Footing) -> bool:
    """Whether two contacts of a foot share more than half of the first one's frames."""
    if one.contact.control != other.contact.control:
        return False
    (a, b), (c, d) = one.span, other.span
    return 2 * (min(b, d) - max(a, c) + 1) > b - a + 1


# --- how feet move -----------------------------------------------------------------------------------------


def drift(shot: Shot, contacts: Sequence[Planted]) -> float:
    """mm a second that the points of contacts move while they stand, in the median; of any shot of the same rig."""
    if not contacts:
        return 0.0
    frames = np.unique(np.concatenate([each.frames for each in contacts]))
    known = paths(shot, [each.point for each in contacts], frames)
    speeds = [
        _speed(known[each.point][np.searchsorted(frames, each.frames)] - each.anchor, shot.fps)
        for each in contacts
    ]
    return float(np.median(speeds)) * MM * figure(shot)[1]


def _drift(shot: Shot, contacts: Sequence[Planted], known: Paths, scale: float) -> float:
    """The same by paths that are known; of props, which no limb carries, by their own."""
    speeds = [
        _speed(
            (part(shot, known[each.point], each) if each.point in known else each.path) - each.anchor,
            shot.fps,
        )
        for each in contacts
    ]
    return float(np.median(speeds)) * MM * scale if speeds else 0.0


def _speed(path: Array, fps: float) -> float:
    """Units a second in the mean."""
    if len(path) < 2:
        return 0.0
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).mean() * fps)


def _touchdowns(contacts: Sequence[Planted]) -> dict[str, list[int]]:
    ends: dict[str, set[int]] = {}
    for each in contacts:
        ends.setdefault(each.control, set()).update((int(each.frames[0]), int(each.frames[-1])))
    return {control: sorted(frames) for control, frames in ends.items()}


# --- limbs -------------------------------------------------------------------------------------------------


def _frozen(limb: Limb, frozen: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_] | None:
    """(N,) frames on which a gap holds any control of a limb."""
    masks = [frozen[name] for name in limb.chain if name in frozen]
    return np.any(masks, axis=0) if masks else None


def _put(mover: LimbMover, footings: Sequence[Footing]) -> Moved:
    """The limb moved as the contacts ask for, in closed form where there is one."""
    shot, limb = mover.shot, mover.limb
    if closed(shot, limb):
        return mover.moved(footings)
    turns = [
        channel
        for name in limb.chain
        for channel in shot.control(name).channels
        if channel.name in (*ROTATIONS, QUATERNION)
    ]
    if not turns or not all(channel.baked for channel in turns):
        return Moved({}, tuple((each, "its limb isn't baked") for each in footings))
    return _step_by_step(mover, footings)


def _step_by_step(mover: LimbMover, footings: Sequence[Footing]) -> Moved:
    """A limb that has no closed form, solved in small steps; all its contacts or none."""
    shot, limb, scale = mover.shot, mover.limb, mover.scale
    by, raised = mover.moves(footings)
    if not by.any():
        return Moved({})
    if mover.frozen is not None:
        by = by * mover.share(mover.frozen)[:, None]
    after = shot
    for a, b in runs(np.any(by != 0, axis=1)):
        shift = Shift(shot.frames[a : b + 1], by[a : b + 1], np.ones(b - a + 1))
        after = shifted(after, limb, limb.end, shift, mover.locks, TOLERANCE / scale) or after
    contacts = [each.contact for each in footings]
    known = paths(after, (*limb.points, *joint_points(shot, limb)), shot.frames)
    if after is shot or _drift(shot, contacts, known, scale) > _drift(shot, contacts, mover.paths, scale):
        return Moved({}, tuple((each, "it would slide more") for each in footings))
    samples = {
        (name, channel.name): channel.samples
        for name in limb.chain
        for channel in after.control(name).channels
        if channel.samples is not None
    }
    return Moved(samples, (), raised, known)


def _with_samples(shot: Shot, samples: Samples) -> Shot:
    """The shot with new samples of some channels; those that didn't change stay the very same objects."""
    for (name, channel_name), new in samples.items():
        channel = shot.channel(name, channel_name)
        if channel.samples is not None and not np.array_equal(new, channel.samples):
            shot = shot.with_channel(name, replace(channel, samples=frozen(new)))
    return shot

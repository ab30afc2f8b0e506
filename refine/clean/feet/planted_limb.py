"""One limb of a long baked clip put where it stands, and judged: no contact may slide more for it, nothing shake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from refine.clean.feet.footing import BLEND, BLOCK, Footing, moves_of
from refine.held import Locks
from refine.limbs.limb import Limb
from refine.limbs.planted import runs
from refine.limbs.two_bones import carrying, solved, stretch_left, usual_axis
from refine.pose import Point
from refine.shot import QUATERNION, ROTATIONS, Array, Shot

ROUGHER = 1.1  # times the third differences that a move may bring
UNSEEN = 300.0  # [judge] m/s^3 of them in the root mean square: a walking foot has about a thousand
SETTLE = 0.05  # s around a contact's ends in which a foot may be rough: it lands
EASE = 0.08  # [judge] s in which a move is cut down before a frame that is held
DEEP = 0.01  # m under the ground from which a foot is lifted
FAR = 0.06  # m under it, from which that is no foot on this ground [judge]
BETTER = 0.9  # of its way while it stands that a point may still go, or the move isn't worth it

Samples = dict[tuple[str, str], Array]  # (N, D) by control and channel
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Moved:
    """New samples of a limb's channels, the contacts left and why, the stretches raised to the ground, and the paths
    (N, 3) that its joints and points have then, as far as they are others.
    """

    samples: Samples
    left: tuple[tuple[Footing, str], ...] = ()
    raised: tuple[tuple[int, int], ...] = ()
    paths: dict[Point, Array] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class LimbMover:
    """A limb in a shot, the paths (N, 3) of its joints and points there, and what it mustn't do.

    `scale` in metres a shot unit, `ground` its height in shot units, None where there is none. `frozen` (N,) are frames
    of which nothing is known, so they stay: half moved they would pass for a shorter gap.
    """

    shot: Shot
    limb: Limb
    paths: dict[Point, Array]
    locks: Locks
    scale: float
    ground: float | None = None
    frozen: Bools | None = None

    @cached_property
    def _usual(self) -> Array:
        return usual_axis(self.shot, self.limb)

    def moved(self, footings: Sequence[Footing]) -> Moved:
        """The limb moved as the contacts ask for, without those that it makes no better.

        Each round asks less of a contact or holds a frame more, so they come to an end; only what changed is solved
        again. What is only freed of noise isn't judged: it goes where it was captured.
        """
        left: list[tuple[Footing, str]] = []
        active = list(footings)
        held = held_samples(self.shot, self.limb, self.locks)
        held |= False if self.frozen is None else self.frozen
        tried = self._untouched()
        while True:
            by, raised = self.moves(active)
            changed = self._solve(tried, by * self.share(held)[:, None])
            beyond = self._beyond_limits(tried, changed)
            worse = [
                (each, reason)
                for each in active
                if each.slides and changed[self._around(each)].any() and (reason := self._fault(each, tried))
            ]
            if not beyond.any() and not worse:
                return Moved(tried.samples, tuple(left), raised, self._paths(tried))
            held |= beyond
            left += worse
            gone = {id(each) for each, _ in worse}
            active = [each.less() if id(each) in gone else each for each in active]

    def moves(self, footings: Sequence[Footing]) -> tuple[Array, tuple[tuple[int, int], ...]]:
        """(N, 3) moves of the limb's end by its contacts and up to the ground, and the stretches raised.

        The foot isn't raised while it stands, be it moved there or left.
        """
        count, fps = len(self.shot.frames), self.shot.fps
        by = moves_of(footings, count, fps)
        if self.ground is None:
            return by, ()
        reach = max(round(EASE * fps), 1)
        stands = np.zeros(count, np.bool_)
        for each in footings:
            stands[max(each.span[0] - 2 * reach, 0) : each.span[1] + 2 * reach + 1] = True
        up = "xyz".index(self.shot.up)
        low = np.min([self.paths[point][:, up] for point in self.limb.points], axis=0) + by[:, up]
        depth = np.maximum(self.ground - low, 0.0)
        deep = [
            (a, b)
            for a, b in runs(depth > 0)
            if DEEP < float(depth[a : b + 1].max()) * self.scale < FAR and not stands[a : b + 1].any()
        ]
        lift = np.zeros(count)
        for a, b in deep:
            lift[a : b + 1] = depth[a : b + 1]
        by[:, up] += eased(lift, reach)
        return by, tuple(deep)

    def _paths(self, tried: _Tried) -> dict[Point, Array]:
        """The paths of the knee and of the end, which keeps how it is turned."""
        knee = joint_points(self.shot, self.limb)[1]
        return {knee: tried.knee, **{point: self.paths[point] + tried.shift for point in self.limb.points}}

    def share(self, held: Bools) -> Array:
        """(N,) the share of the moves that held samples leave, without jumps."""
        share = 1.0 - eased(held.astype(float), max(round(EASE * self.shot.fps), 1))
        share[held] = 0.0  # to the last bit
        return share

    def _untouched(self) -> _Tried:
        count, knee = len(self.shot.frames), self.paths[joint_points(self.shot, self.limb)[1]]
        samples = {}
        for name in self.limb.chain:
            for channel in self.shot.control(name).channels:
                if channel.name in (*ROTATIONS, QUATERNION):
                    assert channel.samples is not None
                    samples[name, channel.name] = channel.samples.copy()
        return _Tried(np.zeros((count, 3)), np.ones(count), knee.copy(), np.zeros((count, 3)), samples)

    def _solve(self, tried: _Tried, by: Array) -> Bools:
        """Brings what was tried to other moves (N, 3), and says which frames (N,) are other for it."""
        hip, knee, ankle = (self.paths[point] for point in joint_points(self.shot, self.limb))
        moves = np.any(by != 0, axis=1)
        left = stretch_left(hip, knee, ankle, by)
        stretch = 1.0 - eased(1.0 - left, max(round(EASE * self.shot.fps), 1))
        changed = np.any(by != tried.by, axis=1) | (moves & (stretch != tried.stretch))
        tried.by, tried.stretch = by, stretch
        back = changed & ~moves
        tried.knee[back], tried.shift[back] = knee[back], 0.0
        for (control, name), samples in tried.samples.items():
            samples[back] = samples_of(self.shot, control, name)[back]
        at, part = np.flatnonzero(changed & moves), carrying(self.shot, self.limb.chain)
        for start in range(0, len(at), BLOCK):
            here = at[start : start + BLOCK]
            done = solved(part, self.limb, self.shot.frames[here], by[here], stretch[here], self._usual)
            tried.knee[here], tried.shift[here] = done.knee[1], done.ankle[1] - done.ankle[0]
            for key, new in done.samples.items():
                tried.samples[key][here] = new
        return np.asarray(changed)

    def _beyond_limits(self, tried: _Tried, changed: Bools) -> Bools:
        """(N,) changed frames on which a channel would leave its limits, or go farther beyond them than it is."""
        beyond = np.zeros(len(changed), np.bool_)
        for (control, name), new in tried.samples.items():
            channel = self.shot.channel(control, name)
            if channel.limits is not None:
                old = samples_of(self.shot, control, name)
                low, high = np.minimum(channel.limits.lower, old), np.maximum(channel.limits.upper, old)
                beyond |= np.any((new < low) | (new > high), axis=1)
        return beyond & changed

    def _around(self, each: Footing) -> slice:
        """The frames around a contact on which its moves come and go."""
        around = round(BLEND * self.shot.fps)
        return slice(max(each.span[0] - around, 0), each.span[1] + around + 1)

    def _fault(self, each: Footing, tried: _Tried) -> str:
        """What is wrong with the moves at a contact, "" where nothing is."""
        a, b = each.core
        before = (each.contact.path - each.contact.anchor)[a - each.span[0] : b - each.span[0] + 1]
        if _travel(before + tried.shift[a : b + 1]) > BETTER * _travel(before):
            return "it would hardly slide less"
        return "the limb would shake" if self._rougher(each, tried) else ""

    def _rougher(self, each: Footing, tried: _Tried) -> bool:
        """Whether the knee or a point of the end has more third differences around a contact than before.

        The knee may take over what the end loses: what shakes the hip of a foot at rest shakes its knee.
        """
        fps, part = self.shot.fps, self._around(each)
        thirds = slice(part.start, max(min(part.stop, len(tried.knee)) - 3, part.start))
        middle = np.arange(thirds.start, thirds.stop) + 1.5
        settle = max(round(SETTLE * fps), 2)
        calm = np.min([np.abs(middle - end) for end in (*each.span, *each.core)], axis=0) > settle
        if not calm.any():
            return False
        old = self._thirds[:, thirds][:, calm]
        new = old + np.diff(tried.shift[part], 3, axis=0)[calm]
        new[0] = np.diff(tried.knee[part], 3, axis=0)[calm]
        before, after = (np.sqrt(np.mean(np.sum(np.square(each), axis=2), axis=1)) for each in (old, new))
        allowed = np.maximum(ROUGHER * before, UNSEEN / self.scale / fps**3)
        taken = float(np.max(before[1:] ** 2 - after[1:] ** 2))
        allowed[0] = max(allowed[0], np.sqrt(before[0] ** 2 + max(taken, 0.0)))
        return bool(np.any(after > allowed))

    @cached_property
    def _thirds(self) -> Array:
        """(P, N - 3, 3) third differences of the paths of the knee and the end's points as they are."""
        points = (joint_points(self.shot, self.limb)[1], *self.limb.points)
        return np.stack([np.diff(self.paths[point], 3, axis=0) for point in points])


@dataclass(eq=False)
class _Tried:
    """What has been tried so far: moves (N, 3) and what stretch they were granted (N,), the knee's path (N, 3), the
    end's real shifts (N, 3), and all samples of the limb's rotations. It is worked on in place.
    """

    by: Array
    stretch: Array
    knee: Array
    shift: Array
    samples: Samples


def joint_points(shot: Shot, limb: Limb) -> tuple[Point, Point, Point]:
    """Hip, knee and ankle, or shoulder, elbow and wrist."""
    a, b, c = (Point(name, shot.control(name).pivot) for name in limb.chain)
    return a, b, c


def samples_of(shot: Shot, control: str, name: str) -> Array:
    samples = shot.channel(control, name).samples
    assert samples is not None
    return samples


def held_samples(shot: Shot, limb: Limb, locks: Locks) -> Bools:
    """(N,) frames on which a pin or an accent holds a rotation of the limb."""
    frames = shot.frames
    held = np.zeros(len(frames), np.bool_)
    for name in limb.chain:
        for channel in shot.control(name).channels:
            if channel.name in (*ROTATIONS, QUATERNION):
                for _, pinned in locks.held(name, channel, frames).pins:
                    held[(np.asarray(pinned) - shot.first_frame).astype(np.intp)] = True
        for _, (a, b) in locks.kept_samples(name):
            held |= (frames >= a) & (frames <= b)
    return held


def eased(amount: Array, reach: int) -> Array:
    """(N,) a smooth row that is nowhere below amounts (N,) from 0 on, and 0 farther than 2 `reach` from them.

    The largest within `reach` on each side, averaged over as many frames with weights (1 - t^2)^2: each average is then
    over rows that include the amount itself.
    """
    if not amount.any():
        return amount
    weight = (1.0 - (np.arange(-reach, reach + 1) / (reach + 1)) ** 2) ** 2
    largest, wide = np.pad(amount, 2 * reach, mode="edge"), 1
    while wide < 2 * reach + 1:  # the largest of `wide` frames in a row, doubled until it spans all
        step = min(wide, 2 * reach + 1 - wide)
        largest, wide = np.maximum(largest[:-step], largest[step:]), wide + step
    return np.asarray(np.convolve(largest, weight / weight.sum(), mode="valid"))


def _travel(path: Array) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())

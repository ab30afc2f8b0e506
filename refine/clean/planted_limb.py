"""One limb of a long baked clip put where it stands, and judged: no contact may slide more for it, nothing shake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.clean.footing import BLEND, BLOCK, Footing, moves_of
from refine.held import Locks
from refine.limbs.limb import Limb
from refine.limbs.planted import runs
from refine.limbs.two_bones import carrying, solved, stretch_left, usual_axis
from refine.pose import Point
from refine.shot import QUATERNION, ROTATIONS, Array, Channel, Shot

ROUGHER = 1.1  # times the third differences that a move may bring
UNSEEN = 200.0  # [judge] m/s^3 of them in the root mean square: a walking foot has about a thousand
SETTLE = 0.05  # s around a contact's ends in which a foot may be rough: it lands
ROUNDS = 5  # in which contacts are left, and samples held by their limits
EASE = 0.08  # [judge] s in which a move is cut down before a frame that is held
DEEP = 0.01  # m under the ground from which a foot is lifted
FAR = 0.06  # m under it, from which that is no foot on this ground [judge]
BETTER = 0.9  # of its way while it stands that a point may still go, or the move isn't worth it

Samples = dict[tuple[str, str], Array]  # (N, D) by control and channel
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Moved:
    """New samples of a limb's channels, the contacts left and why, and the stretches raised to the ground."""

    samples: Samples
    left: tuple[tuple[Footing, str], ...] = ()
    raised: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, eq=False)
class LimbMover:
    """A limb in a shot, the paths (N, 3) of its joints and points there, and what it mustn't do.

    `scale` in metres a shot unit, `ground` its height in shot units, None where there is none.
    """

    shot: Shot
    limb: Limb
    paths: dict[Point, Array]
    locks: Locks
    scale: float
    ground: float | None = None

    def moved(self, footings: Sequence[Footing]) -> Moved:
        """The limb moved as the contacts ask for, without those that it makes no better."""
        left: list[tuple[Footing, str]] = []
        active = list(footings)
        held = held_samples(self.shot, self.limb, self.locks)
        for _ in range(ROUNDS):
            by, raised = self.moves(active)
            by = by * self._share(held)[:, None]
            at = np.flatnonzero(np.any(by != 0, axis=1))
            if not len(at):
                return Moved({}, tuple(left), ())
            knee, shift, samples = self._solved(at, by)
            beyond = self._beyond_limits(at, samples)
            worse = self._worse([each for each in active if each.asks], knee, shift)
            if not beyond.any() and not worse:
                return Moved(self._spread(at, samples), tuple(left), raised)
            held |= beyond
            left += worse
            gone = {id(each) for each, _ in worse}
            active = [each.calmed() if id(each) in gone else each for each in active]
        left += [
            (each, "no way was found that neither limits nor the limb forbid") for each in active if each.asks
        ]
        return Moved({}, tuple(left), ())

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

    def _share(self, held: Bools) -> Array:
        """(N,) the share of the moves that held samples leave, without jumps."""
        return 1.0 - eased(held.astype(float), max(round(EASE * self.shot.fps), 1))

    def _solved(self, at: NDArray[np.intp], by: Array) -> tuple[Array, Array, Samples]:
        """(N, 3) path of the knee, (N, 3) real shifts of the ankle, samples on positions `at`."""
        joints = [self.paths[point] for point in joint_points(self.shot, self.limb)]
        left = stretch_left(joints[0], joints[1], joints[2], by)
        stretch = 1.0 - eased(1.0 - left, max(round(EASE * self.shot.fps), 1))
        part, usual = carrying(self.shot, self.limb.chain), usual_axis(self.shot, self.limb)
        knee = joints[1].copy()
        shift = np.zeros_like(by)
        pieces: list[Samples] = []
        for start in range(0, len(at), BLOCK):
            here = at[start : start + BLOCK]
            done = solved(part, self.limb, self.shot.frames[here], by[here], stretch[here], usual)
            knee[here], shift[here] = done.knee[1], done.ankle[1] - done.ankle[0]
            pieces.append(done.samples)
        return knee, shift, {key: np.concatenate([piece[key] for piece in pieces]) for key in pieces[0]}

    def _beyond_limits(self, at: NDArray[np.intp], samples: Samples) -> Bools:
        """(N,) frames on which a channel would leave its limits, or go farther beyond them than it is."""
        beyond = np.zeros(len(self.shot.frames), np.bool_)
        for (control, name), new in samples.items():
            channel = channel_of(self.shot, control, name)
            if channel.limits is not None and channel.samples is not None:
                old = channel.samples[at]
                low, high = np.minimum(channel.limits.lower, old), np.maximum(channel.limits.upper, old)
                beyond[at] |= np.any((new < low) | (new > high), axis=1)
        return beyond

    def _worse(self, footings: Sequence[Footing], knee: Array, shift: Array) -> list[tuple[Footing, str]]:
        found = []
        for each in footings:
            a, b = each.core
            before = (each.contact.path - each.contact.anchor)[a - each.span[0] : b - each.span[0] + 1]
            if _travel(before + shift[a : b + 1]) > BETTER * _travel(before):
                found.append((each, "it would hardly slide less"))
            elif self._rougher(each, knee, shift):
                found.append((each, "the limb would shake"))
        return found

    def _rougher(self, each: Footing, knee: Array, shift: Array) -> bool:
        """Whether the knee or a point of the end has more third differences around a contact than before."""
        fps, count = self.shot.fps, len(knee)
        around, settle = round(BLEND * fps), max(round(SETTLE * fps), 2)
        a, b = max(each.span[0] - around, 0), min(each.span[1] + around, count - 1)
        middle = np.arange(a, b + 1)[1:-2] + 0.5
        calm = np.min([np.abs(middle - end) for end in (*each.span, *each.core)], axis=0) > settle
        if not calm.any():
            return False
        part = slice(a, b + 1)
        old_knee = self.paths[joint_points(self.shot, self.limb)[1]][part]
        pairs = [(old_knee, knee[part])]
        pairs += [(self.paths[p][part], self.paths[p][part] + shift[part]) for p in self.limb.points]
        unseen = UNSEEN / self.scale / fps**3
        return any(_rough(new, calm) > max(ROUGHER * _rough(old, calm), unseen) for old, new in pairs)

    def _spread(self, at: NDArray[np.intp], samples: Samples) -> Samples:
        whole = {}
        for (control, name), new in samples.items():
            old = channel_of(self.shot, control, name).samples
            assert old is not None
            whole[control, name] = old.copy()
            whole[control, name][at] = new
        return whole


def joint_points(shot: Shot, limb: Limb) -> tuple[Point, Point, Point]:
    """Hip, knee and ankle, or shoulder, elbow and wrist."""
    a, b, c = (Point(name, shot.controls[shot.index(name)].pivot) for name in limb.chain)
    return a, b, c


def channel_of(shot: Shot, control: str, name: str) -> Channel:
    channel = shot.controls[shot.index(control)].channel(name)
    assert channel is not None
    return channel


def held_samples(shot: Shot, limb: Limb, locks: Locks) -> Bools:
    """(N,) frames on which a pin or an accent holds a rotation of the limb."""
    frames = shot.frames
    held = np.zeros(len(frames), np.bool_)
    for name in limb.chain:
        for channel in shot.controls[shot.index(name)].channels:
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
    from scipy.ndimage import convolve1d, maximum_filter1d

    if not amount.any():
        return amount
    weight = (1.0 - (np.arange(-reach, reach + 1) / (reach + 1)) ** 2) ** 2
    largest = maximum_filter1d(amount, 2 * reach + 1, mode="nearest")
    return np.asarray(convolve1d(largest, weight / weight.sum(), mode="nearest"))


def _travel(path: Array) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _rough(path: Array, calm: Bools) -> float:
    """Root mean square of third differences of a path (n, 3) on calm ones of them (n - 3,)."""
    return float(np.sqrt(np.mean(np.sum(np.square(np.diff(path, 3, axis=0)[calm]), axis=1))))

"""How the keys of one channel move planted points against what these are planted on; and what else has to stay."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Band
from refine.curve import evaluate, sample, sample_matrix
from refine.flags.stage import Stage
from refine.flags.standing import carrying, posed_on, standing
from refine.limbs.planted import Planted
from refine.pose import Point, in_axes, jacobian, reposed, turn_axis, world_point
from refine.shot import Array, Keys, Shot


def with_keys(shot: Shot, control: str, channel: str, keys: Keys) -> Shot:
    """The shot with other keys in one channel."""
    found = shot.control(control).channel(channel)
    assert found is not None
    return shot.with_channel(control, replace(found, keys=keys))


@dataclass(frozen=True, slots=True, eq=False)
class Gains:
    """How a channel moves each of some points: `by_unit` (N, 3, D), and of a turn the `bow` (N, 3) towards its axis.

    A turn by a, in units of which one is w radians, moves a point by by_unit sin(wa)/w + bow (1 - cos wa)/w^2: exactly,
    as long as nothing else changes. Without a bow the points go straight on.
    """

    by_unit: Array
    bow: Array | None = None

    def moves(self, by: Array) -> Array:
        """(N, 3, S): how each of S changes of the channel's number by (N, S) moves the points."""
        if self.bow is None:
            return np.asarray(self.by_unit * by[:, None])
        angle, unit = np.deg2rad(by)[:, None], np.deg2rad(1.0)
        return np.asarray(
            self.by_unit * np.sin(angle) / unit + self.bow[:, :, None] * (1 - np.cos(angle)) / unit**2
        )

    def near(self, by: Array) -> Gains:
        """How the points go on from where a change of the channel's number by (N, 1) has them."""
        if self.bow is None:
            return self
        angle = np.deg2rad(by)[:, None]
        return Gains(self.by_unit * np.cos(angle) + self.bow[:, :, None] * np.sin(angle) / np.deg2rad(1.0))

    def any(self) -> bool:
        return bool(self.by_unit.any())


class Pull:
    """How the keys of the controls that carry some points move these, against what they are planted on.

    Moves and gains have N rows: the points' frames, one point after the other.
    """

    def __init__(self, stage: Stage, slid: Sequence[Planted]) -> None:
        self.stage = stage
        self.span = min(each.frames[0] for each in slid), max(each.frames[-1] for each in slid)
        self.points = [*slid, *self._still({each.control for each in slid})]
        self.away: Array = np.concatenate([each.anchor - each.path for each in self.points])
        self.whole = float(np.sum(self.away**2))
        every = np.concatenate([each.frames for each in self.points])
        self.frames, self._rows = np.unique(every, return_inverse=True)
        self.shot, self._posed = stage.shot, posed_on(stage, self.frames)
        self._grounds = {n: _ground(stage, each) for n, each in enumerate(self.points) if each.relative}

    def case(self, names: Sequence[str]) -> tuple[object, ...]:
        """All that the gains of some controls and what is left depend on."""
        shot, every = self.stage.shot, dict.fromkeys(names)
        every |= {name: None for point in self._seen for name in carrying(self.stage, point.control)}
        i = [self.stage.control_at[name] for name in every]
        still = [replace(shot.controls[n], channels=()) for n in i]
        values = [(c.name, sample(c, shot, self.frames)) for n in i for c in shot.controls[n].channels]
        return self.span, self.frames, self._rows, self.away, self._seen, list(self._grounds), still, values

    @property
    def _seen(self) -> list[Point]:
        return [*(each.point for each in self.points), *self._grounds.values()]

    def _still(self, slid: set[str]) -> Iterator[Planted]:
        """What else is planted meanwhile: it has to stay where it is."""
        for each in standing(self.stage).contacts:
            if (
                each.control not in slid
                and self.span[0] <= each.frames[-1]
                and each.frames[0] <= self.span[1]
            ):
                yield each.within(*self.span)

    def gains(self, control: str, channel: str) -> Gains:
        """How a channel moves each point against what it is planted on."""
        moved = jacobian(self.shot, self._posed, control, channel, self._seen)
        for n, ground in zip(self._grounds, moved[len(self.points) :], strict=True):
            moved[n] -= ground
        own = np.repeat(np.arange(len(self.points)), [len(each.frames) for each in self.points])
        by_unit, axis = moved[own, self._rows], turn_axis(self.shot, self._posed, control, channel)
        return Gains(by_unit, None if axis is None else np.cross(axis[self._rows], by_unit[:, :, 0]))

    def after(self, control: str, channel: str, keys: Keys) -> Pull:
        """The same where a channel has other keys, posed anew: with what first order leaves out."""
        found = copy(self)
        found.shot = with_keys(self.shot, control, channel, keys)
        found._posed = reposed(self._posed, found.shot, [control])
        places = [world_point(found._posed, found.shot, point) for point in self._seen]
        away = [
            anchor.anchor - place[np.searchsorted(self.frames, anchor.frames)]
            for anchor, place in zip(self.points, places, strict=False)
        ]
        for n, ground in zip(self._grounds, places[len(self.points) :], strict=True):
            at = np.searchsorted(self.frames, self.points[n].frames)
            away[n] = (ground - places[n])[at]
        found.away = np.concatenate(away)
        return found

    def made(self, gains: Gains, before: Keys, after: Keys) -> Array:
        """(N, 3): how a change of keys moves the points."""
        by = self.changed(before, after)
        if by.shape[1] > 1:
            return np.asarray((gains.by_unit @ by[:, :, None])[:, :, 0])
        return gains.moves(by)[:, :, 0]

    def changed(self, before: Keys, after: Keys) -> Array:
        """(N, D): by how much the numbers of a channel differ on the points' frames."""
        return np.asarray((evaluate(after, self.frames) - evaluate(before, self.frames))[self._rows])

    def left(self, made: Array | float = 0.0) -> float:
        """The share of the slide's squares that remains."""
        return float(np.sum((self.away - made) ** 2)) / self.whole

    def reach(self, keys: Keys) -> slice:
        """The keys between which the frames lie."""
        ends = np.searchsorted(keys.frames, self.frames[[0, -1]], side="right") - 1
        first, last = np.clip(ends, 0, len(keys) - 2).tolist()
        return slice(first, last + 2)

    def many(self, gains: Gains, keys: Keys, by: Array) -> Array:
        """(N, 3, S): how S changes of the `unknowns` of the keys in `reach` (3k, S) move the points."""
        reach, whole = self.reach(keys), sample_matrix(keys, self.frames)
        part = Band(whole.entries, whole.start - 3 * reach.start, 3 * (reach.stop - reach.start))
        return gains.moves((part @ by)[self._rows])


def _ground(stage: Stage, contact: Planted) -> Point:
    """The point of what a contact is planted on with which it stays."""
    assert contact.relative is not None
    i, n = stage.control_at[contact.relative], int(contact.frames[0] - stage.frames[0])
    away = contact.anchor[0] - stage.posed.origin[i, n]
    local = in_axes(stage.posed.linear[i, n], away[:, None])[:, 0]
    return Point(contact.relative, (float(local[0]), float(local[1]), float(local[2])))


def near_keys(pull: Pull, keys: Keys) -> NDArray[np.intp]:
    """Keys that move some of the frames, by their neighbours' slopes too."""
    at = np.arange(len(keys))
    first, last = keys.frames[np.maximum(at - 2, 0)], keys.frames[np.minimum(at + 2, len(keys) - 1)]
    return np.flatnonzero((first < pull.span[1]) & (last > pull.span[0]))

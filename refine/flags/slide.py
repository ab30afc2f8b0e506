"""The key that makes a planted point slide: one that, put back, makes most of the slide go.

First asked are the keys that break the shot's habit. Then each key of what carries the point, or what it is planted
on: moved by a, with slopes set anew by the habit, it changes its channel by c(a) and the point by J c(a), to first
order; that a is sought which undoes most of the slide. Such a curve is sound in itself; only what stands still tells.
One key that undoes nearly all of it, and leaves much less than any other channel could, is the cause.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from refine.curve import evaluate
from refine.flags.flag import Cause
from refine.flags.keys import habit_breaks
from refine.flags.stage import Stage
from refine.flags.standing import carrying, standing
from refine.habit import Habit
from refine.limbs.planted import Planted
from refine.pose import Point, Pose, in_axes, jacobian
from refine.shot import Array, Channel, Keys, Shot
from refine.slope_rules import Rules, contexts, relative, units

EXPLAINED = 0.9  # [judge] of a slide's squares that a cause has to undo
RIVAL = 2.0  # [judge] times what it leaves that every other channel leaves at least
FOLLOWS = 4.0  # [judge] times the habit's tightness within which a slope counts as set by a rule
LEAST = 1e-4  # of a key's slope unit: a slope that would turn by less stays
STARTS = (-0.5, 0.5)  # of the local range: moves from which the search begins
ROUNDS = 4  # an amount is exact after one unless keys become extremes on the way
LARGEST = 3.0  # [judge] times the local range: no key is moved farther by mistake


@dataclass(frozen=True, eq=False)
class PutBack:
    """Keys of a channel put back so that a slide goes: where they stand, all keys after that, and the share of the
    slide's squares that is left."""

    control: str
    channel: str
    frames: tuple[float, ...]
    keys: Keys
    left: float

    @property
    def cause(self) -> Cause:
        return Cause(self.control, self.channel, self.frames)

    def made(self, shot: Shot) -> Shot:
        found = shot.controls[shot.index(self.control)].channel(self.channel)
        assert found is not None
        return shot.with_channel(self.control, replace(found, keys=self.keys))


def put_back(stage: Stage, controls: Sequence[str], slid: Sequence[Planted]) -> PutBack | None:
    """What explains how planted points left their anchors, among the keys of some controls; None where nothing does.

    Also looked at are the keys of what the points are planted on.
    """
    pull = _Pull(stage, slid)
    below = [name for each in slid if each.relative for name in carrying(stage, each.relative)]
    names = list(dict.fromkeys([*controls, *below]))
    strange = _least(_strange(pull, names))
    if strange and strange[0].left <= 1 - EXPLAINED:
        return strange[0]
    found = _least(each for name in names for each in _moved(pull, name))
    if not found or found[0].left > 1 - EXPLAINED:
        return None
    others = (
        each.left for each in found if (each.control, each.channel) != (found[0].control, found[0].channel)
    )
    return found[0] if min(others, default=1.0) >= RIVAL * found[0].left else None


def _least(found: Iterator[PutBack]) -> list[PutBack]:
    return sorted(found, key=lambda each: each.left)


class _Pull:
    """How the keys of the controls that carry some points move these, against what they are planted on."""

    def __init__(self, stage: Stage, slid: Sequence[Planted]) -> None:
        self.stage = stage
        self.frames = min(each.frames[0] for each in slid), max(each.frames[-1] for each in slid)
        self.points = [*slid, *self._still({each.control for each in slid})]
        self.away = np.concatenate([each.anchor - each.path for each in self.points])
        self.whole = float(np.sum(self.away**2))
        self._before: tuple[Keys | None, list[Array]] = None, []
        self.poses = [_posed(stage, each.frames) for each in self.points]

    def _still(self, slid: set[str]) -> Iterator[Planted]:
        """What else is planted meanwhile: it has to stay where it is."""
        for each in standing(self.stage).contacts:
            if (
                each.control not in slid
                and self.frames[0] <= each.frames[-1]
                and each.frames[0] <= self.frames[1]
            ):
                yield each.within(*self.frames)

    def gains(self, control: str, channel: str) -> list[Array]:
        """(k, 3, 1) of each point, per unit of a channel."""
        pairs = zip(self.points, self.poses, strict=True)
        return [_gain(self.stage.shot, posed, control, channel, each) for each, posed in pairs]

    def made(self, gains: Sequence[Array], before: Keys, after: Keys) -> Array:
        """(n, 3): how a change of keys moves the points, all points' frames one after the other."""
        by = (
            evaluate(after, each.frames) - now
            for each, now in zip(self.points, self._at(before), strict=True)
        )
        return np.concatenate([(gain @ d[:, :, None])[:, :, 0] for gain, d in zip(gains, by, strict=True)])

    def _at(self, keys: Keys) -> list[Array]:
        """(k, D) of each point: what keys have on its frames. Those asked for last are kept: many moves start there."""
        if keys is not self._before[0]:
            self._before = keys, [evaluate(keys, each.frames) for each in self.points]
        return self._before[1]

    def left(self, made: Array) -> float:
        """The share of the slide's squares that remains."""
        return float(np.sum((self.away - made) ** 2)) / self.whole


def _posed(stage: Stage, frames: Array) -> Pose:
    at = (frames - stage.frames[0]).astype(np.intp)
    return Pose(stage.frames[at], stage.posed.linear[:, at], stage.posed.origin[:, at])


def _gain(shot: Shot, posed: Pose, control: str, channel: str, contact: Planted) -> Array:
    """(k, 3, D): how a unit of a channel moves a point against what it is planted on."""
    moved = jacobian(shot, posed, control, channel, (contact.point,))[0]
    if contact.relative is None:
        return np.asarray(moved)
    i = shot.index(contact.relative)
    local = in_axes(posed.linear[i, 0], (contact.anchor[0] - posed.origin[i, 0])[:, None])[:, 0]
    ground = Point(contact.relative, (float(local[0]), float(local[1]), float(local[2])))
    return np.asarray(moved - jacobian(shot, posed, control, channel, (ground,))[0])


def _strange(pull: _Pull, controls: Sequence[str]) -> Iterator[PutBack]:
    """What undoing each break of the habit leaves."""
    for name in controls:
        for channel in pull.stage.control(name).channels:
            for each in habit_breaks(pull.stage, name, channel.name):
                assert channel.keys is not None
                own = pull.stage.book.settled(channel.keys)
                if own.touched[list(each.explanation.keys)].any():
                    continue  # first it has to stand on its frame
                before, after = (own.carried_over(channel.keys, keys) for keys in (each.before, each.after))
                made = pull.made(pull.gains(name, channel.name), before, after)
                yield PutBack(name, channel.name, each.frames, after, pull.left(made))


def _moved(pull: _Pull, name: str) -> Iterator[PutBack]:
    """The best move, with slopes set anew, of each key of a control that could have done it."""
    for channel in pull.stage.control(name).channels:
        keys = channel.keys
        if keys is None or keys.values.shape[1] != 1 or len(keys) < 3:
            continue
        gains = pull.gains(name, channel.name)
        if any(map(np.any, gains)):
            anew = Anew(keys, pull.stage.book.rules(keys), pull.stage.book.habit(name, channel.name))
            for k in _near(pull, channel):
                left, after = min(_moves(pull, gains, anew, k), key=lambda each: each[0], default=(1.0, keys))
                yield PutBack(name, channel.name, (float(keys.frames[k]),), after, left)


def _near(pull: _Pull, channel: Channel) -> list[int]:
    """Keys that move some of the frames, by their neighbours' slopes too."""
    keys = channel.keys
    assert keys is not None
    at = np.arange(len(keys))
    first, last = keys.frames[np.maximum(at - 2, 0)], keys.frames[np.minimum(at + 2, len(keys) - 1)]
    return np.flatnonzero((first < pull.frames[1]) & (last > pull.frames[0])).tolist()


@dataclass(frozen=True, eq=False)
class Anew:
    """Keys whose values change and whose slopes follow, as far as they followed the shot's habit before."""

    keys: Keys
    rules: Rules
    habit: Habit

    def moved(self, k: int, by: float) -> Keys:
        """The keys with one value moved by an amount of the channel's unit."""
        values = self.keys.values.copy()
        values[k] += by
        turned = self._by_habit(values) - self._now
        turned[~self._follows | (np.abs(turned) < LEAST * self._unit)] = 0.0
        incoming, outgoing = self.keys.incoming + turned, self.keys.outgoing + turned
        return self.keys.changed(values=values, incoming=incoming, outgoing=outgoing)

    @cached_property
    def _now(self) -> Array:
        return self._by_habit(self.keys.values)

    @cached_property
    def _unit(self) -> Array:
        return units(self.keys)[1][:, None]

    @cached_property
    def _follows(self) -> NDArray[np.bool_]:
        """(K, 1) which slopes are what the habit says."""
        off = relative(self.keys.outgoing - self._now, self._unit[:, 0])
        return np.asarray(self.rules.judged & (off <= FOLLOWS * self.habit.tight))[:, None]

    def _by_habit(self, values: Array) -> Array:
        """(K, 1) slopes by the rule that the habit follows most at keys such as each."""
        usual = np.argmax(self.habit.shares[:, :3], axis=1)[contexts(values)]
        return np.asarray(np.take_along_axis(self.rules.slopes(values), usual[None, :, None], axis=0)[0])


def _moves(pull: _Pull, gains: Sequence[Array], anew: Anew, k: int) -> Iterator[tuple[float, Keys]]:
    """Moves of a key that undo more and more of the slide: what each leaves, and the keys after it."""
    local = float(units(anew.keys)[0][k])
    for start in STARTS:
        amount = start * local
        for _ in range(ROUNDS):
            if abs(amount) > LARGEST * local:
                break
            after = anew.moved(k, amount)
            made = pull.made(gains, anew.keys, after)
            size = float(np.sum(made**2))
            if size == 0:
                break
            yield pull.left(made), after
            amount *= float(np.sum(made * pull.away)) / size

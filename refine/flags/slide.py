"""The key that makes a planted point slide: one that, put back, makes most of the slide go.

First asked are the keys that break the shot's habit. Then each key of what carries the point, or what it is planted
on: moved by a, with slopes set anew by the habit, it changes its channel by c(a) and the point by J c(a), to first
order; that a is sought which undoes most of the slide, for all keys of a channel at once. Such a curve is sound in
itself; only what stands still tells. One key that undoes nearly all of it, and leaves much less than any other channel
could, is the cause.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Band
from refine.answers import Answers, case
from refine.curve import INCOMING, OUTGOING, VALUE, evaluate, sample, sample_matrix
from refine.flags.anew import Anew
from refine.flags.flag import Cause
from refine.flags.keys import habit_breaks
from refine.flags.stage import Stage
from refine.flags.standing import carrying, standing
from refine.limbs.planted import Planted
from refine.pose import Point, Pose, in_axes, jacobian
from refine.shot import Array, Keys, Shot

EXPLAINED = 0.9  # [judge] of a slide's squares that a cause has to undo
RIVAL = 2.0  # [judge] times what it leaves that every other channel leaves at least
KEPT = 256  # searches
ROUNDING = 1e-12  # of a slide's squares: between keys that leave no more, nothing tells
STARTS = (-0.5, 0.5)  # of the local range: moves from which the search begins
ROUNDS = 4  # an amount is exact after one unless keys become extremes on the way
SETTLED = 1e-9  # of an amount, by which it would still change
LARGEST = 3.0  # [judge] times the local range: no key is moved farther by mistake


_answers = Answers["PutBack | None"](KEPT)


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

    Also looked at are the keys of what the points are planted on. What was searched once is known where nothing that
    the search looks at is another.
    """
    pull = _Pull(stage, slid)
    below = [name for each in slid if each.relative for name in carrying(stage, each.relative)]
    names = list(dict.fromkeys([*controls, *below]))
    undone = [each for name in names for each in _undone(stage, name)]
    anew = [each for name in names for each in _keyed(pull, name)]
    asked = case(pull.case(names), [each.case for each in undone], [each.case for each in anew])
    return _answers.get(asked, lambda: _found(pull, undone, anew))


def _found(pull: _Pull, undone: Sequence[_Undone], anew: Sequence[Anew]) -> PutBack | None:
    strange = sorted((each.put_back(pull) for each in undone), key=lambda each: each.left)
    if strange and strange[0].left <= 1 - EXPLAINED:
        return strange[0]
    found = sorted(_moved(pull, anew), key=lambda each: each.left)
    if not found or found[0].left > 1 - EXPLAINED:
        return None
    rival = found[1].left if len(found) > 1 else 1.0
    return found[0].put_back(pull) if rival >= RIVAL * max(found[0].left, ROUNDING) else None


class _Pull:
    """How the keys of the controls that carry some points move these, against what they are planted on.

    Moves and gains have N rows: the points' frames, one point after the other.
    """

    def __init__(self, stage: Stage, slid: Sequence[Planted]) -> None:
        self.stage = stage
        self.span = min(each.frames[0] for each in slid), max(each.frames[-1] for each in slid)
        self.points = [*slid, *self._still({each.control for each in slid})]
        self.away = np.concatenate([each.anchor - each.path for each in self.points])
        self.whole = float(np.sum(self.away**2))
        every = np.concatenate([each.frames for each in self.points])
        self.frames, self._rows = np.unique(every, return_inverse=True)
        self._posed = _posed(stage, self.frames)
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

    def gains(self, control: str, channel: str) -> Array:
        """(N, 3, D): how a unit of a channel moves each point against what it is planted on."""
        moved = jacobian(self.stage.shot, self._posed, control, channel, self._seen)
        for n, ground in zip(self._grounds, moved[len(self.points) :], strict=True):
            moved[n] -= ground
        own = np.repeat(np.arange(len(self.points)), [len(each.frames) for each in self.points])
        return moved[own, self._rows]

    def made(self, gains: Array, before: Keys, after: Keys) -> Array:
        """(N, 3): how a change of keys moves the points."""
        by = evaluate(after, self.frames) - evaluate(before, self.frames)
        return np.asarray((gains @ by[self._rows, :, None])[:, :, 0])

    def left(self, made: Array) -> float:
        """The share of the slide's squares that remains."""
        return float(np.sum((self.away - made) ** 2)) / self.whole

    def reach(self, keys: Keys) -> slice:
        """The keys between which the frames lie."""
        ends = np.searchsorted(keys.frames, self.frames[[0, -1]], side="right") - 1
        first, last = np.clip(ends, 0, len(keys) - 2).tolist()
        return slice(first, last + 2)

    def many(self, gains: Array, keys: Keys, by: Array) -> Array:
        """(N, 3, S): how S changes of the `unknowns` of the keys in `reach` (3k, S) move the points."""
        reach, whole = self.reach(keys), sample_matrix(keys, self.frames)
        part = Band(whole.entries, whole.start - 3 * reach.start, 3 * (reach.stop - reach.start))
        return np.asarray(gains * (part @ by)[self._rows, None])


def _posed(stage: Stage, frames: Array) -> Pose:
    at = (frames - stage.frames[0]).astype(np.intp)
    return Pose(frames, stage.posed.linear[:, at], stage.posed.origin[:, at])


def _ground(stage: Stage, contact: Planted) -> Point:
    """The point of what a contact is planted on with which it stays."""
    assert contact.relative is not None
    i, n = stage.control_at[contact.relative], int(contact.frames[0] - stage.frames[0])
    away = contact.anchor[0] - stage.posed.origin[i, n]
    local = in_axes(stage.posed.linear[i, n], away[:, None])[:, 0]
    return Point(contact.relative, (float(local[0]), float(local[1]), float(local[2])))


@dataclass(frozen=True, slots=True, eq=False)
class _Undone:
    """A break of the habit, and the keys of its channel before and after it is undone."""

    control: str
    channel: str
    frames: tuple[float, ...]
    before: Keys
    after: Keys

    @property
    def case(self) -> tuple[object, ...]:
        return self.control, self.channel, self.frames, self.before, self.after

    def put_back(self, pull: _Pull) -> PutBack:
        left = pull.left(pull.made(pull.gains(self.control, self.channel), self.before, self.after))
        return PutBack(self.control, self.channel, self.frames, self.after, left)


def _undone(stage: Stage, name: str) -> Iterator[_Undone]:
    """The breaks of a control's habit, undone; but those of keys that have to stand on their frames first."""
    for channel in stage.control(name).channels:
        for each in habit_breaks(stage, name, channel.name):
            assert channel.keys is not None
            own = stage.book.settled(channel.keys)
            if not own.touched[list(each.explanation.keys)].any():
                before, after = (own.carried_over(channel.keys, keys) for keys in (each.before, each.after))
                yield _Undone(name, channel.name, each.frames, before, after)


def _keyed(pull: _Pull, name: str) -> Iterator[Anew]:
    """The channels of a control a key of which could have done it."""
    book = pull.stage.book
    for channel in pull.stage.control(name).channels:
        keys = channel.keys
        if keys is not None and keys.values.shape[1] == 1 and len(keys) > 2 and len(_near(pull, keys)):
            yield Anew(keys, book.rules(keys), book.habit(name, channel.name), (name, channel.name))


@dataclass(frozen=True, slots=True, eq=False)
class _Move:
    """The key of a channel that undoes most of a slide when it is moved, and the share of the squares left."""

    anew: Anew
    gains: Array
    k: int
    left: float

    def put_back(self, pull: _Pull) -> PutBack:
        """The key moved by what undoes most, to the last digit."""
        left, after = min(_moves(pull, self.gains, self.anew, self.k), key=lambda each: each[0])
        return PutBack(*self.anew.place, (float(after.frames[self.k]),), after, left)


def _moved(pull: _Pull, every: Sequence[Anew]) -> Iterator[_Move]:
    """The best move, with slopes set anew, of each channel."""
    for anew in every:
        gains = pull.gains(*anew.place)
        if gains.any():
            near = _near(pull, anew.keys)
            left = _left_by(pull, gains, anew, near)
            best = int(np.argmin(left))
            yield _Move(anew, gains, int(near[best]), float(left[best]))


def _near(pull: _Pull, keys: Keys) -> NDArray[np.intp]:
    """Keys that move some of the frames, by their neighbours' slopes too."""
    at = np.arange(len(keys))
    first, last = keys.frames[np.maximum(at - 2, 0)], keys.frames[np.minimum(at + 2, len(keys) - 1)]
    return np.flatnonzero((first < pull.span[1]) & (last > pull.span[0]))


def _moves(pull: _Pull, gains: Array, anew: Anew, k: int) -> Iterator[tuple[float, Keys]]:
    """Moves of a key that undo more and more of the slide: what each leaves, and the keys after it."""
    for start in STARTS:
        amount = start * anew.local[k]
        for _ in range(ROUNDS):
            if abs(amount) > LARGEST * anew.local[k]:
                break
            after = anew.moved(k, amount)
            made = pull.made(gains, anew.keys, after)
            size = float(np.sum(made**2))
            if size == 0:
                break
            yield pull.left(made), after
            amount *= float(np.sum(made * pull.away)) / size


def _left_by(pull: _Pull, gains: Array, anew: Anew, near: NDArray[np.intp]) -> Array:
    """(n,) the least share of the slide's squares that `_moves` of each of the keys `near` (n,) leave, all at once."""
    reach, least = pull.reach(anew.keys), np.ones(len(anew.keys))
    at = np.repeat(near, len(STARTS))
    amount = np.tile(STARTS, len(near)) * anew.local[at]
    for _ in range(ROUNDS):
        within = np.abs(amount) <= LARGEST * anew.local[at]
        at, amount = at[within], amount[within]
        if not len(at):
            break
        by = np.zeros((reach.stop - reach.start, 3, len(at)))
        by[:, VALUE] = (np.arange(len(anew.keys))[reach, None] == at) * amount
        by[:, INCOMING] = by[:, OUTGOING] = anew.turned(at, amount, reach)
        made = pull.many(gains, anew.keys, by.reshape(-1, len(at)))
        np.minimum.at(least, at, np.sum((pull.away[:, :, None] - made) ** 2, axis=(0, 1)) / pull.whole)
        size, along = np.sum(made**2, axis=(0, 1)), np.einsum("nds,nd->s", made, pull.away)
        share = np.divide(along, size, out=np.ones_like(size), where=size > 0)
        going = np.abs(share - 1) > SETTLED
        at, amount = at[going], (amount * share)[going]
    return least[near]

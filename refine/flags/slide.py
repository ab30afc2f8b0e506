"""The key that makes a planted point slide: one that, put back, makes most of the slide go.

First asked are the keys that break the shot's habit. Then each key of what carries the point, or what it is planted
on: moved by a, with slopes set anew by the habit, it changes its channel by c(a) and the point as `pull` says; that a
is sought which undoes most of the slide, for all keys of a channel at once. Such a curve is sound in itself; only what
stands still tells. One key that undoes nearly all of it, and leaves much less than any other channel could, is the
cause. Where none does, two or three neighbouring keys of a channel are asked together (`several`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.answers import Answers, case
from refine.curve import INCOMING, OUTGOING, VALUE
from refine.flags.anew import Anew
from refine.flags.flag import Cause
from refine.flags.keys import habit_breaks
from refine.flags.pull import Gains, Pull, near_keys, with_keys
from refine.flags.several import MOST, Fit, fits, fitted, least, told
from refine.flags.stage import Stage
from refine.flags.standing import carrying
from refine.limbs.planted import Planted
from refine.shot import Array, Keys, Shot
from refine.slope_nats import CLEARER

EXPLAINED = 0.9  # [judge] of a slide's squares that a cause has to undo
MAINLY = 0.5  # [judge] of them that the keys of a channel have to be able to undo, to be looked at
RIVAL = 2.0  # [judge] times what it leaves that every other channel leaves at least
KEPT = 256  # searches
ROUNDING = 1e-12  # of a slide's squares: between keys that leave no more, nothing tells
STARTS = (-0.5, 0.5)  # of the local range: moves from which the search begins
ROUNDS = 4  # an amount is exact after one, unless it is a turn or keys become extremes on the way
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
        return with_keys(shot, self.control, self.channel, self.keys)


def put_back(stage: Stage, controls: Sequence[str], slid: Sequence[Planted]) -> PutBack | None:
    """What explains how planted points left their anchors, among the keys of some controls; None where nothing does.

    Also looked at are the keys of what the points are planted on. What was searched once is known where nothing that
    the search looks at is another.
    """
    pull = Pull(stage, slid)
    below = [name for each in slid if each.relative for name in carrying(stage, each.relative)]
    names = list(dict.fromkeys([*controls, *below]))
    undone = [each for name in names for each in _undone(stage, name)]
    anew = [each for name in names for each in _keyed(pull, name)]
    asked = case(pull.case(names), [each.case for each in undone], [each.case for each in anew])
    return _answers.get(asked, lambda: _found(pull, undone, anew))


def could_explain(stage: Stage, cause: Cause, slid: Sequence[Planted]) -> bool:
    """Whether the keys of a channel could undo most of a slide at all, whatever their values and slopes."""
    channel = stage.control(cause.control).channel(cause.channel or "")
    if channel is None or channel.keys is None:
        return False
    pull = Pull(stage, slid)
    return least(pull, pull.gains(cause.control, channel.name), channel.keys) <= 1 - MAINLY


def _found(pull: Pull, undone: Sequence[_Undone], anew: Sequence[Anew]) -> PutBack | None:
    strange = sorted((each.put_back(pull) for each in undone), key=lambda each: each.left)
    if strange and strange[0].left <= 1 - EXPLAINED:
        return strange[0]
    found = sorted(_moved(pull, anew), key=lambda each: each.left)
    if not (found and found[0].left <= 1 - EXPLAINED):
        return _together(pull, anew)
    alike = [each for each in found if each.left < RIVAL * max(found[0].left, ROUNDING)]
    one = _likeliest([told(pull, fitted(pull, m.gains, m.anew, slice(m.k, m.k + 1))) for m in alike])
    rivals = [each.left for each in found if each not in alike]
    return None if one is None else _put_back(one, min(rivals, default=1.0))


def _likeliest(fits: Sequence[Fit]) -> Fit | None:
    """Of one key of each channel that explain a slide alike the one that most clearly stands out from its neighbours.

    A thigh and the hips turn a foot about the same axis: where only this foot stands, the slide tells nothing of which.
    """
    if len(fits) == 1:
        return fits[0]
    gains = [fit.anew.stood_out(fit.run.start, float(fit.by[fit.run.start])) for fit in fits]
    first, second = np.argsort(gains)[::-1][:2].tolist()
    return fits[first] if gains[first] - gains[second] > CLEARER else None


def _put_back(fit: Fit, rival: float) -> PutBack | None:
    """What a fit puts back, if it explains the slide and leaves much less than its rival."""
    if fit.left > 1 - EXPLAINED or rival < RIVAL * max(fit.left, ROUNDING):
        return None
    return PutBack(*fit.anew.place, fit.frames, fit.keys, fit.left)


def _together(pull: Pull, every: Sequence[Anew]) -> PutBack | None:
    """A few neighbouring keys of a channel that together explain what no key does by itself.

    One more key has to make much more of the slide go.
    """
    able, unable = list[tuple[Gains, Anew]](), 1.0
    for anew in every:
        gains = pull.gains(*anew.place)
        left = least(pull, gains, anew.keys)
        if left <= 1 - EXPLAINED:
            able.append((gains, anew))
        else:
            unable = min(unable, left)
    best: PutBack | None = None
    for count in range(2, MOST + 1):
        each = (
            min(fits(pull, gains, anew, count), key=lambda fit: fit.left, default=None)
            for gains, anew in able
        )
        found = sorted((fit for fit in each if fit is not None), key=lambda fit: fit.left)
        if not found or found[0].left > 1 - EXPLAINED:
            continue
        rival = min(unable, found[1].left if len(found) > 1 else 1.0)
        now = _put_back(told(pull, found[0]), rival)
        if now is not None and (best is None or now.left * RIVAL < best.left):
            best = now
    return best


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

    def put_back(self, pull: Pull) -> PutBack:
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


def _keyed(pull: Pull, name: str) -> Iterator[Anew]:
    """The channels of a control a key of which could have done it."""
    book = pull.stage.book
    for channel in pull.stage.control(name).channels:
        keys = channel.keys
        if keys is not None and keys.values.shape[1] == 1 and len(keys) > 2 and len(near_keys(pull, keys)):
            yield Anew(keys, book.rules(keys), book.habit(name, channel.name), (name, channel.name))


@dataclass(frozen=True, slots=True, eq=False)
class _Move:
    """The key of a channel that undoes most of a slide when it is moved, and the share of the squares left."""

    anew: Anew
    gains: Gains
    k: int
    left: float


def _moved(pull: Pull, every: Sequence[Anew]) -> Iterator[_Move]:
    """The best move, with slopes set anew, of each channel."""
    for anew in every:
        gains = pull.gains(*anew.place)
        if gains.any():
            near = near_keys(pull, anew.keys)
            left = _left_by(pull, gains, anew, near)
            best = int(np.argmin(left))
            yield _Move(anew, gains, int(near[best]), float(left[best]))


def _moves(pull: Pull, gains: Gains, anew: Anew, k: int) -> Iterator[tuple[float, Keys]]:
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


def _left_by(pull: Pull, gains: Gains, anew: Anew, near: NDArray[np.intp]) -> Array:
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

"""Find the cause first: the fewest edits of keys that explain what is wrong with a channel in a range.

An explanation is a small set of edits (this key's value; its slope; both; a zigzag over a few keys). Each is
scored by its description length in nats: what the key slopes cost under the artist's own habit once the edit is
undone (`habit`), what the key values cost given their neighbours, and a charge for each edit. "Nothing is wrong"
is one of the explanations. The posterior over all of them says whether one is clear; if none is, nothing is
changed unless the animator picks one.

The trick that makes the search exact and quick: slopes are linear in values under each rule, so the best amount
of a value edit makes some key obey some rule exactly. Those few amounts are tried, all in one array operation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from refine.habit import Habit
from refine.score import Moves, Score
from refine.shot import Array, Keys
from refine.slope_rules import Rules, lengths
from refine.zigzag import Curve, Zigzags, zigzags

Kind = Literal["nothing", "value", "slope", "value and slope", "zigzag"]

HARM = 0.1  # [judge] probability of making it worse that a change may have without being asked for
GAIN = 0.5  # [judge] expected share of the fault that it has to remove
_LISTED, _WEIGHED, _NEGLIGIBLE = 40, 400, 1e-9  # explanations always kept, at most weighed, least probability
_EDIT_SCALE = 0.3  # [judge] prior size of an edit, relative to the local range
_ZIGZAG = (3, 4, 5)
_SHARED = 0.5  # [judge] odds that a key's value is off if that of another channel on its frame is
_BOTH = 3.0  # [judge] nats: a key off in value and slope at once is that much rarer than in one of them
_TELLS = 1.0  # [judge] nats of slopes that a moved value has to explain
_NOTICED = 2.0  # [judge] px at which half of the faults get noticed
_BULGE = 4 / 27  # what a unit slope lifts a segment of unit length by: the maximum of u (1 - u)^2
_REACH_OF_RULE = 6  # keys; the natural spline's influence has fallen below 0.27^6 = 4e-4


@dataclass(frozen=True, slots=True, eq=False)
class Edit:
    """One key's change: of its value, of its slope, or of both, (D,) each; None leaves it."""

    key: int
    value: Array | None = None
    slope: Array | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """A set of edits with its description length (nats; lower is better) and its posterior probability."""

    kind: Kind
    edits: tuple[Edit, ...]
    cost: float
    probability: float = 0.0
    blocked: str = ""  # why its keys may not be moved, if they may not

    @property
    def keys(self) -> tuple[int, ...]:
        return tuple(edit.key for edit in self.edits)

    def displacement(self, frames: Array) -> float:
        """How far the edits move the curve at most, in the channel's unit; `frames` (K,) are those of all keys."""
        moves = [0.0]
        for edit in self.edits:
            if edit.value is not None:
                moves.append(float(np.linalg.norm(edit.value)))
            if edit.slope is not None:
                near = frames[max(edit.key - 1, 0) : edit.key + 2]
                moves.append(_BULGE * float(np.diff(near).max()) * float(np.linalg.norm(edit.slope)))
        return max(moves)


@dataclass(frozen=True, slots=True, eq=False)
class Suspect:
    """One channel as the search sees it: keys, rules, habit, and which keys lie in the range.

    `searched` (K,) may be the cause; `blocked[k]` says why key k must stay although it may be the cause.
    A range is flagged because something can be seen in it, so an edit that moves little on screen is unlikely. One on a
    frame on which another channel of the control is off is likely: it is the pose that was nudged.
    """

    keys: Keys
    rules: Rules
    habit: Habit
    predict: Array  # (K, K) values from their neighbours, see habit.neighbour_prediction
    strange: bool  # whether a slope in or near the range breaks the habit; if none does, slopes tell nothing
    searched: NDArray[np.bool_]
    blocked: dict[int, str]
    pixels: Callable[[], float]  # px that a unit of the channel moves on screen; 0 where nothing is seen
    backed: Array | float = 0.0  # (K,) probability that another channel's value is off on each key's frame


def edited(keys: Keys, edits: Iterable[Edit]) -> Keys:
    """The keys after the edits; a key that isn't a corner keeps one slope."""
    values, incoming, outgoing = keys.values.copy(), keys.incoming.copy(), keys.outgoing.copy()
    for edit in edits:
        if edit.value is not None:
            values[edit.key] += edit.value
        if edit.slope is not None:
            incoming[edit.key] += edit.slope
            outgoing[edit.key] += edit.slope
    return keys.changed(values=values, incoming=incoming, outgoing=outgoing)


def explain(suspect: Suspect, channels_searched: int = 1) -> list[Explanation]:
    """All explanations worth naming, likeliest first, "nothing" among them.

    `channels_searched` is the number of places where the fault might equally have been: looking in more of them
    asks for more evidence.
    """
    judge = _Judge(suspect, channels_searched)
    found = [Explanation("nothing", (), judge.score.now)]
    if suspect.strange:
        found += [*judge.slope_edits(), *judge.value_edits(), *judge.zigzags()]
    else:
        found += judge.guesses()
    lowest = min(explanation.cost for explanation in found)
    weights = np.exp([lowest - explanation.cost for explanation in found])
    weights /= weights.sum()
    named = [
        replace(e, probability=float(w), blocked=judge.why_blocked(e))
        for e, w in zip(found, weights, strict=True)
    ]
    return sorted(named, key=lambda explanation: explanation.cost)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What undoing one explanation would do, in the light of all the others.

    harm: probability that the channel ends farther from what it should be than it is now. gain: expected share
    of the fault that goes.
    """

    explanation: Explanation
    harm: float
    gain: float

    @property
    def clear(self) -> bool:
        return self.harm <= HARM and self.gain >= GAIN and not self.explanation.blocked


def verdicts(explanations: list[Explanation], keys: Keys) -> list[Verdict]:
    """Each explanation but "nothing", judged against every truth that is possible; the likeliest come first.

    Distances are taken between the edits as displacements of the curve, so explanations that nearly agree (the
    same zigzag, a key longer) back each other.
    """
    # What is unlikely can't sway a verdict; hundreds of keys in the range would make thousands of explanations.
    likely = explanations[_LISTED:_WEIGHED]
    explanations = explanations[:_LISTED] + [e for e in likely if e.probability > _NEGLIGIBLE]
    moves = np.stack([_displacement(explanation, keys) for explanation in explanations])
    chance = np.array([explanation.probability for explanation in explanations])
    size = np.linalg.norm(moves, axis=1)
    apart = np.linalg.norm(moves[:, None] - moves[None], axis=2)  # [act on, truth]
    with np.errstate(divide="ignore", invalid="ignore"):
        recovered = np.where(size > 0, 1 - apart / size, np.where(apart > 0, -1.0, 0.0))
    harm = (apart >= np.maximum(size, 1e-300)) @ chance
    gain = np.maximum(recovered, -1.0) @ chance
    judged = [
        Verdict(e, float(h), float(g)) for e, h, g in zip(explanations, harm, gain, strict=True) if e.edits
    ]
    return sorted(judged, key=lambda verdict: (-round(verdict.gain, 3), verdict.explanation.cost))


def _displacement(explanation: Explanation, keys: Keys) -> Array:
    """(2 K D,) how far the edits move the curve: values by themselves, slopes by the bulge they make."""
    moved = np.zeros((2, *keys.values.shape))
    for edit in explanation.edits:
        if edit.value is not None:
            moved[0, edit.key] = edit.value
        if edit.slope is not None:
            frames = keys.frames[max(edit.key - 1, 0) : edit.key + 2]
            moved[1, edit.key] = edit.slope * _BULGE * float(np.diff(frames).max())
    return moved.ravel()


class _Judge:
    """Scores explanations of one channel; everything that doesn't depend on the edit is computed once."""

    def __init__(self, suspect: Suspect, channels_searched: int) -> None:
        keys, self.suspect = suspect.keys, suspect
        self.values, self.slopes = keys.values, keys.outgoing
        self.rules, self.habit, self.predict = suspect.rules, suspect.habit, suspect.predict
        self.judged = suspect.rules.judged
        self.searched = np.flatnonzero(suspect.searched)
        self.score = Score(keys, self.rules, self.habit, self.predict, suspect.searched)
        self.local, self.unit = self.score.local, self.score.unit
        self.backed = np.broadcast_to(suspect.backed, len(keys))
        # where: one of the searched keys' values or slopes, in one of the channels
        self.where = np.log(max(2 * len(self.searched), 1)) + np.log(channels_searched)
        self.tight_edit = np.log(_EDIT_SCALE / self.habit.tight)

    def unnoticed(self, displacement: Array) -> Array:
        """Nats against an edit that moves the curve by this much at most: p(noticed) = px^2 / (px^2 + 2^2)."""
        gain = self.gain
        if gain == 0:  # nothing on screen to judge by: take the local range for a move of 100 px
            gain = 100.0 / float(self.local[self.searched].max())
        return np.asarray(np.log1p((_NOTICED / np.maximum(gain * displacement, 1e-9)) ** 2))

    def placed(self, at: NDArray[np.intp], displacement: Array) -> Array:
        """(S,) nats of moving the values of these keys (S,) or (S, n), of all keys, by this much at most.

        One key is off and was noticed; or the pose is, and this channel, noticed or not, goes with it.
        """
        alone = self.where + self.unnoticed(displacement)
        pose = self.backed[at].reshape(len(at), -1).min(axis=1)
        return np.asarray(alone - np.log(1 - pose + pose * _SHARED * np.exp(alone)))

    @cached_property
    def gain(self) -> float:
        return self.suspect.pixels()

    def why_blocked(self, explanation: Explanation) -> str:
        reasons = [self.suspect.blocked[k] for k in explanation.keys if k in self.suspect.blocked]
        return "; ".join(dict.fromkeys(reasons))

    def slope_edits(self) -> list[Explanation]:
        """Each searched key's slope set by each of the rules."""
        at = self.searched[self.judged[self.searched]]
        if not len(at):
            return []
        still = Moves(at, np.zeros((len(at), 1, self.values.shape[1])))
        more, change = self.score.resloped(still)
        total = self.score.now + more + self.where + self.tight_edit + self.unnoticed(self._lift(at, change))
        return [
            Explanation("slope", (Edit(int(k), slope=by),), float(cost))
            for i, k in enumerate(at)
            for by, cost in zip(change[:, i], total[:, i], strict=True)
        ]

    def _lift(self, at: NDArray[np.intp], slope: Array) -> Array:
        """Largest displacement by slope edits (..., S, D) of keys (S,)."""
        gap = np.diff(self.suspect.keys.frames)
        longest = np.maximum(np.append(0.0, gap), np.append(gap, 0.0))
        return np.asarray(_BULGE * longest[at] * lengths(slope))

    def _amounts(self, k: int) -> tuple[Array, int]:
        """(M, D) amounts of a value edit at key k, the first few of which need no precision.

        Those few are the neighbours' guess and the values just above and below each neighbour, where a flat key
        becomes an extreme. The rest make some other key obey some rule exactly.
        """
        value, step = self.values[k], 0.05 * self.local[k]
        guesses = [self.predict[k] @ self.values - value]
        if len(value) == 1:
            guesses += [
                self.values[j] - value + s
                for j in (k - 1, k + 1)
                if 0 <= j < len(self.values)
                for s in (-step, step)
            ]
        near = np.arange(max(k - _REACH_OF_RULE, 0), min(k + _REACH_OF_RULE + 1, len(self.values)))
        near = near[self.judged[near]]
        amounts = [np.stack(guesses)]
        for rule in (self.rules.natural, self.rules.chord):
            by = rule[near, k]
            touched = np.abs(by) * self.local[k] > 0.02 * self.unit[near]
            if rule is self.rules.chord:  # a flat key says nothing by its chord
                touched &= np.any(self.slopes[near] != 0, axis=1)
            rest = self.slopes[near] - rule[near] @ self.values
            amounts.append(rest[touched] / by[touched, None])
        stacked = np.concatenate(amounts)
        return np.clip(stacked, -3 * self.local[k], 3 * self.local[k]), len(guesses)

    def guesses(self) -> list[Explanation]:
        """Each searched key moved to where its neighbours expect it: all there is to go by without slopes."""
        at = self.searched
        if not len(at):
            return []
        amounts = self.predict[at] @ self.values - self.values[at]
        moves = Moves(at, amounts[:, None])
        size = moves.sizes[:, 0]
        cost = self.score.cost(moves) + size / self.local[at]
        cost = cost + self.placed(at, size) + np.log(_EDIT_SCALE / self.score.scatter)
        edits = [(Edit(int(k), amount),) for k, amount in zip(at, amounts, strict=True)]
        return [Explanation("value", e, float(c)) for e, c in zip(edits, cost, strict=True)]

    def value_edits(self) -> list[Explanation]:
        """The best value edit, and the best edit of value and slope, of each searched key."""
        if not len(self.searched):
            return []
        tried = [self._amounts(int(k)) for k in self.searched]
        sizes = [len(amounts) for amounts, _ in tried]
        moves = Moves(np.repeat(self.searched, sizes), np.concatenate([a for a, _ in tried])[:, None])
        guess = np.concatenate([np.arange(len(amounts)) < count for amounts, count in tried])
        by_slopes, by_values = self.score.more(moves)
        total = self.score.now + by_slopes + by_values + self._charge(moves, guess)
        every = total.copy()
        # That a value stands out from its neighbours doesn't make it the cause of slopes that it leaves as strange.
        total[by_slopes > -_TELLS] = np.inf
        # The same with the key's slope set anew by a rule: (3, S).
        more, turn = self.score.resloped(moves)
        both = np.where(guess | ~self.judged[moves.first], np.inf, every + more + self.tight_edit + _BOTH)
        found = []
        for k, end, count in zip(self.searched.tolist(), np.cumsum(sizes).tolist(), sizes, strict=True):
            own = slice(end - count, end)
            best = own.start + int(np.argmin(total[own]))
            if np.isfinite(total[best]):
                found.append(Explanation("value", (Edit(k, moves.amounts[best, 0]),), float(total[best])))
            rule, best = np.unravel_index(np.argmin(both[:, own]), (len(both), count))
            if np.isfinite(both[rule, own][best]):
                edit = Edit(k, moves.amounts[own][best, 0], turn[rule, own][best])
                found.append(Explanation("value and slope", (edit,), float(both[rule, own][best])))
        return found

    def _charge(self, moves: Moves, guess: NDArray[np.bool_]) -> Array:
        """(S,) nats of stating a move of one key to the digit that it claims; a guess claims none.

        One that brings a key onto a rule says something to the last digit all the same, by chance or not.
        """
        size = moves.sizes[:, 0]
        at = moves.first
        charge = self.placed(at, size) + self.tight_edit + size / self.local[at]
        guesses = np.flatnonzero(guess)
        exact = self.score.meets_a_rule(Moves(at[guesses], moves.amounts[guesses]))
        charge[guesses[~exact]] += np.log(self.habit.tight / self.score.scatter)
        return np.asarray(charge)

    def zigzags(self) -> list[Explanation]:
        """Neighbouring keys moved to alternating sides: the best explanation for each run of them."""
        curve = Curve(self.values, self.slopes, self.local, self.unit, self.rules, self.habit)
        found: list[Explanation] = []
        for count in _ZIGZAG:
            options = zigzags(curve, self.suspect.searched, count)
            if len(options.keys):
                found += self._zigzags(options, count)
        return found

    def _zigzags(self, options: Zigzags, count: int) -> list[Explanation]:
        moves = Moves(options.keys[:, 0], options.amounts)
        size = moves.sizes
        # Alternation is one bit a key that need not be said; what no slope determines needs no precision.
        charge = (
            self.placed(options.keys, size.max(axis=1)) + options.known * self.tight_edit - count * np.log(2)
        )
        charge = charge + (size / self.local[options.keys]).sum(axis=1)
        total = self.score.cost(moves) + charge
        found = []
        for k in np.unique(moves.first):
            best = int(np.argmin(np.where(moves.first == k, total, np.inf)))
            pairs = zip(options.keys[best], options.amounts[best], strict=True)
            found.append(
                Explanation("zigzag", tuple(Edit(int(j), by) for j, by in pairs), float(total[best]))
            )
        return found

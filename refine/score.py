"""What a channel's keys cost, in nats, once some neighbouring ones were moved: for many such moves at once.

A rule's slope is linear in the key values, so moving n keys changes it at every key by n columns of the rule's
matrix. Beyond `_FELT` keys that is next to nothing, so a move is scored on the rows around its keys alone (its
window); all other keys cost what they cost as they stand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.habit import Habit
from refine.shot import Array, Keys
from refine.slope_rules import ZERO, Rules, contexts, lengths, relative, units

_STUDENT = 3.0  # degrees of freedom: real motion is full of keys that neighbours don't predict
_FELT = 16  # keys; the natural spline's influence has fallen below 0.27^16 = 8e-10


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """S moves of n neighbouring keys each: the first key's position (S,), and the amounts (S, n, D)."""

    first: NDArray[np.intp]
    amounts: Array

    @property
    def keys(self) -> NDArray[np.intp]:
        """(S, n) positions of the moved keys."""
        return self.first[:, None] + np.arange(self.amounts.shape[1])

    @property
    def sizes(self) -> Array:
        """(S, n) how far each key is moved."""
        return lengths(self.amounts)


class Score:
    """The cost of one channel's keys, slopes by the habit and values by their neighbours, and of moves of them.

    Everything that doesn't depend on the move is computed once.
    """

    def __init__(
        self, keys: Keys, rules: Rules, habit: Habit, predict: Array, searched: NDArray[np.bool_]
    ) -> None:
        self.values, self.slopes = keys.values, keys.outgoing
        self.local, self.unit = units(keys)
        self.habit, self.judged, self.predict = habit, rules.judged, predict
        self._influence = np.stack(
            [rules.natural, rules.chord, np.zeros_like(rules.chord)]
        )  # of values on slopes
        self._by_rule, self._context = rules.slopes(self.values), contexts(self.values)
        self._miss = self.values - predict @ self.values
        outside = relative(self._miss, self.local)[~searched]
        # [judge] never trust neighbours to better than 5 % of the local range
        self.scatter = max(float(np.median(outside)) / 0.765 if len(outside) > 4 else 0.3, 0.05)
        every = np.arange(len(keys))
        self._deviation = relative(self.slopes - self._by_rule, self.unit)
        self._by_slope = self._nats(self._deviation, self._context, every)
        self._by_value = self._wild(self._miss, every)
        self.now = float((self._by_slope + self._by_value).sum())

    def cost(self, moves: Moves) -> Array:
        """(S,) nats of the whole channel after each move, slopes staying as they are."""
        return np.asarray(self.now + self.more(moves).sum(axis=0))

    def more(self, moves: Moves) -> Array:
        """(2, S) nats more that slopes, and values, cost after each move."""
        at = self._window(moves, _FELT)
        miss = self._miss[at] - self.predict[at[:, :, None], moves.keys[:, None, :]] @ moves.amounts
        rows, columns = self._moved(moves, at)
        miss[rows, columns] += moves.amounts
        slopes = self._nats(self._deviations(moves, at), self._contexts(moves, at), at)
        by_kind = slopes - self._by_slope[at], self._wild(miss, at) - self._by_value[at]
        return np.stack([each.sum(axis=1) for each in by_kind])

    def resloped(self, moves: Moves) -> tuple[Array, Array]:
        """(3, S) nats more that the channel costs where each move's first key then takes each rule's slope.

        The second answer, (3, S, D), is by how much its slope changes.
        """
        near = self._window(moves, 1)
        key = (np.arange(len(near)), moves.first - near[:, 0])
        by_rule = self._slopes(moves, near)[:, *key]
        context, at = self._contexts(moves, near)[key], moves.first
        deviation = relative(self.slopes[at] - by_rule, self.unit[at])
        before = self._nats(deviation, context, at)
        turned = relative(by_rule[:, None] - by_rule[None], self.unit[at])  # [rule measured by, rule taken]
        after = self._nats(turned, np.broadcast_to(context, turned.shape[1:]), at)
        return after - before, by_rule - self.slopes[at]

    def meets_a_rule(self, moves: Moves) -> NDArray[np.bool_]:
        """(S,) whether a move brings a key onto its spline's or chord's slope that isn't on it now."""
        at = self._window(moves, _FELT)
        now, then = (
            deviation[:ZERO].min(axis=0) < 10 * self.habit.tight
            for deviation in (self._deviation[:, at], self._deviations(moves, at))
        )
        return np.asarray((then & ~now & self.judged[at]).any(axis=1))

    # --- windows of keys -----------------------------------------------------------------------------------

    def _window(self, moves: Moves, reach: int) -> NDArray[np.intp]:
        """(S, R) positions of the keys around each move, `reach` to each side where there are so many."""
        count = min(moves.amounts.shape[1] + 2 * reach, len(self.values))
        start = np.clip(moves.first - reach, 0, len(self.values) - count)
        return np.asarray(start[:, None] + np.arange(count))

    def _moved(self, moves: Moves, at: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Row and column of the moved keys in windows (S, R)."""
        return np.arange(len(at))[:, None], moves.keys - at[:, :1]

    def _contexts(self, moves: Moves, at: NDArray[np.intp]) -> NDArray[np.intp]:
        values = self.values[at]
        values[self._moved(moves, at)] += moves.amounts
        found = contexts(values)
        found[:, [0, -1]] = self._context[at[:, [0, -1]]]  # a window's ends aren't those of the channel
        return found

    def _slopes(self, moves: Moves, at: NDArray[np.intp]) -> Array:
        """(3, S, R, D) slopes by each rule after the moves."""
        by_moved = self._influence[:, at[:, :, None], moves.keys[:, None, :]]
        slopes: Array = self._by_rule[:, at] + by_moved @ moves.amounts
        return slopes

    def _deviations(self, moves: Moves, at: NDArray[np.intp]) -> Array:
        return relative(self.slopes[at] - self._slopes(moves, at), self.unit[at])

    # --- nats ----------------------------------------------------------------------------------------------

    def _nats(self, deviation: Array, context: NDArray[np.intp], at: NDArray[np.intp]) -> Array:
        """Nats of slopes at these keys; those that can't be judged cost nothing."""
        return np.where(self.judged[at], self.habit.costs(deviation, context), 0.0)

    def _wild(self, miss: Array, at: NDArray[np.intp]) -> Array:
        """Nats of values that miss their neighbours' prediction."""
        times = relative(miss, self.local[at]) / self.scatter
        return np.asarray((_STUDENT + 1) / 2 * np.log1p(times**2 / _STUDENT))

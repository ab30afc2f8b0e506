"""Keys set anew: a value moved by hand, and slopes that follow as the shot's habit would have them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from refine.habit import Habit, Place
from refine.score import Moves, Score
from refine.shot import Array, Keys
from refine.slope_rules import CHORD, LEAST, NATURAL, Rules, contexts, neighbour_prediction, relative, units

FOLLOWS = 4.0  # [judge] times the habit's tightness within which a slope counts as set by a rule


@dataclass(frozen=True, eq=False)
class Anew:
    """Keys whose values change and whose slopes follow, as far as they followed the shot's habit before."""

    keys: Keys
    rules: Rules
    habit: Habit
    place: Place = ("", "")

    @property
    def case(self) -> tuple[object, ...]:
        """All that moves of these keys depend on."""
        return self.place, self.keys, self.rules.ruled, self._usual, self._follows, self.redone

    def moved(self, k: int, by: float) -> Keys:
        """The keys with one value moved by an amount of the channel's unit."""
        amounts = np.zeros(len(self.keys))
        amounts[k] = by
        return self.changed(amounts, np.zeros(len(self.keys), np.bool_))

    def stood_out(self, k: int, by: float) -> float:
        """By how many nats the values agree better with their neighbours once one of them is moved."""
        predict = neighbour_prediction(self.keys.frames)
        here = np.arange(len(self.keys)) == k
        score = Score(self.keys, self.rules, self.habit, predict, here)
        return -float(score.more(Moves(np.array([k]), np.array([[[by]]])))[1, 0])

    def changed(self, by: Array, again: NDArray[np.bool_]) -> Keys:
        """The keys with values moved by amounts (K,); slopes `again` (K,) become the habit's, whatever they were."""
        values = self.keys.values + by[:, None]
        then = self._by_habit(values)
        turned = then - np.where(again[:, None], self.keys.outgoing, self._now)
        stays = ~(self._follows | again[:, None]) | (np.abs(turned) < LEAST * self._unit)
        turned[stays] = 0.0
        incoming, outgoing = self.keys.incoming + turned, self.keys.outgoing + turned
        return self.keys.changed(values=values, incoming=incoming, outgoing=outgoing)

    def by_values(self, by: Array, again: NDArray[np.bool_]) -> Array:
        """(K, K): how slopes turn with values, about values moved by (K,), while what is an extreme stays one."""
        usual = self._usual[contexts(self.keys.values + by[:, None])][:, None]
        found = np.where(
            usual == NATURAL, self.rules.natural, np.where(usual == CHORD, self.rules.chord, 0.0)
        )
        return np.asarray(np.where(self._follows | again[:, None], found, 0.0))

    @cached_property
    def redone(self) -> NDArray[np.bool_]:
        """(K,) which slopes aren't what the habit says, but follow the values by another rule: somebody set them anew.

        Flat ones don't follow the values, so nothing tells that of them.
        """
        off = relative(self.keys.outgoing - self._by_rule[..., None], self._unit[:, 0]).min(axis=0)
        near = self.rules.ruled & (off <= FOLLOWS * self.habit.tight)
        return np.asarray(near & ~self._follows[:, 0])

    def turned(self, at: NDArray[np.intp], by: Array, rows: slice) -> Array:
        """(k, S): by how much the slopes of the keys in `rows` turn where the value of one key is moved.

        S such moves, each by itself: of the keys `at` (S,) by amounts (S,) of the channel's unit.
        """
        beside = slice(max(rows.start - 1, 0), rows.stop + 1)
        values = (
            self.keys.values[beside, 0] + (np.arange(len(self.keys))[beside] == at[:, None]) * by[:, None]
        )
        inside = slice(rows.start - beside.start, rows.stop - beside.start)
        usual = self._usual[contexts(values[..., None])[:, inside]].T
        natural, chord = (
            slopes[rows, None] + rule[rows, at] * by
            for slopes, rule in zip(self._by_rule, (self.rules.natural, self.rules.chord), strict=True)
        )
        turned = np.where(usual == NATURAL, natural, np.where(usual == CHORD, chord, 0.0)) - self._now[rows]
        turned[~self._follows[rows] | (np.abs(turned) < LEAST * self._unit[rows])] = 0.0
        return turned

    @cached_property
    def _units(self) -> tuple[Array, Array]:
        return units(self.keys)

    @property
    def local(self) -> Array:
        """(K,) local range of the values."""
        return self._units[0]

    @cached_property
    def _unit(self) -> Array:
        return self._units[1][:, None]

    @cached_property
    def _usual(self) -> NDArray[np.intp]:
        """(3,) the rule that the habit follows most in each context."""
        return np.asarray(np.argmax(self.habit.shares[:, :3], axis=1))

    @cached_property
    def _by_rule(self) -> Array:
        """(2, K) slopes by NATURAL and by CHORD as the keys are."""
        return np.asarray(self.rules.slopes(self.keys.values)[:2, :, 0])

    @cached_property
    def _now(self) -> Array:
        return self._by_habit(self.keys.values)

    def _by_habit(self, values: Array) -> Array:
        """(K, 1) slopes by the rule that the habit follows most at keys such as each."""
        usual = self._usual[contexts(values)]
        return np.asarray(np.take_along_axis(self.rules.slopes(values), usual[None, :, None], axis=0)[0])

    @cached_property
    def _follows(self) -> NDArray[np.bool_]:
        """(K, 1) which slopes are what the habit says."""
        off = relative(self.keys.outgoing - self._now, self._unit[:, 0])
        return np.asarray(self.rules.ruled & (off <= FOLLOWS * self.habit.tight))[:, None]

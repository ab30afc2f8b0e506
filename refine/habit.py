"""The slope habit of a shot: by which rules its artist sets slopes, and how strictly.

A curve is judged against the shot's own habit, never against an ideal. Three rules cover the trade's common
practice [prac]; each gives a key's slope as a linear function of the key values:

* NATURAL  the natural cubic spline through the keys (continuous second derivative)
* CHORD    the chord between the two neighbours, (v[k+1] - v[k-1]) / (f[k+1] - f[k-1])
* ZERO     flat

An artist who keeps extremes flat and sets the rest by the chord follows ZERO at extremes and CHORD between them,
so the habit is a table: how often each rule is followed at keys inside a move, at extremes and at the ends of a
channel. What follows no rule was set by hand; how often, and how far from the nearest rule, is learnt too.
Deviations are relative to the slope unit of a key: local range of values over local key distance.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array, Channel, Keys, Segment, Shot

NATURAL, CHORD, ZERO = range(3)
RULE_NAMES = ("the natural spline", "the chord between its neighbours", "flat")
INSIDE, EXTREME, END = range(3)  # contexts

# [judge] Priors of the habit, in keys: how much evidence it takes to outweigh "all rules alike".
_PRIOR_KEYS = 0.3
_HAND_KEYS = 0.5  # keys set by hand that are believed in before any was seen
_TIGHT = (1e-4, 2e-2)  # bounds of the learnt tightness of rule-following keys, relative
_LOOSE = (0.05, 1.0)  # and of the scatter of hand-set ones


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """Rule slopes as matrices on the key values, (K, K) each, and which keys can be judged by them."""

    natural: Array
    chord: Array
    judged: NDArray[np.bool_]  # (K,) a curve on each side, no corner

    def slopes(self, values: Array) -> Array:
        """(3, ..., K, D) slopes that NATURAL, CHORD and ZERO would give to values (..., K, D)."""
        return np.stack([self.natural @ values, self.chord @ values, np.zeros_like(values)])


def rules(keys: Keys) -> Rules:
    """The rule matrices of one set of keys; curves are cut at corners and at segments that aren't curves."""
    count = len(keys)
    natural, chord = np.zeros((count, count)), np.zeros((count, count))
    curved = keys.segment[:-1] == Segment.CURVE
    for a, b in _runs(keys.corner, curved):
        f = keys.frames[a : b + 1]
        natural[a : b + 1, a : b + 1] = _natural(f)
        chord[a : b + 1, a : b + 1] = _chord(f)
    before, after = np.append(True, curved), np.append(curved, True)
    judged = before & after & ~keys.corner & (count > 2)
    return Rules(natural, chord, judged)


def _runs(corner: NDArray[np.bool_], curved: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """(first, last) keys of each stretch of curve segments without a corner inside."""
    start = 0
    for k in range(1, len(corner)):
        if not curved[k - 1]:
            start = k
        elif k == len(corner) - 1 or corner[k] or not curved[k]:
            yield start, k
            start = k


def _natural(f: Array) -> Array:
    """(K, K): slopes of the natural cubic spline through values at frames f."""
    h = np.diff(f)
    count = len(f)
    left, right = np.zeros((count, count)), np.zeros((count, count))
    k = np.arange(count - 1)
    left[k, k] += 2 / h
    left[k + 1, k + 1] += 2 / h
    left[k, k + 1] = left[k + 1, k] = 1 / h
    for row in (k, k + 1):
        np.add.at(right, (row, k + 1), 3 / h**2)
        np.add.at(right, (row, k), -3 / h**2)
    return np.linalg.solve(left, right)


def _chord(f: Array) -> Array:
    """(K, K): slopes of the chord between the neighbours, one-sided at the ends."""
    count = len(f)
    matrix = np.zeros((count, count))
    k = np.arange(count)
    low, high = np.maximum(k - 1, 0), np.minimum(k + 1, count - 1)
    span = f[high] - f[low]
    matrix[k, high] += 1 / span
    matrix[k, low] -= 1 / span
    return matrix


def contexts(values: Array) -> NDArray[np.intp]:
    """(..., K): INSIDE, EXTREME or END for values (..., K, D); a quaternion turns back where its steps do."""
    step = np.diff(values, axis=-2)
    turned = np.sum(step[..., 1:, :] * step[..., :-1, :], axis=-1) <= 0
    found = np.full(values.shape[:-1], END, np.intp)
    found[..., 1:-1] = np.where(turned, EXTREME, INSIDE)
    return found


def units(keys: Keys) -> tuple[Array, Array]:
    """(K,) local range of the values over the five keys around each, and the slope unit made from it."""
    v = keys.values
    count = len(keys)
    padded = np.pad(v, ((2, 2), (0, 0)), mode="edge")
    window = np.stack([padded[i : i + count] for i in range(5)])
    local = np.linalg.norm(window.max(axis=0) - window.min(axis=0), axis=1)
    whole = float(np.linalg.norm(v.max(axis=0) - v.min(axis=0)))
    local = np.maximum(local, 0.02 * whole)
    f = keys.frames
    gap = np.gradient(f) if count > 1 else np.ones(1)
    return local, local / gap


def deviations(rule: Rules, keys: Keys, values: Array, slopes: Array, unit: Array) -> Array:
    """(3, ..., K) relative distance of slopes from each rule, for values and slopes (..., K, D)."""
    return np.linalg.norm(slopes - rule.slopes(values), axis=-1) / unit


def moving(channel: Channel) -> bool:
    """Whether the channel has at least three keys and they differ."""
    keys = channel.keys
    return keys is not None and len(keys) > 2 and bool(np.ptp(keys.values, axis=0).max() > 0)


@dataclass(frozen=True, slots=True, eq=False)
class Habit:
    """What was learnt: shares (3 contexts, 3 rules + by hand), and the two scatters (relative).

    tight: how closely a key that follows a rule follows it. loose: how far from the nearest rule a hand-set one is.
    """

    shares: Array
    tight: float
    loose: float
    keys: int

    def costs(self, deviation: Array, context: NDArray[np.intp]) -> Array:
        """(..., K): -log likelihood of each key's slope, from deviations (3, ..., K) and contexts (..., K)."""
        shares = np.moveaxis(self.shares[context], -1, 0)
        follow = shares[:3] * np.exp(-np.minimum(deviation / self.tight, 700.0)) / (2 * self.tight)
        hand = shares[3] * np.exp(-deviation.min(axis=0) / self.loose) / (2 * self.loose)
        total: Array = -np.log(follow.sum(axis=0) + hand)
        return total

    def likely(self, deviation: Array, context: NDArray[np.intp]) -> NDArray[np.intp]:
        """(..., K): the rule that each key most likely follows, 3 for none."""
        shares = np.moveaxis(self.shares[context], -1, 0)
        with np.errstate(divide="ignore"):
            follow = np.log(shares[:3]) - deviation / self.tight - np.log(2 * self.tight)
            hand = np.log(shares[3]) - deviation.min(axis=0) / self.loose - np.log(2 * self.loose)
        return np.asarray(np.argmax(np.concatenate([follow, hand[None]]), axis=0))

    def rule(self, context: int) -> int:
        """The rule followed most often in a context."""
        return int(np.argmax(self.shares[context, :3]))

    def __str__(self) -> str:
        inside, extreme = self.rule(INSIDE), self.rule(EXTREME)
        hand = float(self.shares[:2, 3].mean())
        where = (
            RULE_NAMES[inside]
            if inside == extreme
            else f"{RULE_NAMES[inside]}, {RULE_NAMES[extreme]} at extremes"
        )
        return f"slopes follow {where}; {100 * hand:.0f} % set by hand"


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Deviations and contexts of the judged keys of one channel, the raw material of a habit."""

    deviation: Array  # (3, J)
    context: NDArray[np.intp]  # (J,)


def evidence(keys: Keys, rule: Rules, outside: tuple[float, float] | None = None) -> Evidence:
    """What the keys of a channel tell, without those in a range that is under suspicion."""
    judged = rule.judged.copy()
    if outside is not None:
        judged &= (keys.frames < outside[0]) | (keys.frames > outside[1])
    _, unit = units(keys)
    deviation = deviations(rule, keys, keys.values, keys.outgoing, unit)
    return Evidence(deviation[:, judged], contexts(keys.values)[judged])


def learn(parts: Iterable[Evidence], prior: Habit | None = None, prior_keys: float = _PRIOR_KEYS) -> Habit:
    """The habit behind the evidence, by a few rounds of expectation and maximisation.

    `prior` (the whole shot's habit, for a single channel) counts as `prior_keys` keys a context.
    """
    chosen = list(parts)
    deviation = np.concatenate([part.deviation for part in chosen], axis=1) if chosen else np.zeros((3, 0))
    context = np.concatenate([part.context for part in chosen]) if chosen else np.zeros(0, np.intp)
    if prior is None:
        even = np.array([1.0, 1.0, 1.0, 0.0]) / 3
        base = prior_keys * np.tile(even, (3, 1)) + _HAND_KEYS * np.array([0.0, 0.0, 0.0, 1 / 3])
        habit = Habit(base / base.sum(axis=1, keepdims=True), 2e-3, 0.3, 0)
    else:
        base, habit = prior_keys * prior.shares, prior
    for _ in range(4):
        shares = np.moveaxis(habit.shares[context], -1, 0)
        follow = shares[:3] * np.exp(-np.minimum(deviation / habit.tight, 700.0)) / (2 * habit.tight)
        nearest = deviation.min(axis=0)
        hand = shares[3] * np.exp(-nearest / habit.loose) / (2 * habit.loose)
        weight = np.concatenate([follow, hand[None]])
        weight = weight / np.maximum(weight.sum(axis=0), 1e-300)
        counts = base.copy()
        np.add.at(counts, context, weight.T)
        obeyed, by_hand = weight[:3].sum(), weight[3].sum()
        tight, loose = habit.tight, habit.loose
        if prior is None:
            # Two pseudo-keys hold the start where there is little to learn from.
            tight = float(np.clip((2 * 2e-3 + (weight[:3] * deviation).sum()) / (2 + obeyed), *_TIGHT))
            loose = float(np.clip((2 * 0.3 + weight[3] @ nearest) / (2 + by_hand), *_LOOSE))
        habit = Habit(counts / counts.sum(axis=1, keepdims=True), tight, loose, len(context))
    return habit


class HabitBook:
    """The habit of a shot and of each of its channels, learnt once, outside the range under suspicion."""

    def __init__(self, shot: Shot, suspect: tuple[float, float] | None) -> None:
        self._rules: dict[tuple[bytes, bytes, bytes], Rules] = {}
        self._evidence: dict[tuple[str, str], Evidence] = {}
        for control in shot.controls:
            for channel in control.channels:
                if moving(channel):
                    assert channel.keys is not None
                    self._evidence[control.name, channel.name] = evidence(
                        channel.keys, self.rules(channel.keys), suspect
                    )
        self.shot_habit = learn(self._evidence.values())

    def rules(self, keys: Keys) -> Rules:
        """Rule matrices; channels keyed on the same frames share them."""
        name = (keys.frames.tobytes(), keys.corner.tobytes(), keys.segment.tobytes())
        if name not in self._rules:
            self._rules[name] = rules(keys)
        return self._rules[name]

    def habit(self, control: str, channel: str) -> Habit:
        """A channel's own habit, leaning on the shot's where it has few keys."""
        part = self._evidence.get((control, channel))
        return learn([part], self.shot_habit, prior_keys=2.0) if part is not None else self.shot_habit

"""The slope habit of a shot: by which rules its artist sets slopes, and how strictly.

A curve is judged against the shot's own habit, never against an ideal. An artist who keeps extremes flat and sets the
rest by the chord follows two of the rules (`slope_rules`), so the habit is a table: how often each one is followed at
keys inside a move, at extremes and at the ends of a channel. What follows no rule was set by hand; how often, and how
far from the nearest rule, is learnt too. Keys that stand off their frames are seen as they were set (`settled`).
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from refine.key_rows import content
from refine.settled import Settled, on_whole_frames, settled, unmoved
from refine.shot import Array, Channel, Control, Keys, Shot
from refine.slope_rules import (
    EXTREME,
    INSIDE,
    RULE_NAMES,
    SMALLEST,
    Rules,
    contexts,
    deviations,
    judged,
    neighbour_prediction,
    relative,
    rules,
    slopes_by_rule,
    units,
    units_of_all,
)

# [judge] Priors of the habit, in keys: how much evidence it takes to outweigh "all rules alike".
_PRIOR_KEYS = 0.3
_SHOT_KEYS = 2.0  # a channel of few keys leans on the shot's habit, which counts as so many of its own
_ENOUGH = 40  # keys
_START = (2e-3, 0.3)  # tightness and scatter before anything is learnt
# [judge] Slopes that were fitted to a motion, as `clean --keys` does: rules are followed to 1e-4 of the slope unit,
# these no better than so, or most of them not at all. Then no rule says what they should be.
_FITTED = 5e-3
_FREE = 0.5  # of the keys inside a move
_STRANGE = 4.6  # nats
_NEAR = 40.0  # frames around a range in which a rule may still feel a key of the range
_HAND_KEYS = 0.5  # keys set by hand that are believed in before any was seen
_TIGHT = (1e-4, 2e-2)  # bounds of the learnt tightness of rule-following keys, relative
_LOOSE = (0.05, 1.0)  # and of the scatter of hand-set ones


def moving(channel: Channel) -> bool:
    """Whether the channel has at least three keys and they differ."""
    keys = channel.keys
    return keys is not None and len(keys) > 2 and bool(np.ptp(keys.values, axis=0).max() > SMALLEST)


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

    @property
    def unexplained(self) -> float:
        """Nats of a slope of which the habit explains about 1 %."""
        return float(np.log(2 * self.tight)) + _STRANGE

    def likely(self, deviation: Array, context: NDArray[np.intp]) -> NDArray[np.intp]:
        """(..., K): the rule that each key most likely follows, 3 for none."""
        shares = np.moveaxis(self.shares[context], -1, 0)
        with np.errstate(divide="ignore"):
            follow = np.log(shares[:3]) - deviation / self.tight - np.log(2 * self.tight)
            hand = np.log(shares[3]) - deviation.min(axis=0) / self.loose - np.log(2 * self.loose)
        return np.asarray(np.argmax(np.concatenate([follow, hand[None]]), axis=0))

    @property
    def fitted(self) -> bool:
        """Whether the slopes were fitted to a motion instead of following rules."""
        return self.tight > _FITTED or bool(self.shares[INSIDE, 3] > _FREE)

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


def _weights(
    shares: Array, deviation: Array, context: NDArray[np.intp], tight: float, loose: float
) -> tuple[Array, Array]:
    """(4, J) probability that each key follows each rule or was set by hand, and (J,) the density of its slope.

    shares: (3, 4), or (J, 3, 4) with a table for each key.
    """
    table = shares[context] if shares.ndim == 2 else shares[np.arange(len(context)), context]
    follow = table.T[:3] * np.exp(-np.minimum(deviation / tight, 700.0)) / (2 * tight)
    hand = table.T[3] * np.exp(-deviation.min(axis=0) / loose) / (2 * loose)
    weight = np.concatenate([follow, hand[None]])
    density = weight.sum(axis=0)
    return weight / np.maximum(density, 1e-300), density


def _summed(weight: Array, place: NDArray[np.intp], count: int) -> Array:
    """(count, 4) sums of weights (4, J) over the keys at each place (J,)."""
    return np.stack([np.bincount(place, row, count) for row in weight], axis=1)


def learn(deviation: Array, context: NDArray[np.intp]) -> Habit:
    """The habit behind (3, J) deviations and their contexts, by expectation and maximisation."""
    base = np.tile([*(3 * [_PRIOR_KEYS / 3]), _HAND_KEYS / 3], (3, 1))
    habit = Habit(base / base.sum(axis=1, keepdims=True), *_START, 0)
    for _ in range(6):
        weight, _ = _weights(habit.shares, deviation, context, habit.tight, habit.loose)
        counts = base.copy()
        counts += _summed(weight, context, len(base))
        # Two pseudo-keys hold the start where there is little to learn from.
        tight = (2 * _START[0] + (weight[:3] * deviation).sum()) / (2 + weight[:3].sum())
        loose = (2 * _START[1] + weight[3] @ deviation.min(axis=0)) / (2 + weight[3].sum())
        shares = counts / counts.sum(axis=1, keepdims=True)
        habit = Habit(shares, float(np.clip(tight, *_TIGHT)), float(np.clip(loose, *_LOOSE)), len(context))
    return habit


Place = tuple[str, str]  # a control and a channel of it


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """All judged keys of a shot in one table: J rows."""

    deviation: Array  # (3, J)
    context: NDArray[np.intp]  # (J,)
    frame: Array  # (J,)
    channel: NDArray[np.intp]  # (J,) which of the places
    places: tuple[Place, ...]


class HabitBook:
    """The habit of a shot and of each of its channels, learnt once, outside the range under suspicion.

    All keys of the shot are judged together in a few array operations: a shot of hundreds of channels has to be
    read while the animator waits. All keys here are settled ones, and frames are theirs.
    """

    def __init__(self, shot: Shot, suspect: tuple[float, float]) -> None:
        self._rules: dict[tuple[bytes, bytes, bytes], Rules] = {}
        self._predictions: dict[bytes, Array] = {}
        self._settled: dict[tuple[bytes, ...], Settled] = {}
        self._controls: dict[int, tuple[Control, list[_Slopes]]] = {}
        self._shot, self._suspect, self._loop = shot, suspect, shot.loop
        self._learn()

    def _learn(self) -> None:
        table, outside = self._table, self._outside()
        self.shot_habit = learn(table.deviation[:, outside], table.context[outside])
        self._shares = dict(zip(table.places, self._channel_shares(table, outside), strict=True))

    def _outside(self) -> NDArray[np.bool_]:
        """Which keys are outside the range under suspicion; all, where the range is nearly all there is: faults are
        few."""
        frame = self._table.frame
        outside = (frame < self._suspect[0]) | (frame > self._suspect[1])
        return np.ones_like(outside) if outside.sum() < _ENOUGH else outside

    def after(self, shot: Shot) -> HabitBook:
        """The book of the shot with some of its channels changed; what didn't change isn't looked at again.

        The habit is learnt anew: one that was learnt of the faults refuses a third of the mends that add keys.
        """
        found = copy(self)
        found._shot = shot
        for known in ("_table", "_strange"):
            found.__dict__.pop(known, None)
        found._learn()
        return found

    @cached_property
    def _table(self) -> _Slopes:
        parts = [part for control in self._shot.controls for part in self._of(control)]
        if not parts:
            nothing = np.zeros(0, np.intp)
            return _Slopes(np.zeros((3, 0)), nothing, np.zeros(0), nothing, ())
        places = [place for part in parts for place in part.places]
        first = np.cumsum([0, *(len(part.places) for part in parts[:-1])]).tolist()
        return _Slopes(
            np.hstack([part.deviation for part in parts]),
            np.hstack([part.context for part in parts]),
            np.hstack([part.frame for part in parts]),
            np.hstack([part.channel + at for part, at in zip(parts, first, strict=True)]),
            tuple(places),
        )

    def _of(self, control: Control) -> list[_Slopes]:
        """The keys of a control, looked at once: a table for the channels that have theirs on the same frames."""
        known = self._controls.get(id(control))
        if known is not None:
            return known[1]
        groups: dict[tuple[bytes, ...], dict[str, Keys]] = {}
        for channel in filter(moving, control.channels):
            assert channel.keys is not None
            keys = self.settled(channel.keys).keys
            timing = (*_timing(keys), bytes(keys.values.shape[1]))
            groups.setdefault(timing, {})[channel.name] = keys
        found = [self._rows(control.name, channels) for channels in groups.values()]
        if found:
            self._controls[id(control)] = control, found
        return found

    def _rows(self, control: str, channels: dict[str, Keys]) -> _Slopes:
        """The judged keys of channels with the same key frames."""
        keys = list(channels.values())
        seen, values = judged(keys[0], self._loop), np.stack([k.values for k in keys])
        _, unit = units_of_all(keys[0].frames, values)
        side_by_side = np.moveaxis(values, 1, 0)  # (K, C, D)
        natural, chord = (
            np.moveaxis(slopes.reshape(side_by_side.shape), 0, 1)
            for slopes in slopes_by_rule(keys[0], side_by_side.reshape(len(keys[0]), -1))
        )
        by_rule = np.stack([natural, chord, np.zeros_like(chord)])
        deviation = relative(np.stack([k.outgoing for k in keys]) - by_rule, unit)[:, :, seen]
        count = deviation.shape[2]
        at, places = np.repeat(np.arange(len(keys)), count), tuple((control, name) for name in channels)
        frame = np.tile(keys[0].frames[seen], len(keys))
        return _Slopes(deviation.reshape(3, -1), contexts(values)[:, seen].ravel(), frame, at, places)

    def _channel_shares(self, table: _Slopes, outside: NDArray[np.bool_]) -> Array:
        """(channels, 3, 4): each channel's own shares, the shot's counting as two keys a context."""
        habit = self.shot_habit
        deviation, context, at = table.deviation[:, outside], table.context[outside], table.channel[outside]
        base = np.tile(_SHOT_KEYS * habit.shares, (len(table.places), 1, 1))
        shares = np.tile(habit.shares, (len(table.places), 1, 1))
        for _ in range(3):
            weight, _ = _weights(shares[at], deviation, context, habit.tight, habit.loose)
            counts = base.copy()
            counts += _summed(weight, 3 * at + context, 3 * len(base)).reshape(base.shape)
            # A key mustn't be its own excuse: one key set by hand says nothing about how often that happens.
            by_hand = (counts - base)[:, :, 3]
            total = by_hand.sum(axis=1, keepdims=True)
            counts[:, :, 3] -= by_hand * np.minimum(1.0, 1.0 / np.maximum(total, 1e-300))
            shares = counts / counts.sum(axis=2, keepdims=True)
        return shares

    @cached_property
    def _strange(self) -> dict[Place, Array]:
        """Frames of the keys in or near the range whose slope the habit hardly explains, of channels that have some."""
        table, habit = self._table, self.shot_habit
        near = (table.frame >= self._suspect[0] - _NEAR) & (table.frame <= self._suspect[1] + _NEAR)
        if not near.any():
            return {}
        at, frame = table.channel[near], table.frame[near]
        shares = np.stack([self._shares.get(place, habit.shares) for place in table.places])
        _, density = _weights(
            shares[at], table.deviation[:, near], table.context[near], habit.tight, habit.loose
        )
        strange = -np.log(np.maximum(density, 1e-300)) > habit.unexplained
        return {table.places[i]: np.sort(frame[strange & (at == i)]) for i in np.unique(at[strange]).tolist()}

    def strange_frames(self, control: str, channel: str, now: Keys | None = None) -> Array:
        """Frames of the keys in the range whose slope the habit hardly explains, after an edit `now` still.

        Of the settled keys, as `now` are.
        """
        frames = self._strange.get((control, channel), np.zeros(0))
        if now is None or not len(frames):
            return frames
        habit = self.habit(control, channel)
        deviation = deviations(self.rules(now), now.values, now.outgoing, units(now)[1])
        strange = habit.costs(deviation, contexts(now.values)) > habit.unexplained
        return frames[np.isin(frames, now.frames[strange])]

    def strange(self, control: str, channel: str) -> bool:
        """Whether a channel has a key in or near the range that breaks the habit. None does: slopes tell nothing."""
        return (control, channel) in self._strange

    def settled(self, keys: Keys) -> Settled:
        """The keys of a channel on the frames that they were set for."""
        if on_whole_frames(keys):
            return unmoved(keys)
        name = content(keys)
        if name not in self._settled:
            self._settled[name] = settled(keys, self._loop)
        return self._settled[name]

    def rules(self, keys: Keys) -> Rules:
        """Rule matrices; channels keyed on the same frames share them."""
        name = _timing(keys)
        if name not in self._rules:
            self._rules[name] = rules(keys, self._loop)
        return self._rules[name]

    def prediction(self, keys: Keys) -> Array:
        """`neighbour_prediction` of the keys, shared likewise."""
        name = keys.frames.tobytes()
        if name not in self._predictions:
            self._predictions[name] = neighbour_prediction(keys.frames)
        return self._predictions[name]

    def habit(self, control: str, channel: str) -> Habit:
        """A channel's own habit, leaning on the shot's where it has few keys."""
        shares = self._shares.get((control, channel))
        return self.shot_habit if shares is None else replace(self.shot_habit, shares=shares)


def _timing(keys: Keys) -> tuple[bytes, bytes, bytes]:
    """What the rules of some keys depend on."""
    return keys.frames.tobytes(), keys.corner.tobytes(), keys.segment.tobytes()

"""Keys on the frames that they were set for, as the habit of a shot has to see them.

A key that was moved a part of a frame, or has a second one beside it, breaks its neighbours' slopes by every rule:
these were set by another time, and by another value where it went along its curve. Nothing is wrong with them. So keys
are judged as they stood: each on its whole frame, with what the curve beside it has there, and of several within half a
frame one, as of two a frame apart of which one is a copy (`copies`). The curve is continued from either side (a key
that went along its curve left the side behind it as it was), or the value stays; which of these it was, the slopes
around tell, in nats of what they miss the rules by. That the key was meant to stand between frames competes: where a
whole channel was scaled in time, all slopes are right as it is; so they are, set by hand or not, where it was shifted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from refine.copies import ALONE, copies, pairs
from refine.key_rows import only
from refine.shot import Array, Keys, Segment, frozen
from refine.slope_nats import CLEARER, followed, nats_of_all, slope_nats
from refine.slope_rules import judged

OFF = 0.01  # [judge] frames that a key may be off a whole one
TOGETHER = 0.5  # [judge] frames up to which keys mean one pose
APART = 1.0  # frames: keys that lie so far apart in all were set on parts of frames on purpose
_SOUND, _RULED = -8.5, -3.0  # nats of a slope that misses a rule by 5e-5, and by 2e-2
_TELL = 0.25  # [judge] of the slopes that have to follow rules
_FELT = 4  # keys to each side whose slopes tell: the natural spline's influence is 0.27^4 = 5e-3 there
_AROUND = 12  # keys to each side by which their rules are told
_SWEEPS = 6  # over the keys off their frames; two are enough but where many in a row are


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """The keys as they were set, and which of the shot's keys each of them is.

    at (K,): position among the shot's own keys. touched (K,): whether it stands elsewhere, or for several. told (K,):
    whether slopes tell what it had there clearly, as far as they follow rules. retimed: whether most keys stand between
    frames and slopes are right so, as of a channel that was moved or scaled in time as a whole.
    """

    keys: Keys
    at: NDArray[np.intp]
    touched: NDArray[np.bool_]
    told: NDArray[np.bool_]
    retimed: bool = False

    def copies(self, own: Keys) -> list[int]:
        """Which of the shot's `own` keys are a copy of the one beside them that was set."""
        gone = np.setdiff1d(np.arange(len(own)), self.at)
        return [k for k in gone.tolist() if np.abs(self.keys.frames - own.frames[k]).min() > TOGETHER]

    def carried_over(self, own: Keys, edited: Keys) -> Keys:
        """The shot's `own` keys with what was edited of the settled ones."""
        if not self.touched.any():
            return edited
        fields = {name: getattr(own, name).copy() for name in ("values", "incoming", "outgoing")}
        for name, array in fields.items():
            array[self.at] += getattr(edited, name) - getattr(self.keys, name)
        return own.changed(**fields)


def settled(keys: Keys, loop: bool = False) -> Settled:
    """The keys on the frames that they were set for; as they are where all stand on whole frames, or are meant."""
    twice = copies(keys, loop)
    if not twice.any():
        return _on_frames(keys, loop)
    found = _on_frames(only(keys, ~twice), loop)
    at = np.flatnonzero(~twice)[found.at]
    near = np.abs(keys.frames[at][:, None] - keys.frames[twice]).min(axis=1) < ALONE
    return replace(found, at=at, touched=found.touched | near)


def _on_frames(keys: Keys, loop: bool) -> Settled:
    groups = list(_groups(keys))
    if not groups:
        return unmoved(keys)
    if _shifted(keys):
        return replace(unmoved(keys), retimed=True)
    search, one = _Search(keys, loop), np.ones(len(keys), np.bool_)
    for group in groups:
        one[group.first : group.last + 1] = np.arange(group.first, group.last + 1) == group.kept
    as_is = search.nats(one)
    before = max(group.before for group in groups)
    most = bool(_off(keys).sum() > len(keys) / 2)
    if np.all(as_is <= _SOUND):
        return replace(unmoved(keys), retimed=most)
    begun, nats = search.begin(groups, one, float(as_is.sum()) + before)
    if not begun:
        return replace(unmoved(keys), retimed=most and bool(as_is.sum() < nats - CLEARER))
    for sweep in range(_SWEEPS):
        # A key that went ahead is continued from the key after it, which has to be back before: both ways in turn.
        if not sum([search.settle(group) for group in (groups[::-1] if sweep % 2 == 0 else groups)]):
            break
    if search.nats(one).sum() > as_is.sum() + before:
        return unmoved(keys)
    found = np.flatnonzero(search.alive)
    return Settled(search.keys(found), found, search.touched[found], search.told[found])


def on_whole_frames(keys: Keys) -> bool:
    """Whether each key stands on a whole frame, and none beside another one that may mean the same."""
    return not (_off(keys).any() or np.any(np.diff(keys.frames) <= TOGETHER) or len(pairs(keys)))


def unmoved(keys: Keys) -> Settled:
    """The keys as they stand."""
    nothing = np.zeros(len(keys), np.bool_)
    return Settled(keys, np.arange(len(keys)), nothing, nothing)


def along_curve(keys: Keys, k: int) -> Keys | None:
    """The keys with one that went along its curve back on its frame: the side behind it goes on. None without room."""
    group = next((each for each in _groups(keys) if each.first == each.last == k), None)
    if group is None:
        return None
    search = _Search(keys, False)
    search.put(group, search.options(group)[0])
    return search.keys(np.arange(len(keys)))


def own_frame(keys: Keys, k: int) -> float:
    """The nearest whole frame; beside a held segment the one on which the step, or the held value, shows first."""
    beside = keys.segment[max(k - 1, 0) : k + (k + 1 < len(keys))]
    frame = float(keys.frames[k])
    return float(np.ceil(frame) if (beside == Segment.HOLD).any() else np.rint(frame))


def common_frame(frames: Array, off: float = OFF) -> float:
    """The whole frame on which one of the keys stands, else the one nearest to their middle."""
    whole = np.rint(frames)
    on = np.flatnonzero(np.abs(frames - whole) <= off)
    return float(whole[on[0]]) if len(on) else float(np.rint((frames[0] + frames[-1]) / 2))


# --- which keys ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Group:
    """The keys from `first` to `last`, of which one is left on `frame`: that in place `kept`."""

    first: int
    last: int
    frame: float
    kept: int

    @property
    def before(self) -> float:
        """Nats for one key on its frame, before any slope is seen: one for several that mean one pose is likely."""
        return CLEARER if self.first < self.last else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """What a key has on its frame, (D,) each."""

    value: Array
    incoming: Array
    outgoing: Array


def _off(keys: Keys) -> NDArray[np.bool_]:
    """(K,) which keys stand between frames."""
    return np.asarray(np.abs(keys.frames - np.rint(keys.frames)) > OFF)


def _shifted(keys: Keys) -> bool:
    """Whether most keys are off their frames by the same: between them all is as it was, whatever their slopes."""
    parts = np.sort(keys.frames[_off(keys)] % 1.0)
    alike = np.searchsorted(parts, parts + OFF, "right") - np.arange(len(parts))
    return bool(len(keys) > 1 and 2 * alike.max(initial=0) > len(keys))


def _groups(keys: Keys) -> Iterator[_Group]:
    """Keys off their frames, by themselves or with those that mean the same pose, for which there is room."""
    if on_whole_frames(keys):
        return
    off = _off(keys)
    bounds = [0, *(np.flatnonzero(np.diff(keys.frames) > TOGETHER) + 1).tolist(), len(keys)]
    every = [_group(keys, first, end - 1) for first, end in pairwise(bounds)]
    for n, group in enumerate(every):
        beside = [each.frame for each in every[max(n - 1, 0) : n + 2] if each is not group]
        stands_off = group.first < group.last or bool(off[group.first])
        if stands_off and all(abs(group.frame - frame) > TOGETHER for frame in beside):
            yield group


def _group(keys: Keys, first: int, last: int) -> _Group:
    frames = keys.frames[first : last + 1]
    if first == last:
        return _Group(first, last, own_frame(keys, first), first)
    if frames[-1] - frames[0] >= APART:
        return _Group(first, last, np.nan, first)
    frame = common_frame(frames)
    return _Group(first, last, frame, first + int(np.argmin(np.abs(frames - frame))))


# --- what they had there -------------------------------------------------------------------------------------


class _Search:
    """The keys while one after the other is put back: rows that are `alive` are the keys as they stand by now."""

    def __init__(self, keys: Keys, loop: bool) -> None:
        self.own, self.loop = keys, loop
        self.frames, self.values = keys.frames.copy(), keys.values.copy()
        self.incoming, self.outgoing = keys.incoming.copy(), keys.outgoing.copy()
        self.alive = np.ones(len(keys), np.bool_)
        self.touched, self.told = np.zeros((2, len(keys)), np.bool_)
        self.shares = followed(keys, loop)

    def keys(self, at: NDArray[np.intp]) -> Keys:
        """The keys at some places; one for several has its own reaches no more, and goes on as the last of them."""
        kept = {n: getattr(self.own, n)[at] for n in ("incoming_reach", "outgoing_reach", "corner")}
        ends = np.append(at[1:], len(self.own)) - 1
        segment = self.own.segment[np.minimum(ends, len(self.own) - 1)]
        now = {n: getattr(self, n)[at] for n in ("frames", "values", "incoming", "outgoing")}
        made = {n: frozen(array, getattr(self.own, n).dtype.type) for n, array in {**kept, **now}.items()}
        return Keys(**made, segment=frozen(segment, np.int8))

    def put(self, group: _Group, row: _Row | None) -> None:
        """One key in place of a group; None brings the group back as it is in the shot."""
        part = slice(group.first, group.last + 1)
        for name in ("frames", "values", "incoming", "outgoing"):
            getattr(self, name)[part] = getattr(self.own, name)[part]
        self.alive[part], self.touched[part] = row is None, row is not None
        if row is not None:
            k = group.kept
            self.alive[k], self.frames[k], self.values[k] = True, group.frame, row.value
            self.incoming[k], self.outgoing[k] = row.incoming, row.outgoing

    def begin(self, groups: Sequence[_Group], one: NDArray[np.bool_], least: float) -> tuple[bool, float]:
        """Puts all groups back along their curves, or else with their values, by which slopes are explained better.

        False where they aren't explained by `least` nats, or follow hardly any rule then: they tell nothing. And the
        nats of what explains them best.
        """
        best = np.inf
        for option in (0, -1):
            for group in reversed(groups):
                self.put(group, self.options(group)[option])
            nats = self.nats(one)
            follow = np.count_nonzero(nats < _RULED) >= _TELL * len(nats)
            best = min(best, float(nats.sum()))
            if nats.sum() < least and follow:
                return True, best
        return False, best

    def settle(self, group: _Group) -> bool:
        """Puts a group where the slopes around are explained best; whether that changes anything."""
        was, options = self._state(group), self.options(group)
        self.put(group, None)
        as_is = float(self.costs(group, ())[0])
        self.put(group, options[0])
        costs = self.costs(group, options)
        best = int(np.argmin(costs))
        self.put(group, options[best] if costs[best] < as_is + group.before else None)
        self.told[group.kept] = costs[best] < min([as_is, *np.delete(costs, best)]) - CLEARER
        return self._state(group) != was

    def _state(self, group: _Group) -> tuple[bytes, ...]:
        part = slice(group.first, group.last + 1)
        rows = self.alive, self.frames, self.values, self.incoming, self.outgoing
        return tuple(row[part].tobytes() for row in rows)

    def options(self, group: _Group) -> list[_Row]:
        """What the key may have had on its frame, the likeliest first."""
        own, k, frame = self.own, group.kept, group.frame
        here = _Row(own.values[k], own.incoming[k], own.outgoing[k])
        if group.first < group.last and abs(own.frames[k] - frame) <= OFF:
            return [here]
        left, right = self._continued(group.first, -1, frame), self._continued(group.last, 1, frame)
        behind = (right, left) if frame < own.frames[k] else (left, right)
        return [*(row for row in behind if row is not None), here]

    def _continued(self, k: int, side: int, frame: float) -> _Row | None:
        """What the curve to one side of a key has on a frame, if need be beyond the key; None where there is none."""
        own, into = self.own, side < 0
        beside = np.flatnonzero(self.alive[:k] if into else self.alive[k + 1 :])
        if not len(beside):
            return None
        other = int(beside[-1] if into else k + 1 + beside[0])
        if own.segment[min(k, other)] != Segment.CURVE:
            return None
        near, far = (own.incoming, self.outgoing) if into else (own.outgoing, self.incoming)
        value, slope = own.values[k], near[k]
        t = frame - own.frames[k]
        if np.isnan([own.incoming_reach[max(k, other)], own.outgoing_reach[min(k, other)]]).all():
            length = self.frames[other] - own.frames[k]
            chord = (self.values[other] - value) / length
            bend, twist = (
                (3 * chord - 2 * slope - far[other]) / length,
                (slope + far[other] - 2 * chord) / length**2,
            )
            value = value + t * (slope + t * (bend + t * twist))
            slope = slope + t * (2 * bend + 3 * t * twist)
        else:  # other reaches change with the segment: along its tangent
            value = value + t * slope
        if len(value) == 4:
            value = value / np.linalg.norm(value)
        if own.corner[k]:
            return _Row(value, slope, own.outgoing[k]) if into else _Row(value, own.incoming[k], slope)
        return _Row(value, slope, slope)

    # --- nats ------------------------------------------------------------------------------------------------

    def nats(self, one: NDArray[np.bool_]) -> Array:
        """Nats of the slopes, as all stand, of those keys that are the `one` left of each group."""
        alive = np.flatnonzero(self.alive)
        keys = self.keys(alive)
        return slope_nats(keys, self.shares, self.loop)[one[alive] & judged(keys, self.loop)]

    def costs(self, group: _Group, options: Sequence[_Row]) -> Array:
        """(M,) nats of the slopes around a group, and of its one key, by each of the options; as it stands for none."""
        alive = np.flatnonzero(self.alive)
        before, after = alive[alive < group.first], alive[alive > group.last]
        near = alive[max(len(before) - _AROUND, 0) : len(alive) - len(after) + _AROUND]
        values = np.repeat(self.values[near, None], max(len(options), 1), axis=1)
        slopes = np.repeat(self.outgoing[near, None], max(len(options), 1), axis=1)
        own = int(np.searchsorted(near, group.kept))
        for m, row in enumerate(options):
            values[own, m], slopes[own, m] = row.value, row.outgoing
        counted = np.isin(near, [*before[-_FELT:], group.kept, *after[:_FELT]])
        nats = nats_of_all(self.keys(near), values, slopes, self.shares, self.loop)
        return np.asarray(nats[:, counted].sum(axis=1))

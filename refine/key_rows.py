"""Keys put among those of a channel, or taken from them, and which key of one state is which of another."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from refine.shot import Channel, Keys, Segment, frozen, make_keys

NEAR = 1.0  # frames under which a key of another frame may be the same one, moved


@dataclass(frozen=True, slots=True)
class Key:
    """A key without its frame. Slopes are per frame; a reach is in frames, None for a third of its segment."""

    value: tuple[float, ...]
    incoming: tuple[float, ...]
    outgoing: tuple[float, ...]
    incoming_reach: float | None = None
    outgoing_reach: float | None = None
    corner: bool = False
    segment: Segment = Segment.CURVE


def smooth(value: float, slope: float) -> Key:
    """A key of one number, with one slope and a curve after it."""
    return Key((value,), (slope,), (slope,))


def key_at(keys: Keys, k: int) -> Key:
    """The k-th key by itself."""
    reach = [None if np.isnan(r[k]) else float(r[k]) for r in (keys.incoming_reach, keys.outgoing_reach)]
    numbers = [tuple(row[k].tolist()) for row in (keys.values, keys.incoming, keys.outgoing)]
    segment = Segment(int(keys.segment[k]))
    return Key(numbers[0], numbers[1], numbers[2], reach[0], reach[1], bool(keys.corner[k]), segment)


def of_rows(frames: Sequence[float], rows: Sequence[Key]) -> Keys:
    """Keys (of one width) on some frames."""
    return make_keys(
        frames,
        [row.value for row in rows],
        [row.incoming for row in rows],
        [row.outgoing for row in rows],
        [np.nan if row.incoming_reach is None else row.incoming_reach for row in rows],
        [np.nan if row.outgoing_reach is None else row.outgoing_reach for row in rows],
        [row.corner for row in rows],
        [row.segment for row in rows],
    )


def content(keys: Keys) -> tuple[bytes, ...]:
    """All there is of some keys, to tell whether others are the same."""
    return tuple(getattr(keys, name).tobytes() for name in Keys.__slots__)


def only(keys: Keys, kept: NDArray[np.bool_]) -> Keys:
    """The keys (K,) that are `kept`."""
    return Keys(**{n: frozen(getattr(keys, n)[kept], getattr(keys, n).dtype.type) for n in Keys.__slots__})


def without(keys: Keys, k: int) -> Keys:
    """The keys but the k-th."""
    return only(keys, np.arange(len(keys)) != k)


def with_keys(keys: Keys, frames: Sequence[float], rows: Sequence[Key]) -> Keys:
    """The keys of a channel and new ones among them; in order of their frames, also where those were moved."""
    new = of_rows(frames, rows) if rows else only(keys, np.zeros(len(keys), np.bool_))
    order = np.argsort(np.append(keys.frames, new.frames), kind="stable")
    columns = {n: np.concatenate([getattr(keys, n), getattr(new, n)])[order] for n in Keys.__slots__}
    return Keys(**{n: frozen(column, getattr(keys, n).dtype.type) for n, column in columns.items()})


# --- which key is which ------------------------------------------------------------------------------------


def matched(old: Keys, new: Keys) -> dict[int, int]:
    """Which of the new keys each of the old ones is, as far as numbers and a move in time tell them apart.

    A key whose segment, reaches or corner differ is another one. Of as many keys each is the one in its place; else
    the one on its frame, or the nearest within a frame.
    """
    a, b = _kinds(old), _kinds(new)
    if len(a) == len(b):
        return {k: k for k in range(len(a)) if a[k] == b[k]}
    there = np.searchsorted(new.frames, old.frames)
    found = {
        i: int(j)
        for i, j in enumerate(there)
        if j < len(b) and new.frames[j] == old.frames[i] and a[i] == b[j]
    }
    return _with_moved(found, old, new, [(i, j) for i, j in _near(old, new) if a[i] == b[j]])


def _kinds(keys: Keys) -> list[tuple[float, ...]]:
    """What of each key isn't said by its frame, value and slopes; -1 for a reach that isn't given."""
    reach = (np.nan_to_num(side, nan=-1.0) for side in (keys.incoming_reach, keys.outgoing_reach))
    return list(zip(*(column.tolist() for column in (*reach, keys.corner, keys.segment)), strict=True))


def _near(old: Keys, new: Keys) -> list[tuple[int, int]]:
    """Pairs of keys less than a frame apart, the nearest first."""
    low = np.searchsorted(new.frames, old.frames - NEAR, side="right")
    high = np.searchsorted(new.frames, old.frames + NEAR)
    pairs = [(i, j) for i in range(len(old)) for j in range(int(low[i]), int(high[i]))]
    return sorted(pairs, key=lambda pair: (abs(new.frames[pair[1]] - old.frames[pair[0]]), pair))


def _with_moved(
    found: dict[int, int], old: Keys, new: Keys, near: Sequence[tuple[int, int]]
) -> dict[int, int]:
    """The pairs found and those near ones that leave each key once and in order."""
    pairs = sorted(found.items())
    taken = set(found.values())
    for i, j in near:
        n = bisect(pairs, (i, j))
        beside = [*pairs[max(n - 1, 0) : n], (i, j), *pairs[n : n + 1]]
        in_order = all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(beside))
        if j not in taken and in_order:
            pairs.insert(n, (i, j))
            taken.add(j)
    return dict(pairs)


# --- whether there is room -----------------------------------------------------------------------------------


def no_room(channel: Channel | None, frame: float, key: Key, taken: bool, free: Sequence[float]) -> str:
    """Why a key can't be put in, or be taken out (`taken`) as it stands; empty where it can.

    `free` are the frames whose keys go away at the same time.
    """
    keys = None if channel is None else channel.keys
    if keys is None or keys.values.shape[1] != len(key.value):
        return "no such keyed channel is there"
    k = keys.index(frame)
    if not taken:
        return "a key stands there" if k is not None and float(keys.frames[k]) not in free else ""
    if k is None:
        return "no such key is there"
    return "" if key_at(keys, k) == key else "the key has been changed since"

"""Keys put among those of a channel, or taken from them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from refine.shot import Channel, Keys, Segment, frozen, make_keys


def only(keys: Keys, kept: NDArray[np.bool_]) -> Keys:
    """The keys (K,) that are `kept`."""
    return Keys(**{n: frozen(getattr(keys, n)[kept], getattr(keys, n).dtype.type) for n in Keys.__slots__})


def without(keys: Keys, frames: Sequence[float]) -> Keys:
    """The keys but for those on some frames."""
    gone = [keys.index(frame) for frame in frames]
    return only(keys, ~np.isin(np.arange(len(keys)), [k for k in gone if k is not None]))


def with_keys(keys: Keys, frames: Sequence[float], added: Sequence[tuple[float, float]]) -> Keys:
    """The keys of a channel of one number and new ones of a value and a slope each, curves after them."""
    every = np.append(keys.frames, frames)
    order = np.argsort(every)
    new = np.array(added, float).reshape(-1, 2)
    columns = [np.append(t[:, 0], n) for t, n in ((keys.values, new[:, 0]), (keys.incoming, new[:, 1]))]
    columns += [np.append(keys.outgoing[:, 0], new[:, 1])]
    unset = np.full(len(new), np.nan)
    columns += [np.append(reach, unset) for reach in (keys.incoming_reach, keys.outgoing_reach)]
    columns += [np.append(keys.corner, np.zeros(len(new), np.bool_))]
    columns += [np.append(keys.segment, np.full(len(new), Segment.CURVE))]
    return make_keys(every[order], *(column[order] for column in columns))


def no_room(channel: Channel | None, frame: float, added: tuple[float, float], taken: bool) -> str:
    """Why a key can't be put in, or be taken out (`taken`) as it was put in; empty where it can."""
    keys = None if channel is None else channel.keys
    if keys is None or keys.values.shape[1] > 1:
        return "no such keyed channel is there"
    k = keys.index(frame)
    if not taken:
        if k is not None:
            return "a key stands there"
        return "" if keys.frames[0] < frame else "no key comes before"
    if k is None:
        return "no such key is there"
    there = float(keys.values[k, 0]), float(keys.incoming[k, 0]), float(keys.outgoing[k, 0])
    plain = np.isnan(keys.incoming_reach[k]) and np.isnan(keys.outgoing_reach[k]) and not keys.corner[k]
    return "" if k > 0 and plain and there == (*added, added[1]) else "the key has been changed since"

"""Where the keys go: as few as keep each lane's error within its budget, by what a cubic's error grows with.

The error of a cubic segment grows with the fourth power of its length. So (error / budget)^(1/4) is how many segments
a segment is worth; keys spread evenly over the sum of that are about as few as can be (de Boor's equidistribution,
A Practical Guide to Splines, 1978, ch. XII). What is left to gain then is tried: one key fewer in a window of a few
segments, the rest of it spread anew. All lanes, and windows that don't touch, are tried in one solve.

An animator reads a curve by its extremes. So at first each that can be seen has a key, between which the rest is
spread; a key may be saved at the price of one only where the motion doesn't turn back by far.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from refine.clean.keys.fit import Fit, Lanes, fit, layout
from refine.clean.keys.limits import Indices, Mask
from refine.shot import Array

# [judge] all.
ROUNDS = 3  # of spreading all keys anew
LEAST_WORTH = 0.25  # of a segment: one whose error is 0 by chance isn't worth nothing
WINDOWS = (
    3,
    2,
)  # segments of the windows in which one less is tried: (5, 3, 2) gains 1 % in half as much time again
GUARD = 2  # segments between two windows, on which each is judged as well: farther the fit hardly changes
MOVES = 8  # rounds in which keys are moved, then added; then segments are split
SPLITS = 40  # rounds of splitting; a key on each frame is reached long before
PULL = 0.33  # of a segment's length: how far an extreme draws a key


def placed(lanes: Lanes, first: Mask) -> tuple[Mask, Fit]:
    """The frames (R, N) of few keys whose error is within the budget everywhere, from any first ones."""
    mask = first | kept(lanes)
    for _ in range(ROUNDS):
        mask = _spread(lanes, mask, fit(lanes, mask), kept(lanes))
    mask, found = repaired(lanes, mask)
    for width in WINDOWS:
        mask, found = thinned(lanes, mask, found, width)
    return repaired(lanes, mask)  # afresh: the last fit was partly a guess


def held(lanes: Lanes) -> Mask:
    """Frames that have a key in any case: the first, the last, contacts and corners."""
    fixed = lanes.forced | lanes.pinned
    fixed[:, [0, -1]] = True
    return fixed


def kept(lanes: Lanes) -> Mask:
    """Frames whose keys aren't moved: those and extremes."""
    return held(lanes) | lanes.extreme


# --- spreading ---------------------------------------------------------------------------------------------


def worth(found: Fit) -> Array:
    """(S,) how many segments each segment is worth."""
    return np.asarray(np.maximum(np.sqrt(np.sqrt(found.worst())), LEAST_WORTH))


def respaced(
    lanes: Lanes, mask: Mask, blocks: tuple[Indices, Indices, Indices], density: Array, pull: float = PULL
) -> Mask:
    """The mask with other keys inside the blocks: their first and last flat positions, and how many segments.

    The segments hold about the same share of the density (R N,), which counts from a frame to the next; a key goes
    to an extreme that is nearer than `pull` of a segment.
    """
    first, last, count = blocks
    total = np.concatenate([[0.0], np.cumsum(density)])
    new = mask.ravel() & ~_inside(first + 1, last, mask.size)
    block = np.repeat(np.arange(len(first)), count - 1)
    step = np.arange(len(block)) - np.repeat(np.cumsum(count - 1) - (count - 1), count - 1) + 1
    a, each = total[first][block], ((total[last] - total[first]) / count)[block]
    target = a + each * step
    at = np.clip(np.searchsorted(total, target), 1, mask.size - 1)
    at = at - (target - total[at - 1] < total[at] - target)
    at = _pulled(at, np.flatnonzero(lanes.extreme), pull * each / density[at])
    inside = last[block] - first[block] > 1
    new[np.clip(at, first[block] + 1, last[block] - 1)[inside]] = True
    return new.reshape(mask.shape)


def _pulled(at: Indices, extremes: Indices, reach: Array) -> Indices:
    """Positions moved to the extreme nearest to them if it is within reach."""
    if not len(extremes):
        return at
    after = np.minimum(np.searchsorted(extremes, at), len(extremes) - 1)
    before = np.maximum(after - 1, 0)
    near = np.where(at - extremes[before] < extremes[after] - at, extremes[before], extremes[after])
    return np.where(np.abs(near - at) <= reach, near, at)


def _density(found: Fit) -> Array:
    return found.layout.spread(worth(found) / found.layout.length)


def _spread(lanes: Lanes, mask: Mask, found: Fit, fixed: Mask) -> Mask:
    """All keys anew between those that are fixed, as many as the segments are worth."""
    ends = np.flatnonzero(fixed)
    first, last = ends[:-1], ends[1:]
    inside = first // mask.shape[1] == last // mask.shape[1]
    first, last = first[inside], last[inside]
    density = _density(found)
    total = np.concatenate([[0.0], np.cumsum(density)])
    count = np.maximum(np.rint(total[last] - total[first]), 1).astype(np.intp)
    return respaced(lanes, mask, (first, last, np.minimum(count, last - first)), density)


def repaired(lanes: Lanes, mask: Mask) -> tuple[Mask, Fit]:
    """No segment over the budget: keys near those that are moved towards them, then added, then segments split."""
    rows, part, found = np.arange(len(mask)), lanes, fit(lanes, mask)
    tried = [(rows, mask, found)]
    for turn in range(MOVES + SPLITS + 1):
        bad = np.flatnonzero(found.error.reshape(mask.shape).max(axis=1) > 1)
        if not len(bad):
            break
        # The last resort is a key on each frame: there the curve runs through the samples.
        mask = _less_bad(part, mask, found, turn) if turn < MOVES + SPLITS else np.ones_like(mask)
        mask, rows = mask[bad], rows[bad]  # lanes don't touch: those within their budgets stay as they are
        part = part.some(bad) if len(bad) < len(part.values) else part
        found = fit(part, mask)
        tried.append((rows, mask, found))
    return _joined(lanes, tried) if len(tried) > 1 else (mask, found)


def _joined(lanes: Lanes, tried: Sequence[tuple[Indices, Mask, Fit]]) -> tuple[Mask, Fit]:
    """Each lane as it was fitted last; lanes come by their rows."""
    whole, error = np.empty(lanes.shape, np.bool_), np.empty(lanes.shape)
    curve, keys = np.empty(lanes.values.shape), np.empty((3, *lanes.values.shape))
    for rows, mask, found in tried:
        whole[rows], error[rows] = mask, found.error.reshape(mask.shape)
        curve[rows] = found.curve.reshape(len(rows), *curve.shape[1:])
        at = np.nonzero(mask)
        keys[:, rows[at[0]], at[1]] = found.values, found.incoming, found.outgoing
    values, incoming, outgoing = keys[:, whole]
    flat = curve.reshape(whole.size, -1)
    return whole, Fit(layout(whole), values, incoming, outgoing, flat, error.ravel())


def _less_bad(lanes: Lanes, mask: Mask, found: Fit, turn: int) -> Mask:
    """Keys moved towards segments over the budget in early turns, such segments split in later ones."""
    worst = found.worst()
    bad = worst > 1
    keys, left = found.layout.keys, found.layout.left
    if turn < MOVES:
        a, b = _around(bad, keys[left], kept(lanes))
        total = np.concatenate([[0.0], np.cumsum(worth(found))])
        more = b - a + 1 + (turn >= MOVES // 2)
        count = np.maximum(np.ceil(total[b + 1] - total[a] - 0.5).astype(np.intp), more)
        density = _density(found)
    else:
        a = b = np.flatnonzero(_divisible(bad, found.layout.length))
        count = np.maximum(np.ceil(worst[a] ** 0.25 - 0.25), 2).astype(np.intp)
        density = np.ones(mask.size)
    first, last = keys[left[a]], keys[left[b] + 1]
    blocks = first, last, np.minimum(count, last - first)
    return respaced(lanes, mask, blocks, density, PULL if turn < MOVES else 0.0)


def _around(bad: Mask, starts: Indices, fixed: Mask) -> tuple[Indices, Indices]:
    """First and last segment of each run of bad ones, widened by one to each side that no fixed key bars."""
    lane = starts // fixed.shape[1]
    joined = (lane[1:] == lane[:-1]) & ~fixed.ravel()[starts[1:]]
    wide = bad.copy()
    wide[:-1] |= bad[1:] & joined
    wide[1:] |= bad[:-1] & joined
    begins, ends = wide.copy(), wide.copy()
    begins[1:] &= ~(wide[:-1] & joined)
    ends[:-1] &= ~(wide[1:] & joined)
    return np.flatnonzero(begins), np.flatnonzero(ends)


def _divisible(bad: Mask, length: Array) -> Mask:
    """Bad segments, and those beside a bad one of one frame: it is only off by what its neighbours need."""
    short = bad & (length == 1)
    wide = bad.copy()
    wide[:-1] |= short[1:]
    wide[1:] |= short[:-1]
    return wide


# --- trying ------------------------------------------------------------------------------------------------


def thinned(lanes: Lanes, mask: Mask, found: Fit, width: int) -> tuple[Mask, Fit]:
    """One segment fewer in each window of `width` segments where the budget allows it; only clear extremes stay."""
    fixed = (held(lanes) | lanes.clear).ravel()
    for offset in range(width + GUARD):
        first, last = _windows(mask, found, fixed, width, offset)
        if not len(first):
            continue
        count = np.full(len(first), width - 1)
        keys = found.layout.keys
        tried = respaced(lanes, mask, (keys[first], keys[last], count), _density(found))
        mask, found = _judged(lanes, (mask, found), tried, first, last)
    return mask, found


def _windows(mask: Mask, found: Fit, fixed: Mask, width: int, offset: int) -> tuple[Indices, Indices]:
    """First and last key of each window that holds no fixed key inside and may be worth less than it has."""
    keys = found.layout.keys
    lane = keys // mask.shape[1]
    start = np.searchsorted(lane, np.arange(mask.shape[0]))
    number = np.arange(len(keys)) - start[lane]
    first = np.flatnonzero(number % (width + GUARD) == offset)
    first = first[first + width < len(keys)]
    first = first[lane[first] == lane[first + width]]
    inner = np.concatenate([[0], np.cumsum(fixed[keys])])
    value = np.concatenate([[0.0], np.cumsum(worth(found))])
    segment = first - lane[first]
    free = inner[first + width] - inner[first + 1] == 0
    hope = value[segment + width] - value[segment] < width - 0.3
    first = first[free & hope]
    return first, first + width


def _judged(
    lanes: Lanes, before: tuple[Mask, Fit], tried: Mask, first: Indices, last: Indices
) -> tuple[Mask, Fit]:
    """What was tried, but for the blocks (first and last key before) in or beside which the budget is broken."""
    mask, found = before
    keys = found.layout.keys
    new = fit(lanes, tried)
    frames = mask.shape[1]
    lane = keys[first] // frames
    low = np.maximum(keys[np.maximum(first - GUARD, 0)], lane * frames)
    high = np.minimum(keys[np.minimum(last + GUARD, len(keys) - 1)], lane * frames + frames - 1)
    over = [np.concatenate([[0], np.cumsum(each.error > 1)]) for each in (new, found)]
    worse = (over[0][high + 1] - over[0][low]) > (over[1][high + 1] - over[1][low])
    if not worse.any():
        return tried, new
    back = _inside(keys[first[worse]] + 1, keys[last[worse]], mask.size).reshape(mask.shape)
    result = np.where(back, mask, tried)
    if np.array_equal(result, mask):
        return mask, found
    # A solve is spared: where blocks went back the fit is about what it was. The last repair looks at it anew.
    around = _inside(low[worse], high[worse] + 1, mask.size)
    return result, replace(new, layout=layout(result), error=np.where(around, found.error, new.error))


def _inside(first: Indices, end: Indices, size: int) -> Mask:
    """(size,) True from each first position up to its end, which isn't included."""
    change = np.bincount(first, minlength=size + 1) - np.bincount(end, minlength=size + 1)
    return np.asarray(np.cumsum(change[:-1]) > 0)

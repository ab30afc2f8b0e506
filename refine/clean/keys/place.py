"""Where the keys go: as few as keep each lane's error within its budget, by what a cubic's error grows with.

The error of a cubic segment grows with the fourth power of its length. So (error / budget)^(1/4) is how many segments
a segment is worth; keys spread evenly over the sum of that are about as few as can be (de Boor's equidistribution,
A Practical Guide to Splines, 1978, ch. XII). What is left to gain then is tried: one key fewer in a window of a few
segments, the rest of it spread anew. All lanes, and windows that don't touch, are tried in one solve.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.clean.keys.fit import Fit, Indices, Lanes, Mask, fit, layout
from refine.shot import Array

# [judge] all.
ROUNDS = 4  # of spreading all keys anew
LEAST_WORTH = 0.25  # of a segment: one whose error is 0 by chance isn't worth nothing
WINDOWS = (
    6,
    4,
    2,
)  # segments of the windows in which one less is tried: more gain 1 to 3 % in thrice the time
GUARD = 2  # segments between two windows, on which each is judged as well: farther the fit hardly changes
MOVES = 8  # rounds in which keys are moved, then added; then segments are split
SPLITS = 40  # rounds of splitting; a key on each frame is reached long before
PULL = 0.33  # of a segment's length: how far an extreme draws a key, at the price of 2 to 3 % more keys


def placed(lanes: Lanes, first: Mask) -> tuple[Mask, Fit]:
    """The frames (R, N) of few keys whose error is within the budget everywhere, from any first ones."""
    fixed = kept(lanes)
    mask = first | fixed
    for _ in range(ROUNDS):
        mask = _spread(lanes, mask, fit(lanes, mask), fixed)
    mask, found = repaired(lanes, mask)
    for width in WINDOWS:
        mask, found = thinned(lanes, mask, found, width)
    return repaired(lanes, mask)  # afresh: the last fit was partly a guess


def kept(lanes: Lanes) -> Mask:
    """Frames that have a key in any case: the first, the last, contacts and corners."""
    fixed = lanes.forced | lanes.pinned
    fixed[:, [0, -1]] = True
    return fixed


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
    return (worth(found) / found.layout.length)[found.layout.segment]


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


def repaired(lanes: Lanes, mask: Mask, found: Fit | None = None) -> tuple[Mask, Fit]:
    """No segment over the budget: keys near those that are moved towards them, then added, then segments split."""
    fixed = kept(lanes)
    for turn in range(MOVES + SPLITS):
        found = fit(lanes, mask) if found is None else found
        worst = found.worst()
        bad = worst > 1
        if not bad.any():
            return mask, found
        keys, left = found.layout.keys, found.layout.left
        if turn < MOVES:
            a, b = _around(bad, keys[left], fixed)
            total = np.concatenate([[0.0], np.cumsum(worth(found))])
            more = b - a + 1 + (turn >= MOVES // 2)
            count = np.maximum(np.ceil(total[b + 1] - total[a] - 0.5).astype(np.intp), more)
            density = _density(found)
        else:
            a = b = np.flatnonzero(_divisible(bad, found.layout.length))
            count = np.maximum(np.ceil(worst[a] ** 0.25 - 0.25), 2).astype(np.intp)
            density = np.ones(mask.size)
        first, last = keys[left[a]], keys[left[b] + 1]
        if np.all(last - first == 1):
            break
        blocks = first, last, np.minimum(count, last - first)
        mask, found = respaced(lanes, mask, blocks, density, PULL if turn < MOVES else 0.0), None
    return _filled(lanes, mask, fit(lanes, mask))


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


def _filled(lanes: Lanes, mask: Mask, found: Fit) -> tuple[Mask, Fit]:
    """A key on each frame wherever the lane is over its budget: there the curve runs through the samples."""
    bad = np.any(found.error.reshape(mask.shape) > 1, axis=1)
    mask = mask | bad[:, None]
    return mask, fit(lanes, mask)


# --- trying ------------------------------------------------------------------------------------------------


def thinned(lanes: Lanes, mask: Mask, found: Fit, width: int) -> tuple[Mask, Fit]:
    """One segment fewer in each window of `width` segments where the budget allows it."""
    fixed = kept(lanes).ravel()
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

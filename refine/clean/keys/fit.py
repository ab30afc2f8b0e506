"""Cubic keys through many lanes of samples at once, by one banded least-squares solve for all of them.

A lane holds the channels of one control that move. Its keys stand on whole frames, the same for all its channels. A
key that isn't a corner has one slope, so the curve runs smoothly through it; a segment is the cubic in Hermite form

    p(u) = (1 + 2u)(1 - u)^2 v0 + u (1 - u)^2 h s0 + u^2 (3 - 2u) v1 - u^2 (1 - u) h s1,   u = (t - t0) / h,

of its end values v and slopes s a frame. Values and slopes of all keys are free together. The lanes are laid end to
end, so the normal matrix of them all is one band of half width 3, 4 with corners.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

Mask = NDArray[np.bool_]
Indices = NDArray[np.intp]

# [judge] what a slope is held to the samples' own by, where hardly any frames lie between keys: a key on each frame
# leaves slopes to nothing else. One frame between two keys weighs 60,000 times as much.
HOLD = 1e-6
PIN = 1e8  # what a pinned value or slope is held by: a frame weighs 1, and 16 digits leave room for it
PAIRS = tuple((i, j) for i in range(4) for j in range(i, 4))


@dataclass(frozen=True, eq=False)
class Lanes:
    """R lanes of N samples in D channels (lanes with fewer are filled up with zeros).

    `gram` holds the upper triangle of the D x D forms by which an error e (D,) counts: size^2 = e' G e, in the unit
    of the tolerance. `budget` is how large it may be. `forced` are the frames that keep a key, `corner` those where
    a key has two slopes.
    """

    values: Array  # (R, N, D)
    slopes: Array  # (R, N, D) of the samples, a frame
    gram: Array  # (R, N, D (D + 1) / 2)
    budget: Array  # (R, N)
    forced: Mask  # (R, N)
    corner: Mask  # (R, N)
    pinned: Mask  # (R, N)
    extreme: Mask  # (R, N)
    weight: Array | None = None  # (R N,) of the frames in the fit, all alike without

    @property
    def shape(self) -> tuple[int, int]:
        return self.values.shape[0], self.values.shape[1]

    def some(self, rows: Indices) -> Lanes:
        """Only these lanes."""
        weight = None if self.weight is None else self.weight.reshape(self.shape)[rows].ravel()
        return Lanes(
            self.values[rows],
            self.slopes[rows],
            self.gram[rows],
            self.budget[rows],
            self.forced[rows],
            self.corner[rows],
            self.pinned[rows],
            self.extreme[rows],
            weight,
        )


@dataclass(frozen=True, eq=False)
class Layout:
    """Which segment each frame lies in, and where in it. Flat positions count through all lanes."""

    keys: Indices  # (K,) flat positions
    starts: Indices  # (S,) flat positions at which segments start
    left: Indices  # (S,) the key that a segment starts with
    segment: Indices  # (R N,)
    length: Array  # (S,) frames
    basis: tuple[Array, Array, Array, Array]  # (R N,) of v0, s0, v1, s1


@dataclass(frozen=True, eq=False)
class Fit:
    """Keys fitted to lanes."""

    layout: Layout
    values: Array  # (K, D)
    incoming: Array  # (K, D)
    outgoing: Array  # (K, D)
    error: Array  # (R N,) size of the error over the budget

    def worst(self) -> Array:
        """(S,) the largest error in each segment, both its ends included, over the budget."""
        inside = np.maximum.reduceat(self.error, self.layout.starts)
        return np.maximum(inside, self.error[self.layout.keys[self.layout.left + 1]])


def layout(mask: Mask) -> Layout:
    """The segments between the keys of a mask (R, N), whose first and last frames are keys."""
    lanes, frames = mask.shape
    keys = np.flatnonzero(mask)
    left = np.delete(np.arange(len(keys)), np.cumsum(mask.sum(axis=1)) - 1)
    starts = keys[left]
    length = keys[left + 1] - starts
    counts = length.copy()
    counts[np.cumsum(mask.sum(axis=1) - 1) - 1] += 1  # the last frame of a lane belongs to its last segment
    segment = np.repeat(np.arange(len(left)), counts)
    h = length.astype(float)
    u = (np.arange(lanes * frames) - starts[segment]) * (1.0 / h)[segment]
    return Layout(keys, starts, left, segment, h, _basis(u, h[segment]))


def _basis(u: Array, length: Array) -> tuple[Array, Array, Array, Array]:
    """What first value, first slope, last value and last slope of a segment give at u."""
    rest, squared = 1.0 - u, u * u
    after = squared * (3.0 - 2.0 * u)
    return 1.0 - after, u * rest * rest * length, after, -squared * rest * length


def fit(lanes: Lanes, mask: Mask) -> Fit:
    """The values and slopes of least squares for keys on these frames (R, N)."""
    placed = layout(mask)
    columns, width = _columns(lanes.corner.ravel()[placed.keys])
    solved = _solve(lanes, placed, columns, width, lanes.weight)
    values, incoming, outgoing = (solved[column] for column in columns)
    error = _error(lanes, placed, values, incoming, outgoing)
    return Fit(placed, values, incoming, outgoing, error)


def _columns(corner: Mask) -> tuple[tuple[Indices, Indices, Indices], int]:
    """Columns of value, incoming and outgoing slope of each key, and the half width of the band."""
    value = 2 * np.arange(len(corner)) + np.concatenate([[0], np.cumsum(corner)[:-1]]).astype(np.intp)
    return (value, value + 1, value + 1 + corner), 4 if corner.any() else 3


def _solve(
    lanes: Lanes, placed: Layout, columns: tuple[Indices, Indices, Indices], width: int, weight: Array | None
) -> Array:
    """(unknowns, D) of the normal equations."""
    from scipy.linalg import solveh_banded

    value, incoming, outgoing = columns
    left = placed.left
    at = (value[left], outgoing[left], value[left + 1], incoming[left + 1])
    count = int(outgoing[-1]) + 1
    size = lanes.values.shape[2]
    flat = lanes.values.reshape(-1, size)
    band, right = np.zeros((width + 1) * count), np.zeros((size, count))
    # No place occurs twice among those of one pair or one end: each segment has its own.
    for (i, j), part in zip(PAIRS, _grams(placed, weight), strict=True):
        band[(width + at[i] - at[j]) * count + at[j]] += part
    weighted = placed.basis if weight is None else tuple(each * weight for each in placed.basis)
    for d in range(size):
        samples = np.ascontiguousarray(flat[:, d])
        for column, each in zip(at, weighted, strict=True):
            right[d, column] += np.add.reduceat(each * samples, placed.starts)
    slopes = lanes.slopes.reshape(-1, size)[placed.keys]
    pin = PIN * lanes.pinned.ravel()[placed.keys]
    right[:, value] += (pin[:, None] * flat[placed.keys]).T
    band[width * count + value] += pin
    for column in (incoming, outgoing):
        right[:, column] += ((HOLD + pin)[:, None] * slopes).T
        band[width * count + column] += HOLD + pin
    return np.asarray(solveh_banded(band.reshape(width + 1, count), right.T, check_finite=False))


def _grams(placed: Layout, weight: Array | None) -> list[Array]:
    """By pair of basis functions the (S,) sums of their products over the frames of each segment.

    Without weights they follow from the segment's length alone. A segment has its first frame and not its last one,
    which is the next one's first; only at the end of a lane it has both.
    """
    if weight is not None:
        basis = placed.basis
        return [np.add.reduceat(basis[i] * basis[j] * weight, placed.starts) for i, j in PAIRS]
    lengths, which = np.unique(placed.length, return_inverse=True)
    sums = np.array([_sums(int(length)) for length in lengths])[which]
    ends = np.append(placed.left[1:] != placed.left[:-1] + 1, True)
    sums[ends, PAIRS.index((2, 2))] += 1.0  # there the end value is 1, and the rest 0
    return list(sums.T)


@lru_cache(maxsize=4096)
def _sums(length: int) -> tuple[float, ...]:
    basis = _basis(np.arange(length) / length, np.array(float(length)))
    return tuple(float(basis[i] @ basis[j]) for i, j in PAIRS)


def _error(lanes: Lanes, placed: Layout, values: Array, incoming: Array, outgoing: Array) -> Array:
    """(R N,) size of the difference to the samples over the budget."""
    size = lanes.values.shape[2]
    left = placed.left
    ends = (values[left], outgoing[left], values[left + 1], incoming[left + 1])
    flat, gram = lanes.values.reshape(-1, size), lanes.gram.reshape(len(placed.segment), -1)
    off = []
    for d in range(size):
        curve = placed.basis[0] * ends[0][:, d][placed.segment]
        for basis, end in zip(placed.basis[1:], ends[1:], strict=True):
            curve += basis * end[:, d][placed.segment]
        off.append(flat[:, d] - curve)
    square = np.zeros(len(flat))
    for column, (i, j) in enumerate(triangle(size)):
        square += (1.0 if i == j else 2.0) * gram[:, column] * off[i] * off[j]
    return np.asarray(np.sqrt(np.maximum(square, 0.0)) / lanes.budget.ravel())


def triangle(size: int) -> list[tuple[int, int]]:
    """The places of the upper triangle of a size x size matrix, row by row."""
    return [(i, j) for i in range(size) for j in range(i, size)]

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
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from refine.clean.keys.limits import Indices, Limits, Mask
from refine.shot import Array

Sparse = Any  # a matrix of scipy's, which is loaded where it is made
T = TypeVar("T", bound=np.generic)

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
    a key has two slopes, `pinned` those where it has the samples' own value and slope, `extreme` those where the
    motion turns back as far as can be seen, `clear` those where it does so by far. Whatever the other channels make
    up for, the one that moves the end most, lead[0], is off by 1 / lead[1] at most: its extremes are what is read.
    """

    values: Array  # (R, N, D)
    slopes: Array  # (R, N, D) of the samples, a frame
    gram: Array  # (D (D + 1) / 2, R, N)
    budget: Array  # (R, N)
    forced: Mask  # (R, N)
    corner: Mask  # (R, N)
    pinned: Mask  # (R, N)
    extreme: Mask  # (R, N)
    clear: Mask  # (R, N)
    lead: tuple[Indices, Array]  # (R,) each
    weight: Array | None = None  # (R, N) of the frames in the fit, all alike without
    limits: Limits | None = None

    @property
    def shape(self) -> tuple[int, int]:
        return self.values.shape[0], self.values.shape[1]

    def some(self, rows: Indices) -> Lanes:
        """Only these lanes."""
        return Lanes(
            self.values[rows],
            self.slopes[rows],
            self.gram[:, rows],
            self.budget[rows],
            self.forced[rows],
            self.corner[rows],
            self.pinned[rows],
            self.extreme[rows],
            self.clear[rows],
            (self.lead[0][rows], self.lead[1][rows]),
            None if self.weight is None else self.weight[rows],
            None if self.limits is None else self.limits.some(rows),
        )


@dataclass(frozen=True, eq=False)
class Layout:
    """Which segment each frame lies in, and where in it. Flat positions count through all lanes."""

    keys: Indices  # (K,) flat positions
    starts: Indices  # (S,) flat positions at which segments start
    left: Indices  # (S,) the key that a segment starts with
    counts: Indices  # (S,) its frames: the last frame of a lane belongs to its last segment
    length: Array  # (S,) frames

    def spread(self, of_segments: NDArray[T]) -> NDArray[T]:
        """(R N, ...) for each frame what its segment has (S, ...)."""
        return np.repeat(of_segments, self.counts, axis=0)


@dataclass(frozen=True, eq=False)
class Fit:
    """Keys fitted to lanes."""

    layout: Layout
    values: Array  # (K, D)
    incoming: Array  # (K, D)
    outgoing: Array  # (K, D)
    curve: Array  # (R N, D)
    error: Array  # (R N,) size of the error, or what the leading channel is off, over what either may be

    def worst(self) -> Array:
        """(S,) the largest error in each segment, both its ends included, over the budget."""
        inside = np.maximum.reduceat(self.error, self.layout.starts)
        return np.maximum(inside, self.error[self.layout.keys[self.layout.left + 1]])


def layout(mask: Mask) -> Layout:
    """The segments between the keys of a mask (R, N), whose first and last frames are keys."""
    frames = mask.shape[1]
    keys = np.flatnonzero(mask)
    left = np.flatnonzero(keys % frames != frames - 1)
    starts = keys[left]
    after = keys[left + 1]
    counts = after - starts
    length = counts.astype(float)
    counts[after % frames == frames - 1] += 1
    return Layout(keys, starts, left, counts, length)


def _basis(u: Array, length: Array) -> Array:
    """(N, 4) what first value, first slope, last value and last slope of a segment give at u."""
    rest, squared = 1.0 - u, u * u
    basis = np.empty((len(u), 4))
    basis[:, 2] = squared * (3.0 - 2.0 * u)
    basis[:, 0] = 1.0 - basis[:, 2]
    basis[:, 1] = u * rest * rest * length
    basis[:, 3] = -squared * rest * length
    return basis


def fit(lanes: Lanes, mask: Mask) -> Fit:
    """The values and slopes of least squares for keys on these frames (R, N), moved where limits would be passed."""
    placed = layout(mask)
    corner = lanes.corner.ravel()[placed.keys]
    columns, width = _columns(corner)
    curve = _curve(placed, columns, mask.size)
    solved = _solve(lanes, placed, curve, columns, width)
    pinned = np.flatnonzero(lanes.pinned.ravel()[placed.keys])
    for column, own in zip(columns, (lanes.values, lanes.slopes, lanes.slopes), strict=True):
        solved[column[pinned]] = own.reshape(mask.size, -1)[placed.keys[pinned]]  # to the last digit
    values, incoming, outgoing = (solved[column] for column in columns)
    if lanes.limits is not None:
        ends = placed.starts, placed.keys[placed.left + 1]
        values, incoming, outgoing = lanes.limits.held(
            ends, placed.left, values, (incoming, outgoing), corner
        )
        solved[columns[0]], solved[columns[1]], solved[columns[2]] = values, incoming, outgoing
    fitted = curve @ solved
    return Fit(placed, values, incoming, outgoing, fitted, _error(lanes, fitted))


def _columns(corner: Mask) -> tuple[tuple[Indices, Indices, Indices], int]:
    """Columns of value, incoming and outgoing slope of each key, and the half width of the band."""
    value = 2 * np.arange(len(corner)) + np.concatenate([[0], np.cumsum(corner)[:-1]]).astype(np.intp)
    return (value, value + 1, value + 1 + corner), 4 if corner.any() else 3


def _ends(placed: Layout, columns: tuple[Indices, Indices, Indices]) -> tuple[Indices, ...]:
    """(S,) columns of first value, first slope, last value and last slope of each segment."""
    value, incoming, outgoing = columns
    left = placed.left
    return value[left], outgoing[left], value[left + 1], incoming[left + 1]


def _curve(placed: Layout, columns: tuple[Indices, Indices, Indices], frames: int) -> Sparse:
    """(R N, unknowns) what each unknown gives on each frame."""
    from scipy.sparse import csr_array

    u = (np.arange(frames) - placed.spread(placed.starts)) * placed.spread(1.0 / placed.length)
    basis = _basis(u, placed.spread(placed.length))
    at = placed.spread(np.stack(_ends(placed, columns), axis=1).astype(np.int32))
    rows = np.arange(0, 4 * frames + 1, 4, dtype=np.int32)
    return csr_array((basis.ravel(), at.ravel(), rows), shape=(frames, int(columns[2][-1]) + 1))


def _solve(
    lanes: Lanes, placed: Layout, curve: Sparse, columns: tuple[Indices, Indices, Indices], width: int
) -> Array:
    """(unknowns, D) of the normal equations."""
    from scipy.linalg import solveh_banded

    at = _ends(placed, columns)
    count = curve.shape[1]
    flat = lanes.values.reshape(curve.shape[0], -1)
    weight = None if lanes.weight is None else lanes.weight.ravel()
    places = np.concatenate([(width + at[i] - at[j]) * count + at[j] for i, j in PAIRS])
    sums = np.bincount(places, _grams(placed, curve, weight).ravel(), minlength=(width + 1) * count)
    band = np.asarray(sums, np.float64)
    right = curve.T @ (flat if weight is None else flat * weight[:, None])
    slopes = lanes.slopes.reshape(len(flat), -1)[placed.keys]
    pin = PIN * lanes.pinned.ravel()[placed.keys]
    right[columns[0]] += pin[:, None] * flat[placed.keys]
    band[width * count + columns[0]] += pin
    for column in columns[1:]:
        right[column] += (HOLD + pin)[:, None] * slopes
        band[width * count + column] += HOLD + pin
    return np.asarray(solveh_banded(band.reshape(width + 1, count), right, check_finite=False))


def _grams(placed: Layout, curve: Sparse, weight: Array | None) -> Array:
    """(10, S) by pair of basis functions the sums of their products over the frames of each segment.

    Without weights they follow from the segment's length alone. A segment has its first frame and not its last one,
    which is the next one's first; only at the end of a lane it has both.
    """
    if weight is not None:
        basis = np.ascontiguousarray(curve.data.reshape(-1, 4).T)
        weighted = basis * weight
        return np.stack([np.add.reduceat(weighted[i] * basis[j], placed.starts) for i, j in PAIRS])
    lengths, which = np.unique(placed.length, return_inverse=True)
    sums = np.array([_sums(int(length)) for length in lengths])[which]
    ends = placed.counts > placed.length
    sums[ends, PAIRS.index((2, 2))] += 1.0  # there the end value is 1, and the rest 0
    return sums.T


@lru_cache(maxsize=4096)
def _sums(length: int) -> tuple[float, ...]:
    basis = _basis(np.arange(length) / length, np.full(length, float(length)))
    return tuple(float(basis[:, i] @ basis[:, j]) for i, j in PAIRS)


def _error(lanes: Lanes, curve: Array) -> Array:
    """(R N,) size of the difference to the samples, or what the leading channel is off, over what either may be."""
    off = np.ascontiguousarray((lanes.values.reshape(curve.shape) - curve).T)
    error = np.sqrt(sized(lanes.gram.reshape(-1, len(curve)), off)) / lanes.budget.ravel()
    channel, scale = lanes.lead
    lead = off.reshape(-1, *lanes.shape)[channel, np.arange(len(channel))]
    return np.maximum(error, np.abs(lead * scale[:, None]).ravel())


def sized(gram: Array, error: Array) -> Array:
    """(...) squares of the sizes of errors (D, ...) by their forms (D (D + 1) / 2, ...)."""
    square = np.zeros(error.shape[1:])
    for form, (i, j) in zip(gram, triangle(len(error)), strict=True):
        part = form * error[i]
        part *= error[j]
        square += part if i == j else 2.0 * part
    return np.maximum(square, 0.0)


def triangle(size: int) -> list[tuple[int, int]]:
    """The places of the upper triangle of a size x size matrix, row by row."""
    return [(i, j) for i in range(size) for j in range(i, size)]

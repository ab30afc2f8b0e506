"""The rules by which slopes are commonly set, and what a slope is measured in.

Three rules cover the trade's common practice [prac]; each gives a key's slope as a linear function of the key values:

* NATURAL  the natural cubic spline through the keys (continuous second derivative)
* CHORD    the chord between the two neighbours, (v[k+1] - v[k-1]) / (f[k+1] - f[k-1])
* ZERO     flat

Which of them is followed may depend on where a key stands: inside a move, at an extreme or at an end of its channel.
Deviations are relative to the slope unit of a key: local range of values over local key distance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array, Keys, Segment

NATURAL, CHORD, ZERO = range(3)
RULE_NAMES = ("the natural spline", "the chord between its neighbours", "flat")
INSIDE, EXTREME, END = range(3)  # contexts

SMALLEST = 1e-12  # a channel that varies by less doesn't move, in whatever unit
# Keys beside a moved one whose slopes still follow: farther a natural spline hands on 0.27^3 of it.
BESIDE = 2
ONE_FRAME = 1.01  # frames to a neighbour up to which nothing is seen between the two
LEAST = 1e-4  # of a key's slope unit: a slope that would turn by less stays
FOLLOWS = 1e-3  # how nearly a slope was set by a rule, of the slope: files round to some 4 digits [prac]
_FELT = 28  # keys; the natural spline's influence has fallen below 0.27^28 = 1e-16
# Keys solved at once: with what they feel still too few for linear algebra to start threads, which wait for each other.
_PIECE = 32


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """Rule slopes as matrices on the key values, (K, K) each, and which keys can be judged by them."""

    natural: Array
    chord: Array
    judged: NDArray[np.bool_]  # (K,) those of the ruled ones whose slopes show
    ruled: NDArray[np.bool_]  # (K,) a curve on each side, no corner

    def slopes(self, values: Array) -> Array:
        """(3, ..., K, D) slopes that NATURAL, CHORD and ZERO would give to values (..., K, D)."""
        return np.stack([self.natural @ values, self.chord @ values, np.zeros_like(values)])


def rules(keys: Keys, loop: bool = False) -> Rules:
    """The rule matrices of one set of keys: each rule's slopes for values of 1 at one key and 0 at the others."""
    natural, chord = slopes_by_rule(keys, np.eye(len(keys)))
    return Rules(natural, chord, judged(keys, loop), ruled(keys, loop))


def followed_rules(keys: Keys) -> tuple[Array, NDArray[np.bool_]]:
    """(K, K) slopes for values of 1 at each key, by the rule that each key's slope follows, and (K,) which do."""
    by_rule, own, values = rules(keys), keys.outgoing[:, 0], keys.values[:, 0]
    matrices = np.stack([by_rule.natural, by_rule.chord, np.zeros_like(by_rule.chord)])
    would = matrices @ values
    fits = (np.abs(own - would) <= FOLLOWS * np.abs(would)) & (keys.incoming[:, 0] == own) & by_rule.ruled
    chosen = matrices[np.argmax(fits, axis=0), np.arange(len(keys))]
    return chosen * fits.any(axis=0)[:, None], fits.any(axis=0)


def ruled(keys: Keys, loop: bool = False) -> NDArray[np.bool_]:
    """(K,) which keys have a curve on each side, and no corner.

    The first and the last key of a loop have a neighbour across the seam, at which no rule here looks.
    """
    curved = keys.segment[:-1] == Segment.CURVE
    between = np.append(not loop, curved) & np.append(curved, not loop)
    return np.asarray(between & ~keys.corner & (len(keys) > 2))


def judged(keys: Keys, loop: bool = False) -> NDArray[np.bool_]:
    """(K,) which keys that rules can be asked of have slopes that show: not between neighbours on the next frames."""
    wide = np.diff(keys.frames) > ONE_FRAME
    return np.asarray(ruled(keys, loop) & (np.append(True, wide) | np.append(wide, True)))


def slopes_by_rule(keys: Keys, values: Array) -> tuple[Array, Array]:
    """Slopes (K, M) by NATURAL and by CHORD for values (K, M); curves are cut at corners and where none is."""
    natural, chord = np.zeros_like(values), np.zeros_like(values)
    for a, b in _runs(keys.corner, keys.segment[:-1] == Segment.CURVE):
        part = slice(a, b + 1)
        natural[part] = _natural(keys.frames[part], values[part])
        chord[part] = _chord(keys.frames[part], values[part])
    return natural, chord


def _runs(corner: NDArray[np.bool_], curved: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """(first, last) keys of each stretch of curve segments without a corner inside."""
    start, corners, curves = 0, corner.tolist(), curved.tolist()
    for k in range(1, len(corners)):
        if not curves[k - 1]:
            start = k
        elif k == len(corners) - 1 or corners[k] or not curves[k]:
            yield start, k
            start = k


def _natural(f: Array, values: Array) -> Array:
    """(K, M): slopes of the natural cubic splines through values (K, M) at frames f.

    A key's slope hardly feels keys beyond `_FELT`, so long channels are solved in pieces that overlap by so many:
    in time that grows with K, not with its cube.
    """
    if len(f) <= _PIECE + 2 * _FELT:
        return _spline_slopes(f, values)
    found = np.empty_like(values)
    for a in range(0, len(f), _PIECE):
        first = max(a - _FELT, 0)
        part = slice(first, a + _PIECE + _FELT)
        found[a : a + _PIECE] = _spline_slopes(f[part], values[part])[a - first : a - first + _PIECE]
    return found


def _spline_slopes(f: Array, values: Array) -> Array:
    h = np.diff(f)
    bend = 3 * np.diff(values, axis=0) / h[:, None] ** 2
    left, right = np.zeros((len(f), len(f))), np.zeros_like(values)
    k = np.arange(len(h))
    left[k, k] += 2 / h
    left[k + 1, k + 1] += 2 / h
    left[k, k + 1] = left[k + 1, k] = 1 / h
    right[:-1] += bend
    right[1:] += bend
    return np.asarray(np.linalg.solve(left, right), np.float64)


def _chord(f: Array, values: Array) -> Array:
    """(K, M): slopes of the chord between the neighbours, one-sided at the ends."""
    k = np.arange(len(f))
    low, high = np.maximum(k - 1, 0), np.minimum(k + 1, len(f) - 1)
    return np.asarray((values[high] - values[low]) / (f[high] - f[low])[:, None])


def neighbour_prediction(f: Array) -> Array:
    """(K, K): each key's value predicted from its two neighbours on each side, by the cubic through them."""
    count = len(f)
    offsets = np.array([-2, -1, 1, 2])
    near = np.arange(count)[:, None] + offsets
    inside = (near >= 0) & (near < count)
    frame = f[np.clip(near, 0, count - 1)]
    matrix = np.zeros((count, count))
    for i in range(4):
        weight = np.ones(count)
        for j in range(4):
            if j != i:
                apart = np.where(inside[:, i] & inside[:, j], frame[:, i] - frame[:, j], 1.0)
                weight *= np.where(inside[:, j], (f - frame[:, j]) / apart, 1.0)
        rows = np.flatnonzero(inside[:, i])
        matrix[rows, near[rows, i]] = weight[rows]
    return matrix


def lengths(vectors: Array) -> Array:
    """(...) Euclidean lengths of (..., D); most channels have one number, of which it is the size."""
    if vectors.shape[-1] == 1:
        return np.asarray(np.abs(vectors[..., 0]))
    return np.asarray(np.linalg.norm(vectors, axis=-1))


def contexts(values: Array) -> NDArray[np.intp]:
    """(..., K): INSIDE, EXTREME or END for values (..., K, D); a quaternion turns back where its steps do."""
    step = np.diff(values, axis=-2)
    turned = np.sum(step[..., 1:, :] * step[..., :-1, :], axis=-1) <= 0
    found = np.full(values.shape[:-1], END, np.intp)
    found[..., 1:-1] = np.where(turned, EXTREME, INSIDE)
    return found


def units(keys: Keys) -> tuple[Array, Array]:
    """(K,) local range of the values over the five keys around each, and the slope unit made from it."""
    local, unit = units_of_all(keys.frames, keys.values[None])
    return local[0], unit[0]


def units_of_all(frames: Array, values: Array) -> tuple[Array, Array]:
    """`units` of several channels on the same key frames: values (C, K, D) give (C, K)."""
    count = len(frames)
    padded = np.pad(values, ((0, 0), (2, 2), (0, 0)), mode="edge")
    window = np.stack([padded[:, i : i + count] for i in range(5)])
    local = np.linalg.norm(window.max(axis=0) - window.min(axis=0), axis=-1)
    whole = np.linalg.norm(np.ptp(values, axis=1), axis=-1)
    local = np.maximum(np.maximum(local, 0.02 * whole[:, None]), SMALLEST)
    gap = np.gradient(frames) if count > 1 else np.ones(1)
    return local, np.asarray(local / gap)


def deviations(rule: Rules, values: Array, slopes: Array, unit: Array) -> Array:
    """(3, ..., K) distance of slopes from each rule in slope units, for values and slopes (..., K, D)."""
    return relative(slopes - rule.slopes(values), unit)


def relative(apart: Array, unit: Array) -> Array:
    """(...) lengths of (..., D) in units (...) that may be 0."""
    return np.asarray(lengths(apart) / np.maximum(unit, 1e-300))

"""Amounts by which neighbouring keys may have been moved to alternating sides.

For each run of keys two kinds of answers: exact ones, where as many keys obey a rule as were moved, for each choice
of them; and one by least absolute deviations, where each key obeys the rule nearest to it and what no slope
determines alternates by the size of the rest. All runs of one length are worked together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from refine.habit import Habit
from refine.shot import Array
from refine.slope_rules import CHORD, NATURAL, ZERO, Rules, contexts, deviations, lengths

EVEN = 0.3  # [judge] a zigzag has one amplitude, more or less: smallest over largest move
LARGEST = 3.0  # local ranges that a key may have been moved by
_AROUND = 4  # keys beside a run whose slopes have a say
_FREE = 1e-3  # ridge on the keys' deviations from one amplitude, in local ranges
_DETERMINED = 0.02  # singular value from which the rows determine an amount
_LEFT_OVER = 0.1  # slope units that a wrong amount may still leave between a key and its rule
_ROUNDS, _STEPS = 3, 12  # of choosing rules, and of reweighting within each


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """What the search needs of a channel: values and slopes (K, D), units (K,), rules and habit."""

    values: Array
    slopes: Array
    local: Array
    unit: Array
    rules: Rules
    habit: Habit


@dataclass(frozen=True, slots=True, eq=False)
class Zigzags:
    """S candidates over runs of n keys: the keys (S, n), amounts (S, n, D), and how many the slopes determine (S,)."""

    keys: NDArray[np.intp]
    amounts: Array
    known: NDArray[np.intp]


def zigzags(curve: Curve, searched: NDArray[np.bool_], count: int) -> Zigzags:
    """All candidates over runs of `count` searched keys that alternate, evenly enough, by a size that can be."""
    first = np.arange(len(curve.values) - count + 1)
    runs = first[:, None] + np.arange(count)
    runs = runs[searched[runs].all(axis=1)]
    if not len(runs):
        return Zigzags(runs, np.zeros((0, count, curve.values.shape[1])), np.zeros(0, np.intp))
    parts = [_alternating(curve, runs), _exact(curve, runs)]
    keys, amounts, known = (np.concatenate([part[i] for part in parts]) for i in range(3))
    moves = lengths(amounts)
    turning = np.all(np.sum(amounts[:, 1:] * amounts[:, :-1], axis=2) < 0, axis=1)
    most = moves.max(axis=1)
    fits = turning & (moves.min(axis=1) > EVEN * most) & (most < LARGEST * curve.local[keys].max(axis=1))
    fits &= 2 * known >= count
    return Zigzags(keys[fits], amounts[fits], known[fits])


_Part = tuple[NDArray[np.intp], Array, NDArray[np.intp]]


def _exact(curve: Curve, runs: NDArray[np.intp]) -> _Part:
    """Amounts at which n of the keys around each run obey a rule exactly, for each choice of them."""
    parts = [_equations(curve, run) for run in runs]
    system, rest = (np.concatenate([part[i] for part in parts]) for i in range(2))
    run = np.repeat(np.arange(len(runs)), [len(systems) for systems, _ in parts])
    solvable = np.abs(np.linalg.det(system)) > 1e-4
    keys = runs[run[solvable]]
    scale = curve.local[keys].max(axis=1)
    amounts = np.linalg.solve(system[solvable], rest[solvable]) * scale[:, None, None]
    return keys, np.asarray(amounts, np.float64), np.full(len(keys), runs.shape[1])


def _equations(curve: Curve, run: NDArray[np.intp]) -> tuple[Array, Array]:
    """Matrices (S, n, n) and right sides (S, n, D) for the amounts, in local ranges, that n rules ask for."""
    rows = np.arange(max(run[0] - 1, 0), min(run[-1] + 2, len(curve.values)))
    rows = rows[curve.rules.judged[rows]]
    turned = rows[np.any(curve.slopes[rows] != 0, axis=1)]  # a flat key says nothing by its chord
    matrix = np.concatenate([curve.rules.natural[rows], curve.rules.chord[turned]])
    at = np.concatenate([rows, turned])
    rest = (curve.slopes[at] - matrix @ curve.values) / curve.unit[at, None]
    scaled = matrix[:, run] * curve.local[run].max() / curve.unit[at, None]
    chosen = _choices(tuple((at - run[0]).tolist()), len(run))
    return scaled[chosen], rest[chosen]


@lru_cache(maxsize=256)
def _choices(keys: tuple[int, ...], size: int) -> NDArray[np.intp]:
    """(S, size): all ways to choose `size` equations of those about these keys, no two about one key."""
    ways = combinations(range(len(keys)), size)
    different = [way for way in ways if len({keys[i] for i in way}) == size]
    return np.array(different, np.intp).reshape(-1, size)


def _alternating(curve: Curve, runs: NDArray[np.intp]) -> _Part:
    """Amounts (2 R, n, D) that make most keys obey the rule nearest to them, starting from either rule for all."""
    size, count = len(curve.values), runs.shape[1]
    guess = np.repeat([NATURAL, CHORD], len(runs))
    runs = np.tile(runs, (2, 1))
    rows = runs[:, :1] + np.arange(-_AROUND, count + _AROUND)
    inside = (rows >= 0) & (rows < size)
    rows = np.clip(rows, 0, size - 1)
    inside &= curve.rules.judged[rows]
    rule = np.tile(guess[:, None], rows.shape[1])
    for _ in range(_ROUNDS):
        told = inside & (rule != ZERO)
        amounts, matrix = _obeying(curve, runs, rows, rule, told)
        nearest = _nearest(curve, runs, rows, amounts)
        if np.array_equal(nearest, rule):
            break
        rule = nearest
    known = np.linalg.matrix_rank(matrix, tol=_DETERMINED)
    return runs, amounts, np.asarray(known)


def _obeying(
    curve: Curve,
    runs: NDArray[np.intp],
    rows: NDArray[np.intp],
    rule: NDArray[np.intp],
    told: NDArray[np.bool_],
) -> tuple[Array, Array]:
    """Amounts (R, n, D) that make the rows obey their rules, and what the rows (R, m, n) say of them, in local ranges.

    Only the rows that are `told` (R, m) count. One amplitude is free; the keys' deviations from it are held small.
    """
    count = runs.shape[1]
    both = np.stack([curve.rules.natural, curve.rules.chord])
    chosen, share = np.minimum(rule, CHORD), told / curve.unit[rows]
    matrix = both[chosen[:, :, None], rows[:, :, None], runs[:, None, :]] * share[:, :, None]
    rest = (curve.slopes[rows] - (both @ curve.values)[chosen, rows]) * share[:, :, None]
    sign = (-1.0) ** np.arange(count)
    scale = curve.local[runs].max(axis=1)
    design = np.concatenate([(matrix @ sign)[:, :, None], matrix], axis=2)
    held = np.concatenate(
        [np.zeros((len(runs), 1)), np.repeat(_FREE / scale[:, None], count, axis=1)], axis=1
    )
    x = _least_absolute(design, rest, held)
    return x[:, :1] * sign[:, None] + x[:, 1:], matrix * scale[:, None, None]


def _nearest(
    curve: Curve, runs: NDArray[np.intp], rows: NDArray[np.intp], amounts: Array
) -> NDArray[np.intp]:
    """(R, m): the rule that each row is nearest to once the amounts are undone, leaning on the habit."""
    values = np.repeat(curve.values[None], len(runs), axis=0)
    np.put_along_axis(values, runs[:, :, None], np.take_along_axis(values, runs[:, :, None], 1) + amounts, 1)
    deviation = np.take_along_axis(
        deviations(curve.rules, values, curve.slopes, curve.unit), rows[None], axis=2
    )
    shares = np.moveaxis(curve.habit.shares[np.take_along_axis(contexts(values), rows, axis=1), :3], -1, 0)
    return np.asarray(np.argmax(np.log(shares + 1e-3) - deviation / _LEFT_OVER, axis=0))


def _least_absolute(matrix: Array, target: Array, ridge: Array) -> Array:
    """x (R, n, D) minimising the sum of |matrix x - target|, by reweighting; ties go to the smallest ridge * x.

    matrix (R, m, n), target (R, m, D), ridge (R, n).
    """
    weight, transposed, squares = np.ones(matrix.shape[:2]), np.swapaxes(matrix, 1, 2), ridge**2 + 1e-300
    diagonal = np.arange(matrix.shape[2])
    x: Array = np.zeros((len(matrix), matrix.shape[2], target.shape[2]))
    for _ in range(_STEPS):
        weighted = transposed * weight[:, None]
        normal = weighted @ matrix
        trace = normal[:, diagonal, diagonal].sum(axis=1)
        normal[:, diagonal, diagonal] += squares + 1e-12 * trace[:, None]
        x = np.asarray(np.linalg.solve(normal, weighted @ target), np.float64)
        weight = 1 / np.maximum(lengths(matrix @ x - target), 1e-6)
    return x

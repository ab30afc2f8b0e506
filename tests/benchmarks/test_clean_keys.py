"""The optimum that reductions are compared with is one: every set of keys tried by hand gives the same number."""

from __future__ import annotations

from itertools import combinations, pairwise
from typing import get_args

import numpy as np
import pytest

from benchmarks.clean_keys import Class, fewest, segments
from refine.clean.keys.fit import Lanes
from refine.shot import Array

UNLED = np.zeros(1, np.intp), np.zeros(1)


def lane(values: Array, budget: float) -> Lanes:
    """One lane of three channels whose error is the length of their vector."""
    table = values[None]
    none = np.zeros(table.shape[:2], np.bool_)
    gram = np.zeros((6, *none.shape))
    gram[[0, 3, 5]] = 1.0
    limit = np.full(none.shape, budget)
    return Lanes(table, np.gradient(table, axis=1), gram, limit, *[none] * 5, UNLED)


@pytest.mark.parametrize("kind", get_args(Class))
@pytest.mark.parametrize("seed", range(4))
def test_no_set_of_keys_is_smaller(kind: Class, seed: int) -> None:
    values = np.cumsum(np.random.default_rng(seed).normal(0, 1, (10, 3)), axis=0)
    lanes = lane(values, 1.2)
    allowed = {n: segments(lanes, 0, n, kind) for n in range(1, 10)}

    def holds(keys: tuple[int, ...]) -> bool:
        return all(allowed[b - a][a] for a, b in pairwise(keys))

    sets = ((0, *inner, 9) for size in range(9) for inner in combinations(range(1, 9), size))
    smallest = next(len(keys) for keys in sets if holds(keys))
    assert 2 < smallest < 10
    assert fewest(lanes, 0, kind) == smallest


@pytest.mark.parametrize("seed", range(4))
def test_no_set_with_given_keys_is_smaller(seed: int) -> None:
    values = np.cumsum(np.random.default_rng(seed).normal(0, 1, (10, 3)), axis=0)
    lanes, must = lane(values, 1.5), np.zeros(10, np.bool_)
    must[[3, 4]] = True
    allowed = {n: segments(lanes, 0, n, "broken") for n in range(1, 10)}
    free = [tuple(each) for size in range(7) for each in combinations([1, 2, 5, 6, 7, 8], size)]
    sets = sorted(((0, *sorted({*each, 3, 4}), 9) for each in free), key=len)
    smallest = next(len(keys) for keys in sets if all(allowed[b - a][a] for a, b in pairwise(keys)))
    assert fewest(lanes, 0, "broken", must) == smallest >= fewest(lanes, 0, "broken")


def test_a_broken_segment_is_judged_by_its_own_least_squares() -> None:
    """[lib] numpy's least squares over the two slopes, frame by frame."""
    values = np.cumsum(np.random.default_rng(5).normal(0, 1, (12, 3)), axis=0)
    for length in (4, 6, 9):  # two slopes pass through any two frames between the keys
        u = np.arange(length + 1) / length
        slopes = np.stack([length * u * (1 - u) ** 2, -length * u**2 * (1 - u)], axis=1)
        for first in range(12 - length):
            part = values[first : first + length + 1]
            ends = np.outer(1 - 3 * u**2 + 2 * u**3, part[0]) + np.outer(3 * u**2 - 2 * u**3, part[-1])
            best = np.linalg.lstsq(slopes, part - ends, rcond=None)[0]
            worst = np.linalg.norm(part - ends - slopes @ best, axis=1).max()
            for budget, fits in ((worst * 1.001, True), (worst * 0.999, False)):
                assert segments(lane(values, budget), 0, length, "broken")[first] == fits

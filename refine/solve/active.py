"""The last digits of a banded problem with bounds: the minimiser on its active set, and the signs checked.

Bounds on single unknowns are held by fixing them in the bands; narrow rows by the method of multipliers, y <-
y - rho (C x - d), whose matrix H + rho C' C is banded too and is factored once (Powell 1969, Hestenes 1969).
Sides with a wrong sign swap and the problem is solved again, as long as their number falls fast.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Array
from constraints.terms import Penalty
from refine.solve.banded import factor, fix, half_gradient
from refine.solve.presolve import Box
from refine.solve.sides import Side

# The trial goes on while at most one bound in FIRST is on the wrong side, and FEWER times fewer each round.
ROUNDS, FIRST, FEWER = 5, 1000, 3
# So few may stay as many; each cluster of them then swaps one at a time.
FEW, CLUSTER = 8, 64
# Up to so many swaps are solved for in windows, which reach so many unknowns beyond a swap.
LOCAL, REACH = 100, 300
# Within what a multiplier's sign counts, relative to the largest one, and a broken bound, to the mean slack.
SIGN, BROKEN = 1e-11, 1e-10
# Charge on rows that are held, relative to the cost's own curvature, and how often their multipliers follow.
STIFF, FOLLOW = 1e3, 12

Mask = NDArray[np.bool_]


def exact(penalties: Sequence[Penalty], box: Box, hessian: Array, every: list[Side]) -> Array | None:
    """The minimiser (n,), from the slacks and multipliers of an interior point near it; None when it isn't
    near.

    On the last step an active bound's slack shrank more, in proportion, than its multiplier (Tapia's
    indicators; El-Bakry, Tapia, Zhang 1994, SIAM Rev 36:45-72): that needs no scale.
    """
    slack = [float(side.s.mean()) for side in every]
    rests = [side.z * side.ds < side.s * side.c for side in every]
    worst = max(sum(len(mask) for mask in rests) // FIRST, FEW)
    solved = _held(penalties, box, hessian, every, rests)
    for _ in range(ROUNDS):
        if solved is None:
            return None
        x, multipliers = solved
        largest = SIGN * max(float(np.abs(m).max(initial=0.0)) for m in multipliers)
        wrong = [
            np.where(mask, m < -largest, side.apply(x, side.ds) < side.bound - BROKEN * s)
            for side, mask, m, s in zip(every, rests, multipliers, slack, strict=True)
        ]
        count = sum(int(np.count_nonzero(mask)) for mask in wrong)
        if not count:
            return x
        if count > worst:
            return None
        worst = max(count // FEWER, FEW)
        swaps = [_last_of_each_cluster(mask) for mask in wrong] if count <= FEW else wrong
        rests = [mask ^ swap for mask, swap in zip(rests, swaps, strict=True)]
        mended = None if box.wide else _mended(penalties, box, hessian, every, rests, swaps, x)
        solved = mended or _held(penalties, box, hessian, every, rests)
    return None


def _mended(
    penalties: Sequence[Penalty],
    box: Box,
    hessian: Array,
    every: list[Side],
    rests: list[Mask],
    swaps: list[Mask],
    x: Array,
) -> tuple[Array, list[Array]] | None:
    """As `_held`, but solved only within REACH of the swaps; None when that isn't enough.

    Far from a swap nothing changes: its effect dies away over a few lengths of the smoother's kernel, and at
    once behind a few unknowns that are held. The slope that is left on the free unknowns tells.
    """
    at = np.sort(np.concatenate([_places(side)[swap] for side, swap in zip(every, swaps, strict=True)]))
    if len(at) > LOCAL:
        return None
    x, held = x.copy(), box.fixed.copy()
    for side, mask, swap in zip(every, rests, swaps, strict=True):
        held[_places(side)[mask]] = True
        x[_places(side)[mask & swap]] = (side.sign * side.bound)[mask & swap]
    pull = _pull(penalties, x, box.fixed, [], [], 0.0)
    breaks = np.flatnonzero(np.diff(at) > 2 * REACH) + 1
    for cluster in np.split(at, breaks):
        window = slice(max(int(cluster[0]) - REACH, 0), int(cluster[-1]) + REACH)
        bands = hessian[:, window].copy(order="F")
        fix(bands, held[window])
        lower = factor(bands)
        if lower is None:
            return None
        x[window] -= lower.solve(np.where(held[window], 0.0, pull[window]))
    pull = _pull(penalties, x, box.fixed, [], [], 0.0)
    if np.abs(pull[~held]).max(initial=0.0) > SIGN * np.abs(pull).max():
        return None
    return x, [side.sign * pull[side.at] for side in every]


def _places(side: Side) -> NDArray[np.intp]:
    """The unknowns that a side of the box bounds."""
    return np.arange(len(side.s)) if isinstance(side.at, slice) else side.at


def _held(
    penalties: Sequence[Penalty], box: Box, hessian: Array, every: list[Side], rests: list[Mask]
) -> tuple[Array, list[Array]] | None:
    """The minimiser with the resting sides held, and each side's multipliers (of the resting ones)."""
    x, held, bands = box.settled(), box.fixed.copy(), hessian.copy(order="F")
    for side, mask in zip(every, rests, strict=True):
        if side.matrix is None:
            at = _places(side)[mask]
            x[at] = side.sign * side.bound[mask]
            held[at] = True
    wide = [
        (side, np.flatnonzero(mask))
        for side, mask in zip(every, rests, strict=True)
        if side.matrix is not None
    ]
    rho = stiffness(hessian, [side for side, _ in wide])
    for side, at in wide:
        assert side.matrix is not None
        side.matrix.add_gram(rho * _spread(np.ones(len(at)), at, len(side.z)), bands)
    fix(bands, held)
    lower = factor(bands)
    if lower is None:
        return None
    y = [_spread(side.z[at], at, len(side.z)) for side, at in wide]
    for _ in range(FOLLOW if wide else 1):
        pull = _pull(penalties, x, box.fixed, wide, y, rho)
        pull[held] = 0.0
        x = x - lower.solve(pull)
        misses = [_miss(side, at, x) for side, at in wide]
        y = [old - rho * miss for old, miss in zip(y, misses, strict=True)]
        if not any(
            np.any(np.abs(m) > BROKEN * side.s.mean()) for m, (side, _) in zip(misses, wide, strict=True)
        ):
            break
    else:
        if wide:
            return None
    pull = _pull(penalties, x, box.fixed, wide, y, 0.0)
    rows = iter(y)
    return x, [side.sign * pull[side.at] if side.matrix is None else next(rows) for side in every]


def _pull(
    penalties: Sequence[Penalty],
    x: Array,
    fixed: Mask,
    wide: list[tuple[Side, NDArray[np.intp]]],
    y: list[Array],
    rho: float,
) -> Array:
    """Gradient of the cost, less what the rows' multipliers (and the charge rho on their misses) carry."""
    pull = half_gradient(penalties, x)
    for (side, at), multiplier in zip(wide, y, strict=True):
        charge = rho * _miss(side, at, x) if rho else 0.0
        side.add_transposed(charge - multiplier, pull)
    pull[fixed] = 0.0
    return pull


def _miss(side: Side, at: NDArray[np.intp], x: Array) -> Array:
    """C x - d on the rows `at`, 0 on the others."""
    return _spread((side.apply(x, side.ds) - side.bound)[at], at, len(side.s))


def _spread(values: Array, at: NDArray[np.intp], size: int) -> Array:
    full = np.zeros(size)
    full[at] = values
    return full


def stiffness(hessian: Array, wide: list[Side]) -> float:
    squares = [
        float(np.mean(np.sum(side.matrix.entries**2, axis=1))) for side in wide if side.matrix is not None
    ]
    return STIFF * float(hessian[0].mean()) / max(squares) if squares else 0.0


def _last_of_each_cluster(marked: Mask) -> Mask:
    """Only the marked ones after which no other one is marked within a CLUSTER.

    Swapping all wrong ones at once may go round in circles; swapping the last one doesn't (Murty's rule, in
    Judice & Pires 1994, Comput Oper Res 21:587-596), and clusters far apart don't feel each other.
    """
    at = np.flatnonzero(marked)
    alone = np.zeros_like(marked)
    alone[at[np.diff(at, append=len(marked) + CLUSTER) > CLUSTER]] = True
    return alone

"""A baked shot as few keys that an animator can edit, no joint farther from the baked motion than asked.

Each control gets an error budget of its own, a share of what is allowed at the ends of the chains it stands in, and few
keys within it. The errors of a chain then add up as they happen to; where they add up to too much, those who err
most there get less, and only they are redone. What is returned has been measured on every frame.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType

import numpy as np

from refine.clean.keys.fit import Lanes, Mask
from refine.clean.keys.lanes import Group, Piece, groups, keyed, moving, pieces_of
from refine.clean.keys.measure import Measure, deviations, measured, millimetres
from refine.clean.keys.place import placed, repaired
from refine.clean.settings import Amount
from refine.errors import InputError
from refine.rig import descendants
from refine.shot import TRANSLATIONS, Array, Shot
from refine.view import View

# [judge] all.
WINDOW = 1536  # frames that are worked at once: what stays in memory and in the processor's cache
GRID = 0.1  # s between the first keys, from which the rest follows
ROUNDS = 10  # of tightening before whole controls keep a key on every frame
BLAMED = 0.6  # of the largest error at a place: who errs as much there gets less
TIGHTEST, LOOSEST = 0.25, 0.92  # of its error, that one round leaves
LEAST = 1e-6  # of what is allowed: no budget gets smaller
ROOM = 0.99  # of what is allowed, which a tightening aims at
HEAVIEST = 9.0  # times as heavy a frame counts in the fit when its budget is small

Touchdowns = Mapping[str, Sequence[int]]
NONE: Touchdowns = MappingProxyType({})
NOTHING = np.empty((0, 0))


@dataclass(frozen=True, eq=False)
class Reduction:
    """The keys of a window: by group which frames have one and how far each lane is off, by control the keys."""

    measure: Measure
    groups: tuple[Group, ...]
    masks: tuple[Mask, ...]  # (R, N) each
    errors: tuple[Array, ...]  # (R, N) each, in the unit of the tolerance
    pieces: Mapping[int, Piece]
    off: Array  # (P, N) of each joint's end, in the unit of the tolerance

    @property
    def largest(self) -> float:
        return float(self.off.max(initial=0.0))


def reduced(shot: Shot, within: Amount, touchdowns: Touchdowns = NONE, view: View | None = None) -> Shot:
    """The shot with few cubic keys instead of samples, no joint's end farther off than `within` on any frame.

    mm are measured in the world, px on screen (through `view` on all frames of the shot, else its first camera), both
    at the pivots of all controls and their tips; deg at each control's own rotation. `touchdowns` are frames by
    control on which it and what carries it get keys. Keys stand on whole frames, the same for all channels of a
    control; constant channels get one. Angles and quaternions must run without jumps. Keyed channels stay.
    InputError where the tolerance is smaller than rounding allows.
    """
    return keyed(shot, [window.pieces for window in reductions(shot, within, touchdowns, view)])


def reductions(
    shot: Shot, within: Amount, touchdowns: Touchdowns = NONE, view: View | None = None
) -> Iterator[Reduction]:
    """The shot window by window. The last frame of one is the first of the next: a key keeps the motion there."""
    per_unit, names = millimetres(shot), moving(shot)
    last = shot.last_frame - shot.first_frame
    ends = np.rint(np.linspace(0, last, max(round(last / WINDOW), 1) + 1)).astype(int).tolist()
    for a, b in pairwise(ends):
        m = measured(shot, (a, b), within, view, per_unit)
        yield _reduction(m, tuple(groups(m, shot, names, within, touchdowns)), within)


# --- one window --------------------------------------------------------------------------------------------


def _reduction(m: Measure, found: tuple[Group, ...], within: Amount) -> Reduction:
    """Keys within the budgets, which are tightened until all joints' ends are within what is allowed."""
    count = [group.lanes.shape for group in found]
    result = Reduction(
        m, found, tuple(np.zeros(n, np.bool_) for n in count), tuple(map(np.zeros, count)), {}, NOTHING
    )
    most = ROUNDS + sum(len(group.controls) for group in found)
    for turn in range(most + 1):
        result = _keyed(result, found, first=turn == 0)
        off, owners, pivots = deviations(m, keyed(m.shot, [result.pieces]))
        result = replace(result, off=off)
        if result.largest <= within.value:
            return result
        above = [_above(m, group, owners, pivots) for group in found]
        found = _filled(result, above, within) if turn >= ROUNDS else _tightened(result, above, within)
    raise InputError("within", f"{within}", f"at least {result.largest:g} {within.unit} here")


def _keyed(before: Reduction, found: tuple[Group, ...], first: bool) -> Reduction:
    """The lanes of which the budget or the forced keys changed keyed anew, from the keys that they have."""
    masks, errors, pieces = [], [], dict(before.pieces)
    for old, new, mask, error in zip(before.groups, found, before.masks, before.errors, strict=True):
        differs = (old.lanes.budget != new.lanes.budget) | (old.lanes.forced != new.lanes.forced)
        rows = np.flatnonzero(np.any(differs, axis=1) | first)
        if len(rows):
            part = new.some(rows)
            have = mask[rows] | part.lanes.forced
            again, fitted = (
                placed(part.lanes, even(part.lanes, before.measure.shot.fps))
                if first
                else repaired(part.lanes, have)
            )
            mask, error = mask.copy(), error.copy()
            mask[rows] = again
            error[rows] = fitted.error.reshape(again.shape) * part.lanes.budget
            pieces |= pieces_of(part, again, fitted, float(before.measure.posed.frames[0]))
        masks.append(mask)
        errors.append(error)
    return replace(before, groups=found, masks=tuple(masks), errors=tuple(errors), pieces=pieces)


def even(lanes: Lanes, fps: float) -> Mask:
    """(R, N) even keys to begin with."""
    mask = np.zeros(lanes.shape, np.bool_)
    mask[:, :: max(round(GRID * fps), 2)] = True
    return mask


def _above(m: Measure, group: Group, owners: Sequence[int], pivots: Sequence[bool]) -> Mask:
    """(R, P) whether the control of a lane has to do with a deviation.

    It moves all points that it carries, its own pivot only if it is translated; its turn in its parent is its own.
    """
    above = np.zeros((len(group.controls), len(owners)), np.bool_)
    names = [control.name for control in m.shot.controls]
    for r, i in enumerate(group.controls):
        below = set(descendants(m.shot, names[i])) if m.unit != "deg" else set()
        shifts = any(name in TRANSLATIONS for name in group.names[r])
        for p, (owner, pivot) in enumerate(zip(owners, pivots, strict=True)):
            above[r, p] = names[owner] in below or (owner == i and (shifts or not pivot))
    return above


def _tightened(result: Reduction, above: Sequence[Mask], within: Amount) -> tuple[Group, ...]:
    """Smaller budgets, on the frames where a point is too far off, for the lanes that err most there."""
    budgets = [group.lanes.budget.copy() for group in result.groups]
    for p in np.flatnonzero((result.off > within.value).any(axis=1)):
        frames = np.flatnonzero(result.off[p] > within.value)
        parts = [error[rows[:, p]][:, frames] for error, rows in zip(result.errors, above, strict=True)]
        top = np.max([part.max(axis=0, initial=0.0) for part in parts], axis=0)
        blamed = [part >= BLAMED * top for part in parts]
        total = np.sum([(part * yes).sum(axis=0) for part, yes in zip(parts, blamed, strict=True)], axis=0)
        excess = result.off[p, frames] - ROOM * within.value
        left = np.clip(1.0 - excess / np.maximum(total, 1e-300), TIGHTEST, LOOSEST)
        for budget, rows, part, yes in zip(budgets, above, parts, blamed, strict=True):
            at = np.ix_(np.flatnonzero(rows[:, p]), frames)
            less = np.maximum(part * left, LEAST * within.value)
            budget[at] = np.where(yes, np.minimum(budget[at], less), budget[at])
    return tuple(_with_budget(group, budget) for group, budget in zip(result.groups, budgets, strict=True))


def _with_budget(group: Group, budget: Array) -> Group:
    """The group with this budget (R, N); where it is small the fit takes more care."""
    usual = budget.max(axis=1, keepdims=True)
    weight = np.minimum(np.square(usual / budget), HEAVIEST).ravel()
    return replace(group, lanes=replace(group.lanes, budget=budget, weight=weight))


def _filled(result: Reduction, above: Sequence[Mask], within: Amount) -> tuple[Group, ...]:
    """A key on every frame for the lanes of the points that are still too far off."""
    points = (result.off > within.value).any(axis=1)
    found = []
    for group, rows in zip(result.groups, above, strict=True):
        guilty = np.asarray(np.any(rows[:, points], axis=1, keepdims=True))
        forced = group.lanes.forced | guilty
        found.append(replace(group, lanes=replace(group.lanes, forced=forced)))
    return tuple(found)

"""A baked shot as few keys that an animator can edit, no joint farther from the baked motion than asked.

Each control gets an error budget of its own, a share of what is allowed at the ends of the chains it stands in, and few
keys within it. The errors of a chain then add up as they happen to; where they add up to too much, those who err
most there get less, and only they are redone. What is returned has been measured on every frame.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType

import numpy as np

from refine.clean.keys.closed import closed
from refine.clean.keys.fit import Fit, Lanes, sized
from refine.clean.keys.lanes import Group, Piece, baked, groups, keyed, moving, pieces_of
from refine.clean.keys.limits import Indices, Mask
from refine.clean.keys.measure import Measure, deviations, measured, millimetres, seen_at
from refine.clean.keys.place import placed, repaired
from refine.clean.settings import Amount
from refine.errors import InputError
from refine.rig import descendants
from refine.shot import TRANSLATIONS, Array, Shot
from refine.view import View

# [judge] all.
WINDOW = 1536  # frames that are worked at once: what stays in memory and in the processor's cache
GRID = 0.1  # s between the first keys, from which the rest follows
ROUNDS = 16  # of tightening before whole controls keep a key on every frame
BLAMED = 0.9  # of the largest error at a place: who errs as much there gets less
TIGHTEST, LOOSEST = 0.25, 0.92  # of its error, that one round leaves
LEAST = 1e-6  # of what is allowed: no budget gets smaller
ROOM = 0.99  # of what is allowed, which a tightening aims at
SAME = 1e-3  # of what is allowed: a curve that moves less isn't measured again before the end
HEAVIEST = 9.0  # times as heavy a frame counts in the fit when its budget is small

Touchdowns = Mapping[str, Sequence[int]]
NONE: Touchdowns = MappingProxyType({})


@dataclass(frozen=True, eq=False)
class Part:
    """The keys of a group's lanes: which frames have one, what they give on each frame, how far that is off."""

    group: Group
    mask: Mask  # (R, N)
    curve: Array  # (R, N, D)
    error: Array  # (R, N) in the unit of the tolerance
    pieces: Mapping[int, Piece]  # by control


@dataclass(frozen=True, eq=False)
class Reduction:
    """The keys of a window."""

    measure: Measure
    parts: tuple[Part, ...]
    off: Array  # (P, N) of each joint's end, in the unit of the tolerance

    @property
    def largest(self) -> float:
        return float(self.off.max(initial=0.0))

    @property
    def pieces(self) -> dict[int, Piece]:
        return {i: piece for part in self.parts for i, piece in part.pieces.items()}


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
    per_unit = millimetres(shot)
    if shot.loop:
        shot = closed(shot)
        view = None if view is None else seen_at(view, np.append(np.arange(len(view.focal)), 0))
    names, last = moving(shot), shot.last_frame - shot.first_frame
    ends = np.rint(np.linspace(0, last, max(round(last / WINDOW), 1) + 1)).astype(int).tolist()
    for a, b in pairwise(ends):
        m = measured(shot, (a, b), within, view, per_unit)
        yield _reduction(m, groups(m, shot, names, within, touchdowns), within)


# --- one window --------------------------------------------------------------------------------------------


def _reduction(m: Measure, found: Sequence[Group], within: Amount) -> Reduction:
    """Keys within the budgets, which are tightened until all joints' ends are within what is allowed.

    On the way only frames on which something moved are measured again; at last all are, by the very keys.
    """
    first, fps = float(m.posed.frames[0]), m.shot.fps
    parts = tuple(_part(group, placed(group.lanes, even(group.lanes, fps)), first) for group in found)
    off, owners, pivots = deviations(m, _baked(m, parts))
    above = [_above(m, group, owners, pivots) for group in found]
    for turn in range(ROUNDS + sum(len(group.controls) for group in found)):
        if off.max(initial=0.0) <= within.value:
            off, _, _ = deviations(m, keyed(m.shot, [Reduction(m, parts, off).pieces]))
        result = Reduction(m, parts, off)
        if result.largest <= within.value:
            return result
        tighter = _filled(result, above, within) if turn >= ROUNDS else _tightened(result, above, within)
        parts = tuple(_again(part, group, first) for part, group in zip(parts, tighter, strict=True))
        rows = _moved(result.parts, parts, within)
        off = off.copy()
        off[:, rows] = deviations(m.at(rows), _baked(m, parts))[0]
    least = math.ceil(1000 * result.largest) / 1000  # as it can be given
    raise InputError(
        "--within", f"{within}", f"at least {least:g} {within.unit} here", "allow more, or leave --keys out"
    )


def _part(group: Group, fitted: tuple[Mask, Fit], first: float) -> Part:
    """The keys of all lanes of a group; `first` is the window's first frame."""
    mask, found = fitted
    curve = found.curve.reshape(group.lanes.values.shape)
    error = np.sqrt(sized(group.lanes.gram, np.moveaxis(group.lanes.values - curve, 2, 0)))
    return Part(group, mask, curve, error, pieces_of(group, mask, found, first))


def _again(old: Part, group: Group, first: float) -> Part:
    """The lanes of which the budget or the forced keys changed keyed anew, from the keys that they have."""
    was, now = old.group.lanes, group.lanes
    rows = np.flatnonzero(np.any((was.budget != now.budget) | (was.forced != now.forced), axis=1))
    if not len(rows):
        return replace(old, group=group)
    few = group.some(rows)
    new = _part(few, repaired(few.lanes, old.mask[rows] | few.lanes.forced), first)
    mask, curve, error = old.mask.copy(), old.curve.copy(), old.error.copy()
    mask[rows], curve[rows], error[rows] = new.mask, new.curve, new.error
    return Part(group, mask, curve, error, {**old.pieces, **new.pieces})


def _baked(m: Measure, parts: Sequence[Part]) -> Shot:
    """The shot with what the keys give on each frame as samples."""
    return baked(
        m.shot,
        {
            i: (part.group.names[r], part.curve[r])
            for part in parts
            for r, i in enumerate(part.group.controls)
        },
    )


def _moved(before: Sequence[Part], after: Sequence[Part], within: Amount) -> Indices:
    """Frames on which a lane gives anything else than before."""
    moved = np.zeros(before[0].mask.shape[1], np.bool_)
    for old, new in zip(before, after, strict=True):
        change = np.moveaxis(new.curve - old.curve, 2, 0)
        moved |= np.any(sized(new.group.lanes.gram, change) > (SAME * within.value) ** 2, axis=0)
    return np.flatnonzero(moved)


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
    budgets = [part.group.lanes.budget.copy() for part in result.parts]
    for p in np.flatnonzero((result.off > within.value).any(axis=1)):
        frames = np.flatnonzero(result.off[p] > within.value)
        errors = [part.error[rows[:, p]][:, frames] for part, rows in zip(result.parts, above, strict=True)]
        top = np.max([error.max(axis=0, initial=0.0) for error in errors], axis=0)
        blamed = [error >= BLAMED * top for error in errors]
        total = np.sum([(error * yes).sum(axis=0) for error, yes in zip(errors, blamed, strict=True)], axis=0)
        excess = result.off[p, frames] - ROOM * within.value
        left = np.clip(1.0 - excess / np.maximum(total, 1e-300), TIGHTEST, LOOSEST)
        for budget, rows, error, yes in zip(budgets, above, errors, blamed, strict=True):
            at = np.ix_(np.flatnonzero(rows[:, p]), frames)
            less = np.maximum(error * left, LEAST * within.value)
            budget[at] = np.where(yes, np.minimum(budget[at], less), budget[at])
    return tuple(_with_budget(part.group, budget) for part, budget in zip(result.parts, budgets, strict=True))


def _with_budget(group: Group, budget: Array) -> Group:
    """The group with this budget (R, N); where it is small the fit takes more care."""
    usual = budget.max(axis=1, keepdims=True)
    weight = np.minimum(np.square(usual / budget), HEAVIEST)
    return replace(group, lanes=replace(group.lanes, budget=budget, weight=weight))


def _filled(result: Reduction, above: Sequence[Mask], within: Amount) -> tuple[Group, ...]:
    """A key on every frame for the lanes of the points that are still too far off."""
    points = (result.off > within.value).any(axis=1)
    found = []
    for part, rows in zip(result.parts, above, strict=True):
        guilty = np.asarray(np.any(rows[:, points], axis=1, keepdims=True))
        forced = part.group.lanes.forced | guilty
        found.append(replace(part.group, lanes=replace(part.group.lanes, forced=forced)))
    return tuple(found)

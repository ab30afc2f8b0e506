"""The cure of a cause: a small constrained problem on just the key numbers that the cause names.

    minimise   sum over nearby keys of |slope - the rule that the key follows| / its slope unit      (L1)
               + 1e-4 sum of ((x - what the explanation asks for) / natural unit)^2                  (ties)
    subject to pins, limits of values and rates (between frames too)

The L1 norm leaves a key exactly on its rule, so the artist's own setting comes back to the digit. A strength
below 1 goes that share of the way (`part_way`; the constraints are convex, so they hold there too); above 1,
what the cured control drives is smoothed as well (`smoothed`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from constraints.affine import Affine
from constraints.bounds import Bounds
from constraints.pins import Pins
from constraints.slope_habit import SlopeHabit
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Constraint
from refine.cause import Explanation, Suspect, edited
from refine.curve import OUTGOING, VALUE
from refine.motion import KeyedMotion, Unknown, moved
from refine.pose import Point
from refine.problem import build
from refine.shot import Array, Channel, Limits, Shot
from refine.slope_rules import contexts, deviations, units
from refine.solve import Residual, solve
from refine.solve.sequential import sequential
from refine.view import View

_NEAR = 8  # keys to each side whose slopes the cure looks at
_TIES = 1e-2  # weight of the ties, as a scale: 1 / 1e-2 natural units cost as much as a slope unit


@dataclass(frozen=True, slots=True)
class Held:
    """What a channel must keep: values at some frames, with the pin that says so, and its limits."""

    pins: tuple[tuple[str, tuple[float, ...]], ...] = ()
    limits: Limits | None = None

    def constraints(self, channel: str) -> list[Constraint]:
        found: list[Constraint] = [Pins(channel, np.array(frames), source) for source, frames in self.pins]
        if self.limits is not None:
            limits = self.limits
            found.append(Bounds(channel, limits.lower, limits.upper, limits.rate, between=True))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Cured:
    shot: Shot
    residuals: tuple[Residual, ...]


def cured(
    shot: Shot,
    control: str,
    channel: Channel,
    suspect: Suspect,
    explanation: Explanation,
    frames: Array,
    held: Held,
) -> Cured:
    """The shot with the explanation undone as far as the constraints allow.

    Raises NoSolution when pins and limits exclude each other.
    """
    local, unit = units(suspect.keys)
    residuals: list[Residual] = []
    for component in range(suspect.keys.values.shape[1]):
        free, wanted = _unknowns(channel.name, explanation, component, local, unit)
        if not free:
            continue
        motion = KeyedMotion(shot, control, free, frames, np.zeros(len(free)))
        constraints: list[Constraint] = [
            SlopeHabit(_habit_rows(motion, channel.name, suspect, explanation, component), 1.0),
            StayClose(1.0 / _TIES, about=wanted),
        ]
        if suspect.keys.values.shape[1] == 1:
            constraints += held.constraints(channel.name)
        solution = solve(build(motion, constraints))
        residuals += solution.residuals
        shot = moved(shot, control, free, solution.x)
    return Cured(_unit_quaternions(shot, control, channel.name, explanation.keys), tuple(residuals))


def _unknowns(
    name: str, explanation: Explanation, component: int, local: Array, unit: Array
) -> tuple[tuple[Unknown, ...], Array]:
    """The numbers that the explanation frees, and what it asks of them, in natural units."""
    free: list[Unknown] = []
    wanted: list[float] = []
    for edit in explanation.edits:
        if edit.value is not None:
            free.append(Unknown(name, edit.key, "value", float(local[edit.key]), component))
            wanted.append(float(edit.value[component] / local[edit.key]))
        if edit.slope is not None:
            free.append(Unknown(name, edit.key, "slope", float(unit[edit.key]), component))
            wanted.append(float(edit.slope[component] / unit[edit.key]))
    return tuple(free), np.array(wanted)


def _habit_rows(
    motion: KeyedMotion, name: str, suspect: Suspect, explanation: Explanation, component: int
) -> Affine:
    """slope - rule, in slope units, for the keys near the edits that follow a rule once cured.

    Keys that no rule explains even then were set by hand and have no say.
    """
    keys, rules, habit = suspect.keys, suspect.rules, suspect.habit
    _, unit = units(keys)
    near = np.arange(max(min(explanation.keys) - _NEAR, 0), min(max(explanation.keys) + _NEAR + 1, len(keys)))
    near = near[rules.ruled[near]]
    after = edited(keys, explanation.edits)
    deviation = deviations(rules, after.values, after.outgoing, unit)
    likely = habit.likely(deviation, contexts(after.values))[near]
    near, likely = near[likely < 3], likely[likely < 3]
    rows = np.zeros((len(near), 3 * len(keys)))
    rows[np.arange(len(near)), 3 * near + OUTGOING] = 1.0
    by_rule = np.stack([rules.natural, rules.chord, np.zeros_like(rules.chord)])[likely, near]
    rows[:, VALUE::3] -= by_rule
    return motion.over_keys(name, rows / unit[near, None], component)


def _unit_quaternions(shot: Shot, control: str, name: str, at: Sequence[int]) -> Shot:
    """Quaternion keys that moved are brought back to unit length, as every format asks for."""
    channel = shot.channel(control, name)
    assert channel.keys is not None
    if channel.keys.values.shape[1] == 1:
        return shot
    values = channel.keys.values.copy()
    values[list(at)] /= np.linalg.norm(values[list(at)], axis=1, keepdims=True)
    return shot.with_channel(control, replace(channel, keys=channel.keys.changed(values=values)))


# [judge] A value moved by a tenth of its local range costs as much as all the jerk that there is.
_CLOSE = 0.1


def smoothed(
    shot: Shot,
    control: str,
    free: tuple[Unknown, ...],
    strength: float,
    frames: Array,
    view: View,
    seen: tuple[Point, ...],
    held: Callable[[str], Held],
    frame_weight: Array,
) -> Cured:
    """Beyond the cure, for strengths above 1: less jerk of what the control drives, against staying close.

    (strength - 1) jerk(x) / jerk(0) + sum (x / 0.1 natural units)^2: third differences on screen of the driven
    points and of those by which the effect is `seen`, or of the channels where there are none; `frame_weight`
    leaves out contacts, accents and cuts.
    """
    names = tuple(dict.fromkeys(unknown.channel for unknown in free))
    start = KeyedMotion(shot, control, free, frames, np.zeros(len(free)), view, seen)

    def smooth(weight: float) -> list[Constraint]:
        if start.points("screen"):
            return [SmoothMotion("screen", weight, frame_weight=frame_weight)]
        return [SmoothMotion("channel", weight, channel=name, frame_weight=frame_weight) for name in names]

    jerk = build(start, smooth(1.0)).merit(start.x)
    if jerk == 0:
        return Cured(shot, ())
    constraints = [*smooth((strength - 1) / jerk), StayClose(_CLOSE)]
    for name in names:
        constraints += held(name).constraints(name)
    solution = sequential(
        lambda x: build(replace(start, x=x), constraints),
        start.size,
        lambda x: build(replace(start, x=x), constraints).merit(x),
    )
    return Cured(moved(shot, control, free, solution.x), solution.residuals)

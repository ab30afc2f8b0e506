"""A keyed chain led to where its goals are: values and slopes of its free keys together, by `sequential`.

Rows keep contacts, limits and pins. What was solved once is known where the chain and what it stands on are the same: a
mend is tried again after each look, by itself, and without each of the pins that may be in its way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from constraints.affine import Affine
from constraints.bounds import Bounds
from constraints.contact import Contact
from constraints.extension import Extension
from constraints.stay_close import StayClose
from constraints.terms import Constraint, Motion, Penalty, Terms
from refine.answers import Answers, case
from refine.errors import NoSolution
from refine.held import Locks
from refine.limbs.chain import ChainMotion, Goals, changed, free_keys, turning
from refine.pose import Point, pose
from refine.problem import Problem, build
from refine.rig import carriers, descendants
from refine.shot import Array, Shot, frozen
from refine.slope_rules import followed_rules
from refine.solve.sequential import Stop, sequential

RIDGE = 0.1  # [judge] what a degree costs, in eps: the chain moves no more than the goals need
RULED = 0.5  # [judge] what a degree costs by which a slope leaves its rule: free, slopes go wild at hardly any gain
STOP = Stop(step=1e-4, decrease=1e-5, passes=12)  # degrees: far below what is seen

_answers = Answers["Array | NoSolution"](kept=64)


@dataclass(frozen=True, slots=True)
class Stretch:
    """The joints of a limb, and how far apart its ends may be on each of the problem's frames: (N,) shot units."""

    start: Point
    end: Point
    longest: Array


def placed(
    shot: Shot,
    names: Sequence[str],
    goals: Goals,
    span: tuple[float, float],
    locks: Locks,
    eps: float,
    stretch: Stretch | None = None,
) -> Shot:
    """The shot with the free keys of a keyed chain set so that the goals' points come within `eps` where they can.

    minimise  sum weight |p(f) - goal(f)|^2 / eps^2 + RIDGE^2 sum x^2 + RULED^2 sum (slope - rule)^2  subject to:
    where a weight is 1 no coordinate farther from its goal than today or eps, limits of channels, the limb no
    straighter than `stretch`. Raises NoSolution where that can't be. The frames of the goals must be consecutive.
    """
    free = free_keys(shot, names, span, locks)
    if not free:
        return shot
    start = ChainMotion(shot, free, goals.frames, np.zeros(len(free)), _seen(goals, stretch))
    bounds = [
        Bounds(f"{name}.{channel.name}", channel.limits.lower, channel.limits.upper)
        for name, channel in turning(shot, names)
        if channel.limits is not None and f"{name}.{channel.name}" in start.channels
    ]
    goal = goals.points, goals.frames, goals.places, goals.weight, eps
    asked = case(free, goal, bounds, None if stretch is None else stretch.longest, _state(start, names))
    x = _answers.get(asked, lambda: _solved(start, goals, eps, bounds, stretch))
    if isinstance(x, NoSolution):
        raise x.with_traceback(None)
    return changed(shot, free, x)


def _solved(
    start: ChainMotion, goals: Goals, eps: float, bounds: Sequence[Bounds], stretch: Stretch | None
) -> Array | NoSolution:
    """The changes that place a chain, or why there are none."""
    today = np.stack([_miss(start, goals, p) for p in range(len(goals.points))])
    known: dict[bytes, Problem] = {}
    ruled = _Ruled(_off_rules(start))

    def problem(x: Array) -> Problem:
        found = known.get(x.tobytes())
        if found is None:
            known.clear()  # only the last is asked for again, for its merit
            found = known[x.tobytes()] = stated(x)
        return found

    def stated(x: Array) -> Problem:
        at = replace(start, x=x)
        rules: list[Constraint] = [StayClose(1.0 / RIDGE), ruled, *bounds]
        for p in range(len(goals.points)):
            slack = np.where(goals.weight[p] >= 1.0, np.maximum(today[p], eps), np.inf)
            rules.append(_Pull(p, goals, eps, slack))
        if stretch is not None:
            at_start, at_end = len(goals.points), len(goals.points) + 1
            rules.append(Extension(at_start, at_end, stretch.longest, about=x))
        return build(at, rules)

    try:
        found = sequential(problem, start.size, lambda x: problem(x).merit(x), stop=STOP).x
        return np.asarray(frozen(found), float)
    except NoSolution as error:
        return error.with_traceback(None)


def _state(motion: ChainMotion, names: Sequence[str]) -> tuple[object, ...]:
    """All of a shot that decides how a chain moves what is seen: its own controls, and where what carries it stands."""
    shot, posed = motion.shot, pose(motion.shot, motion.frames)
    chain = {name for each in names for name in (each, *descendants(shot, each))}
    ends = (*names, *(point.control for point in motion.seen))
    found: list[object] = [shot.first_frame]
    for name in sorted({name for end in ends for name in (end, *carriers(shot, end))}):
        i = shot.index(name)
        channels = [(channel.name, channel.keys, channel.samples) for channel in shot.controls[i].channels]
        where = channels if name in chain else (posed.linear[i], posed.origin[i])
        found.append((replace(shot.controls[i], channels=()), where))
    return tuple(found)


def _seen(goals: Goals, stretch: Stretch | None) -> tuple[Point, ...]:
    return goals.points if stretch is None else (*goals.points, stretch.start, stretch.end)


def _miss(motion: ChainMotion, goals: Goals, p: int) -> Array:
    """(k,) largest coordinate of a goal point's distance from its goal."""
    maps = motion.points("world")[3 * p : 3 * p + 3]
    place = np.stack([coordinate(motion.x) for coordinate in maps], axis=1)
    return np.asarray(np.abs(place - goals.places[p]).max(axis=1))


def _off_rules(motion: ChainMotion) -> Array:
    """(m, n) how far a chain's slopes leave the rules that they follow, by the unknowns: degrees of the curve."""
    found = [np.zeros((0, motion.size))]
    for control, name in dict.fromkeys((control, unknown.channel) for control, unknown in motion.free):
        own = [j for j, (c, u) in enumerate(motion.free) if (c, u.channel) == (control, name)]
        keys = motion.shot.channel(control, name).keys
        assert keys is not None
        by_rule, follows = followed_rules(keys)
        rows = np.zeros((len(keys), motion.size))
        for j in own:
            unknown = motion.free[j][1]
            if unknown.field == "value":
                rows[:, j] = -unknown.unit * by_rule[:, unknown.key]
            else:
                rows[unknown.key, j] = unknown.unit
        gaps = np.diff(keys.frames, prepend=-np.inf, append=np.inf)
        near = np.minimum(gaps[:-1], gaps[1:])
        near[np.isinf(near)] = 0.0  # of one key alone, whose slope moves nothing
        found.append((rows * near[:, None] / 4.0)[follows & rows.any(axis=1)])
    return np.vstack(found)


@dataclass(frozen=True, slots=True, eq=False)
class _Ruled:
    """Slopes that follow a rule go on following it, as far as the goals let them."""

    rows: Array

    def terms(self, motion: Motion) -> Terms:
        count = len(self.rows)
        over = Affine(self.rows, np.zeros(count))
        return Terms(penalties=(Penalty("ruled", over, np.zeros(count), np.full(count, RULED**2)),))


@dataclass(frozen=True, slots=True, eq=False)
class _Pull:
    """A contact whose frames weigh differently: firm where planted, soft where it blends into the free motion."""

    point: int
    goals: Goals
    eps: float
    slack: Array

    def terms(self, motion: Motion) -> Terms:
        goals = self.goals
        contact = Contact(self.point, goals.frames, goals.places[self.point], self.slack, weight=1.0)
        terms = contact.terms(motion)
        weight = np.tile(goals.weight[self.point], 3) / self.eps**2
        charged = tuple(replace(penalty, weight=weight) for penalty in terms.penalties)
        return Terms(terms.rows, charged)

"""Flags mended in their order, as many at once as go together: one look at the shot for all of these.

A flag is mended on top of the mends before it without a look in between, where these have no part in it: what a
channel's own keys tell is told by its control alone, and what shows in a few frames of a control by whether anything
moved there. Then one look judges them all, as it would each by itself. Where it speaks against one, those before it are
looked at alone, and that one by itself, with all that may be tried for it. Keys that stand between frames come first:
until they are back, a value beside them can be right and still look wrong. Then what jumps: angles by turns, which look
like keys that are off by as much, and props in the hand. What goes with another flag waits for that (`told`). Faults
that no channel is known to have made come last: most are what others do to the body, and go with these; limbs that were
bent to it would hide them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from refine.curve import sample
from refine.errors import NoSolution
from refine.flags import keys, on_frames
from refine.flags.check import ASKED, check
from refine.flags.contacts import SLIDING
from refine.flags.flag import Flag, twin
from refine.flags.one import Left, State, has_mend, left, mended, tried
from refine.flags.stage import Stage
from refine.flags.told import FIRST
from refine.flags.verdict import brought, outshone, stays, still
from refine.pinned import disturbed
from refine.rig import descendants
from refine.shot import Shot

FEW = 4  # flags tried at once after some weren't accepted
BESIDE = 1.0  # [judge] s beside what moved in which a look at a control's motion feels it
# What is found where it shows, by a control's own motion and what carries it.
LOCAL = ("spike", "uneven spacing", "kinked arc", "jitter", "dropout", "past limit")

Found = tuple[State, list[Flag], list[Left]]


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A flag, the stage after its mend, and what that moved: controls, and frames from the first to the last.

    Nothing moved where there was nothing to mend any more; `why` says it where a flag has no mend.
    """

    flag: Flag
    stage: Stage
    controls: frozenset[str] = frozenset()
    frames: tuple[float, float] = (0.0, -1.0)
    why: str = ""

    def reaches(self, flag: Flag) -> bool:
        """Whether what was moved has a part in what shows at a flag."""
        beside = BESIDE * self.stage.shot.fps
        meets = self.frames[0] - beside <= flag.frames[1] and flag.frames[0] <= self.frames[1] + beside
        return meets and not self.controls.isdisjoint((flag.control, flag.cause.control))


def every(begun: State, flags: Sequence[Flag], strength: float, asked: Sequence[str]) -> Found:
    """The state after the mends that were accepted; the flags mended, and those left."""
    state, done, rest = begun, list[Flag](), list[Left]()
    waiting = sorted(flags, key=_turn)
    many, alone = len(flags), set[Flag]()
    while waiting:
        steps = _steps(state, waiting[:many], strength, asked, alone)
        count, state = _accepted(state, steps, alone)
        for step in steps[:count]:
            if step.why and twin(step.flag, state.flags) is not None:
                rest.append(Left(step.flag, step.why))
            else:
                done.append(step.flag)
        if not count:
            state, why = _by_itself(state, waiting[0], strength)
            if why:
                rest.append(left(state, waiting[0], strength, why))
            else:
                done.append(waiting[0])
        many = 2 * many if steps and count == len(steps) else max(FEW, 2 * count)
        stay = {each.flag.id for each in rest}
        waiting = waiting[max(count, 1) :]
        rest += [Left(f, f"it goes with {f.along}, which is left") for f in waiting if f.along in stay]
        waiting = [flag for flag in waiting if flag.along not in stay]
    return state, done, rest


def _turn(flag: Flag) -> tuple[int, ...]:
    """When a flag's turn comes, beside the order that it has."""
    soon = FIRST.index(flag.fault) if flag.fault in FIRST else len(FIRST)
    return flag.fault not in on_frames.TRIES, soon, flag.along != "", flag.cause.channel is None


def _by_itself(state: State, flag: Flag, strength: float) -> tuple[State, str]:
    if twin(flag, state.flags) is None:
        return state, ""  # an earlier mend took it along
    return mended(state, flag, strength)


def _steps(
    state: State, flags: Sequence[Flag], strength: float, asked: Sequence[str], alone: set[Flag]
) -> list[Step]:
    """The first mends of flags one on top of the other, up to the first that has to wait for a look."""
    found: list[Step] = []
    stage = state.stage
    for flag in flags:
        step = None if flag in alone else _step(state, stage, flag, found, strength, asked)
        if step is None:
            break
        found.append(step)
        stage = step.stage
    return found


def _step(
    state: State, stage: Stage, flag: Flag, before: Sequence[Step], strength: float, asked: Sequence[str]
) -> Step | None:
    """A flag's first mend without a look; None where it needs one."""
    if twin(flag, state.flags) is None:
        return Step(flag, stage)  # an earlier mend took it along
    if flag.fault in ASKED and flag.id not in asked:
        return Step(flag, stage, why=f"mended only where it is asked for: --flag {flag.id}")
    if not has_mend(flag):
        return Step(flag, stage, why=f"for a person to mend: {flag.remedy}")
    if before and flag.fault in keys.OF_KEYS:
        if not keys.found_again(stage, flag):
            return Step(flag, stage)
    elif before and (flag.fault not in LOCAL or any(step.reaches(flag) for step in before)):
        return None
    try:
        shot = next(iter(tried(stage, flag, strength)[0]), None)
    except NoSolution:
        return None
    if shot is None or disturbed(state.stage.shot, shot):
        return None
    return _moved(stage, shot, flag)


def _moved(stage: Stage, shot: Shot, flag: Flag) -> Step:
    """The step from one stage to the next."""
    controls, frames = set[str](), list[float]()
    for old, new in zip(stage.shot.controls, shot.controls, strict=True):
        if old is new:
            continue
        controls |= {new.name, *descendants(shot, new.name)}
        for was, now in zip(old.channels, new.channels, strict=True):
            if was is not now:
                apart = sample(was, stage.shot, stage.frames) != sample(now, shot, stage.frames)
                frames += stage.frames[np.any(apart, axis=1)].tolist()
    reach = (min(frames), max(frames)) if frames else (0.0, -1.0)
    return Step(flag, stage.after(shot), frozenset(controls), reach)


def _accepted(state: State, steps: Sequence[Step], alone: set[Flag]) -> tuple[int, State]:
    """How many steps, from the first on, one look accepts together, and the state after them.

    The first of the others is to be mended `alone`.
    """
    count = len(steps)
    while count and any(step.controls for step in steps[:count]):
        stage = steps[count - 1].stage
        after = State(stage, check(stage))
        good = _good(state, after, steps[:count])
        if good == count:
            return count, after
        alone.add(steps[good].flag)
        count = good
    return count, state


def _good(before: State, after: State, steps: Sequence[Step]) -> int:
    """How many steps, from the first on, a look doesn't speak against."""
    flags = [step.flag for step in steps if step.controls]
    good = next(
        (n for n, step in enumerate(steps) if step.controls and stays(step.flag, after.flags)), len(steps)
    )
    now = [*before.flags, *outshone(before.stage, after.stage, flags, after.flags)]
    bad = [each.flag for each in brought(flags, now, after.flags)]
    if any(flag.fault != SLIDING for flag in flags):  # feet that are to be planted again
        slid = [flag for flag in after.flags if flag.fault == SLIDING and twin(flag, now) is None]
        bad += [flag for flag in slid if not still(before.stage, after.stage, flag)]
    for flag in bad:
        near = (n for n, step in enumerate(steps) if step.reaches(flag))
        good = min(good, next(near, len(steps) // 2))
    return good

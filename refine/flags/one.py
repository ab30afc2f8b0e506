"""One flag's mend: what is tried, when it is accepted, and what stands in its way where none is.

A family mends its own faults (`MENDS`, `TRIES`); what breaks the habit is mended by the search of `suggest` on the
flag's range. After each try the shot is looked at again (`verdict`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from refine.changes import made
from refine.errors import NoSolution
from refine.flags import keys
from refine.flags.check import MENDS, TRIES, check
from refine.flags.contacts import SLIDING, replanted
from refine.flags.flag import Flag, twin
from refine.flags.stage import Stage
from refine.flags.verdict import outshone, still, worse
from refine.pinned import disturbed
from refine.prepared import Request
from refine.search.in_the_way import held_by, in_the_way
from refine.shot import Shot
from refine.suggest import proposed

MOVES_HELD = "it would move what"


class Left(NamedTuple):
    """A flag that wasn't mended, why, and the pins, limits and marks that exclude its mend, if they do."""

    flag: Flag
    why: str
    clash: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """A shot while it is mended: its stage, and all its flags."""

    stage: Stage
    flags: Sequence[Flag]


def has_mend(flag: Flag) -> bool:
    """Whether such flags can be mended at all: by their family, or by the search for what breaks the habit."""
    return flag.fault in TRIES or flag.fault in MENDS or flag.fault in keys.FAULTS.values()


def mended(state: State, flag: Flag, strength: float) -> tuple[State, str]:
    """The state after the first mend of a flag that is accepted, or why none is."""
    why = ""
    try:
        shots, why = tried(state.stage, flag, strength)
        for shot in shots:
            after, why = _looked_at(state, shot, flag)
            if not why:
                return after, ""
    except NoSolution as error:
        why = str(error)
    return state, why or _no_way(flag)


def left(state: State, flag: Flag, strength: float, why: str) -> Left:
    """A flag whose mend wasn't accepted, with what stands in its way."""

    def free(shot: Shot) -> Shot | None:
        stage = state.stage.after(shot)
        if not _any(stage, flag, strength):
            return None
        found = State(stage, check(stage))
        again = twin(flag, found.flags)
        after, refused = (found, "gone") if again is None else mended(found, again, strength)
        return None if refused else after.stage.shot

    clash = in_the_way(state.stage.shot, free)
    if not clash:
        return Left(flag, why)
    says_it_all = why == _no_way(flag) or why.startswith(MOVES_HELD)
    return Left(flag, held_by(clash) if says_it_all else f"{why}; {held_by(clash)}", clash)


def _any(stage: Stage, flag: Flag, strength: float) -> bool:
    """Whether there is anything to try for a flag of the keys, which the rest of the shot has no part in."""
    if flag.fault not in keys.OF_KEYS:
        return True
    try:
        return next(iter(tried(stage, flag, strength)[0]), None) is not None
    except NoSolution:
        return False


def _no_way(flag: Flag) -> str:
    if flag.along:
        return f"it isn't mended by itself, and stays whatever becomes of {flag.along}, with which it goes"
    return f"no mend of its kind fits here; by hand: {flag.remedy}"


def _looked_at(before: State, tried: Shot, flag: Flag) -> tuple[State, str]:
    """The state after a mend, and why it isn't accepted; feet that it took along are planted again."""
    held = disturbed(before.stage.shot, tried)
    if held:
        return before, f"{MOVES_HELD} {' and '.join(held)} holds"
    stage = before.stage.after(tried)
    after = State(stage, check(stage))
    now = [*before.flags, *outshone(before.stage, after.stage, (flag,), after.flags)]
    slid = (other for other in after.flags if other.fault == SLIDING and twin(other, now) is None)
    # A slide that comes up where nothing moved isn't of this mend: planting would put what is mended back for it.
    slides = any(not still(before.stage, after.stage, other) for other in slid)
    if slides and flag.fault != SLIDING:
        stage = stage.after(replanted(before.stage, tried))
        planted = State(stage, check(stage))
        if not worse(flag, now, planted.flags) and not disturbed(before.stage.shot, stage.shot):
            return planted, ""
    return after, worse(flag, now, after.flags)


def tried(stage: Stage, flag: Flag, strength: float) -> tuple[Iterable[Shot], str]:
    """The shots with one flag mended, the one to try first at the start, or why there is none."""
    if flag.fault in TRIES:
        return TRIES[flag.fault](stage, flag), ""
    if flag.fault in MENDS:
        mended = MENDS[flag.fault](stage, flag)
        return () if mended is None else (mended,), ""
    return _by_search(stage, flag, strength)


def _by_search(stage: Stage, flag: Flag, strength: float) -> tuple[Iterable[Shot], str]:
    """The search of `suggest` on the flag's own range and control, held to the flagged keys.

    What it undoes in other channels on the same frames goes with them: a pose that was nudged is put back as one, and
    half a pose may be worse than none. But not what is a part of something larger there, such as a zigzag's first key.
    """
    request = Request(flag.frames, (flag.cause.control,), strength, camera=stage.camera)
    found = proposed(stage.shot, request)
    # A pose that stands beside its frame has a flag of its own.
    numbers = [c for c in found.changes if c.field != "key"]
    changes = [c for c in numbers if c.channel == flag.cause.channel]
    here = (flag.cause.channel, flag.cause.frames)
    options = [
        [change for change in each.changes if change.field != "key"]
        for each in found.candidates
        if (each.channel, each.frames) == here
    ]
    if not changes and options:
        changes = options.pop(0)
    if not changes:
        return (), found.reason
    at = set(flag.cause.frames)
    others = [c for c in numbers if c.channel != flag.cause.channel and c.frame in at]
    breaks = {c.channel: keys.habit_breaks(stage, c.control, c.channel) for c in others}
    others = [
        c for c in others if all(at.issuperset(b.frames) for b in breaks[c.channel] if at & set(b.frames))
    ]
    # An option at the same key goes on from what is clear: value and slope may both be off.
    tried = (([*changes, *others],) if others else ()) + (changes, *options)
    return (made(stage.shot, each) for each in tried), ""

"""Mending flags: root outward, each accepted only if the shot is the better for it.

A family mends its own faults (`MENDS`); what breaks the habit is mended by the search of `suggest` on the flag's range.
After each one the shot is looked at again: the flag has to be gone or much smaller, and no new error may have appeared
anywhere. What fails that is put back and named.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from refine.changes import differences, made
from refine.curve import sample
from refine.errors import NoSolution
from refine.flags.check import ASKED, MENDS, TRIES, at_least, check, stage_of
from refine.flags.contacts import SLIDING, replanted
from refine.flags.flag import Flag
from refine.flags.keys import FAULTS
from refine.flags.look import Look
from refine.flags.stage import Stage
from refine.formats import Document
from refine.part_way import shot_part_way
from refine.pinned import disturbed
from refine.prepared import Request, check_strength, in_spelling, prepare
from refine.review.illustrate import of_suggestion
from refine.search.in_the_way import held_by, in_the_way
from refine.shot import Pin, Shot
from refine.suggest import suggest
from refine.suggestion import Suggestion

WHOLE = ("angle wrap",)  # between an angle and the same a turn away there is no half way
MOVES_HELD = "it would move what"
SMALLER = 0.5  # [judge] of its amount that a flag may keep and still count as mended


class Left(NamedTuple):
    """A flag that wasn't mended, why, and the pins, limits and marks that exclude its mend, if they do."""

    flag: Flag
    why: str
    clash: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mended:
    """What became of the flags: those mended, and those left. `notes` say where a strength means nothing."""

    shot: Shot
    mended: tuple[Flag, ...]
    left: tuple[Left, ...]
    notes: tuple[str, ...] = ()


def mend(
    shot: Shot,
    look: Look,
    flags: Sequence[Flag],
    strength: float = 1.0,
    pins: Sequence[Pin] = (),
    asked: Sequence[str] = (),
) -> Mended:
    """Mends flags one after the other, in the order given (solve order); the `pins` come on top of the shot's own.

    `asked` are the ids that a person named: some faults are mended only then. A strength below 1 goes that share of the
    way once all are mended; one above 1 concerns what the search mends.
    """
    if strength == 0:
        return Mended(shot, (), ())
    stage = stage_of(replace(shot, pins=(*shot.pins, *pins)), look)
    now = check(stage)
    begun = stage, now
    done: list[Flag] = []
    left: list[Left] = []
    for flag in flags:
        if _twin(flag, now) is None:
            done.append(flag)  # an earlier mend took it along
            continue
        if flag.fault in ASKED and flag.id not in asked:
            left.append(Left(flag, f"mended only where it is asked for: --flag {flag.id}"))
            continue
        if not _has_mend(flag):
            left.append(Left(flag, f"for a person to mend: {flag.remedy}"))
            continue
        after, found, why = _mended(stage, look, flag, now, max(strength, 1.0))
        if why:
            left.append(_left(stage, look, flag, max(strength, 1.0), why))
            continue
        stage, now = after, found
        done.append(flag)
    whole = Mended(replace(stage.shot, pins=shot.pins), tuple(done), tuple(left))
    return whole if strength == 1 or not done else _as_strong(*begun, look, whole, strength)


def _as_strong(begun: Stage, before: list[Flag], look: Look, whole: Mended, strength: float) -> Mended:
    """The mends at another strength than 1, with what is to be said where that means nothing."""
    if strength > 1:
        own = [flag.id for flag in whole.mended if flag.fault not in FAULTS.values()]
        note = f"--strength {strength:g} means nothing to mends of a family's own, done as at 1: {', '.join(own)}"
        return replace(whole, notes=(note,) if own else ())
    turned = {flag.control for flag in whole.mended if flag.fault in WHOLE}
    shot, kept = shot_part_way(begun.shot, whole.shot, strength, turned)
    how = "keys that are added, moved in time or turned over, on"
    note = f"--strength {strength:g} means nothing to {how} {', '.join(kept)}"
    for error in at_least(check(stage_of(shot, look)), "error"):
        if _twin(error, before) is None:
            why = f"gone {strength:g} of the way there would be a new error: {error.control}: {error.message}"
            return _without(begun, look, whole, strength, error, why)
    return replace(whole, shot=replace(shot, pins=whole.shot.pins), notes=(note,) if kept else ())


def _without(begun: Stage, look: Look, whole: Mended, strength: float, error: Flag, why: str) -> Mended:
    """The mends but those of the control at which going part of the way makes an error; none where none is."""
    guilty = [f for f in whole.mended if error.control in (f.control, f.cause.control)] or whole.mended
    rest = [f for f in whole.mended if f not in guilty]
    again = mend(begun.shot, look, rest, strength, asked=[f.id for f in rest])
    left = (*whole.left, *(Left(each, why) for each in guilty), *again.left)
    return replace(again, shot=replace(again.shot, pins=whole.shot.pins), left=left)


def _has_mend(flag: Flag) -> bool:
    """Whether such flags can be mended at all: by their family, or by the search for what breaks the habit."""
    return flag.fault in TRIES or flag.fault in MENDS or flag.fault in FAULTS.values()


def _left(stage: Stage, look: Look, flag: Flag, strength: float, why: str) -> Left:
    """A flag whose mend wasn't accepted, with what stands in its way."""

    def mended(shot: Shot) -> Shot | None:
        free = stage_of(shot, look)
        now = check(free)
        again = _twin(flag, now)
        after, _, refused = (
            (free, now, "gone") if again is None else _mended(free, look, again, now, strength)
        )
        return None if refused else after.shot

    clash = in_the_way(stage.shot, mended)
    if not clash:
        return Left(flag, why)
    says_it_all = why == _no_way(flag) or why.startswith(MOVES_HELD)
    return Left(flag, held_by(clash) if says_it_all else f"{why}; {held_by(clash)}", clash)


def _no_way(flag: Flag) -> str:
    return f"no mend of its kind fits here; by hand: {flag.remedy}"


def _mended(
    stage: Stage, look: Look, flag: Flag, now: list[Flag], strength: float
) -> tuple[Stage, list[Flag], str]:
    """The stage and its flags after the first mend of a flag that is accepted, or why none is."""
    why = ""
    try:
        tried, why = _tried(stage, flag, strength)
        for shot in tried:
            after, found, why = _looked_at(stage, shot, look, flag, now)
            if not why:
                return after, found, ""
    except NoSolution as error:
        why = str(error)
    return stage, now, why or _no_way(flag)


def _looked_at(
    before: Stage, tried: Shot, look: Look, flag: Flag, now: Sequence[Flag]
) -> tuple[Stage, list[Flag], str]:
    """The stage after a mend, its flags, and why it isn't accepted; feet that it took along are planted again."""
    held = disturbed(before.shot, tried)
    if held:
        return before, list(now), f"{MOVES_HELD} {' and '.join(held)} holds"
    after = stage_of(tried, look)
    found = check(after)
    now = [*now, *(other for other in found if _outshone(before, after, flag, other))]
    slid = (other for other in found if other.fault == SLIDING and _twin(other, now) is None)
    # A slide that comes up where nothing moved isn't of this mend: planting would put what is mended back for it.
    slides = any(not _still(before, after, other) for other in slid)
    if slides and flag.fault != SLIDING:
        planted = stage_of(replanted(before, tried), look)
        again = check(planted)
        if not _worse(flag, now, again) and not disturbed(before.shot, planted.shot):
            return planted, again, ""
    return after, found, _worse(flag, now, found)


def _outshone(before: Stage, after: Stage, flag: Flag, other: Flag) -> bool:
    """Whether a flag of the same fault stands where nothing moved: it was outshone by the one that is mended."""
    return other.fault == flag.fault and _still(before, after, other)


def _still(before: Stage, after: Stage, flag: Flag) -> bool:
    """Whether nothing moved where a flag stands."""
    i, (a, b) = before.control_at[flag.control], (frame - before.range[0] for frame in flag.frames)
    poses = (
        (before.posed.linear, after.posed.linear),
        (before.posed.origin, after.posed.origin),
    )
    return all(np.array_equal(old[i, a : b + 1], new[i, a : b + 1]) for old, new in poses)


def _twin(flag: Flag, flags: Sequence[Flag]) -> Flag | None:
    """The same finding among others: same fault and cause, or same fault, place and overlapping frames."""
    for other in flags:
        here = (other.control, other.channel) == (flag.control, flag.channel)
        caused = other.cause == flag.cause and flag.cause.channel is not None
        meet = other.frames[0] <= flag.frames[1] and flag.frames[0] <= other.frames[1]
        if other.fault == flag.fault and (here or caused) and meet:
            return other
    return None


def _tried(stage: Stage, flag: Flag, strength: float) -> tuple[Iterable[Shot], str]:
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
    half a pose may be worse than none.
    """
    request = Request(flag.frames, (flag.cause.control,), strength, camera=stage.camera)
    found = suggest(stage.shot, request)
    changes = [c for c in found.changes if c.channel == flag.cause.channel]
    if not changes:
        for candidate in found.candidates:
            if (candidate.channel, candidate.frames) == (flag.cause.channel, flag.cause.frames):
                changes = list(candidate.changes)
                break
    if not changes:
        return (), found.reason
    others = [c for c in found.changes if c.channel != flag.cause.channel and c.frame in flag.cause.frames]
    alone = made(stage.shot, changes)
    return ((made(stage.shot, [*changes, *others]), alone) if others else (alone,)), ""


def _worse(flag: Flag, before: Sequence[Flag], after: Sequence[Flag]) -> str:
    """Why a mend isn't accepted; "" if it is. One of several to choose from brings no new flag at all."""
    still = _twin(flag, after)
    if still is not None and still.amount > SMALLER * flag.amount:
        return f"what could be tried leaves {still.amount:.3g} {still.unit} of {flag.amount:.3g}"
    for other in at_least(after, "warn"):
        counts = other.severity == "error" or flag.fault in TRIES or other.fault == flag.fault
        if counts and _is_new(other, before):
            return f"mending it would make a new {other.severity}: {other.control}: {other.message}"
    return ""


def _is_new(flag: Flag, before: Sequence[Flag]) -> bool:
    """Whether a finding wasn't there, or stood elsewhere by the same cause and less."""
    twin = _twin(flag, before)
    return twin is None or (twin.control != flag.control and flag.amount > twin.amount)


def suggested(
    document: Document,
    look: Look,
    flags: Sequence[Flag],
    strength: float = 1.0,
    pins: Sequence[Pin] = (),
    asked: Sequence[str] = (),
) -> tuple[Suggestion, tuple[Left, ...]]:
    """The mends of flags as one suggestion, spelled as the document spells its numbers, and what is left unmended."""
    shot = document.shot
    check_strength(strength)
    result = mend(shot, look, flags, strength, pins, asked)
    words = [f"{f.id}: {f.control}: {f.fault} mended" for f in result.mended]
    words += [f"{f.id}: {f.control}: {f.fault} left, {why}" for f, why, _ in result.left]
    idle = "strength 0 changes nothing" if flags else "nothing is flagged"
    found = _described(document, look, flags, result.shot, "; ".join(words) or idle, strength)
    found = replace(found, notes=(*found.notes, *result.notes))
    if not found.changes and all(each.clash for each in result.left):
        clash = dict.fromkeys(name for each in result.left for name in each.clash)
        found = replace(found, clash=tuple(clash))
    return found, result.left


def _described(
    document: Document, look: Look, flags: Sequence[Flag], after: Shot, reason: str, strength: float = 1.0
) -> Suggestion:
    shot, moved = document.shot, _moved_frames(document.shot, after)
    spans = [flag.frames for flag in flags] + ([moved] if moved else [])
    first = min((span[0] for span in spans), default=shot.first_frame)
    last = max((span[1] for span in spans), default=shot.last_frame)
    controls = tuple(dict.fromkeys(flag.cause.control for flag in flags))
    request = Request((first, last), controls, strength, camera=look.camera)
    prepared = prepare(shot, request)
    changes = in_spelling(document, differences(shot, after))
    return prepared.suggestion(
        document, request, changes, reason, (float(first), float(last)) if changes else None
    )


def _moved_frames(before: Shot, after: Shot) -> tuple[int, int] | None:
    """First and last whole frame on which any channel differs."""
    apart = np.zeros(len(before.frames), np.bool_)
    for old, new in zip(before.controls, after.controls, strict=True):
        for was, now in zip(old.channels, new.channels, strict=True) if old is not new else ():
            if was is not now:
                apart |= np.any(
                    sample(was, before, before.frames) != sample(now, after, before.frames), axis=1
                )
    at = before.frames[apart]
    return (int(at[0]), int(at[-1])) if len(at) else None


def picture(document: Document, look: Look, flag: Flag) -> str:
    """One flag, before and after its mend; only before where it has none."""
    result = mend(document.shot, look, [flag], asked=(flag.id,))
    title = f"{flag.fault}: {flag.message}"
    found = _described(document, look, [flag], result.shot, title)
    return of_suggestion(document.shot, result.shot, found, (flag.control,), look.camera)

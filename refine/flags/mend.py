"""Mending flags: root outward, each accepted only if the shot is the better for it.

A family mends its own faults (`MENDS`); what breaks the habit is mended by the search of `suggest` on the flag's range.
After each one the shot is looked at again: the flag has to be gone or much smaller, and no new error may have appeared
anywhere. What fails that is put back and named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from refine.changes import differences, made
from refine.errors import NoSolution
from refine.flags.check import MENDS, check, stage_of
from refine.flags.contacts import replanted
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.stage import Stage
from refine.formats import Document
from refine.prepared import Request, in_spelling, prepare
from refine.review.illustrate import of_suggestion
from refine.shot import Pin, Shot
from refine.suggest import suggest
from refine.suggestion import Suggestion

SLIDING = "sliding contact"
SMALLER = 0.5  # [judge] of its amount that a flag may keep and still count as mended


@dataclass(frozen=True, slots=True)
class Mended:
    """What became of the flags: those mended, and those left with the reason."""

    shot: Shot
    mended: tuple[Flag, ...]
    left: tuple[tuple[Flag, str], ...]


def mend(
    shot: Shot, look: Look, flags: Sequence[Flag], strength: float = 1.0, pins: Sequence[Pin] = ()
) -> Mended:
    """Mends flags one after the other, in the order given (solve order); the `pins` come on top of the shot's own."""
    stage = stage_of(replace(shot, pins=(*shot.pins, *pins)), look)
    now = check(stage)
    done: list[Flag] = []
    left: list[tuple[Flag, str]] = []
    for flag in flags:
        if _twin(flag, now) is None:
            done.append(flag)  # an earlier mend took it along
            continue
        tried, why = _tried(stage, flag, strength)
        if tried is None:
            left.append((flag, why))
            continue
        after, found, why = _looked_at(stage, tried, look, flag, now)
        if why:
            left.append((flag, why))
            continue
        stage, now = after, found
        done.append(flag)
    return Mended(replace(stage.shot, pins=shot.pins), tuple(done), tuple(left))


def _looked_at(
    before: Stage, tried: Shot, look: Look, flag: Flag, now: Sequence[Flag]
) -> tuple[Stage, list[Flag], str]:
    """The stage after a mend, its flags, and why it isn't accepted; feet that it took along are planted again."""
    after = stage_of(tried, look)
    found = check(after)
    slides = any(other.fault == SLIDING and _twin(other, now) is None for other in found)
    if slides and flag.fault != SLIDING:
        planted = stage_of(replanted(before, tried), look)
        again = check(planted)
        if not _worse(flag, now, again):
            return planted, again, ""
    return after, found, _worse(flag, now, found)


def _twin(flag: Flag, flags: Sequence[Flag]) -> Flag | None:
    """The same finding among others: same fault and cause, or same fault, place and overlapping frames."""
    for other in flags:
        same = other.fault == flag.fault and other.control == flag.control and other.channel == flag.channel
        if same and other.frames[0] <= flag.frames[1] and flag.frames[0] <= other.frames[1]:
            return other
    return None


def _tried(stage: Stage, flag: Flag, strength: float) -> tuple[Shot | None, str]:
    """The shot with one flag mended, or None and why not."""
    mending: Callable[[Stage, Flag], Shot | None] | None = MENDS.get(flag.fault)
    try:
        if mending is not None:
            tried = mending(stage, flag)
            return tried, "" if tried is not None else "pins, limits or marks leave no room to mend it"
        if flag.cause.channel is None or not flag.cause.frames:
            return None, f"for a person to mend: {flag.remedy}"
        return _by_search(stage, flag, strength)
    except NoSolution as error:
        return None, str(error)


def _by_search(stage: Stage, flag: Flag, strength: float) -> tuple[Shot | None, str]:
    """The search of `suggest` on the flag's own range and control, held to the flagged keys."""
    request = Request(flag.frames, (flag.cause.control,), strength, camera=stage.camera)
    found = suggest(stage.shot, request)
    changes = [c for c in found.changes if c.channel == flag.cause.channel]
    if not changes:
        for candidate in found.candidates:
            if (candidate.channel, candidate.frames) == (flag.cause.channel, flag.cause.frames):
                changes = list(candidate.changes)
                break
    return (made(stage.shot, changes), "") if changes else (None, found.reason)


def _worse(flag: Flag, before: Sequence[Flag], after: Sequence[Flag]) -> str:
    """Why a mend isn't accepted; "" if it is."""
    still = _twin(flag, after)
    if still is not None and still.amount > SMALLER * flag.amount:
        return f"what could be tried leaves {still.amount:.3g} {still.unit} of {flag.amount:.3g}"
    for other in after:
        if other.severity == "error" and _twin(other, before) is None:
            return f"mending it would make a new error: {other.control}: {other.message}"
    return ""


def suggested(
    document: Document, look: Look, flags: Sequence[Flag], strength: float = 1.0, pins: Sequence[Pin] = ()
) -> tuple[Suggestion, tuple[tuple[Flag, str], ...]]:
    """The mends of flags as one suggestion, spelled as the document spells its numbers, and what is left unmended."""
    shot = document.shot
    result = mend(shot, look, flags, strength, pins)
    words = [f"{f.id}: {f.control}: {f.fault} mended" for f in result.mended]
    words += [f"{f.id}: {f.control}: {f.fault} left, {why}" for f, why in result.left]
    return _described(
        document, look, flags, result.shot, "; ".join(words) or "nothing is flagged"
    ), result.left


def _described(document: Document, look: Look, flags: Sequence[Flag], after: Shot, reason: str) -> Suggestion:
    shot = document.shot
    first = min((flag.frames[0] for flag in flags), default=shot.first_frame)
    last = max((flag.frames[1] for flag in flags), default=shot.last_frame)
    controls = tuple(dict.fromkeys(flag.cause.control for flag in flags))
    request = Request((first, last), controls, camera=look.camera)
    prepared = prepare(shot, request)
    changes = in_spelling(document, differences(shot, after))
    return prepared.suggestion(
        document, request, changes, reason, (float(first), float(last)) if changes else None
    )


def picture(document: Document, look: Look, flag: Flag) -> str:
    """One flag, before and after its mend; only before where it has none."""
    result = mend(document.shot, look, [flag])
    title = f"{flag.fault}: {flag.message}"
    found = _described(document, look, [flag], result.shot, title)
    return of_suggestion(document.shot, result.shot, found, (flag.control,), look.camera)

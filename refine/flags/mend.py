"""Mending flags: root outward, each accepted only if the shot is the better for it.

A family mends its own faults (`MENDS`); what breaks the habit is mended by the search of `suggest` on the flag's range.
After each one the shot is looked at again: the flag has to be gone or much smaller, and no new error may have appeared
anywhere. What fails that is put back and named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.changes import differences
from refine.curve import sample
from refine.flags.at_once import every
from refine.flags.check import ALL, at_least, check, showing, stage_of
from refine.flags.flag import SAID, Flag, twin
from refine.flags.keys import FAULTS, OF_KEYS
from refine.flags.look import Look
from refine.flags.one import Left, State
from refine.flags.verdict import as_they_were, still, untouched
from refine.formats import Document
from refine.part_way import shot_part_way
from refine.prepared import Request, check_strength, in_spelling, prepare
from refine.review.illustrate import of_suggestion
from refine.shot import Pin, Shot
from refine.suggestion import Suggestion

WHOLE = ("angle wrap",)  # between an angle and the same a turn away there is no half way


@dataclass(frozen=True, slots=True)
class Mended:
    """What became of the flags: those mended, and those left. `notes` say where a strength means nothing, and what is
    new."""

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

    `asked` are the ids that a person named: some faults are mended only then. Of all flags, those of keys that show
    only once others are mended are mended as well. A strength below 1 goes that share of the way once all are mended;
    one above 1 concerns what the search mends.
    """
    if strength == 0:
        return Mended(shot, (), ())
    stage = stage_of(replace(shot, pins=(*shot.pins, *pins)), look)
    begun = State(stage, check(stage))
    state, done, left = every(begun, flags, max(strength, 1.0), asked)
    known = [*begun.flags, *flags]
    while ALL in asked and (later := _come_up(begun, state, known)):
        state, more, rest = every(state, later, max(strength, 1.0), asked)
        done, left, known = [*done, *more], [*left, *rest], [*known, *later]
    whole = Mended(replace(state.stage.shot, pins=shot.pins), tuple(done), tuple(left))
    if strength < 1 and done:
        return _part_way(begun, state, look, whole, strength)
    said = _as_at_1(whole.mended, strength) if strength > 1 else ()
    return replace(whole, notes=(*said, *_brought(begun, state, known)))


def _brought(begun: State, state: State, known: Sequence[Flag]) -> tuple[str, ...]:
    """What is to be said of warnings that the mends bring where they move something: a person decides."""
    new = [
        flag
        for flag in at_least(showing(state.stage, state.flags), "warn")
        if twin(flag, known) is None
        and not still(begun.stage, state.stage, flag)
        and not untouched(begun.stage, state.stage, flag)
    ]
    return tuple(f"this brings a new {SAID[f.severity]}: {f.control}: {f.message}" for f in new)


def _come_up(begun: State, state: State, known: Sequence[Flag]) -> list[Flag]:
    """What keys tell by now that they didn't before: the habit is clearer once others are mended.

    Of the keys as they were: what a mend has made of others is no fault of theirs.
    """
    shown = at_least(showing(state.stage, state.flags), "warn")
    return [
        flag
        for flag in shown
        if flag.fault in OF_KEYS
        and twin(flag, known) is None
        and as_they_were(begun.stage, state.stage, flag)
    ]


def _as_at_1(mended: Sequence[Flag], strength: float) -> tuple[str, ...]:
    """What is to be said where a strength above 1 means nothing."""
    own = [flag.id for flag in mended if flag.fault not in FAULTS.values()]
    said = f"--strength {strength:g} means nothing to mends of a family's own, done as at 1: {', '.join(own)}"
    return (said,) if own else ()


def _part_way(begun: State, state: State, look: Look, whole: Mended, strength: float) -> Mended:
    """A share of the mends, looked at anew, with what is to be said where a share means nothing."""
    turned = {flag.control for flag in whole.mended if flag.fault in WHOLE}
    shot, kept = shot_part_way(begun.stage.shot, state.stage.shot, strength, turned)
    stage = stage_of(shot, look)
    after = State(stage, check(stage))
    for error in at_least(after.flags, "error"):
        known = twin(error, [*begun.flags, *state.flags]) is not None
        if not known and not still(begun.stage, stage, error):
            why = f"gone {strength:g} of the way there would be a new error: {error.control}: {error.message}"
            return _without(begun, look, whole, strength, error, why)
    how = f"--strength {strength:g} means nothing to keys that are added, moved in time or turned over, on"
    notes = (f"{how} {', '.join(kept)}",) if kept else ()
    notes = (*notes, *_brought(begun, after, [*begun.flags, *state.flags]))
    return replace(whole, shot=replace(shot, pins=whole.shot.pins), notes=notes)


def _without(begun: State, look: Look, whole: Mended, strength: float, error: Flag, why: str) -> Mended:
    """The mends but those of the control at which a share of all makes an error; none where none is."""
    guilty = [f for f in whole.mended if error.control in (f.control, f.cause.control)] or whole.mended
    rest = [f for f in whole.mended if f not in guilty]
    again = mend(begun.stage.shot, look, rest, strength, asked=[f.id for f in rest])
    left = (*whole.left, *(Left(each, why) for each in guilty), *again.left)
    return replace(again, shot=replace(again.shot, pins=whole.shot.pins), left=left)


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
    share = f" {100 * strength:g} % of the way" if strength < 1 else ""
    words = [
        f"{f.id}: {f.control}: {_named(f)} mended{share}{_when(f, flags)}"
        for f in result.mended
        if not f.along
    ]
    words += [f"{f.id}: {f.control}: {f.fault} left, {why}" for f, why, _ in result.left]
    idle = "strength 0 changes nothing" if flags else "nothing is flagged"
    found = _described(document, look, flags, result.shot, "; ".join(words) or idle, strength)
    found = replace(found, notes=(*found.notes, *result.notes))
    if not found.changes and all(each.clash for each in result.left):
        clash = dict.fromkeys(name for each in result.left for name in each.clash)
        found = replace(found, clash=tuple(clash))
    return found, result.left


def _when(flag: Flag, begun: Sequence[Flag]) -> str:
    return "" if flag in begun else ", which showed once others were"


def _named(flag: Flag) -> str:
    """The fault, with its severity where a look doesn't show it unasked."""
    return f"{flag.fault}, a note," if flag.severity == "note" else flag.fault


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
    title = f"{flag.fault}: {flag.message}".replace("; ", ", ")  # one reason, however many parts it has
    found = _described(document, look, [flag], result.shot, title)
    return of_suggestion(document.shot, result.shot, found, (flag.control,), look.camera)

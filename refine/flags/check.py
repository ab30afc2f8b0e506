"""`check`: all families over one stage, without what was meant, sorted as one would mend: root outward."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from refine.errors import InputError
from refine.flags import (
    attachments,
    bending,
    body,
    contacts,
    coverage,
    drift,
    falling,
    flight,
    gaze,
    ground,
    keys,
    limbs,
    limits,
    loops,
    rotations,
    screen,
    seeding,
    still,
)
from refine.flags.excerpt import excerpt
from refine.flags.flag import RANK, Flag, Severity, as_json, told_apart
from refine.flags.look import Look
from refine.flags.stage import Stage, in_order
from refine.flags.thresholds import load
from refine.flags.told import told_once
from refine.formats import Document
from refine.shot import Shot
from refine.text import aligned

SCHEMA = "motion-refine/flags/1"
# A family is a module with `find`; one that can mend has MENDS, by the fault's name.
FAMILIES = (
    keys,
    rotations,
    contacts,
    ground,
    limbs,
    attachments,
    body,
    flight,
    gaze,
    screen,
    still,
    coverage,
    loops,
)
MENDERS = (*FAMILIES, bending, drift, falling, limits, seeding)
Mend = Callable[[Stage, Flag], Shot | None]
MENDS: dict[str, Mend] = {
    fault: mend for family in MENDERS for fault, mend in getattr(family, "MENDS", {}).items()
}
# Mends of which there are several, the smallest first: the first one that brings no new flag is taken.
Tries = Callable[[Stage, Flag], Iterator[Shot]]
TRIES: dict[str, Tries] = {
    fault: tries for family in MENDERS for fault, tries in getattr(family, "TRIES", {}).items()
}
# Faults that are mended only where a person names the flag: the mend adds what nobody asked for.
ASKED = frozenset(fault for family in MENDERS for fault in getattr(family, "ASKED", ()))
ALL = "all"  # in place of ids: all flags
DELIVERY = 1080  # lines, where the shot has no camera
BESIDE = 40.0  # [judge] s beside the frames in question that are looked at: as much as most shots have


def stage_of(shot: Shot, look: Look) -> Stage:
    """The stage for a look. InputError for a range outside the shot, an unknown camera or threshold."""
    first, last = look.frames or (shot.first_frame, shot.last_frame)
    if last < shot.first_frame or first > shot.last_frame or first > last:
        inside = f"frames {shot.first_frame} to {shot.last_frame}"
        raise InputError(f"--frames {first}:{last}", "outside the shot", inside)
    chosen = next((c for c in shot.cameras if look.camera in (None, c.name)), None)
    thresholds = load(shot.fps, chosen.height if chosen is not None else DELIVERY, *look.thresholds)
    asked = max(first, shot.first_frame), min(last, shot.last_frame)
    whole = Stage(shot, shot.frames, thresholds, look.camera, in_order(shot, look.controls), asked)
    low, high = (frame - shot.first_frame for frame in asked)
    beside = round(BESIDE * shot.fps)
    if low <= beside and len(shot.frames) - 1 - high <= beside:
        return whole
    return excerpt(whole, low - beside, high + beside)


def check(stage: Stage) -> list[Flag]:
    """All flags of a stage in solve order, each cause once; also of frames beside those in question."""
    found = [flag for family in FAMILIES for flag in family.find(stage)]
    told = told_once(stage, told_apart(_once(found)))
    meant = [flag for flag in told if stage.meant(flag.fault, flag.control, flag.frames)]
    goes = {flag.id for flag in meant}
    kept = [flag for flag in told if flag not in meant and flag.along not in goes]
    place = {name: n for n, name in enumerate(stage.order)}
    return sorted(kept, key=lambda f: (place.get(f.control, -1), f.frames, f.fault, f.channel or ""))


def in_question(stage: Stage) -> list[Flag]:
    """The flags that show on the frames in question."""
    return showing(stage, check(stage))


def showing(stage: Stage, flags: Sequence[Flag]) -> list[Flag]:
    """Those flags of a stage that show on the frames in question."""
    first, last = stage.asked
    return [flag for flag in flags if flag.frames[0] <= last and first <= flag.frames[1]]


def _once(flags: Sequence[Flag]) -> list[Flag]:
    """Of the flags that one cause has, the most visible; flags without a channel are causes of their own."""
    best: dict[tuple[object, ...], Flag] = {}
    for flag in flags:
        own = (flag.fault, flag.control, flag.channel, flag.frames)
        key = (flag.cause, flag.fault) if flag.cause.channel else own
        if key not in best or flag.ratio > best[key].ratio:
            best[key] = flag
    return list(best.values())


def at_least(flags: Sequence[Flag], level: Severity) -> list[Flag]:
    return [flag for flag in flags if RANK[flag.severity] >= RANK[level]]


def named(flags: Sequence[Flag], ids: Sequence[str], option: str = "--flag") -> list[Flag]:
    """The flags with these ids, "all" for all of them. InputError for one that isn't there, or names several."""
    if ALL in ids:
        return list(flags)
    chosen = {_named(flags, name, option).id for name in ids}
    return [flag for flag in flags if flag.id in chosen]


def _named(flags: Sequence[Flag], name: str, option: str) -> Flag:
    found = [flag for flag in flags if flag.goes_by(name)]
    if len(found) == 1:
        return found[0]
    several = f"{len(found)} flags go by this id" if found else "no such flag"
    allowed = ", ".join([flag.id for flag in found or flags][:12]) or "none: nothing is flagged"
    raise InputError(f"{option} {name}", several, allowed, "refine check lists them")


def as_document(document: Document, stage: Stage, flags: Sequence[Flag]) -> dict[str, Any]:
    """The contract's form, described by refine/schemas/flags.schema.json."""
    return {
        "schema": SCHEMA,
        "file": document.path.name,
        "sha256": document.sha256,
        "fps": document.shot.fps,
        "camera": stage.view.name,
        "flags": [as_json(flag) for flag in flags],
    }


def lines(flags: Sequence[Flag]) -> list[str]:
    """One line a flag: severity, id, where, what, and what to do."""
    if not flags:
        return ["nothing is flagged"]
    rows = []
    for flag in flags:
        where = f"{flag.frames[0]}:{flag.frames[1]}"
        what = flag.control if flag.channel is None else f"{flag.control}.{flag.channel}"
        rows.append((flag.severity, flag.id, where, what, f"{flag.fault}: {flag.message}; {flag.remedy}"))
    return aligned(rows)

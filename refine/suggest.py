"""From a flagged range to a suggestion: root outward, translations before rotations.

Each control is looked at once its parents are final. On each of its channels the cause is searched (keyed) or
the noise measured (baked); what is clear is cured at once, what isn't becomes a candidate. After a control has
changed, it and what it carries are posed anew, so that the next one is judged as it will be seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from refine.changes import Change, differences
from refine.formats import Document
from refine.held import Locks
from refine.pose import reposed
from refine.prepared import Prepared, Request, in_spelling, prepare
from refine.search import baked, beyond, candidates, in_time, keyed
from refine.search.in_the_way import in_the_way
from refine.search.work import ROUNDING, Option, Work, size_of
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Shot
from refine.suggestion import Suggestion

_PART_ORDER = {name: i for i, name in enumerate((*TRANSLATIONS, QUATERNION, *ROTATIONS))}


def suggest(
    shot: Shot, request: Request, document: Document | None = None, prepared: Prepared | None = None
) -> Suggestion:
    """The suggestion for a range, its numbers spelled as `document` spells them; what excludes one, if something does.

    `prepared` spares computing anew what requests that differ in strength alone share. InputError for a range,
    control, camera or candidate that isn't there; NoSolution where pins and limits clash.
    """
    prepared = prepared or prepare(shot, request)
    work = _searched(shot, request, prepared)
    found = _suggestion(work, document)
    if found.changes or not work.blocked:
        return found
    bare = replace(request, pins=())

    def mended(free: Shot) -> Shot | None:
        again = _searched(free, bare, prepare(free, bare))
        return again.shot if again.reasons else None

    clash = in_the_way(replace(shot, pins=(*shot.pins, *request.pins)), mended)
    return replace(found, clash=clash)


def proposed(shot: Shot, request: Request) -> Suggestion:
    """What `suggest` finds, but for what excludes it: that takes many searches."""
    return _suggestion(_searched(shot, request, prepare(shot, request)), None)


def _searched(shot: Shot, request: Request, prepared: Prepared) -> Work:
    """The state after all controls were looked at."""
    locks = Locks(shot, (*shot.pins, *request.pins), prepared.frames)
    work = Work(request, prepared, prepared.shot, prepared.posed, locks)
    if request.strength > 0:
        for control in prepared.order:
            _look_at(work, control)
    return work


def _look_at(work: Work, name: str) -> None:
    """Cures what is clear on one control and notes what isn't: the frames of its poses first, then their numbers."""
    before = work.shot
    in_time.put_back(work, name)
    control = work.shot.control(name)
    touched = []
    for channel in sorted(control.channels, key=lambda channel: _PART_ORDER.get(channel.name, 9)):
        look = baked.look if channel.baked else keyed.look
        if look(work, control, channel):
            touched.append(channel.name)
    if work.request.strength > 1 and touched:
        beyond.smooth(work, name, touched)
    if work.shot is not before:
        work.posed = reposed(work.posed, work.shot, [name])


def _suggestion(work: Work, document: Document | None) -> Suggestion:
    """What was found, spelled and measured."""
    options, listed = candidates.listed(work, document)
    if work.request.candidate is not None:
        candidates.take(work, options)
        del listed[work.request.candidate - 1]
    wanted = differences(work.given.shot, work.shot)
    changes = in_spelling(document, wanted)
    lost = _lost(wanted, changes, work.shot.length_unit)
    reason = _reason(work, changes, options) if changes or not lost else f"nothing changed: {lost}"
    found = work.given.suggestion(
        document, work.request, changes, reason, work.usable, listed, work.residuals
    )
    notes = (*found.notes, lost) if lost else found.notes
    return replace(found, notes=notes, left_alone=tuple(dict.fromkeys(work.untaken)))


def _reason(work: Work, changes: Sequence[Change], options: Sequence[Option]) -> str:
    if changes:
        return "; ".join(work.reasons)
    if work.request.strength == 0:
        return "strength 0 changes nothing"
    if work.blocked:
        return "nothing changed: " + "; ".join(dict.fromkeys(work.blocked))
    if options and all(option.probability is None for option in options):
        return (
            "the range keeps to the habit of the shot; if you see a fault in it, these keys stand out most "
            "from their neighbours: take one with --candidate N"
        )
    if options:
        return (
            f"nothing is clear enough to change it unasked: {len(options)} candidate"
            f"{'s' * (len(options) > 1)}, take one with --candidate N"
        )
    if work.untaken:
        return "nothing changed: " + "; ".join(work.untaken)
    return "nothing to propose: the range keeps to the habit of the shot, and nothing in it stands out"


def _lost(wanted: Sequence[Change], spelled: Sequence[Change], length: str) -> str:
    """What is to be said of changes that the file's own decimals can't show; empty where there are none.

    `length` is the name of the shot's length unit.
    """
    kept = {change.place for change in spelled}
    sizes = [(size_of([change]), change.unit) for change in wanted if change.place not in kept]
    sizes = [size for size in sizes if size[0] > ROUNDING]
    if not sizes:
        return ""
    size, unit = max(sizes)
    return (
        f"{len(sizes)} of {len(wanted)} changes are smaller than the last decimal in the file and left out, "
        f"the largest of {size:.2g} {unit.replace('unit', length)}".rstrip()
    )


__all__ = ["Request", "suggest"]

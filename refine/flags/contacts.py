"""Sliding contacts: planted feet and hands that drift from where they stand.

Contacts are those that the artist marked, and those of feet that `planted` finds by their motion. A marked contact
is held to the thresholds. One that was only found is a guess, and every shot has its own looseness: it is flagged
where it slides much more than the shot's other contacts do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from refine.flags.flag import Cause, Flag, Severity
from refine.flags.off_anchor import SLIDING as SLIDING
from refine.flags.off_anchor import Drift, drifts, went
from refine.flags.slide import could_explain, put_back
from refine.flags.stage import Stage, kept
from refine.flags.standing import (
    LEFT,
    MM,
    broken,
    carrying,
    common,
    keys_near,
    margin,
    resting,
    standing,
    usual,
)
from refine.flags.translated import translations
from refine.limbs.planted import Planted
from refine.limbs.planting import faded_over, minimum_jerk, planted_again, shift_of, shifted
from refine.pinned import disturbed
from refine.pose import Point
from refine.rig import carriers
from refine.shot import TRANSLATIONS, Array, Shot

ALIKE = 0.4  # [judge] of their size by which two limbs' slides may differ and still be one
AROUND = 1.0  # s to each side of a cause that the search may look at


def planted(stage: Stage) -> list[tuple[Point, Array, Array]]:
    """Planted points of the stage: the point, its whole frames (k,), its anchor (k, 3) in the world, shot units."""
    return [(each.point, each.frames, each.anchor) for each in standing(stage).contacts]


def replanted(before: Stage, after: Shot) -> Shot:
    """The shot `after` with planted feet and hands put back where they stood, by the limbs' own chains.

    For changes at the hips or above: what a limb stands on in `before` it stands on again, with heel and toe. It isn't
    bent for less than what is flagged. Where a limb would be straighter than 99 % it stays short of that; where pins
    forbid it, it stays as it is.
    """
    there = standing(before)
    limit = before.thresholds[SLIDING]["warn_mm"] / MM / there.scale
    for each in sorted(there.contacts, key=lambda contact: contact.frames[0]):
        points = each, *resting(before)[each]
        if each.limb is None or each.relative is not None:
            continue
        if any(_slides_for(after, point, limit) for point in points):
            others = [(other, other.path) for other in points[1:]]
            mended = planted_again(after, each, each.path, before.locks, LEFT * limit, True, others)
            after = after if mended is None else mended
    return after


def _slides_for(after: Shot, point: Planted, limit: float) -> bool:
    """Whether a point is carried along by more than a limit, or first beyond it, where it stands in a changed shot."""
    before = float(np.linalg.norm(point.path - point.anchor, axis=1).max())
    return went(after, point, point.path) > limit or went(after, point, point.anchor) > limit >= before


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    yield from (flag for flag, _ in sliding(stage))


@kept
def sliding(stage: Stage) -> tuple[tuple[Flag, list[Drift]], ...]:
    """Flags for contacts that slide, those that slide together in one."""
    return tuple(_sliding(stage))


def _sliding(stage: Stage) -> Iterator[tuple[Flag, list[Drift]]]:
    threshold = stage.thresholds[SLIDING]
    least = threshold["warn_mm"]
    every = [found for contact in standing(stage).contacts for found in drifts(stage, contact)]
    groups = _together(stage, [each for each in every if each.mm > least])
    # Two feet that slide because the hips do say once how loose the shot is.
    own = [each.mm for each in every if each.mm <= least and not each.contact.marked]
    own += [max(each.mm for each in group) for group in groups if not group[0].contact.marked]
    loose = max(threshold["times"] * usual(own), least)
    for group in groups:
        limits = [least if each.contact.marked else loose for each in group]
        slid = [
            (each, each.mm / limit, _severity(stage, each, limit))
            for each, limit in zip(group, limits, strict=True)
            if each.mm > limit and each.px > threshold.warn and each.contact.control in stage.order
        ]
        if slid:
            yield _slide_flag(stage, slid), [each for each, _, _ in slid]


def _severity(stage: Stage, each: Drift, limit: float) -> Severity:
    threshold = stage.thresholds[SLIDING]
    worse = threshold["error_mm"] / threshold["warn_mm"] * limit
    return "error" if each.mm > worse or (each.contact.marked and each.px > threshold.error) else "warn"


Slid = tuple[Drift, float, Severity]


def _together(stage: Stage, slid: Sequence[Drift]) -> list[list[Drift]]:
    """Slides of two limbs at the same time by the same amount belong together: what carries both did it."""
    groups: list[list[Drift]] = []
    for each in slid:
        mine = next((g for g in groups if all(_same_move(stage, each, other) for other in g)), None)
        if mine is None:
            groups.append([each])
        else:
            mine.append(each)
    return groups


def _same_move(stage: Stage, one: Drift, other: Drift) -> bool:
    """Whether two limbs of one body move from their anchors alike on the frames of both."""
    a, b = one.contact, other.contact
    if not _overlap(one.frames, other.frames):
        return False
    if (
        a.limb is None
        or b.limb is None
        or a.control == b.control
        or common(stage.shot, [a.limb, b.limb]) is None
    ):
        return False
    shared = np.intersect1d(a.frames, b.frames)
    shared = shared[(shared >= one.frames[0]) & (shared <= one.frames[1])]
    if not len(shared):
        return False
    first, second = ((c.path - c.anchor)[np.isin(c.frames, shared)] for c in (a, b))
    size = max(float(np.linalg.norm(first, axis=1).max()), float(np.linalg.norm(second, axis=1).max()))
    return float(np.linalg.norm(first - second, axis=1).max()) < ALIKE * size


def _slide_flag(stage: Stage, group: Sequence[Slid]) -> Flag:
    worst, ratio, severity = max(group, key=lambda each: each[1])
    contact = worst.contact
    frames = min(each.frames[0] for each, _, _ in group), max(each.frames[1] for each, _, _ in group)
    names = [each.contact.control for each, _, _ in group]
    if len(group) > 1:
        cause = _cause_above(stage, group)
        message = f"{_listed(names)} slide together by {worst.mm:.0f} mm, {worst.px:.1f} px, while planted"
        remedy = f"look at {cause.control} first, then plant them again"
    else:
        cause = _cause_in_chain(stage, worst)
        on = f" on {contact.relative}" if contact.relative else ""
        message = f"{_word(contact)} slides{on} by {worst.mm:.0f} mm, {worst.px:.1f} px, while planted"
        place = "it where it stands" if contact.relative is None else f"its place on {contact.relative} as"
        remedy = f"keep {place} at {_still(contact):g}"
    if cause.channel is not None:
        remedy = f"look at {cause.control}.{cause.channel} at {_listed([f'{key:g}' for key in cause.frames])}"
    return Flag(
        SLIDING,
        cause.control if len(group) > 1 else contact.control,
        cause.channel if len(group) > 1 else None,
        frames,
        severity,
        worst.px,
        "px",
        cause,
        message,
        remedy,
        ratio,
    )


def _listed(names: Sequence[str]) -> str:
    return " and ".join([part for part in (", ".join(names[:-1]), names[-1]) if part])


def _word(contact: Planted) -> str:
    point = contact.point.control
    return point if point == contact.control else f"{contact.control} ({point})"


def _still(contact: Planted) -> float:
    """The frame on which a point is nearest to its anchor."""
    return float(contact.frames[int(np.argmin(np.linalg.norm(contact.path - contact.anchor, axis=1)))])


def _cause_above(stage: Stage, group: Sequence[Slid]) -> Cause:
    """What carries all limbs of a group and broke its habit there; the nearest that carries them if nothing did."""
    limbs_of = [each.contact.limb for each, _, _ in group]
    nearest = common(stage.shot, [limb for limb in limbs_of if limb is not None])
    assert nearest is not None
    slid = [point for each, _, _ in group for point in each.points]
    return _cause(stage, carrying(stage, nearest), slid) or Cause(nearest)


def _cause(stage: Stage, names: Sequence[str], slid: Sequence[Planted]) -> Cause | None:
    """The keys that explain a slide, among those of some controls; else what broke its habit and could have done it."""
    keys = put_back(stage, names, slid)
    if keys is not None:
        return keys.cause
    strange = (broken(stage, [name], slid[0]) for name in names)
    return next((each for each in strange if each is not None and could_explain(stage, each, slid)), None)


def _cause_in_chain(stage: Stage, slid: Drift) -> Cause:
    """The control, from the root outward, that broke its habit there; else the top of the limb with its keys."""
    contact = slid.contact
    found = _cause(stage, carrying(stage, contact.point.control), slid.points)
    if found is not None:
        return found
    top = contact.limb.moved[0] if contact.limb is not None else contact.control
    return Cause(top, None, keys_near(stage, top, slid.frames))


# --- mends -------------------------------------------------------------------------------------------------


def mend_sliding(stage: Stage, flag: Flag) -> Shot | None:
    """What slid put back where it stands: by undoing what did it above it if that is known, else by its limb.

    Nothing that rests with it may slide for that.
    """
    every = (each for contact in standing(stage).contacts for each in drifts(stage, contact))
    slid = [each for each in every if _overlap(each.frames, flag.frames)]
    slid = [each for each in slid if flag.control in (each.contact.control, *_above(stage, each.contact))]
    limit = stage.thresholds[SLIDING]["warn_mm"]
    slid = [each for each in slid if each.mm > limit]
    # Where keys above a limb are named, bending the limb would cover what they do.
    limbs = [each.contact.limb.chain if each.contact.limb else (each.contact.control,) for each in slid]
    own = any(flag.cause.control in chain for chain in limbs)
    by_limbs = [_by_carrier, _by_limbs] if own or flag.cause.channel is None else []
    for cure in (_cured_above, _put_back, *by_limbs):
        after = cure(stage, flag, slid)
        settled = after is not None and all(_settled(stage, after, each) for each in slid)
        if after is not None and settled and not disturbed(stage.shot, after):
            return after
    return None


def _above(stage: Stage, contact: Planted) -> list[str]:
    return carriers(stage.shot, contact.limb.upper) if contact.limb is not None else []


def _overlap(a: tuple[int, int], b: tuple[int, int]) -> bool:
    return a[0] <= b[1] and b[0] <= a[1]


def _cured_above(stage: Stage, flag: Flag, slid: Sequence[Drift]) -> Shot | None:
    """The search's cure of the key that a flag names, where that key isn't the limb's own."""
    limb_of = {name for each in slid if each.contact.limb for name in each.contact.limb.chain}
    if flag.cause.channel is None or flag.cause.control in limb_of:
        return None
    from refine.changes import made
    from refine.prepared import Request
    from refine.suggest import proposed

    around = round(AROUND * stage.shot.fps)
    first = max(int(min(flag.cause.frames, default=flag.frames[0])) - around, stage.shot.first_frame)
    last = min(int(max(flag.cause.frames, default=flag.frames[1])) + around, stage.shot.last_frame)
    request = Request((first, last), (flag.cause.control,), pins=stage.locks.pins, camera=stage.camera)
    changes = proposed(stage.shot, request).changes
    return made(stage.shot, changes) if changes else None


def _put_back(stage: Stage, flag: Flag, slid: Sequence[Drift]) -> Shot | None:
    """The key that a flag names put back with its slopes, where only the slide tells that it was moved."""
    keys = put_back(stage, [flag.cause.control], [point for each in slid for point in each.points])
    return None if keys is None or keys.cause != flag.cause else keys.made(stage.shot)


def _by_carrier(stage: Stage, flag: Flag, slid: Sequence[Drift]) -> Shot | None:
    """What carries limbs that slide together moved back as a whole, by its translations: it did that, and not they.

    None where one limb slides alone, or they slide apart.
    """
    every = [(each.contact.frames, _led(stage, each.contact, each) - each.contact.path) for each in slid]
    limbs = [each.contact.limb for each in slid if each.contact.limb is not None]
    nearest = common(stage.shot, limbs) if len({limb.end for limb in limbs}) > 1 else None
    above = [] if nearest is None else [nearest, *carriers(stage.shot, nearest)]
    moves = [name for name in above if len(translations(stage, name)) == len(TRANSLATIONS)]
    if not moves:
        return None
    frames = np.arange(min(f[0] for f, _ in every), max(f[-1] for f, _ in every) + 1.0)
    total, count = np.zeros((len(frames), 3)), np.zeros((len(frames), 1))
    for own, by in every:
        at = (own - frames[0]).astype(np.intp)
        total[at] += by
        count[at] += 1
    mean = total / np.maximum(count, 1)
    size = float(np.linalg.norm(mean, axis=1).max())
    apart = [np.linalg.norm(by - mean[(own - frames[0]).astype(np.intp)], axis=1).max() for own, by in every]
    tolerance = LEFT * stage.thresholds[SLIDING]["warn_mm"] / MM / standing(stage).scale
    shift = shift_of(stage.shot, frames, mean, tolerance)
    if shift is None or max(apart) > ALIKE * size:
        return None
    return shifted(stage.shot, None, moves[0], shift, stage.locks, tolerance)


def _by_limbs(stage: Stage, flag: Flag, slid: Sequence[Drift]) -> Shot | None:
    shot: Shot | None = stage.shot
    tolerance = LEFT * stage.thresholds[SLIDING]["warn_mm"] / MM / standing(stage).scale
    for each in slid:
        if shot is None:
            return None
        contact = _core(stage, each.contact)
        others = [(other, _led(stage, other, each)) for other in _beside(each, contact)]
        shot = planted_again(shot, contact, _led(stage, contact, each), stage.locks, tolerance, others=others)
    return None if shot is stage.shot else shot


def _wanted(stage: Stage, contact: Planted) -> Array:
    """(k, 3): the anchor; of a contact that was only found the height stays, as it may roll."""
    if contact.marked:
        return contact.anchor
    places = contact.anchor.copy()
    up = "xyz".index(stage.shot.up)
    places[:, up] = contact.path[:, up]
    return places


def _led(stage: Stage, point: Planted, slid: Drift) -> Array:
    """(k, 3): where a point is wanted while it slides; beside that it goes over to where it is."""
    beside = np.abs(point.frames - np.clip(point.frames, *slid.whole)) / faded_over(stage.shot)
    rest = minimum_jerk(1.0 - beside)[:, None]
    return np.asarray(point.path + rest * (_wanted(stage, point) - point.path))


def _core(stage: Stage, contact: Planted) -> Planted:
    """A contact without the frames on which it begins and ends."""
    core = contact.core(margin(stage))
    return replace(contact, frames=contact.frames[core], path=contact.path[core], anchor=contact.anchor[core])


def _beside(slid: Drift, contact: Planted) -> list[Planted]:
    """What rests with a contact, on its frames."""
    within = [each.within(*contact.frames[[0, -1]]) for each in slid.beside]
    return [each for each in within if len(each.frames)]


def _settled(stage: Stage, after: Shot, slid: Drift) -> bool:
    """Whether a contact stays within the warning's threshold in a changed shot, and what rests with it does or is no
    farther off than it was."""
    limit = stage.thresholds[SLIDING]["warn_mm"] / MM / standing(stage).scale
    contact = _core(stage, slid.contact)
    if went(after, contact, _wanted(stage, contact)) > limit:
        return False
    beside = [(each, _wanted(stage, each)) for each in _beside(slid, contact)]
    return all(went(after, *each) <= max(limit, went(stage.shot, *each)) for each in beside)


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {SLIDING: mend_sliding}

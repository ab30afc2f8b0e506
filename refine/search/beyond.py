"""A strength above 1: what was mended on a control is smoothed too, unless that makes a fault anew."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from refine.cause import explain, verdicts
from refine.cure import smoothed
from refine.habit import HabitBook
from refine.measure import most_moved
from refine.motion import Unknown
from refine.search.keyed import near, suspected
from refine.search.work import Work
from refine.shot import Shot
from refine.slope_rules import units

BACK_OFF = (1.0, 0.5, 0.25, 0.1)  # shares of a smoothing that are tried until no key is at fault for it


def smooth(work: Work, control: str, touched: Sequence[str]) -> None:
    """Smooths the keyed channels among those that were touched, as far as no key is then at fault."""
    free = [unknown for name in touched for unknown in _free_unknowns(work, control, name)]
    if not free:
        return
    frames = work.posed.frames
    seen = [most_moved(work.shot, work.posed, work.given.view, control, name)[0] for name in touched]
    for share in BACK_OFF:
        result = smoothed(
            work.shot,
            control,
            tuple(free),
            1 + share * (work.request.strength - 1),
            frames,
            work.given.view,
            tuple(dict.fromkeys(point for point in seen if point is not None)),
            lambda name: work.locks.held(control, work.channel(control, name), frames),
            work.locks.breaks(control, frames),
        )
        if not _faulted_again(work, control, touched, result.shot):
            work.shot = result.shot
            work.residuals += result.residuals
            return
    why = f"smoothing it by a strength of {work.request.strength:g} would make keys look off that are right"
    work.reasons.append(f"{control} isn't smoothed further: {why}")
    work.untaken += [f"{control}.{name}: {why}" for name in touched]


def _free_unknowns(work: Work, control: str, name: str) -> list[Unknown]:
    """Value and slope of every key of the range that may move and doesn't reach into an accent."""
    channel = work.channel(control, name)
    if channel.keys is None or channel.keys.values.shape[1] > 1:
        return []
    suspect = suspected(work, control, channel, work.given.book)
    broke = work.given.book.strange_frames(control, name)  # before the mend
    searched = near(work.locks.searched(suspect.keys), suspect.keys, broke)
    local, unit = units(suspect.keys)
    own = work.given.book.settled(channel.keys).at
    first, last = work.locks.influence(suspect.keys)
    free: list[Unknown] = []
    for k in np.flatnonzero(searched).tolist():
        if k in suspect.blocked or work.locks.disturbs_accent(control, first[k], last[k]):
            continue
        free.append(Unknown(name, int(own[k]), "value", float(local[k])))
        if suspect.rules.ruled[k]:
            free.append(Unknown(name, int(own[k]), "slope", float(unit[k])))
    return free


def _faulted_again(work: Work, control: str, touched: Sequence[str], shot: Shot) -> bool:
    """Whether a second request would find fault with this result: a refined shot must be left alone."""
    book = HabitBook(shot, work.given.frames)
    for name in touched:
        channel = shot.channel(control, name)
        if channel.keys is None:
            continue
        suspect = suspected(work, control, channel, book)
        if any(v.clear for v in verdicts(explain(suspect, work.given.places), suspect.keys)):
            return True
    return False

"""Feet through the floor.

The floor is the lowest height at which a foot stays planted, by the artist's contact marks or else by its motion; 0
where no foot does. A floor that was only found is a guess, and so is a point of the foot that dips below it: then
only what is much deeper than the shot's other dips is flagged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from refine.flags.contacts import sliding
from refine.flags.flag import Cause, Flag, Severity
from refine.flags.slide import could_explain
from refine.flags.stage import Stage, runs
from refine.flags.standing import LEFT, MM, broken, carrying, floor, keys_near, planted_lows, standing, usual
from refine.limbs.limb import Limb
from refine.limbs.planted import Planted
from refine.limbs.planting import shift_of, shifted
from refine.pose import Point, pose, world_point
from refine.shot import Array, Shot
from refine.view import project

DEEP = 0.5  # of its depth that a mended foot may keep below the floor


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    slid = [each for _, drifts in sliding(stage) for each in drifts]
    threshold = stage.thresholds["through floor"]
    every = dips(stage)
    ground = floor(stage)
    limit = threshold.warn
    if not ground.marked:
        limit = max(limit, threshold["times"] * max(usual(_depths(stage, every)), unevenness(stage)))
    for dip in every:
        where = int(stage.frames[dip.at[0]]), int(stage.frames[dip.at[1]])
        said = any(
            each.contact.control == dip.limb.end and each.frames[0] <= where[1] and where[0] <= each.frames[1]
            for each in slid
        )
        if dip.mm < limit or dip.px < threshold["px"] or said or dip.limb.end not in stage.order:
            continue
        severity: Severity = "error" if dip.mm >= threshold.error / threshold.warn * limit else "warn"
        own = dip.point.control
        a, b = dip.at
        path = stage.world(dip.point)[a : b + 1]
        surface = path.copy()
        surface[:, "xyz".index(stage.shot.up)] = ground.height
        sunk = Planted(
            dip.point, stage.frames[a : b + 1], surface, path, dip.limb.end, ground.marked, dip.limb
        )
        strange = (broken(stage, [name], sunk) for name in carrying(stage, own))
        able = (each for each in strange if each is not None and could_explain(stage, each, [sunk]))
        cause = next(able, None) or Cause(dip.limb.upper, None, keys_near(stage, dip.limb.upper, where))
        message = f"{own} is {dip.mm:.0f} mm below the floor ({ground.source})"
        remedy = "raise the foot to the floor"
        ratio = dip.mm / limit
        yield Flag(
            "through floor", dip.limb.end, None, where, severity, dip.mm, "mm", cause, message, remedy, ratio
        )


@dataclass(frozen=True, slots=True, eq=False)
class Dip:
    """A stretch on which a foot is below the floor: the deepest of its points, mm and px, positions of its frames."""

    limb: Limb
    point: Point
    mm: float
    px: float
    at: tuple[int, int]


def unevenness(stage: Stage) -> float:
    """mm by which the heights at which feet stay planted differ: how well a floor that was only found is known."""
    lows = list(planted_lows(stage).values())
    return float(np.subtract(*np.percentile(lows, [80, 20]))) * standing(stage).scale * MM if lows else 0.0


def _depths(stage: Stage, every: list[Dip]) -> list[float]:
    """mm of all dips, and 0 for each contact without one: how deep feet usually are in this shot."""
    clear = [
        0.0
        for contact in standing(stage).contacts
        if not any(
            dip.limb == contact.limb
            and stage.frames[dip.at[0]] <= contact.frames[-1]
            and contact.frames[0] <= stage.frames[dip.at[1]]
            for dip in every
        )
    ]
    return [dip.mm for dip in every] + clear


def dips(stage: Stage) -> list[Dip]:
    """All stretches of all feet below the floor."""
    ground, scale, up = floor(stage), standing(stage).scale, "xyz".index(stage.shot.up)
    found = []
    for limb in (each for each in standing(stage).limbs if each.kind == "leg"):
        places = {point: stage.world(point) for point in limb.points}
        heights = np.stack([place[:, up] for place in places.values()])
        depth = (ground.height - heights) * scale * MM
        for a, b in runs(depth.max(axis=0) > 0.5 * stage.thresholds["through floor"].warn):
            part = depth[:, a : b + 1]
            which, when = np.unravel_index(int(np.argmax(part)), part.shape)
            point, at = limb.points[int(which)], a + int(when)
            if not stage.counts(point)[at]:
                continue
            above = places[point].copy()
            above[:, up] = ground.height
            px = np.linalg.norm((project(stage.view, above) - project(stage.view, places[point]))[at])
            found.append(Dip(limb, point, float(part.max()), float(px), (a, b)))
    return found


def mend_floor(stage: Stage, flag: Flag) -> Shot | None:
    """The foot raised by how far it is below the floor on each frame, by its leg; none for what keys above it did."""
    ground, scale, up = floor(stage), standing(stage).scale, "xyz".index(stage.shot.up)
    shot = stage.shot
    for dip in dips(stage):
        above = flag.cause.channel is not None and flag.cause.control not in dip.limb.chain
        if above or dip.limb.end != flag.control or int(stage.frames[dip.at[0]]) != flag.frames[0]:
            continue
        heights = np.stack([stage.world(point)[:, up] for point in dip.limb.points])
        depth = ground.height - heights.min(axis=0)
        # All that is below the floor comes up: keys that are in it by too little to be flagged shape the rest.
        a, b = next(span for span in runs(depth > 0) if span[0] <= dip.at[0] <= span[1])
        by = np.zeros((b - a + 1, 3))
        by[:, up] = depth[a : b + 1]
        tolerance = LEFT * stage.thresholds["through floor"].warn / MM / scale
        shift = shift_of(shot, stage.frames[a : b + 1], by, tolerance)
        if shift is None:
            return None
        after = shifted(shot, dip.limb, dip.limb.end, shift, stage.locks, tolerance)
        if after is None:
            return None
        deep = _depth(after, dip.limb, shift.frames, ground.height, up) * scale * MM
        return after if deep <= max(DEEP * dip.mm, stage.thresholds["through floor"].warn) else None
    return None


def _depth(shot: Shot, limb: Limb, frames: Array, height: float, up: int) -> float:
    posed = pose(shot, frames)
    return height - min(float(world_point(posed, shot, point)[:, up].min()) for point in limb.points)


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {"through floor": mend_floor}

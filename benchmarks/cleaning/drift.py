"""Feet that slide slowly while they stand, as a solver's hip and knee angles let them."""

from __future__ import annotations

import numpy as np

from benchmarks.cleaning.standing import standing
from benchmarks.cleaning.table import Table, table, with_table
from refine.limbs.limb import Limb
from refine.limbs.planted import runs
from refine.pose import Point, jacobian, pose, world_point
from refine.shot import ROTATIONS, Array, Shot

SLIDE = (20.0, 60.0)  # mm, from a plant's begin to its end
AWAY = 0.25  # s in which the slide is gone after a plant
STEPS = 6  # of Gauss-Newton
DAMPING = 0.02  # of the leg's length, on each step's turns in radians
# The same on the turns in all. A slide takes a hip 2 to 4 deg, but a straight leg that may turn as it likes is torn:
# its knee turns aside by 15 to 30 deg within a tenth of a second, and its toes go at 1 to 3 m/s while they stand.
DRAWN = 0.1


def drifted(shot: Shot, rng: np.random.Generator, scale: float) -> Shot:
    """The shot with hip and knee of each leg turned so that the ankle slides while the foot stands."""
    found = standing(shot)
    for limb in (limb for limb in found.limbs if limb.kind == "leg"):
        stands = np.zeros(len(shot.frames), np.bool_)
        for contact in found.contacts:
            if contact.control == limb.end:
                stands[contact.frames.astype(np.intp) - shot.first_frame] = True
        ankle = Point(limb.end, shot.control(limb.end).pivot)
        shot = led(shot, limb, ankle, slides(runs(stands), shot, rng) / 1000 / scale, DRAWN)
    return shot


def slides(spans: list[tuple[int, int]], shot: Shot, rng: np.random.Generator) -> Array:
    """(N, 3) mm: a half cosine up to a level vector of SLIDE in each span, then back, as far as the next lets it."""
    path = np.zeros((len(shot.frames), 3))
    level = [axis for axis in range(3) if axis != "xyz".index(shot.up)]
    whole = round(AWAY * shot.fps)
    ends = [a for a, _ in spans[1:]] + [len(path)]
    for (a, b), end in zip(spans, ends, strict=True):
        size, angle = rng.uniform(*SLIDE), rng.uniform(0, 2 * np.pi)
        away = max(min(whole, end - b), 1)
        at = np.arange(a, min(b + away, len(path) - 1) + 1)
        rise = 0.5 - 0.5 * np.cos(np.pi * np.clip((at - a) / max(b - a, 1), 0, 1))
        fall = 0.5 + 0.5 * np.cos(np.pi * np.clip((at - b) / away, 0, 1))
        path[np.ix_(at, np.array(level))] += (
            (rise * fall)[:, None] * size * np.array([np.cos(angle), np.sin(angle)])
        )
    return path


def led(shot: Shot, limb: Limb, point: Point, by: Array, drawn: float = 0.0) -> Shot:
    """Hip and knee turned, on the frames (N, 3) that move, until a point of the foot is where it was plus `by`.

    `drawn`: the share of the leg's length by which it may rather miss that than turn by a radian.
    """
    at = np.flatnonzero(np.any(by != 0, axis=1))
    if not len(at):
        return shot
    whole = table(shot)
    piece, by = with_table(shot, whole.values[at]), by[at]  # the frames that move, as a shot of their own
    goal = world_point(pose(piece, piece.frames), piece, point) + by
    turned = _turned(whole, limb)
    radian = (limb.length * np.pi / 180) ** 2
    small = np.eye(len(turned)) * (DAMPING**2 + drawn**2) * radian
    values = whole.values[at]
    before = values[:, turned].copy()
    for _ in range(STEPS):
        posed = pose(piece, piece.frames)
        miss = goal - world_point(posed, piece, point)
        slopes = [jacobian(piece, posed, *whole.owners[c], [point])[0, :, :, 0] for c in turned]
        j = np.stack(slopes, axis=-1)  # (k, 3, turned)
        jt = np.swapaxes(j, 1, 2)
        pull = jt @ miss[..., None] - drawn**2 * radian * (values[:, turned] - before)[..., None]
        values[:, turned] += np.linalg.solve(jt @ j + small, pull)[..., 0]
        piece = with_table(piece, values)
    moved = whole.values.copy()
    moved[at] = values
    return with_table(shot, moved)


def _turned(columns: Table, limb: Limb) -> list[int]:
    wanted = (limb.upper, limb.lower)
    return [i for i, (c, ch) in enumerate(columns.owners) if c in wanted and ch in ROTATIONS]

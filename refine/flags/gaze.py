"""Where the eyes look: off the target that the shot names, or apart from each other.

How a look is measured stands in `sight`, how it is mended in `aim`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from refine.flags.aim import retargeted, together
from refine.flags.flag import Cause, Flag
from refine.flags.sight import (
    EYES,
    FIXATION,
    common,
    degrees,
    errors,
    fixations,
    key_frames,
    looking,
    unit,
    wanted,
)
from refine.flags.stage import SMALL, Stage, runs
from refine.pose import Point
from refine.shot import Array, Gaze, Shot
from refine.view import visible

OFF, APART = "gaze off target", "eyes diverge"


def find(stage: Stage) -> Iterator[Flag]:
    """All findings about gazes, in no order."""
    for gaze in stage.shot.gazes:
        if gaze.control in stage.order:
            yield from _off_target(stage, gaze)
    eyes = [name for name in stage.order if stage.control(name).part in EYES]
    for one, other in combinations(eyes, 2):
        if stage.control(one).parent == stage.control(other).parent:
            yield from _apart(stage, one, other)


# --- off the target ------------------------------------------------------------------------------------------------


def _off_target(stage: Stage, gaze: Gaze) -> Iterator[Flag]:
    g = looking(stage, gaze.control)
    inside = (stage.frames >= gaze.frames[0]) & (stage.frames <= gaze.frames[1])
    if g is None or not inside.any():
        return
    at = np.flatnonzero(inside)
    error = errors(g[at], wanted(stage, gaze, gaze.control)[at])
    seen = _seen(stage, gaze.control)[at]
    threshold, target = stage.thresholds[OFF], gaze.target or "its target"
    for a, b, middle in fixations(error, stage.shot.fps):
        amount = float(np.linalg.norm(middle))
        severity = threshold.severity(amount)
        if severity is None or np.mean(seen[a : b + 1]) < 0.5:
            continue
        where = int(stage.frames[at[a]]), int(stage.frames[at[b]])
        cause = Cause(gaze.control, None, key_frames(stage, gaze.control, where))
        message = f"looks {amount:.1f} deg past {target} for {b - a + 1} frames"
        remedy = "turn the whole look onto the target, its darts with it"
        ratio = threshold.ratio(amount) * stage.attention(gaze.control)
        yield Flag(OFF, gaze.control, None, where, severity, amount, "deg", cause, message, remedy, ratio)


def _seen(stage: Stage, name: str) -> NDArray[np.bool_]:
    """(N,) frames on which an eye is in the image and large enough: it or its head, as it may point at the camera."""
    control = stage.control(name)
    size = stage.size(name)
    size = size if control.parent is None else np.maximum(size, stage.size(control.parent))
    return visible(stage.view, stage.world(Point(name, control.pivot))) & (size >= SMALL)


# --- apart from each other ------------------------------------------------------------------------------------------


def _apart(stage: Stage, one: str, other: str) -> Iterator[Flag]:
    error = _vergence_error(stage, one, other)
    if error is None:
        return
    threshold, fps = stage.thresholds[APART], stage.shot.fps
    outward, inward = error < 0, error >= 0
    seen = _seen(stage, one)
    for side, words in ((outward, "outward"), (inward, "inward")):
        ease = 1.0 if words == "outward" else threshold["inward"]
        for a, b in runs(side & (np.abs(error) >= ease * threshold.warn) & seen):
            amount = float(np.median(np.abs(error[a : b + 1])))
            severity = threshold.severity(amount / ease)
            if severity is None or b - a + 1 < max(2.0, FIXATION * fps):
                continue
            where = int(stage.frames[a]), int(stage.frames[b])
            cause = Cause(one, None, key_frames(stage, one, where) or key_frames(stage, other, where))
            message = f"{one} and {other} turn {amount:.1f} deg {words} of where they should meet"
            ratio = threshold.ratio(amount / ease) * stage.attention(one)
            remedy = "turn both eyes together onto one point"
            yield Flag(APART, one, None, where, severity, amount, "deg", cause, message, remedy, ratio)


def _vergence_error(stage: Stage, one: str, other: str) -> Array | None:
    """(N,) degrees of vergence beyond what the target asks for; negative: outward.

    Without a target only looking outward of parallel is wrong: how near the thing is that both look at isn't known.
    """
    g1, g2 = looking(stage, one), looking(stage, other)
    if g1 is None or g2 is None:
        return None
    normal = _normal(stage, one, other, g1 + g2)
    own = _vergence(g1, g2, normal)
    error = np.minimum(own, 0.0)
    for gaze, frames in common(stage, one, other):
        asked = _vergence(wanted(stage, gaze, one), wanted(stage, gaze, other), normal)
        error = np.where(frames, own - asked, error)
    return error


def _normal(stage: Stage, one: str, other: str, ahead: Array) -> Array:
    places = [stage.world(Point(name, stage.control(name).pivot)) for name in (one, other)]
    return unit(np.cross(places[1] - places[0], ahead))


def _vergence(g1: Array, g2: Array, normal: Array) -> Array:
    return degrees(np.sum(np.cross(g1, g2) * normal, axis=1), np.sum(g1 * g2, axis=1))


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {OFF: retargeted, APART: together}

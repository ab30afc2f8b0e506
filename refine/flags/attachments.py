"""Attachments that pop: a control that jumps against what it is attached to from one frame to the next."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage, runs
from refine.flags.standing import keys_near
from refine.pose import Point
from refine.shot import Array, Shot
from refine.view import project


def find(stage: Stage) -> Iterator[Flag]:
    """One-frame jumps of a control against what it is attached to, within a contact."""
    threshold = stage.thresholds["attachment pop"]
    for name in stage.order:
        control = stage.control(name)
        for link in control.links:
            if link.kind != "attachment":
                continue
            inside = stage.marked(name, "contact") | stage.marked(link.to, "contact")
            jump = _jumps(stage, Point(name, control.pivot), link.to)
            jump[~(inside[1:] & inside[:-1]) | ~stage.counts(Point(name, control.pivot))[1:]] = 0.0
            jump[stage.marked(name, "cut", around=1)[1:]] = 0.0
            for a, b in runs(jump > threshold.warn):
                k = a + int(np.argmax(jump[a : b + 1]))
                frames = int(stage.frames[k]), int(stage.frames[k + 1])
                severity = threshold.severity(float(jump[k]))
                assert severity is not None
                yield Flag(
                    "attachment pop",
                    name,
                    None,
                    frames,
                    severity,
                    float(jump[k]),
                    "px",
                    Cause(name, None, keys_near(stage, name, frames)),
                    f"{name} jumps by {jump[k]:.1f} px against {link.to} from {frames[0]} to {frames[1]}",
                    f"let it keep its place on {link.to} across the change",
                    threshold.ratio(float(jump[k])) * stage.attention(name),
                )


def _jumps(stage: Stage, point: Point, target: str) -> Array:
    """(N - 1,) px by which a point moves against a target from frame to frame, beyond what it does beside."""
    i = stage.control_at[target]
    linear, origin = stage.posed.linear[i], stage.posed.origin[i]
    local = (np.linalg.pinv(linear) @ (stage.world(point) - origin)[..., None])[..., 0]
    carried = (linear[1:] @ local[:-1, :, None])[..., 0] + origin[1:]
    every = np.concatenate([stage.world(point)[:1], carried])
    step = np.linalg.norm(project(stage.view, every) - stage.screen(point), axis=1)[1:]
    if not len(step):
        return np.asarray(step)
    padded = np.pad(step, 2, mode="edge")
    around = np.max([padded[i : i + len(step)] for i in (0, 1, 3, 4)], axis=0)
    return np.asarray(np.maximum(step - 2.0 * around, 0.0))


# Which side of a jump is the right one only the artist knows, so there is no mend.
MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {}

"""Attachments that pop: a control that jumps against what it is attached to from one frame to the next.

Which side of the jump is the right one only the artist knows. The mend shifts the side that is less work, as a whole
and in the space of what it is attached to, so that it keeps its place there across the change: up to the next jump or
the end of the shot, or dying away before it parts from what holds it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.errors import NoSolution
from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage, runs
from refine.flags.standing import keys_near
from refine.flags.translated import in_translations, translations
from refine.limbs.limb import end_points
from refine.limbs.planting import minimum_jerk
from refine.pinned import concerning, pinned_keys, within
from refine.pose import Point
from refine.shot import Array, Channel, Shot, frozen
from refine.view import project

FADE = 1 / 3  # [judge] s in which a shift dies away before a control parts from what holds it
STILL = (
    0.25  # [judge] px a frame at LINES lines, under which a control goes along without a mark that says so
)
LINES = 1080


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


def _steps(stage: Stage, point: Point, target: str) -> Array:
    """(N - 1,) px by which a point moves against a target from frame to frame."""
    i = stage.control_at[target]
    carried = _carry(stage, i, _local(stage, point, target)[:-1])
    every = np.concatenate([stage.world(point)[:1], carried])
    return np.asarray(np.linalg.norm(project(stage.view, every) - stage.screen(point), axis=1)[1:])


def _carry(stage: Stage, i: int, local: Array) -> Array:
    """(N - 1, 3) places in the space of control i a frame later in the world."""
    moved: Array = (stage.posed.linear[i][1:] @ local[:, :, None])[..., 0]
    return np.asarray(moved + stage.posed.origin[i][1:])


def _local(stage: Stage, point: Point, target: str) -> Array:
    """(N, 3) places of a point in the space of a target."""
    i = stage.control_at[target]
    away = stage.world(point) - stage.posed.origin[i]
    return np.asarray((np.linalg.pinv(stage.posed.linear[i]) @ away[..., None])[..., 0])


def _jumps(stage: Stage, point: Point, target: str) -> Array:
    """(N - 1,) px by which a point moves against a target from frame to frame, beyond what it does beside."""
    step = _steps(stage, point, target)
    if not len(step):
        return step
    padded = np.pad(step, 2, mode="edge")
    around = np.max([padded[i : i + len(step)] for i in (0, 1, 3, 4)], axis=0)
    return np.asarray(np.maximum(step - 2.0 * around, 0.0))


# --- the mend ----------------------------------------------------------------------------------------------


def across(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a control keeps its place across a change: the side that is less work shifted, then the other.

    A side that it keeps to the end of the shot or to another jump goes before one in which the shift has to die away.
    """
    k = int(np.searchsorted(stage.frames, flag.frames[0]))
    point = Point(flag.control, stage.control(flag.control).pivot)
    links = [link.to for link in stage.control(flag.control).links if link.kind == "attachment"]
    target = max(links, key=lambda to: float(_jumps(stage, point, to)[k]))
    jump = stage.posed.linear[stage.control_at[target], k] @ np.diff(_local(stage, point, target), axis=0)[k]
    if np.linalg.norm(jump) > max(_extent(stage, name, k) for name in (target, flag.control)):
        raise NoSolution(
            f"it jumps farther than {target} is large, so nobody holds it there: a hand-over that is meant "
            "wants a cut, or a link to who takes it"
        )
    found = [_shifted(stage, flag.control, target, k, after) for after in (True, False)]
    sides = sorted((side for side in found if side is not None), key=lambda side: side[:2])
    return iter([shot for _, _, shot in sides])


def _extent(stage: Stage, name: str, k: int) -> float:
    """How far what hangs on a control reaches from its pivot, shot units; of an end without a tip its bone."""
    places = [stage.world(point)[k] for point in end_points(stage.shot, name)]
    reach = max(float(np.linalg.norm(place - places[0])) for place in places)
    parent = stage.control(name).parent
    if reach > 0 or parent is None:
        return reach
    return float(np.linalg.norm(places[0] - stage.world(Point(parent, stage.control(parent).pivot))[k]))


def _shifted(stage: Stage, name: str, target: str, k: int, after: bool) -> tuple[bool, int, Shot] | None:
    """Of one side of a jump whether its shift dies away, how many numbers it changes, and the shot then.

    None where something holds them, or where the control parts from the target too soon.
    """
    if not translations(stage, name):
        return None
    point = Point(name, stage.control(name).pivot)
    span = _side(stage, point, target, k, after)
    weight = _weight(stage, span, after)
    if weight is None:
        return None
    local = _local(stage, point, target)
    step = np.diff(local, axis=0)
    usual = step[[n for n in (k - 1, k + 1) if 0 <= n < len(step)]].mean(axis=0) if len(step) > 1 else 0.0
    by = (usual - step[k]) * (1.0 if after else -1.0)
    linear = stage.posed.linear[stage.control_at[target]]
    asked = in_translations(stage, name, weight[:, None] * (linear @ by), 0)
    shot, count = stage.shot, 0
    for channel, wanted in zip(translations(stage, name), asked.T, strict=True):
        changed = _moved(stage, name, channel, wanted, weight > 0)
        if changed is None or not within(channel, changed[1]):
            return None
        count, shot = count + changed[0], shot.with_channel(name, changed[1])
    return span[2], count, shot


def _side(stage: Stage, point: Point, target: str, k: int, after: bool) -> tuple[int, int, bool]:
    """First and last position of one side of a jump, and whether the control parts from the target at its far end."""
    jump, step = _jumps(stage, point, target), _steps(stage, point, target)
    marked = stage.marked(point.control, "contact") | stage.marked(target, "contact")
    held = (marked[1:] & marked[:-1]) | (step <= STILL * stage.view.height / LINES)
    ends = ~held | (jump > stage.thresholds["attachment pop"].warn)
    if after:
        far = np.flatnonzero(ends[k + 1 :])
        last = k + 1 + int(far[0]) if len(far) else len(stage.frames) - 1
        return k + 1, last, bool(len(far)) and not held[last]
    far = np.flatnonzero(ends[:k])
    first = int(far[-1]) + 1 if len(far) else 0
    return first, k, bool(len(far)) and not held[first - 1]


def _weight(stage: Stage, span: tuple[int, int, bool], after: bool) -> Array | None:
    """(N,) how much of a shift each frame takes; None where there is no time for it to die away."""
    first, last, parts = span
    at = np.arange(len(stage.frames))
    inside = (at >= first) & (at <= last)
    if not parts:
        return inside.astype(float)
    fade = FADE * stage.shot.fps
    if last - first + 1 < fade:
        return None
    return np.where(inside, minimum_jerk((last + 1 - at if after else at - first + 1) / fade), 0.0)


def _moved(
    stage: Stage, name: str, channel: Channel, wanted: Array, inside: NDArray[np.bool_]
) -> tuple[int, Channel] | None:
    """How many numbers of a channel change, and the channel then; None where a pin or an accent holds one of them."""
    moved = stage.frames[inside & (wanted != 0)]
    if not len(moved):
        return 0, channel
    accents = [span for _, span in stage.locks.kept_samples(name)]
    if channel.samples is not None:
        spans = accents + [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
        if any(np.any((moved > a - 1) & (moved < b + 1)) for a, b in spans):
            return None
        samples = channel.samples.copy()
        samples[stage.frames.astype(np.intp) - stage.shot.first_frame, 0] += wanted
        return len(moved), replace(channel, samples=frozen(samples))
    keys = channel.keys
    assert keys is not None
    own = (keys.frames > moved[0] - 1) & (keys.frames < moved[-1] + 1)
    held = pinned_keys(stage.locks.pins, name, channel.name, keys)
    for a, b in accents:
        held |= (keys.frames >= a) & (keys.frames <= b)
    if np.any(own & held):
        return None
    # What turns with the target turns the shift as well: slopes follow how it changes on its own side of the jump.
    side = slice(int(np.argmax(inside)), len(inside) - int(np.argmax(inside[::-1])))
    rate = np.gradient(wanted[side]) if side.stop - side.start > 1 else np.zeros(1)
    by, turn = (np.interp(keys.frames, stage.frames[side], each) for each in (wanted[side], rate))
    by, turn = (np.where(own, each, 0.0)[:, None] for each in (by, turn))
    return int(own.sum()), replace(
        channel,
        keys=keys.changed(
            values=keys.values + by, incoming=keys.incoming + turn, outgoing=keys.outgoing + turn
        ),
    )


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {"attachment pop": across}

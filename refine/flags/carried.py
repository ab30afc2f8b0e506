"""Controls that go along with what holds them, and where one jumps out of its place there: pops.

Held is what has an attachment link, and what a parent carries that it otherwise keeps its place on. A link says what
may hold it, a contact mark when. Without a mark a jump counts if it is the control's own, and of a carried one if it
comes back at once: else it may have been given another place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from refine.flags.stage import Stage, kept, runs
from refine.pose import Point
from refine.shot import TRANSLATIONS, Array, Channel
from refine.view import project

FAULT = "attachment pop"
STILL = 0.25  # [judge] px a frame at LINES lines, under which a control goes along whatever marks say
LINES = 1080
AROUND = 8  # frames to each side whose steps are usual [judge]
KEEPS = 0.9  # of the frames in which a carried control keeps its place, if it is held [judge]
BACK = 0.25  # s within which it is back where it was [judge]
AGAIN = 0.1  # of its jump that a control may be off its place when it is back [judge]
CLEARLY = 2.0  # times as much: a hand that punches breaks its own path too [judge]
MOVES_BY_ITSELF = ("eyes", "face")


@dataclass(frozen=True, slots=True)
class Pop:
    """A jump of a control against what holds it, from position k to the next, in px.

    `marked`: a contact says that it is held there; `own`: it jumps itself, and not what holds it.
    """

    control: str
    target: str
    k: int
    px: float
    marked: bool
    own: bool


def pops(stage: Stage, name: str) -> tuple[Pop, ...]:
    """The jumps of a control that can be seen, in order of what holds it."""
    known = _known(stage)
    if name not in known:
        known[name] = tuple(_found(stage, name))
    return known[name]


@kept
def _known(stage: Stage) -> dict[str, tuple[Pop, ...]]:
    """The pops of the controls that were asked for so far."""
    return {}


def _found(stage: Stage, name: str) -> Iterator[Pop]:
    control = stage.control(name)
    linked = links(stage, name)
    point, least = Point(name, control.pivot), stage.thresholds[FAULT].warn
    for target in linked or _carriers(stage, name):
        jump = jumps(stage, point, target)
        jump[~stage.counts(point)[1:] | stage.marked(name, "cut", around=1)[1:]] = 0.0
        touching = stage.marked(name, "contact") | stage.marked(target, "contact")
        guess = not touching.any()  # else marks say when it is held
        for a, b in runs(jump > least):
            k = a + int(np.argmax(jump[a : b + 1]))
            marked = bool(touching[k : k + 2].all())
            own = _jumps_itself(stage, point, target, k, CLEARLY if marked else 1.0)
            if marked or (guess and own and (linked or _comes_back(stage, point, target, k, jump > least))):
                yield Pop(name, target, k, float(jump[k]), marked, own)


def _carriers(stage: Stage, name: str) -> list[str]:
    """The parent of a control that could move on it and keeps its place there."""
    control = stage.control(name)
    moves = any(c.name in TRANSLATIONS and _changes(c) for c in control.channels)
    if control.parent is None or control.part in MOVES_BY_ITSELF or not moves:
        return []
    step = steps(stage, Point(name, control.pivot), control.parent)
    return [control.parent] if len(step) and np.mean(step <= _still(stage)) >= KEEPS else []


def _changes(channel: Channel) -> bool:
    values = channel.samples if channel.keys is None else channel.keys.values
    return values is not None and bool(np.ptp(values, axis=0).any())


def _comes_back(stage: Stage, point: Point, target: str, k: int, far: NDArray[np.bool_]) -> bool:
    """Whether a control that jumps is at once back where it was, or was where it is now just before."""
    places, reach = local(stage, point, target), round(BACK * stage.shot.fps)
    near = [j for j in np.flatnonzero(far).tolist() if 0 < abs(j - k) <= reach]
    size = float(np.linalg.norm(places[k + 1] - places[k]))
    pairs = [(places[min(j, k)], places[max(j, k) + 1]) for j in near]
    return any(float(np.linalg.norm(after - before)) <= AGAIN * size for before, after in pairs)


def _jumps_itself(stage: Stage, point: Point, target: str, k: int, times: float) -> bool:
    """Whether what holds a control breaks its path between positions k and k + 1 less than so many times as much."""
    at = np.clip(np.arange(k - 1, k + 3), 0, len(stage.frames) - 1)
    i, place = stage.control_at[target], local(stage, point, target)[k]
    carried = stage.world(point)
    carried[at] = stage.posed.linear[i][at] @ place + stage.posed.origin[i][at]
    own, other = (_break(project(stage.view, path)[at]) for path in (stage.world(point), carried))
    return times * own > other


def _break(path: Array) -> float:
    """By how much the middle step of four frames (4, 2) differs from those beside it."""
    before, here, after = np.diff(path, axis=0)
    return float(np.linalg.norm(here - (before + after) / 2))


def links(stage: Stage, name: str) -> list[str]:
    """What a control is attached to."""
    return [link.to for link in stage.control(name).links if link.kind == "attachment"]


def moved_along(stage: Stage, name: str, frames: tuple[int, int]) -> bool:
    """Whether a control is attached to what carries it along on some frames and those beside them."""
    at = slice(max(frames[0] - 1 - stage.range[0], 0), frames[1] + 1 - stage.range[0])
    point = Point(name, stage.control(name).pivot)
    return any(
        np.mean(goes_along(stage, steps(stage, point, target)[at])) >= KEEPS for target in links(stage, name)
    )


# --- how it goes along -------------------------------------------------------------------------------------


def goes_along(stage: Stage, step: Array) -> NDArray[np.bool_]:
    """Where a control's steps against what holds it can hardly be seen."""
    return np.asarray(step <= _still(stage))


def _still(stage: Stage) -> float:
    return STILL * stage.view.height / LINES


def steps(stage: Stage, point: Point, target: str) -> Array:
    """(N - 1,) px by which a point moves against a target from frame to frame."""
    i = stage.control_at[target]
    carried = _carry(stage, i, local(stage, point, target)[:-1])
    every = np.concatenate([stage.world(point)[:1], carried])
    return np.asarray(np.linalg.norm(project(stage.view, every) - stage.screen(point), axis=1)[1:])


def _carry(stage: Stage, i: int, places: Array) -> Array:
    """(N - 1, 3) places in the space of control i a frame later in the world."""
    moved: Array = (stage.posed.linear[i][1:] @ places[:, :, None])[..., 0]
    return np.asarray(moved + stage.posed.origin[i][1:])


def local(stage: Stage, point: Point, target: str) -> Array:
    """(N, 3) places of a point in the space of a target."""
    i = stage.control_at[target]
    away = stage.world(point) - stage.posed.origin[i]
    return np.asarray((np.linalg.pinv(stage.posed.linear[i]) @ away[..., None])[..., 0])


def jumps(stage: Stage, point: Point, target: str) -> Array:
    """(N - 1,) px by which a point moves against a target from frame to frame, beyond what it does beside.

    Two frames away it may be back where it was: there the smaller of both steps counts. Noise makes such steps all the
    time.
    """
    step = steps(stage, point, target)
    if not len(step):
        return step
    padded, count = np.pad(step, 2, mode="edge"), len(step)
    before, last, after, next_ = (padded[i : i + count] for i in (0, 1, 4, 3))
    beside = np.maximum(np.maximum(last, next_), np.minimum(before, after))
    wide = np.pad(step, AROUND, mode="edge")
    usual = np.median(sliding_window_view(wide, 2 * AROUND + 1), axis=1)
    return np.asarray(np.maximum(step - 2.0 * np.maximum(beside, 2.0 * usual), 0.0))

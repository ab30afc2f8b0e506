"""Attachments that pop: a control that jumps against what it is attached to from one frame to the next.

Which side of the jump is the right one only the artist knows. The mend shifts the shorter side, as a whole and in the
space of what it is attached to, so that it keeps its place there across the change: up to the next jump or
the end of the shot, or dying away before it parts from what holds it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from refine.errors import NoSolution
from refine.flags.carried import FAULT, goes_along, jumps, local, pops, steps
from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage
from refine.flags.standing import keys_near
from refine.flags.translated import in_translations, translations
from refine.limbs.limb import end_points
from refine.limbs.planting import minimum_jerk
from refine.pinned import concerning, pinned_keys, within
from refine.pose import Point
from refine.shot import Array, Channel, Shot, frozen

FADE = 1 / 3  # [judge] s in which a shift dies away before a control parts from what holds it
SOON = 1.0  # [judge] s within which a jump and the one back are one fault
ALIKE = 0.5  # [judge] of a jump that the jump back may differ from it by


def find(stage: Stage) -> Iterator[Flag]:
    """One-frame jumps of a control against what holds it. Where no mark says that it does, it is a guess."""
    threshold = stage.thresholds[FAULT]
    for name in stage.order:
        for pop in pops(stage, name):
            frames = int(stage.frames[pop.k]), int(stage.frames[pop.k + 1])
            severity = threshold.severity(pop.px)
            assert severity is not None
            message = f"{name} jumps by {pop.px:.1f} px against {pop.target} from {frames[0]} to {frames[1]}"
            cause = name if pop.own else pop.target
            yield Flag(
                FAULT,
                name,
                None,
                frames,
                severity if pop.marked else "warn",
                pop.px,
                "px",
                Cause(cause, None, keys_near(stage, cause, frames)),
                message if pop.own else f"{message}, as {pop.target} jumps",
                f"let it keep its place on {pop.target} across the change"
                if pop.own
                else f"look at {pop.target} first",
                threshold.ratio(pop.px) * stage.attention(name),
            )


# --- the mend ----------------------------------------------------------------------------------------------


def across(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a control keeps its place across a change: the shorter side shifted, then the other.

    A side that it keeps to the end of the shot or to another jump goes before one in which the shift has to die away.
    """
    k = int(np.searchsorted(stage.frames, flag.frames[0]))
    # Another mend may have moved it by a frame, or taken it away.
    near = [pop for pop in pops(stage, flag.control) if abs(pop.k - k) <= 1]
    if not near:
        return iter(())
    pop = max(near, key=lambda p: (p.k == k, p.px))
    k = pop.k
    if not pop.own:
        raise NoSolution(f"it is {pop.target} that jumps: mend that first")
    point, target = Point(flag.control, stage.control(flag.control).pivot), pop.target
    jump = stage.posed.linear[stage.control_at[target], k] @ np.diff(local(stage, point, target), axis=0)[k]
    if np.linalg.norm(jump) > max(_extent(stage, name, k) for name in (target, flag.control)):
        raise NoSolution(
            f"it jumps farther than {target} is large, so nobody holds it there: a hand-over that is meant "
            "wants a cut, or a link to who takes it"
        )
    ways = product((True, False), (True, False))
    found = [_shifted(stage, flag.control, target, k, after, turning) for after, turning in ways]
    sides = sorted((side for side in found if side is not None), key=lambda side: side[:3])
    return iter([shot for *_, shot in sides])


def _extent(stage: Stage, name: str, k: int) -> float:
    """How far what hangs on a control reaches from its pivot, shot units; of an end without a tip its bone."""
    places = [stage.world(point)[k] for point in end_points(stage.shot, name)]
    reach = max(float(np.linalg.norm(place - places[0])) for place in places)
    parent = stage.control(name).parent
    if reach > 0 or parent is None:
        return reach
    return float(np.linalg.norm(places[0] - stage.world(Point(parent, stage.control(parent).pivot))[k]))


def _shifted(
    stage: Stage, name: str, target: str, k: int, after: bool, turning: bool
) -> tuple[bool, int, float, Shot] | None:
    """Of one side of a jump whether its shift dies away, how many frames it has, how far from its place on the other
    side the control is on these then (mean square), and the shot.

    The shift turns with the target, or keeps its direction in the world, as of what two hands hold. None where
    something holds what it moves, or where the control parts from the target too soon.
    """
    if not translations(stage, name):
        return None
    point = Point(name, stage.control(name).pivot)
    span = _side(stage, point, target, k, after)
    places = local(stage, point, target)
    by = _shift(stage, places, k, span)
    if by is None:
        return None
    inside, linear = np.any(by != 0, axis=1), stage.posed.linear[stage.control_at[target]]
    turned = (linear @ by[:, :, None])[..., 0]
    if not turning:
        turned = _straight(turned, by, span)
    there = places[k if after else k + 1]
    off = (np.linalg.pinv(linear) @ turned[:, :, None])[..., 0] + places - there
    asked = in_translations(stage, name, turned, 0)
    shot = stage.shot
    for channel, wanted in zip(translations(stage, name), asked.T, strict=True):
        changed = _moved(stage, name, channel, wanted, inside)
        if changed is None or not within(channel, changed):
            return None
        shot = shot.with_channel(name, changed)
    return span.parts, span.last - span.first + 1, float(np.mean(np.sum(off[inside] ** 2, axis=1))), shot


def _straight(turned: Array, by: Array, side: _Side) -> Array:
    """(N, 3) a shift in the world that goes from what `turned` (N, 3) has at one end of a side straight to the other.

    As much of it on each frame as `by` (N, 3) has of its own; where only one end has to be met it is that one.
    """
    near, far = (side.first, side.last) if side.after else (side.last, side.first)
    at = np.arange(len(turned))
    share = np.clip(np.abs(at - near) / max(abs(far - near), 1), 0.0, 1.0)[:, None]
    if side.pop is None:
        size = np.linalg.norm(by, axis=1, keepdims=True) / np.linalg.norm(by[near])
        return np.asarray(size * turned[near])
    way = turned[near] + share * (turned[far] - turned[near])
    return np.where((at >= side.first)[:, None] & (at <= side.last)[:, None], way, 0.0)


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of a jump, from its first position to its last: what comes `after` it, or what was before.

    At its far end the control parts from its target, or jumps again from position `pop` to the next.
    """

    first: int
    last: int
    after: bool
    parts: bool
    pop: int | None


def _side(stage: Stage, point: Point, target: str, k: int, after: bool) -> _Side:
    """The side of the jump from position k to the next."""
    jump, step = jumps(stage, point, target), steps(stage, point, target)
    marked = stage.marked(point.control, "contact") | stage.marked(target, "contact")
    pop = jump > stage.thresholds[FAULT].warn
    held = (marked[1:] & marked[:-1]) | goes_along(stage, step)
    # What soon jumps back is where it was between: whatever it does there, the hand doesn't leave it.
    soon = round(SOON * stage.shot.fps)
    between = pop[k + 1 : k + 1 + soon] if after else pop[max(k - soon, 0) : k]
    if between.any():
        held[k + 1 : k + 1 + soon] |= after
        held[max(k - soon, 0) : k] |= not after
    far = np.flatnonzero((~held | pop)[k + 1 :] if after else (~held | pop)[:k])
    if not len(far):
        return _Side(*((k + 1, len(step)) if after else (0, k)), after, False, None)
    end = k + 1 + int(far[0]) if after else int(far[-1])
    first, last = (k + 1, end) if after else (end + 1, k)
    return _Side(first, last, after, not (held[end] or pop[end]), end if pop[end] else None)


def _shift(stage: Stage, places: Array, k: int, side: _Side) -> Array | None:
    """(N, 3) by how much a side of the jump after position k is shifted, in the space of what holds it, where it has
    `places` (N, 3).

    Where that ends with the jump back, both ends are closed. None where there is no time for the shift to die away.
    """
    at = np.arange(len(places))
    inside = (at >= side.first) & (at <= side.last)
    by, fade = _missing(places, k, side.after), FADE * stage.shot.fps
    weight: Array = np.ones(len(places))
    if side.parts:
        if side.last - side.first + 1 < fade:
            return None
        weight = minimum_jerk((side.last + 1 - at if side.after else at - side.first + 1) / fade)
    shift = weight[:, None] * by
    if side.pop is not None:
        back = _missing(places, side.pop, not side.after)
        if np.linalg.norm(back - by) <= ALIKE * np.linalg.norm(by):
            share = (at - side.first if side.after else side.last - at) / max(side.last - side.first, 1)
            shift = by + share[:, None] * (back - by)
    return np.where(inside[:, None], shift, 0.0)


def _missing(places: Array, k: int, after: bool) -> Array:
    """(3,) by how much what comes after the jump from position k to the next, or was before, has to be shifted."""
    step = np.diff(places, axis=0)
    beside = step[[n for n in (k - 1, k + 1) if 0 <= n < len(step)]]
    usual = beside.mean(axis=0) if len(beside) else 0.0
    return np.asarray((usual - step[k]) * (1.0 if after else -1.0))


def _moved(
    stage: Stage, name: str, channel: Channel, wanted: Array, inside: NDArray[np.bool_]
) -> Channel | None:
    """The channel with what is wanted of its frames inside; None where a pin or an accent holds one of them."""
    moved = stage.frames[inside & (wanted != 0)]
    if not len(moved):
        return channel
    accents = [span for _, span in stage.locks.kept_samples(name)]
    if channel.samples is not None:
        spans = accents + [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
        if any(np.any((moved > a - 1) & (moved < b + 1)) for a, b in spans):
            return None
        samples = channel.samples.copy()
        samples[stage.frames.astype(np.intp) - stage.shot.first_frame, 0] += wanted
        return replace(channel, samples=frozen(samples))
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
    moved_keys = keys.changed(
        values=keys.values + by, incoming=keys.incoming + turn, outgoing=keys.outgoing + turn
    )
    return replace(channel, keys=moved_keys)


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {FAULT: across}

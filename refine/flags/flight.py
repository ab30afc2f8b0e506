"""False flight: a figure in the air whose centre of mass doesn't fall as things fall.

In the air means: no foot is planted and none is near the floor, nothing else of the figure is marked as touching,
and the centre of mass goes up at first and down at last, or falls. There it has to follow a parabola: vertically
-g, horizontally an even speed (Reitsma & Pollard 2003 [pub] on how errors of both are seen).

The centre of mass is the mean of the segments' centres, weighted with what each control carries beyond its children
(`refine.body`: the shot's own masses, else de Leva 1996). A limb's segment has its centre at de Leva's share of the
bone [pub]; trunk, head, hand and foot, whose ends aren't a rig's joints, in the middle [judge]. All is measured over
windows of a third of a second, speeds over half of that, by fitted parabolas and lines, so that noise and animation
on twos don't count: over a sixth, four of ten captured jumps are off by 15 %, over the whole flight none by 10 %.
A shot that doesn't state its length unit isn't judged: gravity is in metres.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.body.masses import Body
from refine.flags.flag import Cause, Flag, Severity
from refine.flags.stage import Stage, runs
from refine.flags.standing import common, floor, keys_near, standing
from refine.limbs.limb import GRAVITY, Limb
from refine.limbs.planted import ENTER_SPEED, SHORTEST, speed
from refine.pose import Point
from refine.rig import children, descendants
from refine.shot import TRANSLATIONS, Array, Shot

FAULT = "false flight"
# Share of the bone from its upper end, male, de Leva 1996, J Biomech 29:1223-1230 [pub].
CENTRES = {"arm": (0.5772, 0.4574), "leg": (0.4095, 0.4459)}  # upper bone, lower bone
MIDDLE = 0.5  # [judge] of the segments whose published ends aren't joints
KNOWN = 0.8  # [judge] of the body's mass that has to be known: without the trunk nothing follows
CLEAR = 0.02  # [judge] m over the floor from which a foot doesn't touch it
LIFT = 0.3  # [judge] m/s up at first and down at last; the hips of a walk stay below it
FALL = 1.0  # [judge] m/s down at last, from which it is a fall that nothing went up before
SLOW = 0.5  # [judge] m/s horizontally, under which a change of speed is measured against this
WINDOW = 1 / 3  # s over which an acceleration is measured [judge, on ten captured jumps]
LONGEST = 2.0  # [judge] s: a jump of a metre lasts 0.9; who is off the floor for longer climbs, hangs or sits
SAID = 2  # keys inside a flight, of which fewer don't say yet how the body shall fall [judge]
LEAST = 3  # frames of a window: a parabola has three unknowns
SAME = 1e-6  # m from frame to frame: the pose is held, as on twos


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    if not stage.shot.unit_stated or len(stage.frames) < LEAST:
        return
    for figure in figures(stage):
        if figure.hips not in stage.order:
            continue
        flown = in_the_air(stage, figure)
        if flown is None:
            continue
        place, inside = flown
        for a, b in runs(inside):
            flag = _judged(stage, figure, place[a : b + 1], (a, b))
            if flag is not None:
                yield flag


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure by its legs: its root, and the control that carries the legs."""

    root: str
    hips: str
    legs: tuple[Limb, ...]


def figures(stage: Stage) -> Iterator[Figure]:
    parents = {control.name: control.parent for control in stage.shot.controls}
    legs: dict[str, list[Limb]] = {}
    for limb in standing(stage).limbs:
        if limb.kind == "leg":
            root = limb.upper
            while (parent := parents[root]) is not None:
                root = parent
            legs.setdefault(root, []).append(limb)
    for root, own in legs.items():
        hips = common(stage.shot, [own[0], own[-1]]) or root
        carried = any(link.kind != "aim" for name in (root, hips) for link in stage.control(name).links)
        if not carried:
            yield Figure(root, hips, tuple(own))


# --- the centre of mass ----------------------------------------------------------------------------------


def centre_of_mass(stage: Stage, root: str) -> Array | None:
    """(N, 3) in the world, shot units, of what hangs on a root; None where too little of its mass is known."""
    shares = _shares(stage.shot, root)
    known = sum(shares.values())
    if known < KNOWN:
        return None
    below = children(stage.shot)
    centres = {
        n: c for limb in standing(stage).limbs for n, c in zip(limb.chain, CENTRES[limb.kind], strict=False)
    }
    total = np.zeros((len(stage.frames), 3))
    for name, share in shares.items():
        if share > 0:
            total += share * _centre(stage, name, centres.get(name, MIDDLE), below.get(name, ()))
    return total / known


def _shares(shot: Shot, root: str) -> dict[str, float]:
    """Share of the body of each control's own segment: what it carries beyond what its children do."""
    carried, below = Body(shot).carried, children(shot)
    names = [name for name in (root, *descendants(shot, root)) if name in carried]
    return {
        n: max(carried[n] - sum(carried.get(child, 0.0) for child in below.get(n, ())), 0.0) for n in names
    }


def _centre(stage: Stage, name: str, share: float, below: tuple[str, ...]) -> Array:
    """(N, 3) centre of a control's segment: between its pivot and its tip, or the mean of its children's pivots."""
    own = stage.control(name)
    start = stage.world(Point(name, own.pivot))
    if own.tip is not None:
        return start + share * (stage.world(Point(name, own.tip)) - start)
    if not below:
        return start
    ends = [stage.world(Point(child, stage.control(child).pivot)) for child in below]
    return np.asarray(start + share * (np.mean(ends, axis=0) - start))


# --- in the air ------------------------------------------------------------------------------------------


def in_the_air(stage: Stage, figure: Figure) -> tuple[Array, NDArray[np.bool_]] | None:
    """(N, 3) place of the centre of mass in m and (N,) frames of flight; None where there is no flight to judge."""
    threshold, up = stage.thresholds[FAULT], "xyz".index(stage.shot.up)
    scale, least = stage.shot.metres_per_unit, threshold["frames"] * stage.shot.fps / 24
    points = [point for limb in figure.legs for point in limb.points]
    paths = [scale * stage.world(point) for point in points]
    lowest = np.min([path[:, up] for path in paths], axis=0) - scale * floor(stage).height
    inside = (lowest > CLEAR) & ~_touching(stage, figure)
    if not any(b - a + 1 >= least for a, b in runs(inside)):
        return None
    place = centre_of_mass(stage, figure.root)
    if place is None:
        return None
    place = scale * place
    rate = np.gradient(place[:, up]) * stage.shot.fps
    inside &= ~_held(stage, figure, rate)
    for a, b in runs(inside):
        rises, falls = rate[a] > LIFT and rate[b] < -LIFT, rate[b] < -FALL
        if not least <= b - a + 1 <= LONGEST * stage.shot.fps or not (rises or falls):
            inside[a : b + 1] = False
    return place, inside


def _touching(stage: Stage, figure: Figure) -> NDArray[np.bool_]:
    """(N,) frames on which a foot is planted or anything of the figure marked as touching, held or accented.

    A figure that never stands is none that jumps: then all of them.
    """
    names = {figure.root, *descendants(stage.shot, figure.root)}
    own = [each for each in standing(stage).contacts if each.control in names]
    if not any(each.limb in figure.legs for each in own):
        return np.ones(len(stage.frames), np.bool_)
    touched = stage.marked(figure.hips, "hold", "accent", "cut")
    for each in own:
        touched[(each.frames - stage.frames[0]).astype(np.intp)] = True
    for name in names:
        touched |= stage.marked(name, "contact")
    return touched


def _held(stage: Stage, figure: Figure, rate: Array) -> NDArray[np.bool_]:
    """(N,) frames on which a foot or hand stays where it is while the body moves: on a step, a box or a bar.

    In a hang in the air all are still.
    """
    found, fps, scale = np.zeros(len(rate), np.bool_), stage.shot.fps, stage.shot.metres_per_unit
    slow = ENTER_SPEED * np.sqrt(GRAVITY * max(limb.length for limb in figure.legs) * scale)
    names = {figure.root, *descendants(stage.shot, figure.root)}
    for limb in (each for each in standing(stage).limbs if each.end in names):
        for point in limb.points:
            for a, b in runs(speed(stage.world(point), fps) * scale < slow):
                if (b - a + 1) / fps >= SHORTEST and np.abs(rate[a : b + 1]).max() > LIFT:
                    found[a : b + 1] = True
    return found


# --- judged ----------------------------------------------------------------------------------------------


def _judged(stage: Stage, figure: Figure, place: Array, at: tuple[int, int]) -> Flag | None:
    threshold = stage.thresholds[FAULT]
    tops = [Point(limb.upper, stage.control(limb.upper).pivot) for limb in figure.legs]
    if not any(stage.counts(top)[at[0] : at[1] + 1].any() for top in tops):
        return None
    measured = off(place, stage.shot.fps, "xyz".index(stage.shot.up), window(stage, figure, at))
    if measured is None:
        return None
    gravity, level = measured
    fallen = abs(gravity - 1.0)
    ratios = fallen / threshold.warn, level / threshold["speed"]
    if max(ratios) < 1:
        return None
    falls = ratios[0] >= ratios[1]
    severity: Severity = "error" if max(ratios) >= threshold.error / threshold.warn else "warn"
    leading = _leading_keys(stage, figure, at)
    if leading and max(len(frames) - 2 for frames in leading) < SAID:
        severity = "note"
    amount, unit = (fallen, threshold.unit) if falls else (level, "of its speed")
    message = (
        f"the body falls with {100 * gravity:.0f} % of gravity in the air"
        if falls
        else f"the body's speed along the ground varies by {100 * level:.0f} % in the air"
    )
    remedy = (
        "let the hips follow a parabola from leaving the ground to landing, for as long as its height asks"
        if falls
        else "move the hips evenly along the ground until the landing"
    )
    where = int(stage.frames[at[0]]), int(stage.frames[at[1]])
    cause = Cause(figure.hips, None, keys_near(stage, figure.hips, where))
    ratio = max(ratios) * stage.attention(figure.hips)
    return Flag(FAULT, figure.hips, None, where, severity, amount, unit, cause, message, remedy, ratio)


def _leading_keys(stage: Stage, figure: Figure, at: tuple[int, int]) -> list[Array]:
    """Frames of the keys inside a flight, and of those next to it, of each translation that leads the body."""
    first, last = float(stage.frames[at[0]]), float(stage.frames[at[1]])
    found = []
    for name in dict.fromkeys((figure.root, figure.hips)):
        for channel in stage.control(name).channels:
            if channel.name in TRANSLATIONS and channel.keys is not None and len(channel.keys) > 1:
                frames = channel.keys.frames
                low, high = int(np.searchsorted(frames, first, "right")), int(np.searchsorted(frames, last))
                found.append(frames[max(low - 1, 0) : high + 1])
    return found


def window(stage: Stage, figure: Figure, at: tuple[int, int]) -> float:
    """Seconds over which an acceleration is measured: two gaps between the leading keys, where that is longer.

    Between two keys the curve bends as their slopes ask; how the body falls is said by three keys and more.
    """
    gaps = [float(np.diff(frames).max(initial=0.0)) for frames in _leading_keys(stage, figure, at)]
    return max(WINDOW, 2 * max(gaps, default=0.0) / stage.shot.fps)


def off(place: Array, fps: float, up: int, over: float) -> tuple[float, float] | None:
    """Gravity as a share of the earth's where it is farthest from it, and how far the horizontal speed strays.

    place: (n, 3) m; over: s over which an acceleration is measured. None where too few frames differ.
    """
    moved = np.concatenate([[True], np.linalg.norm(np.diff(place, axis=0), axis=1) > SAME])
    seconds, place = np.flatnonzero(moved) / fps, place[moved]
    if len(seconds) < LEAST:
        return None
    flat = [axis for axis in range(3) if axis != up]
    falls = -2.0 / GRAVITY * _fitted(seconds, place[:, [up]], over, 2)[:, 0]
    speeds = _fitted(seconds, place[:, flat], over / 2, 1)
    mean = speeds.mean(axis=0)
    stray = np.linalg.norm(speeds - mean, axis=1).max() / max(float(np.linalg.norm(mean)), SLOW)
    return float(falls[int(np.argmax(np.abs(falls - 1.0)))]), float(stray)


def _fitted(seconds: Array, place: Array, over: float, degree: int) -> Array:
    """(W, D) leading coefficients of the polynomials fitted to each window of a path (n, D); one for a short path."""
    found: list[Array] = []
    for a in range(len(seconds)):
        b = max(int(np.searchsorted(seconds, seconds[a] + over - SAME)) + 1, a + LEAST)
        if b > len(seconds) and found:
            break
        part = slice(a, b)
        found.append(np.polyfit(seconds[part] - seconds[part].mean(), place[part], degree)[0])
    return np.array(found)

"""Two-bone limbs of a rig: thigh, shin, foot and upper arm, forearm, hand, by their parts or by their shape.

A rig may drive a limb by a goal for its end and a pole for its middle joint instead of turning its bones: where the
rig links its end bone to the goal (a constraint), the goal is the limb's end, and the middle joint is where the two
bones, at their lengths at rest, meet between start and goal on the side of the pole.

Captured rigs say no parts. There a limb is what it looks like: two bones of about equal length, large for the figure,
with a partner of the same size on the other side; a leg is one that ends low and begins no higher than what it hangs
on. So where a capture has no legs its arms are none, though they end lowest of all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from refine.body.masses import family
from refine.pose import Point, Pose, pose, world_point
from refine.rig import descendants
from refine.rotation import quaternion_matrix
from refine.shot import Array, Control, Shot

Kind = Literal["leg", "arm"]
_ENDS: dict[str, Kind] = {"foot": "leg", "hand": "arm"}
# A bone's part by the words of `body`: a rig says arm or leg of both bones, segment tables upper arm and forearm, thigh
# and shank or shin or calf.
_BONES: dict[str, Kind] = {"arm": "arm", "forearm": "arm", "leg": "leg", "shank": "leg"}
EVEN = (0.55, 1.8)  # [judge] outer over inner bone: 0.77 to 1.05 in people, farther in creatures
LARGE = 0.25  # [judge] of the figure's height: an arm without the hand is a third, a leg half (Winter [mem])
ALIKE = 0.1  # [judge] by how much the two sides may differ
LOW = 0.25  # [judge] of the figure's height under which a leg ends
RAISED = 0.25  # [judge] of its length that a leg may begin above the trunk's lowest joint; shoulders are 0.8 above hips
NEARLY = 0.85  # [judge] of the longest pair's length
MOST = 12  # [judge] ends of bodies, heads and tails counted: more branches than that are a crowd or a test's tree
LOOKS = 9  # frames on which the figure is measured

GRAVITY = 9.81  # m/s^2
ADULT_LEG = 0.85  # m, hip to ankle at a height of 1.74 m (Winter: 0.491 of it [mem])
BELIEVED = (0.15, 2.5)  # [judge] m: a leg outside that belongs to a file that doesn't state its unit


@dataclass(frozen=True, slots=True)
class Limb:
    """Upper and lower bone and what they carry; `length` of both in shot units; `points` of the end, pivot first.

    `bones` are their lengths at rest where a goal leads the limb, which is its end then, and `pole` a control on the
    side to which it bends.
    """

    kind: Kind
    upper: str
    lower: str
    end: str
    length: float
    points: tuple[Point, ...]
    bones: tuple[float, float] | None = None
    pole: str | None = None

    @property
    def chain(self) -> tuple[str, str, str]:
        return self.upper, self.lower, self.end

    @property
    def moved(self) -> tuple[str, ...]:
        """The controls that move it: its chain, or the goal alone."""
        return self.chain if self.bones is None else (self.end,)


def end_points(shot: Shot, name: str) -> tuple[Point, ...]:
    """Pivot and tip of a control and of all that it carries, its own pivot first."""
    points = []
    for each in (name, *descendants(shot, name)):
        control = shot.control(each)
        points.append(Point(each, control.pivot))
        if control.tip is not None:
            points.append(Point(each, control.tip))
    return tuple(points)


def limbs(shot: Shot, posed: Pose) -> tuple[Limb, ...]:
    """The limbs of a shot, in the file's order: by parts where the rig says them, else by shape."""
    return tuple(_by_parts(shot, posed)) or tuple(_by_shape(shot, posed))


def _path(shot: Shot, at: dict[str, int], name: str) -> list[str]:
    """Names from the root to a control."""
    found = [name]
    while (parent := shot.controls[at[found[-1]]].parent) is not None:
        found.append(parent)
    return found[::-1]


def _places(shot: Shot, posed: Pose) -> Array:
    """(C, n, 3): every pivot on a few frames."""
    step = max(len(posed.frames) // LOOKS, 1)
    few = Pose(posed.frames[::step], posed.linear[:, ::step], posed.origin[:, ::step])
    pivots = np.array([control.pivot for control in shot.controls])
    place: Array = (few.linear @ pivots[:, None, :, None])[..., 0] + few.origin
    return place


def _by_parts(shot: Shot, posed: Pose) -> Iterator[Limb]:
    at = {control.name: i for i, control in enumerate(shot.controls)}
    places: Array | None = None
    kinds = {c.name: family(c.part) for c in shot.controls if c.part}
    bones = {name: _BONES.get(found or "") for name, found in kinds.items()}
    for control in shot.controls:
        kind = _ENDS.get(kinds.get(control.name) or "")
        if kind is None or control.parent is None:
            continue
        path = [n for n in _path(shot, at, control.parent) if bones.get(n) == kind]
        if len(path) < 2 or path[-1] != control.parent:
            continue
        # A shoulder before the upper arm is no bone of the limb: the two next to the end are.
        led = _by_goal(shot, kind, (path[-2], path[-1], control.name), at)
        if led is not None:
            yield led
            continue
        places = _places(shot, posed) if places is None else places
        yield _limb(shot, kind, path[-2], path[-1], control.name, places, at)


def _by_goal(shot: Shot, kind: Kind, chain: tuple[str, str, str], at: dict[str, int]) -> Limb | None:
    """The limb of a chain whose end bone is held to a goal; None where the rig links it to none."""
    upper, lower, end = (shot.controls[at[name]] for name in chain)
    goal = next((link.to for link in end.links if link.kind == "constraint" and link.to not in chain), None)
    if goal is None or goal in descendants(shot, upper.name):
        return None
    poles = (link.to for bone in (upper, lower) for link in bone.links if link.kind != "attachment")
    pole = next((to for to in poles if to not in (goal, *chain)), None)
    bones = _at_rest(upper, lower), _at_rest(lower, end)
    return Limb(kind, chain[0], chain[1], goal, sum(bones), end_points(shot, goal), bones, pole)


def _at_rest(inner: Control, outer: Control) -> float:
    """Distance of the pivots of two bones at rest."""
    there = np.array(outer.rest_translation) + quaternion_matrix(np.array(outer.rest_rotation)) @ outer.pivot
    return float(np.linalg.norm(there - np.array(inner.pivot)))


def _limb(
    shot: Shot, kind: Kind, upper: str, lower: str, end: str, places: Array, at: dict[str, int]
) -> Limb:
    length = sum(_apart(places, at[a], at[b]) for a, b in pairwise((upper, lower, end)))
    return Limb(kind, upper, lower, end, length, end_points(shot, end))


def _apart(places: Array, a: int, b: int) -> float:
    return float(np.median(np.linalg.norm(places[a] - places[b], axis=1)))


def _by_shape(shot: Shot, posed: Pose) -> Iterator[Limb]:
    """Limbs of rigs without parts, each with a partner of its size."""
    at = {control.name: i for i, control in enumerate(shot.controls)}
    places, up = _places(shot, posed), "xyz".index(shot.up)
    heights = places[:, :, up]
    figure = float(np.median(np.ptp(heights, axis=0)))
    lowest = heights.min(axis=0)
    parents = {control.parent for control in shot.controls}
    found: dict[tuple[str, str, str], tuple[float, float]] = {}
    for control in shot.controls:
        if control.name not in parents:
            triple = _largest(_path(shot, at, control.name), places, at, LARGE * figure)
            if triple is not None:
                found[triple[0]] = triple[1]
    if len(found) > MOST:
        return
    at_rest = pose(_at_ease(shot), shot.frames[:1])
    levels = [heights, _places(shot, at_rest)[:, :, up]]
    for names, bones in found.items():
        partners = [other for other in found if other != names and other[2] != names[2]]
        if any(np.allclose(found[other], bones, rtol=ALIKE) for other in partners):
            low = np.median(heights[at[names[2]]] - lowest) < LOW * figure
            base = _base(shot, at, names[0], [other[0] for other in found], places, LARGE * figure)
            raised = min(float(np.median(level[at[names[0]]] - level[base])) for level in levels)
            kind: Kind = "leg" if low and raised <= RAISED * sum(bones) else "arm"
            yield _limb(shot, kind, *names, places, at)


def _at_ease(shot: Shot) -> Shot:
    """The shot at its rest pose."""
    return replace(shot, controls=tuple(replace(control, channels=()) for control in shot.controls))


def _base(shot: Shot, at: dict[str, int], upper: str, uppers: list[str], places: Array, far: float) -> int:
    """The lowest joint of the trunk that a limb hangs on: from where its limbs part up the hierarchy.

    But not over a bone of `far` or more, which leads from the hips to the ground where some rigs have their root.
    """
    own = _path(shot, at, upper)[:-1] or [upper]
    paths = [path for name in uppers if (path := _path(shot, at, name)[:-1])[:1] == own[:1]]
    shared = sum(len(set(names)) == 1 for names in zip(own, *paths, strict=False))
    base = max(shared, 1) - 1
    while base > 0 and _apart(places, at[own[base]], at[own[base - 1]]) < far:
        base -= 1
    return at[own[base]]


def _largest(
    path: list[str], places: Array, at: dict[str, int], least: float
) -> tuple[tuple[str, str, str], tuple[float, float]] | None:
    """Two bones in a row, long together and of about equal length; of those the outermost.

    A collar bone and an upper arm are nearly as long together as the arm is, so the longest pair won't do.
    """
    bones = [_apart(places, at[a], at[b]) for a, b in pairwise(path)]
    pairs = [
        (i, (inner, outer))
        for i, (inner, outer) in enumerate(pairwise(bones))
        if inner > 0 and inner + outer >= least and EVEN[0] <= outer / inner <= EVEN[1]
    ]
    longest = max((sum(pair) for _, pair in pairs), default=0.0)
    outermost = [(i, pair) for i, pair in pairs if sum(pair) >= NEARLY * longest]
    if not outermost:
        return None
    i, pair = outermost[-1]
    return (path[i], path[i + 1], path[i + 2]), pair


def metres_per_unit(shot: Shot, found: tuple[Limb, ...]) -> tuple[float, bool]:
    """Metres a shot unit, and whether the shot says so: BVH doesn't, and a leg of 15 m there is an adult's."""
    legs = [limb.length for limb in found if limb.kind == "leg"]
    if shot.unit_stated or not legs or BELIEVED[0] <= np.median(legs) * shot.metres_per_unit <= BELIEVED[1]:
        return shot.metres_per_unit, True
    return ADULT_LEG / float(np.median(legs)), False


def figure(shot: Shot) -> tuple[tuple[Limb, ...], float, bool]:
    """The limbs of a shot, metres a unit and whether those are believed, from a few frames: they don't change."""
    step = max(len(shot.frames) // LOOKS, 1)
    found = limbs(shot, pose(shot, shot.frames[::step]))
    return found, *metres_per_unit(shot, found)


def joints(shot: Shot, posed: Pose, limb: Limb) -> tuple[Array, Array, Array]:
    """(N, 3) of hip, knee and ankle, or shoulder, elbow and wrist."""
    places = [world_point(posed, shot, Point(name, shot.control(name).pivot)) for name in limb.chain]
    if limb.bones is not None:
        places[1] = _led_joint(shot, posed, limb, places)
    return places[0], places[1], places[2]


def _led_joint(shot: Shot, posed: Pose, limb: Limb, places: list[Array]) -> Array:
    """(N, 3) where the bones of a limb led by a goal meet: by the law of cosines, on the side of its pole."""
    assert limb.bones is not None
    hip, bone, ankle = places
    line = ankle - hip
    distance = np.maximum(np.linalg.norm(line, axis=1, keepdims=True), 1e-12)
    a, b = limb.bones
    along = np.clip((a**2 - b**2 + distance**2) / (2 * distance), -a, a)
    towards = bone  # without a pole the side on which the bone itself hangs
    if limb.pole is not None:
        towards = world_point(posed, shot, Point(limb.pole, shot.control(limb.pole).pivot))
    aside = towards - hip
    aside = aside - np.sum(aside * line, axis=1, keepdims=True) / distance**2 * line
    aside /= np.maximum(np.linalg.norm(aside, axis=1, keepdims=True), 1e-12)
    return np.asarray(hip + along * line / distance + np.sqrt(np.maximum(a**2 - along**2, 0.0)) * aside)


def extension(shot: Shot, posed: Pose, limb: Limb) -> Array:
    """(N,) hip to ankle over the length of both bones: 1 is straight."""
    hip, knee, ankle = joints(shot, posed, limb)
    bones = np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1)
    return np.asarray(np.linalg.norm(ankle - hip, axis=1) / np.maximum(bones, 1e-12))


def bend(shot: Shot, posed: Pose, limb: Limb) -> Array:
    """(N,) degrees between the two bones: 0 is straight."""
    hip, knee, ankle = joints(shot, posed, limb)
    a, b = knee - hip, ankle - knee
    sine = np.linalg.norm(np.cross(a, b), axis=1)
    return np.asarray(np.rad2deg(np.arctan2(sine, np.sum(a * b, axis=1))))


def bend_vector(shot: Shot, posed: Pose, limb: Limb) -> Array:
    """(N, 3) the bend's axis in the space of the upper bone's control, as long as the bend in degrees.

    It goes smoothly through straight, to whichever side: an angle alone would turn back there, and an angle with a
    sign would jump where a limb that is hardly bent bends sideways.
    """
    hip, knee, ankle = joints(shot, posed, limb)
    axis = np.cross(knee - hip, ankle - knee)
    axis /= np.maximum(np.linalg.norm(axis, axis=1, keepdims=True), 1e-12)
    local = (np.swapaxes(posed.linear[shot.index(limb.upper)], 1, 2) @ axis[..., None])[..., 0]
    local /= np.maximum(np.linalg.norm(local, axis=1, keepdims=True), 1e-12)
    return np.asarray(bend(shot, posed, limb)[:, None] * local)

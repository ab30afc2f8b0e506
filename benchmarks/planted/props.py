"""A prop in a hand that jumps out of its place.

Which of its two places is the right one nothing in the shot says, so a mend is held to having one place, not to the
first one.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from benchmarks.corpus import figure_height
from benchmarks.planted.bases import baked, keyed
from benchmarks.planted.planted import CATALOGUE, Planted, Size, Truth, rng_of, seen, sized
from refine.limbs.limb import limbs
from refine.pose import Point, pose, world_point
from refine.shot import TRANSLATIONS, Array, Channel, Control, Link, Mark, Shot, frozen
from refine.view import project, view

FAULT, PROP = "attachment pop", "prop"
HELD = (40, 200)  # frames in which the prop is in the hand, by a mark
OFFSET = 0.03  # of the figure's height from the hand's pivot
TRIES = 50


def holding_keyed(clip: str, seed: int) -> Shot:
    return _holding(keyed(clip, seed), seed)


def holding_baked(clip: str, seed: int) -> Shot:
    return _holding(baked(clip, seed), seed)


def _holding(shot: Shot, seed: int) -> Shot:
    """The shot with a prop, baked in the world, that keeps its place in a hand from start to end."""
    hands = [limb.end for limb in limbs(shot, pose(shot, shot.frames)) if limb.kind == "arm"]
    hand = hands[seed % len(hands)] if hands else shot.controls[-1].name
    offset = np.full((len(shot.frames), 3), OFFSET * figure_height(shot))
    prop = Control(PROP, links=(Link("attachment", hand),), channels=_course(shot, hand, offset))
    return replace(shot, controls=(*shot.controls, prop), marks=(Mark("contact", HELD, (PROP,)),))


def _course(shot: Shot, hand: str, offset: Array) -> tuple[Channel, ...]:
    """Translations that hold places (N, 3) in the space of a hand."""
    posed, i = pose(shot, shot.frames), shot.index(hand)
    places = (posed.linear[i] @ offset[:, :, None])[:, :, 0] + posed.origin[i]
    return tuple(Channel(name, samples=frozen(places[:, [k]])) for k, name in enumerate(TRANSLATIONS))


def pop(shot: Shot, seed: int, size: Size) -> Planted:
    """From a frame on the prop is in another place in the hand."""
    rng, wanted = rng_of(seed, FAULT, size), CATALOGUE[FAULT].of(size)
    prop = shot.control(PROP)
    point, height = Point(PROP, prop.pivot), figure_height(shot)
    for _ in range(TRIES):
        frame, way = int(rng.integers(HELD[0] + 8, HELD[1] - 8)), rng.normal(0, 1, 3)
        truth = Truth((FAULT,), (PROP,), (), (frame - 1, frame), wanted, point=point)
        if not seen(shot, point, np.arange(frame - 3, frame + 4.0)):
            continue
        found = sized(
            partial(_jumping, shot, prop, frame, height * way),
            partial(measure, clean=shot, truth=truth),
            wanted,
            0.01,
        )
        if found is not None:
            return found, truth
    return None


def _jumping(shot: Shot, prop: Control, frame: int, way: Array, amount: float) -> Shot:
    offset = np.full(
        (len(shot.frames), 3), OFFSET * figure_height(replace(shot, controls=shot.controls[:-1]))
    )
    offset[int(frame - shot.first_frame) :] += amount * way
    moved = replace(prop, channels=_course(shot, prop.links[0].to, offset))
    return replace(shot, controls=(*shot.controls[:-1], moved))


def measure(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px from where the hand would carry the prop from the frame before, wherever in the hand that is."""
    assert truth.point is not None
    posed = pose(shot, np.array([float(f) for f in truth.frames]))
    hand = shot.index(shot.control(PROP).links[0].to)
    linear, origin, place = posed.linear[hand], posed.origin[hand], world_point(posed, shot, truth.point)
    carried = linear[1] @ np.linalg.solve(linear[0], place[0] - origin[0]) + origin[1]
    wanted, found = (
        project(view(shot, posed), np.stack([place[0], each]))[1] for each in (carried, place[1])
    )
    return float(np.linalg.norm(wanted - found))

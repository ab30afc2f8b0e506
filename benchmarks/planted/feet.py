"""Feet that slide and sink: in made walks whose feet stand, and in marked contacts of baked clips.

The clips' own feet stand on heights that differ by centimetres, so that only a made walk has a floor to sink into.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.planted import contacts
from benchmarks.planted.bases import baked
from benchmarks.planted.planted import CATALOGUE, Planted, Size, Truth, path, rng_of
from refine.held import Locks
from refine.limbs.chain import Goals, followed
from refine.limbs.limb import Limb, limbs, metres_per_unit
from refine.limbs.planted import runs
from refine.limbs.planting import minimum_jerk
from refine.pose import Point, pose, world_point
from refine.shot import Array, Mark, Shot

SLIDE, SINK = "sliding contact", "through floor"
MM = 1000.0
SLOW = 0.25  # m/s, under which a foot may stand
LEAST = 10  # frames that it stands at least
STILL = 4.0  # mm that a sound contact drifts by at most
NEARLY = 0.1  # share by which the planted slide may miss its size
SEEN = {"warn": 1.5, "error": 4.5}  # px that a slide shows by at least


def walk(clip: str, seed: int) -> Shot:
    """A made walk, its contacts marked, with a key every 3 frames and where feet touch down and leave."""
    return contacts.stepping(seed=seed, keyed=3)


def baked_walk(clip: str, seed: int) -> Shot:
    """A made walk with a sample on each frame, in every second one no contact marked."""
    return contacts.stepping(seed=seed, marked=seed % 2 == 0)


def slide_keyed(shot: Shot, seed: int, size: Size) -> Planted:
    """A foot that drifts by its own leg, or in one of three the hips moved under both."""
    way = "hips" if seed % 3 == 2 else "slide"
    return _wrapped(shot, seed, SLIDE, way, size)


def sink(shot: Shot, seed: int, size: Size) -> Planted:
    """A foot below the floor for all of a contact, by its own leg."""
    return _wrapped(shot, seed, SINK, "sink", size)


def _wrapped(shot: Shot, seed: int, fault: str, way: str, size: Size) -> Planted:
    wanted = CATALOGUE[fault].of(size)
    found, old = contacts.plant(shot, seed, way, wanted / MM)
    foot = old.controls[-1] if way == "hips" else old.controls[0]
    controls = tuple(dict.fromkeys((*old.causes, *(() if way == "hips" else old.controls))))
    channels = ("translation.z",) if way == "hips" else ()
    # A key of the hips that breaks its habit is told as that, with the slide in its words.
    faults = (fault, "moved key") if way == "hips" else (fault,)
    return found, Truth(faults, controls, channels, old.frames, wanted, (), Point(foot, (0.0, 0.0, 0.0)), way)


# --- baked clips -----------------------------------------------------------------------------------------


def standing_clip(clip: str, seed: int) -> Shot:
    """A baked window of a clip whose stillest contacts are marked."""
    shot = baked(clip, seed)
    marks = [Mark("contact", (float(a), float(b)), (leg.end,)) for leg, a, b in _contacts(shot)]
    return replace(shot, marks=tuple(marks))


def _contacts(shot: Shot) -> list[tuple[Limb, int, int]]:
    """Stretches in which all points of a foot keep their place to a few mm."""
    posed, found = pose(shot, shot.frames), []
    legs = [leg for leg in limbs(shot, posed) if leg.kind == "leg"]
    scale = metres_per_unit(shot, limbs(shot, posed))[0]
    for leg in legs:
        ankle = scale * world_point(posed, shot, leg.points[0])
        slow = np.append(np.linalg.norm(np.diff(ankle, axis=0), axis=1) * shot.fps < SLOW, False)
        for a, b in runs(slow):
            while b - a + 1 >= LEAST:
                drift = np.linalg.norm(ankle[a : b + 1] - np.median(ankle[a : b + 1], axis=0), axis=1) * MM
                if drift.max() <= STILL:
                    found.append((leg, int(shot.frames[a]), int(shot.frames[b])))
                    break
                a, b = (a + 1, b) if drift[0] > drift[-1] else (a, b - 1)
    return found


def slide_baked(shot: Shot, seed: int, size: Size) -> Planted:
    """A marked foot led away from where it stands and back by its leg."""
    rng, wanted = rng_of(seed, SLIDE, size), CATALOGUE[SLIDE].of(size)
    places = _contacts(shot)
    posed = pose(shot, shot.frames[::24])
    scale = metres_per_unit(shot, limbs(shot, posed))[0]
    for n in rng.permutation(len(places)):
        leg, first, last = places[n]
        turn = rng.uniform(0, 2 * np.pi)
        by = wanted / MM / scale * np.array([np.cos(turn), 0.0, np.sin(turn)])
        found = _moved(shot, leg, (first, last), by)
        truth = Truth((SLIDE,), leg.chain, (), (first, last), wanted, (), leg.points[0], "led")
        at = np.arange(first, last + 1.0)
        px = np.linalg.norm(path(found, leg.points[0], at) - path(shot, leg.points[0], at), axis=1).max()
        drift = measure_drift(found, shot, truth)
        right = abs(_measured(found, shot, truth) / wanted - 1) < NEARLY and not CATALOGUE[SLIDE].sound(drift)
        if right and px > SEEN[size]:
            return found, replace(truth, size=drift)
    return None


def _moved(shot: Shot, leg: Limb, span: tuple[int, int], by: Array) -> Shot:
    """The leg turned so that its foot goes by `by` (shot units) and comes back, in the middle half of a contact."""
    first, last = span
    frames = np.arange(max(first - 4, shot.first_frame), min(last + 4, shot.last_frame) + 1.0)
    t = (frames - first) / max(last - first, 1)
    shape = minimum_jerk(np.clip(1 - np.abs(t - 0.5) * 4, 0, 1))
    points = (leg.points[0], leg.points[-1])
    posed = pose(shot, frames)
    places = np.stack([world_point(posed, shot, p) + shape[:, None] * by for p in points])
    goals = Goals(points, frames, places, np.ones((2, len(frames))))
    return followed(shot, leg.chain, goals, Locks(shot, (), (shot.first_frame, shot.last_frame)))


def measure_slide(shot: Shot, clean: Shot, truth: Truth) -> float:
    return _measured(shot, clean, truth)


def measure_drift(shot: Shot, clean: Shot, truth: Truth) -> float:
    """mm along the ground that the ankle of a clip goes from where it mostly is: the sound one isn't still either."""
    assert truth.point is not None
    scale = metres_per_unit(clean, limbs(clean, pose(clean, clean.frames[::24])))[0]
    frames = np.arange(truth.frames[0], truth.frames[1] + 1.0)
    place = MM * scale * world_point(pose(shot, frames), shot, truth.point)[:, [0, 2]]
    return float(np.linalg.norm(place - np.median(place, axis=0), axis=1).max())


def measure_sink(shot: Shot, clean: Shot, truth: Truth) -> float:
    return _measured(shot, clean, truth)


def _measured(shot: Shot, clean: Shot, truth: Truth) -> float:
    """mm that the ankle is off where the sound shot has it: along the ground, or below."""
    assert truth.point is not None
    found = limbs(clean, pose(clean, clean.frames[::24]))
    scale = metres_per_unit(clean, found)[0]
    frames = np.arange(truth.frames[0], truth.frames[1] + 1.0)
    away = [world_point(pose(s, frames), s, truth.point) for s in (shot, clean)]
    off = MM * scale * (away[0] - away[1])
    if truth.fault == SINK:
        return max(float(-off[:, 1].min()), 0.0)
    return float(np.linalg.norm(off[:, [0, 2]], axis=1).max())

"""Faults of limbs: a joint that snaps straight, a bone that changes its length."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from benchmarks.planted.bases import baked, keyed
from benchmarks.planted.planted import (
    CATALOGUE,
    NEAR,
    Planted,
    Size,
    Truth,
    inserted,
    path,
    rng_of,
    sized,
)
from refine.curve import sample
from refine.limbs.limb import Limb, limbs
from refine.pose import Point, local, pose, world_point
from refine.shot import ROTATIONS, TRANSLATIONS, Array, Channel, Shot, frozen, make_keys

POP, LENGTH = "straight limb pop", "changed bone length"
STRAIGHT = 0.985  # of the limb's length
FULL = 0.9985  # to which a planted pop goes: 6 deg of bend
BEFORE, SWING = 0.9, 6  # extension from which a pop is planted; frames to each side that it takes
ROUNDS = 8  # Newton steps for the joint's angle
SHOWS = 2.0  # px a frame^2 at the limb's end, that a pop shows by
STRETCH = 8  # frames to each side in which a bone grows
HINGE = 0.7  # deg of bend for a degree of its channel at least


# --- pops ------------------------------------------------------------------------------------------------


def bend_and_reach(shot: Shot, chain: Sequence[str], frames: Array) -> tuple[Array, Array]:
    """(N,) degrees between the two bones of a limb, and the distance of its ends over the length of both.

    Both follow from the lower bone's own rotation: `chain` names the upper bone, the lower one and the end, each
    without a rest rotation and a translation of its own.
    """
    lower, end = (shot.control(name) for name in chain[1:])
    upper_bone = np.array(lower.rest_translation)
    lower_bone = local(lower, shot, frames)[0] @ np.array(end.rest_translation)
    lengths = float(np.linalg.norm(upper_bone)), float(np.linalg.norm(end.rest_translation))
    cosine = lower_bone @ upper_bone / (lengths[0] * lengths[1])
    reach = np.linalg.norm(upper_bone + lower_bone, axis=1) / sum(lengths)
    return np.rad2deg(np.arccos(np.clip(cosine, -1, 1))), np.asarray(reach)


def pop(shot: Shot, seed: int, size: Size) -> Planted:
    """A limb whose end is led out so far that its middle joint, near straight, turns by a jerk. By one channel."""
    rng, wanted = rng_of(seed, POP, size), CATALOGUE[POP].of(size)
    places = []
    for limb in limbs(shot, pose(shot, shot.frames)):
        reach = bend_and_reach(shot, limb.chain, shot.frames)[1]
        for n in range(NEAR, len(reach) - NEAR):
            if BEFORE < reach[n] < STRAIGHT and reach[n] == reach[n - SWING : n + SWING + 1].max():
                places.append((limb, int(shot.frames[n])))
    for i in rng.permutation(len(places)):
        limb, frame = places[i]
        name = _hinge(shot, limb, frame)
        if name is None:
            continue
        span = frame - SWING, frame + SWING
        truth = Truth((POP,), limb.chain[:2], (), span, wanted, point=Point(limb.end, (0.0, 0.0, 0.0)))
        if measure_pop(shot, shot, truth) > CATALOGUE[POP].warn / 2:
            continue
        found = sized(
            partial(_straightened, shot, limb, name, frame),
            partial(measure_pop, clean=shot, truth=truth),
            wanted,
            0.05,
        )
        if found is not None and _jerk(found, truth) > SHOWS:
            return found, truth
    return None


def _hinge(shot: Shot, limb: Limb, frame: int) -> str | None:
    """The channel of the lower bone that bends the limb most, a degree for a degree."""
    at, best = np.array([float(frame)]), ("", HINGE)
    for channel in shot.control(limb.lower).channels:
        moves = channel.samples is not None or (channel.keys is not None and len(channel.keys) > 4)
        if channel.name in ROTATIONS and moves:
            moved = shot.with_channel(limb.lower, _shifted(channel, 0.5))
            by = (
                abs(
                    float(
                        bend_and_reach(moved, limb.chain, at)[0][0]
                        - bend_and_reach(shot, limb.chain, at)[0][0]
                    )
                )
                / 0.5
            )
            best = max(best, (channel.name, by), key=lambda pair: pair[1])
    return best[0] or None


def _shifted(channel: Channel, by: float) -> Channel:
    if channel.keys is not None:
        return replace(channel, keys=channel.keys.changed(values=channel.keys.values + by))
    assert channel.samples is not None
    return replace(channel, samples=frozen(channel.samples + by))


def _straightened(shot: Shot, limb: Limb, name: str, frame: int, by: float) -> Shot:
    """The limb's reach raised by a bump of up to `by`, nowhere beyond nearly straight, solved by one channel."""
    frames = np.arange(frame - SWING, frame + SWING + 1.0)
    lower, end = (shot.control(n) for n in limb.chain[1:])
    a, b = float(np.linalg.norm(lower.rest_translation)), float(np.linalg.norm(end.rest_translation))
    bump = np.cos(np.pi * (frames - frame) / (2 * (SWING + 1))) ** 2
    reach = np.minimum(bend_and_reach(shot, limb.chain, frames)[1] + by * bump, FULL)
    asked = np.rad2deg(np.arccos(np.clip((((a + b) * reach) ** 2 - a**2 - b**2) / (2 * a * b), -1, 1)))
    values = sample(shot.channel(limb.lower, name), shot, frames)[:, 0]
    for _ in range(ROUNDS):
        here, there = (
            bend_and_reach(_with_course(shot, limb.lower, name, frames, values + d), limb.chain, frames)[0]
            for d in (0.0, 0.2)
        )
        slope = (there - here) / 0.2
        values = values + np.clip((asked - here) / np.where(np.abs(slope) < 0.2, np.inf, slope), -10, 10)
    return _with_course(shot, limb.lower, name, frames, values)


def _with_course(shot: Shot, control: str, name: str, frames: Array, values: Array) -> Shot:
    """The channel with these values on some frames in a row: samples, or keys on each of them."""
    channel = shot.channel(control, name)
    if channel.samples is not None:
        samples = channel.samples.copy()
        samples[frames.astype(np.intp) - shot.first_frame, 0] = values
        return shot.with_channel(control, replace(channel, samples=frozen(samples)))
    assert channel.keys is not None
    dense = inserted(channel.keys, frames)
    inside = (dense.frames >= frames[0]) & (dense.frames <= frames[-1])
    course, slopes = dense.values.copy(), dense.incoming.copy()
    course[inside, 0], slopes[inside, 0] = values, np.gradient(values)
    return shot.with_channel(control, replace(channel, keys=make_keys(dense.frames, course, slopes)))


def measure_pop(shot: Shot, clean: Shot, truth: Truth) -> float:
    """deg a frame^2: the largest second difference of the bend where the limb is nearly straight."""
    frames = np.arange(truth.frames[0] - 2, truth.frames[1] + 3.0)
    assert truth.point is not None
    bend, reach = bend_and_reach(shot, (*truth.controls, truth.point.control), frames)
    second = np.abs(np.diff(bend, 2))
    return float(np.where(reach[1:-1] > STRAIGHT, second, 0.0).max())


def _jerk(shot: Shot, truth: Truth) -> float:
    assert truth.point is not None
    frames = np.arange(truth.frames[0] - 2, truth.frames[1] + 3.0)
    return float(np.linalg.norm(np.diff(path(shot, truth.point, frames), 2, axis=0), axis=1).max())


# --- bone lengths ----------------------------------------------------------------------------------------


def stretchy_keyed(clip: str, seed: int) -> Shot:
    return _stretchy(keyed(clip, seed))


def stretchy_baked(clip: str, seed: int) -> Shot:
    return _stretchy(baked(clip, seed))


def _stretchy(shot: Shot) -> Shot:
    """The shot with translations on the middle joints of its limbs, all of them 0."""
    for limb in limbs(shot, pose(shot, shot.frames)):
        i = shot.index(limb.lower)
        old = shot.controls[i]
        is_baked = old.channels[0].samples is not None
        zeros = tuple(
            Channel(n, samples=frozen(np.zeros((len(shot.frames), 1))))
            if is_baked
            else Channel(n, make_keys([shot.first_frame, shot.last_frame], [0.0, 0.0], [0.0, 0.0]))
            for n in TRANSLATIONS
        )
        grown = replace(old, channels=(*zeros, *old.channels))
        shot = replace(shot, controls=(*shot.controls[:i], grown, *shot.controls[i + 1 :]))
    return shot


def length(shot: Shot, seed: int, size: Size) -> Planted:
    """A bone that grows or shrinks for two thirds of a second, by the translations of its outer joint."""
    rng, wanted = rng_of(seed, LENGTH, size), CATALOGUE[LENGTH].of(size)
    every = limbs(shot, pose(shot, shot.frames))
    if not every:
        return None
    limb = every[int(rng.integers(len(every)))]
    frame = int(rng.integers(shot.first_frame + 2 * NEAR, shot.last_frame - 2 * NEAR))
    bone = np.array(shot.control(limb.lower).rest_translation)
    sign, found = rng.choice([-1.0, 1.0]), shot
    for axis, name in enumerate(TRANSLATIONS):
        peak = sign * wanted * float(bone[axis])
        found = found.with_channel(limb.lower, _bump(shot, shot.channel(limb.lower, name), frame, peak))
    span = frame - STRETCH, frame + STRETCH
    return found, Truth((LENGTH,), (limb.lower,), TRANSLATIONS, span, wanted, way=limb.upper)


def _bump(shot: Shot, channel: Channel, frame: int, peak: float) -> Channel:
    if channel.keys is not None:
        at = [shot.first_frame, frame - STRETCH, frame, frame + STRETCH, shot.last_frame]
        return replace(channel, keys=make_keys(at, [0.0, 0.0, peak, 0.0, 0.0], np.zeros(5)))
    near = np.clip((shot.frames - frame) / STRETCH, -1, 1)
    return replace(channel, samples=frozen((peak * np.cos(np.pi / 2 * near) ** 2)[:, None]))


def measure_length(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Share by which the bone's length leaves what it is at rest."""
    frames = np.arange(truth.frames[0], truth.frames[1] + 1.0)
    posed = pose(shot, frames)
    ends = [world_point(posed, shot, Point(n, shot.control(n).pivot)) for n in (truth.way, truth.control)]
    rest = float(np.linalg.norm(shot.control(truth.control).rest_translation))
    return float(np.abs(np.linalg.norm(ends[1] - ends[0], axis=1) / rest - 1).max())

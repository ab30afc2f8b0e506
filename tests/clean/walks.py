"""Walks whose feet slide, and captured ones, for tests of planted feet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.signal import butter, sosfiltfilt

from benchmarks.corpus import captured, continuous
from benchmarks.planted.contacts import stepping
from refine.limbs.limb import GRAVITY, bend, figure
from refine.limbs.planted import LEAVE_SPEED
from refine.pose import Point, pose, world_point
from refine.shot import Array, Control, Shot, frozen
from tests.open_clips import clip_or_skip

FPS = 120.0
LEAVES = LEAVE_SPEED * np.sqrt(GRAVITY * (0.43 + 0.41))  # m/s: faster is no standing
FOOT = Point("foot.L", (0.0, 0.0, 0.0))
FEET = (FOOT, Point("foot.R", (0.0, 0.0, 0.0)))
LEG = ("thigh.L", "shin.L", "foot.L")


def swaying(shot: Shot, degrees: float = 2.0) -> Shot:
    """The shot with slow errors of hip and knee, as a solver leaves them: feet slide by 20 to 60 mm."""
    t = np.arange(len(shot.frames)) / shot.fps
    for name, phase, size in (
        ("thigh.L", 0.3, 1.0),
        ("shin.L", 1.1, 0.8),
        ("thigh.R", 2.0, 1.0),
        ("shin.R", 0.5, 0.8),
    ):
        channel = shot.control(name).channel("rotation.x")
        assert channel is not None
        assert channel.samples is not None
        slow = size * degrees * np.sin(2 * np.pi * 0.6 * t + phase)[:, None]
        shot = shot.with_channel(name, replace(channel, samples=frozen(channel.samples + slow)))
    return shot


@lru_cache(maxsize=4)
def walk(marked: bool, fps: float = FPS) -> tuple[Shot, Shot]:
    truth = stepping(fps, steps=6, marked=marked)
    return truth, swaying(truth)


def path(shot: Shot, point: Point) -> Array:
    return world_point(pose(shot, shot.frames), shot, point)


def knees(shot: Shot) -> Iterator[Array]:
    """Second differences of the knees' bends, degrees a frame^2."""
    posed = pose(shot, shot.frames)
    for limb in figure(shot)[0]:
        if limb.kind == "leg":
            yield np.diff(bend(shot, posed, limb), 2)


def samples(shot: Shot, name: str) -> Array:
    return np.concatenate([c.samples for c in shot.control(name).channels if c.samples is not None], axis=1)


def smoothed(name: str, hertz: float = 6.0) -> Shot:
    """An open clip without its first frame, a rest pose, through a zero-phase Butterworth filter."""
    clip_or_skip(name)
    shot = captured(name)
    low_pass = butter(2, hertz, fs=shot.fps, output="sos")

    def calm(control: Control) -> Control:
        values = continuous(control)
        return replace(
            control,
            channels=tuple(
                replace(c, samples=frozen(sosfiltfilt(low_pass, values[c.name][1:])[:, None]))
                for c in control.channels
            ),
        )

    return replace(shot, controls=tuple(map(calm, shot.controls)), last_frame=shot.last_frame - 1)

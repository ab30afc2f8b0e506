"""Mends of what is seen on screen: a frame out of place led through again, a key put back, a tremble smoothed."""

from __future__ import annotations

import numpy as np

from refine.changes import made
from refine.flags.flag import Flag
from refine.flags.path import above, lapses
from refine.flags.refill import smoothed_range
from refine.flags.stage import Stage
from refine.flags.trace import Share, samples, trace
from refine.measure import most_moved
from refine.pose import Point
from refine.prepared import Request
from refine.shot import Channel, Shot
from refine.smooth import Noise, noise
from refine.suggest import suggest

BESIDE_KEYS = 3  # keys to each side of one out of place that the search may look at [judge]
STRENGTHS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0)  # tried from the mildest on
HALF = 0.5  # of its amount that a flag may keep and still count as mended [judge]
SPREAD = 0.1  # share of a jitter from which a channel is smoothed with the others of its control [judge]


def jitter_shares(stage: Stage, point: Point, frames: tuple[int, int]) -> list[Share]:
    """Who makes a point tremble."""
    hz = stage.thresholds["jitter"]["hz"]
    return trace(stage, point, frames, lambda path: above(path, hz, stage.shot.fps))


def filled(stage: Stage, flag: Flag) -> Shot | None:
    """The frames of a flag led through from both sides, on those channels of its control that lapse there."""
    control = stage.control(flag.cause.control)
    cause = control.channel(flag.cause.channel or "")
    if cause is None or not cause.baked:
        return _searched(stage, flag)
    shot, last = stage.shot, flag.frames[1] - flag.frames[0]
    for channel in control.channels:
        if channel.baked and (channel is cause or _lapses_at(stage, channel, flag.frames)):
            found = Noise(0.0, 0.0, tuple(range(flag.frames[0], flag.frames[0] + last + 1)))
            shot = smoothed_range(stage, shot, control.name, channel, flag.frames, found)
    return shot if shot is not stage.shot else None


def _lapses_at(stage: Stage, channel: Channel, frames: tuple[int, int]) -> bool:
    first = frames[0] - int(stage.frames[0])
    sigmas = stage.thresholds["spike"]["sigmas"]
    return any(lapse.first == first for lapse in lapses(samples(stage, channel)[None], sigmas))


def _searched(stage: Stage, flag: Flag) -> Shot | None:
    """A key out of place put back by the search for its cause, among the cause's own keys only."""
    channel = stage.control(flag.cause.control).channel(flag.cause.channel or "")
    if channel is None or channel.keys is None:
        return None
    at = np.searchsorted(channel.keys.frames, flag.frames)
    first, last = max(int(at[0]) - BESIDE_KEYS, 0), min(int(at[1]) + BESIDE_KEYS, len(channel.keys) - 1)
    frames = int(np.floor(channel.keys.frames[first])), int(np.ceil(channel.keys.frames[last]))
    answer = suggest(stage.shot, Request(frames, (flag.cause.control,), camera=stage.camera))
    options = [answer.changes, *(candidate.changes for candidate in answer.candidates)]
    for changes in options:
        own = [change for change in changes if change.channel == channel.name and _near(change.frame, flag)]
        if own:
            return made(stage.shot, own)
    return None


def _near(frame: float, flag: Flag) -> bool:
    return any(abs(frame - key) <= 1 for key in flag.cause.frames)


def steadied(stage: Stage, flag: Flag) -> Shot | None:
    """The flagged range smoothed by as much as its noise asks for, on the control's channels that make it tremble."""
    control = stage.control(flag.cause.control)
    shot, breaks = stage.shot, stage.locks.breaks(control.name, stage.shot.frames)
    for channel in control.channels:
        if channel.baked and (channel.name == flag.cause.channel or _trembles(stage, flag, channel)):
            found = noise(channel, stage.shot, flag.frames, breaks)
            if found.inside > 0 or found.spikes:
                shot = _mildest(stage, shot, channel, flag, found)
    return shot if shot is not stage.shot else None


def _mildest(stage: Stage, shot: Shot, channel: Channel, flag: Flag, found: Noise) -> Shot:
    """The shot with one channel smoothed as little as takes half of its tremble away."""
    name, trembled = flag.cause.control, _tremble(stage, channel, flag.frames)
    result = shot
    for strength in STRENGTHS:
        result = smoothed_range(stage, shot, name, channel, flag.frames, found, strength)
        after = result.controls[result.index(name)].channel(channel.name)
        assert after is not None
        if _tremble(stage, after, flag.frames) <= HALF * trembled:
            break
    return result


def _tremble(stage: Stage, channel: Channel, frames: tuple[int, int]) -> float:
    """RMS of a channel above the jitter's frequency in a range, channel units."""
    part = slice(frames[0] - int(stage.frames[0]), frames[1] - int(stage.frames[0]) + 1)
    high = above(samples(stage, channel), stage.thresholds["jitter"]["hz"], stage.shot.fps)[part]
    return float(np.sqrt(np.mean(high**2)))


def _trembles(stage: Stage, flag: Flag, channel: Channel) -> bool:
    """Whether a channel makes up a part of the jitter, at the point that it moves most."""
    point, _ = most_moved(stage.shot, stage.posed, stage.view, flag.cause.control, channel.name)
    if point is None:
        return False
    shares = jitter_shares(stage, point, flag.frames)
    return any(
        share >= SPREAD and (control, name) == (flag.cause.control, channel.name)
        for share, control, name in shares
    )

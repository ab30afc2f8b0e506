"""Mends of what is seen on screen: a frame out of place led through again, a key put back, a tremble smoothed."""

from __future__ import annotations

import numpy as np

from refine.changes import made
from refine.flags import jitter, joints
from refine.flags.flag import Flag
from refine.flags.refill import filled_channel, smoothed_channel
from refine.flags.stage import Stage
from refine.prepared import Request
from refine.shot import Shot
from refine.suggest import suggest

BESIDE_KEYS = 3  # keys to each side of one out of place that the search may look at [judge]
SPREAD = 2.0  # times its usual noise from which a channel is smoothed with the others of its control [judge]


def filled(stage: Stage, flag: Flag) -> Shot | None:
    """The frames of a flag led through from both sides, on those channels of its control that lapse there."""
    control = stage.control(flag.cause.control)
    cause = control.channel(flag.cause.channel or "")
    if cause is None or not cause.baked:
        return _searched(stage, flag)
    shot, last = stage.shot, flag.frames[1] - flag.frames[0]
    first = flag.frames[0] - int(stage.frames[0])
    lapsing = joints.lapsing(stage, control, first, last + 1)
    for channel in control.channels:
        if channel.baked and (channel is cause or channel.name in lapsing):
            shot = filled_channel(stage, shot, control.name, channel, flag.frames)
    return shot if shot is not stage.shot else None


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
    """The noise taken out of the flagged range, on those channels of the control that are noisy there."""
    name, found = flag.cause.control, jitter.levels(stage, list(joints.out_of_place(stage)))
    if found is None:
        return None
    shot = stage.shot
    for row in found.rows(name):
        channel = found.owned[row][1]
        noise = jitter.noise_in(stage, found, row, flag.frames)
        if channel.name == flag.cause.channel or noise > SPREAD * found.usual[row, 0] * found.whole:
            shot = smoothed_channel(stage, shot, name, channel, flag.frames, noise)
    return shot if shot is not stage.shot else None

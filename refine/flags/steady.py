"""Mends of what is seen on screen: a frame out of place led through again, a key put back, a tremble smoothed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.changes import made
from refine.curve import evaluate
from refine.errors import NoSolution
from refine.flags import joints
from refine.flags.flag import Flag
from refine.flags.refill import filled_channel, smoothed_channel
from refine.flags.stage import Stage
from refine.flags.witnesses import witnesses
from refine.prepared import Request
from refine.shot import Channel, Segment, Shot, make_keys
from refine.suggest import proposed

DENSE = 2.0  # frames between the neighbours of a spike's key whose slopes say where it belongs
BESIDE_KEYS = 3  # keys to each side of one out of place that the search may look at [judge]


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
    between = _between_neighbours(stage, flag, channel) if flag.fault == "spike" else None
    if between is not None:
        return between
    at = np.searchsorted(channel.keys.frames, flag.frames)
    first, last = max(int(at[0]) - BESIDE_KEYS, 0), min(int(at[1]) + BESIDE_KEYS, len(channel.keys) - 1)
    frames = int(np.floor(channel.keys.frames[first])), int(np.ceil(channel.keys.frames[last]))
    answer = proposed(stage.shot, Request(frames, (flag.cause.control,), camera=stage.camera))
    options = [answer.changes, *(candidate.changes for candidate in answer.candidates)]
    for changes in options:
        own = [change for change in changes if change.channel == channel.name and _near(change.frame, flag)]
        if own:
            return made(stage.shot, own)
    return None


def _between_neighbours(stage: Stage, flag: Flag, channel: Channel) -> Shot | None:
    """The one key of a spike put on the curve as it runs without it; None where its neighbours aren't beside it.

    They stand so near that their slopes say where the curve passes, while a search by habit asks keys farther off.
    """
    keys = channel.keys
    assert keys is not None
    k = keys.index(flag.cause.frames[0])
    alone = k is not None and len(set(flag.cause.frames)) == 1 and keys.values.shape[1] == 1
    if k is None or not alone or not 0 < k < len(keys) - 1:
        return None
    curved = bool(np.all(keys.segment[k - 1 : k + 1] == Segment.CURVE))
    if not curved or keys.frames[k + 1] - keys.frames[k - 1] > DENSE:
        return None
    control = stage.control(flag.cause.control)
    if stage.locks.held(control.name, channel, keys.frames[k - 1 : k + 2]).pins or channel.limits is not None:
        return None
    ends = [k - 1, k + 1]
    without = make_keys(keys.frames[ends], keys.values[ends], keys.incoming[ends], keys.outgoing[ends])
    values = keys.values.copy()
    values[k] = evaluate(without, keys.frames[k : k + 1])[0]
    cured = replace(channel, keys=keys.changed(values=values))
    return stage.shot.with_channel(control.name, cured)


def _near(frame: float, flag: Flag) -> bool:
    return any(abs(frame - key) <= 1 for key in flag.cause.frames)


def steadied(stage: Stage, flag: Flag) -> Shot | None:
    """The noise about the flagged range taken out, on each channel of the control that it explains better than not.

    NoSolution where it explains none.
    """
    control, shot, noisy = stage.control(flag.cause.control), stage.shot, False
    others = witnesses(shot, control.name, flag.frames)
    for channel in joints.baked_channels(control):
        after = smoothed_channel(stage, shot, control.name, channel, flag.frames, others)
        if after is not None:
            shot, noisy = after, True
    if not noisy:
        raise NoSolution(f"what trembles can't be told from lively motion; by hand: {flag.remedy}")
    return shot if shot is not stage.shot else None

"""Poses that stand a frame beside the one that they were set for: what the slopes of all their channels tell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from refine.flags.flag import Cause, Flag
from refine.flags.on_frames import OFF, moved
from refine.flags.stage import Stage, kept
from refine.pose_time import Strayed, as_set, on_its_frame, strayed_poses, with_pose_moved
from refine.shot import Channel, Keys, Shot


@kept
def _known(stage: Stage) -> dict[str, list[Strayed]]:
    """The strayed poses of the controls that were asked for so far."""
    return {}


def poses(stage: Stage, name: str) -> list[Strayed]:
    """The poses of a control that were set for another frame, but for those that are marked as sharp."""
    known = _known(stage)
    if name not in known:
        sharp = stage.frames[stage.marked(name, "accent", "cut")]
        found = strayed_poses(stage.book, stage.control(name), stage.shot.loop)
        known[name] = [each for each in found if each.frame in stage.frames and each.frame not in sharp]
    return known[name]


def settled(stage: Stage, name: str, keys: Keys) -> Keys:
    """The keys of a channel of a control, each on the frame that it, or its pose, was set for."""
    return as_set(stage.book, keys, poses(stage, name)).keys


def find(stage: Stage, name: str, channel: Channel) -> Iterator[Flag]:
    """Flags for the poses of a control that a channel tells of most clearly."""
    for pose in poses(stage, name):
        if pose.told[0] != channel.name:
            continue
        keyed = [c for c in stage.control(name).channels if c.keys is not None]
        apart = [
            moved(stage, name, c, replace(c, keys=on_its_frame(c.keys, [pose]))) for c in keyed if c.keys
        ]
        ratio, words = max(apart)
        assert channel.keys is not None
        k = int(np.argmin(np.abs(channel.keys.frames - pose.frame)))
        a, b = channel.keys.frames[[k - 1, k + 1]].tolist()
        yield Flag(
            OFF,
            name,
            channel.name,
            (int(np.floor(a)), int(np.ceil(b))),
            "warn" if ratio >= 1 else "note",
            float(abs(pose.step)),
            "frames",
            Cause(name, channel.name, (pose.frame,)),
            f"{pose}; it is off by {words}",
            f"move all its keys to frame {pose.set_for:g}",
            ratio * stage.attention(name),
        )


def put_back(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with a flagged pose on the frame that it was set for. None where it may not go there."""
    pose = next((each for each in poses(stage, flag.control) if each.frame in flag.cause.frames), None)
    if pose is None:
        return None
    return with_pose_moved(stage.shot, stage.control(flag.control), pose.frame, pose.step, stage.locks)

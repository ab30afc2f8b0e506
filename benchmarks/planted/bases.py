"""Sound shots to plant faults into: keyed and baked windows of open clips, and what some faults need beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.corpus import HABITS, clip_at, keyed_shot
from refine.curve import bake
from refine.shot import Channel, Shot, frozen

FPS = 24.0
SPAN = 240  # frames at 24 fps


def keyed(clip: str, seed: int) -> Shot:
    """A keyed window of a clip, the habits in turn."""
    return keyed_shot(clip, seed, HABITS[seed % len(HABITS)])


def baked(clip: str, seed: int, fps: float = FPS) -> Shot:
    """A drawn window of a clip with a sample on each frame, resampled without what lies above 0.7 of the half rate."""
    whole = clip_at(clip, fps)
    rng = np.random.default_rng([seed, 7])
    count = round(SPAN * fps / FPS)
    first = int(rng.integers(max(whole.last_frame + 2 - count, 1)))

    def cut(channel: Channel) -> Channel:
        assert channel.samples is not None
        return replace(channel, samples=frozen(channel.samples[first : first + count]))

    controls = tuple(replace(c, channels=tuple(map(cut, c.channels))) for c in whole.controls)
    last = min(count, whole.last_frame + 1 - first) - 1
    camera = keyed_shot(clip, seed, "natural", fps=fps, start=first, frames=last + 1).cameras
    return replace(whole, last_frame=last, controls=controls, cameras=camera)


def as_baked(shot: Shot) -> Shot:
    """The same motion with a sample on each frame."""
    controls = tuple(replace(c, channels=tuple(bake(ch, shot) for ch in c.channels)) for c in shot.controls)
    return replace(shot, controls=controls)

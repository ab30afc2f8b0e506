"""Clean shots made to loop, and one channel of which the last key is set beside the first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.planted.rotations import Size, Truth
from refine.habit import moving
from refine.measure import most_moved
from refine.pose import pose
from refine.shot import ROTATIONS, Keys, Shot, frozen
from refine.view import view

GAP = {"warn": (0.8, 1.8), "error": (3.0, 12.0)}  # px
FASTER = {"warn": (0.1, 0.18), "error": (0.3, 0.8)}  # share of the speed
SEEN = 0.8  # px a frame by which a planted change of speed shows at least
TRIED = 200


def looping(shot: Shot) -> Shot:
    """The shot with each channel's last key put on the frame after the last one, as the first one is."""
    for control in shot.controls:
        for channel in control.channels:
            if moving(channel) and channel.keys is not None:
                closed = replace(channel, keys=_closed(channel.keys, shot.last_frame + 1.0))
                shot = shot.with_channel(control.name, closed)
    return replace(shot, loop=True)


def _closed(keys: Keys, end: float) -> Keys:
    frames = keys.frames.copy()
    frames[-1] = end
    values, incoming, outgoing = keys.values.copy(), keys.incoming.copy(), keys.outgoing.copy()
    values[-1], incoming[-1], outgoing[-1] = values[0], incoming[0], outgoing[0]
    return replace(
        keys,
        frames=frozen(frames),
        values=frozen(values),
        incoming=frozen(incoming),
        outgoing=frozen(outgoing),
    )


def plant(shot: Shot, seed: int, size: Size) -> tuple[Shot, Truth]:
    """A looping shot of which one channel ends beside its start (in px), or at another speed."""
    rng = np.random.default_rng([seed, 81, ("warn", "error").index(size)])
    posed = pose(shot, shot.frames)
    seen = view(shot, posed)
    alive = [(c.name, ch) for c in shot.controls for ch in c.channels if moving(ch) and ch.name in ROTATIONS]
    for _ in range(TRIED):
        name, channel = alive[int(rng.integers(len(alive)))]
        keys = channel.keys
        assert keys is not None
        pixels = most_moved(shot, posed, seen, name, channel.name)[1]
        values, slopes = keys.values.copy(), keys.incoming.copy()
        way = "gap" if rng.random() < 0.5 else "speed"
        if way == "gap":
            values[-1] += rng.uniform(*GAP[size]) / max(pixels, 1e-9)
        else:
            slopes[-1] *= 1 + rng.uniform(*FASTER[size])
            if pixels * abs(slopes[-1, 0] - keys.incoming[-1, 0]) < SEEN:
                continue
        if pixels > 0:
            spoilt = keys.changed(values=values, incoming=slopes, outgoing=slopes)
            bad = shot.with_channel(name, replace(channel, keys=spoilt))
            return bad, Truth("loop seam", name, channel.name, (shot.last_frame + 1.0,), way)
    raise ValueError(f"{shot.name}: no channel that shows at the seam")

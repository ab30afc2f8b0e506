"""A range of one baked channel smoothed or filled anew, within pins, limits and marked accents."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.flags.stage import Stage
from refine.shot import Channel, Shot
from refine.smooth import Noise, smoothed

ROUNDING = 1e-9  # channel units


def smoothed_range(
    stage: Stage,
    shot: Shot,
    name: str,
    channel: Channel,
    frames: tuple[int, int],
    found: Noise,
    strength: float = 1.0,
) -> Shot:
    """The shot with a range of one baked channel smoothed; the same shot where pins and accents hold all of it."""
    locks, every = stage.locks, stage.shot.frames
    held = locks.held(name, channel, every)
    accents = [(source, _whole(span)) for source, span in locks.kept_samples(name)]
    kept = replace(held, pins=(*held.pins, *accents))
    result = smoothed(channel, stage.shot, frames, found, strength, locks.breaks(name, every), kept)
    assert channel.samples is not None
    assert result.channel.samples is not None
    moved = float(np.abs(result.channel.samples - channel.samples).max()) > ROUNDING
    return shot.with_channel(name, result.channel) if moved else shot


def _whole(span: tuple[float, float]) -> tuple[float, ...]:
    return tuple(np.arange(np.ceil(span[0]), np.floor(span[1]) + 1).tolist())

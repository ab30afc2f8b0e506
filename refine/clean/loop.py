"""A loop stays one: before it is smoothed each end is continued by the other, and that is cut off again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.clean.denoise import Denoised, Keep, Mask
from refine.clean.tracks import Group, Kind, Tracks
from refine.shot import Array

BEYOND = 2.0  # s that are continued: what lies farther has no say in a smoothing of 1 Hz and above
TRAVELS = 0.05  # [judge] of its range by which a place may miss its start and still be a loop


def padded(tracks: Tracks, keep: dict[Group, Keep]) -> tuple[Tracks, dict[Group, Keep]]:
    """Tracks and masks continued over both ends. A figure that travels goes on travelling, a spin spinning."""
    reach = _reach(tracks)
    values = tracks.values
    adds = np.zeros((len(values), 1))
    for group in tracks.groups:
        rows = list(group.rows)
        adds[rows, 0] = round_adds(group.kind, values[rows].T)
    left, right = values[:, -reach:] - adds, values[:, :reach] + adds
    longer = replace(tracks, values=np.concatenate([left, values, right], axis=1))

    def around(mask: Mask) -> Mask:
        return np.concatenate([mask[-reach:], mask, mask[:reach]])

    return longer, {group: each.map(around) for group, each in keep.items()}


def _reach(tracks: Tracks) -> int:
    return min(round(BEYOND * tracks.fps), len(tracks))


def round_adds(kind: Kind, samples: Array) -> Array:
    """(D,) what a loop adds to samples (N, D) at each round: turns of a spin, the way of a figure that travels."""
    gap = samples[-1] - samples[0]
    if kind == "angles":
        return np.asarray(360.0 * np.round(gap / 360.0))
    if kind != "place" or len(samples) < 2:
        return np.zeros(samples.shape[1])
    step = 0.5 * (samples[1] - samples[0] + samples[-1] - samples[-2])
    travels = np.abs(gap + step) > TRAVELS * np.ptp(samples, axis=0)
    return np.where(travels, gap + step, 0.0)


def unpadded(smooth: Denoised, count: int) -> Denoised:
    """What was continued cut off again."""
    reach = (len(smooth.tracks) - count) // 2
    inner = slice(reach, reach + count)
    tracks = replace(smooth.tracks, values=smooth.tracks.values[:, inner])
    return Denoised({group: part.cut(inner) for group, part in smooth.parts.items()}, tracks)

"""What is wrong with the samples of a clip, and its turns written without jumps."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from refine.clean.branches import straightened
from refine.clean.gaps import Gap, alike, bad_borders, frozen_ends, gaps, mask
from refine.clean.spikes import LEAST, spikes
from refine.clean.there_and_back import SURE, nearly
from refine.clean.tracks import Group, Tracks, quaternions
from refine.shot import Array


@dataclass(frozen=True, slots=True, eq=False)
class Wrong:
    """Gaps short enough to be filled and the others, spikes as masks (N,), positions after a jump, and masks (N,) of
    samples that look like spikes but may be motion, group by group."""

    filled: dict[Group, list[Gap]]
    left: dict[Group, list[Gap]]
    spikes: dict[Group, NDArray[np.bool_]]
    wraps: dict[Group, list[int]]
    doubtful: dict[Group, NDArray[np.bool_]] = field(default_factory=dict)


def wrong(raw: Tracks, longest: int) -> tuple[Wrong, Tracks]:
    """What is wrong, gaps of up to `longest` frames to be filled, and the tracks with turns that don't jump.

    Gaps and spikes are found first: a wild sample would lead the way of the turns astray.
    """
    every: dict[Group, list[Gap]] = {}
    ends: dict[Group, list[Gap]] = {}
    wild: dict[Group, NDArray[np.bool_]] = {}
    doubtful: dict[Group, NDArray[np.bool_]] = {}
    for group in raw.groups:
        values, floor = raw.of(group), floor_of(group)
        way = path(group, values)
        same = alike(group, values, way)
        found = gaps(values, way, same, raw.fps)
        ends[group] = frozen_ends(same, found, raw.fps)
        open_ended = mask(ends[group], len(raw))
        every[group] = found = [gap for gap in found if not open_ended[gap.first : gap.last + 1].any()]
        skipped = mask(found, len(raw))
        wild[group] = _wild(way, found, skipped, raw.fps, floor)
        if floor:  # a turn: only of those it is known what is far
            doubtful[group] = nearly(way, skipped | wild[group], SURE)
    lost = {group: mask(found, len(raw)) | wild[group] for group, found in every.items()}
    straight, wraps = straightened(raw, lost)
    short = {group: [gap for gap in found if len(gap) <= longest] for group, found in every.items()}
    long = {
        group: [gap for gap in found if len(gap) > longest] + ends[group] for group, found in every.items()
    }
    return Wrong(short, long, wild, wraps, doubtful), straight


def _wild(
    way: Array, found: list[Gap], skipped: NDArray[np.bool_], fps: float, floor: float
) -> NDArray[np.bool_]:
    """(N,) samples of a group on its way (N, D) that are spikes, or bad beside a gap."""
    wild = spikes(way, skipped, fps, floor)
    return wild | bad_borders(way, found, wild | skipped, floor) if found else wild


def floor_of(group: Group) -> float:
    """The least residual that is taken for usual in a group, in the unit of its path."""
    return LEAST if group.kind in ("angles", "quaternion") else 0.0


def path(group: Group, values: Array) -> Array:
    """(N, D) what a group does where distance means something: turns as quaternions, in degrees of turn."""
    if group.kind in ("angles", "quaternion"):
        return np.asarray(np.rad2deg(2.0) * quaternions(group, values))
    return values.T

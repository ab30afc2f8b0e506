"""The capture as it is: a cleaning may move what its own noise explains, and little else. And the noise it finds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks.cleaning.table import Table, continuous_table, first_seconds, table
from benchmarks.cleaning.trial import degraded_of
from benchmarks.cleaning.truth import high_pass_noise, metres, raw
from refine.shot import Array, Shot

LEAST_SIGMA = 0.01  # deg, or mm: digits end there
WITHIN = 3.0  # sigmas


@dataclass(frozen=True)
class Moves:
    """Of all samples of channels that move: the share (0 to 1) moved by WITHIN sigmas at most, and the largest."""

    share: float
    worst_share: float  # of the channel with the least
    worst_channel: str
    largest: float  # sigmas
    largest_where: str  # control.channel@frame
    moved: float  # root mean square of all moves, in sigmas


def moves(
    method: Callable[[Shot], Shot], clip: str, seconds: float | None = None, sigma: Array | None = None
) -> Moves:
    """What a method moves of the raw capture, in sigmas (C,) of each channel's own noise.

    Where sigma is None it is the median of sixth differences, which no smoothing has to do with. Noise that is slower
    than white is larger than that says, so the figure is severe.
    """
    before = first_seconds(raw(clip), seconds)
    columns = table(before)
    least = np.full(len(columns.owners), LEAST_SIGMA / 1000 / metres(before))
    least[columns.turns] = LEAST_SIGMA
    known = high_pass_noise(columns.values) if sigma is None else sigma
    size = np.abs(change(columns, continuous_table(method(before)), before)) / np.maximum(known, least)
    alive = np.flatnonzero(np.ptp(columns.values, axis=0) > least)
    size = size[:, alive]
    shares = np.mean(size <= WITHIN, axis=0)
    frame, column = np.unravel_index(int(size.argmax()), size.shape)
    names = [".".join(columns.owners[i]) for i in alive]
    return Moves(
        share=float(np.mean(size <= WITHIN)),
        worst_share=float(shares.min()),
        worst_channel=names[int(shares.argmin())],
        largest=float(size.max()),
        largest_where=f"{names[int(column)]}@{frame}",
        moved=float(np.sqrt(np.mean(size**2))),
    )


def change(before: Table, after: Table, shot: Shot) -> Array:
    """(N, C) after less before, whole turns undone, each Euler triple in the branch in which it is nearer."""
    off = after.values - before.values
    turns = before.turns
    off[:, turns] = turned(off[:, turns])
    order = {control.name: control.order for control in shot.controls}
    for name, at in before.triples().items():
        middle = at["xyz".index(order[name][1])]
        other = after.values[:, at] + 180.0
        other[:, at.index(middle)] = 180.0 - after.values[:, middle]
        nearer = turned(other - before.values[:, at])
        closer = np.abs(nearer).sum(axis=1) < np.abs(off[:, at]).sum(axis=1)
        off[np.ix_(closer, at)] = nearer[closer]
    return off


def turned(degrees: Array) -> Array:
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


def noise_ratio(
    noise_of: Callable[[Shot], float],
    clip: str,
    degradation: str,
    seed: int = 0,
    seconds: float | None = None,
) -> float:
    """The noise (deg) that a method finds over the noise that was put on."""
    made = degraded_of(clip, degradation, seed, seconds)
    if made.noise == 0:
        raise ValueError(f"{degradation} has no noise to be found")
    return noise_of(made.shot) / made.noise

"""Jitter of baked controls: looked for in each joint's own samples, then measured on screen.

Noise is flat, while motion falls off with frequency, so the top of the band is noise alone: there a joint's level in
half a second is held against its own level in the rest of the shot, and against what the other joints do just then,
since a quick move of the body raises them all. What stands out is brought to the screen by the joint's own derivative:
as much as noise of that level makes of tremor above the frequency that counts as jitter. What other joints make up
for shows nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from refine.flags.carried import pops
from refine.flags.flag import Cause, Flag
from refine.flags.joints import Out, baked_channels, paths_of, third_of_the_others
from refine.flags.path import above, rolling_rms, steady, stepped, white_above
from refine.flags.stage import Stage, runs
from refine.flags.trace import best_seen, gain, samples
from refine.pose import Point
from refine.shot import ROTATIONS, Array, Channel

TOP = 2 / 3  # of the band above the jitter's frequency: what lies higher is noise alone [judge]
CALM = 0.15  # of a shot that is free of a jitter at least [judge]
USUAL = 1.6  # times its own level that the third loudest of a body's joints reaches at any time [judge]
GRAIN = 0.4  # deg of noise: twice what captures have, 0.05 to 0.2 [judge]
ITS_OWN = 0.5  # share of a joint's tremor that the point it moves must really show [judge]
QUIETER = 0.6  # times the median level of a stretch under which its ends are no part of it [judge]
SILENT = 1e-9  # channel units: rounding


@dataclass(frozen=True, eq=False)
class Levels:
    """The noise of all baked channels: `owned` say whose, `top` (P, N, D) is what lies at the top of the band."""

    owned: list[tuple[str, Channel]]
    top: Array
    size: Array  # (P, M) its RMS over each stretch of `count` frames, from position `edge` on
    even: NDArray[np.bool_]  # (P, M) all of the stretch is rough, not a blow in it
    edge: int
    count: int
    widen: float  # times the RMS at the top that the noise has above the jitter's frequency
    whole: float  # times the RMS at the top that the noise has in all

    @cached_property
    def usual(self) -> Array:
        """(P, 1) level of each channel where it is calm in the shot."""
        return np.asarray(np.quantile(self.size, CALM, axis=1)[:, None])

    @cached_property
    def beyond(self) -> Array:
        """(P, M) times a channel's own level, and times what the body's other joints do."""
        own = self.size / np.maximum(self.usual, SILENT)
        names = list(dict.fromkeys(name for name, _ in self.owned))
        loudest = np.stack([own[self.rows(name)].max(axis=0) for name in names])
        body = dict(zip(names, np.maximum(third_of_the_others(loudest) / USUAL, 1.0), strict=True))
        return np.stack([row / body[name] for row, (name, _) in zip(own, self.owned, strict=True)])

    def rows(self, name: str) -> list[int]:
        return [row for row, (owner, _) in enumerate(self.owned) if owner == name]


def levels(stage: Stage, outs: Sequence[Out]) -> Levels | None:
    """The noise of a stage's baked channels; None where there are none, or nothing lies above the frequency.

    What is out of place is no noise, but would look like it for as long as the filter is: it is set right first.
    """
    threshold, fps = stage.thresholds["jitter"], stage.shot.fps
    hz, count, edge = threshold["hz"], max(round(threshold["seconds"] * fps), 3), round(fps / 2)
    owned = [(name, c) for name in stage.order for c in baked_channels(stage.control(name))]
    owned = [(name, c) for name, c in owned if not stepped(samples(stage, c))]
    if not owned or hz >= fps / 2 or len(stage.frames) <= 2 * edge + count:
        return None
    cut = hz + TOP * (fps / 2 - hz)
    paths = paths_of(stage, owned)
    place = {(name, channel.name): row for row, (name, channel) in enumerate(owned)}
    for out in outs:
        for channel_name, amount in zip(out.channels, out.amounts, strict=True):
            row = place.get((out.control, channel_name))
            if row is not None:
                paths[row, out.first : out.first + out.count, : amount.shape[1]] -= amount
    for row, (name, _) in enumerate(owned):
        for pop in pops(stage, name):
            paths[row, pop.k + 1 :] -= _jump(paths[row], pop.k)
    top = above(paths, cut, fps)
    inside = top[:, edge:-edge]
    size = rolling_rms(inside, count)
    whole = 1 / white_above(cut, fps)
    widen = whole * white_above(hz, fps)
    even = steady(paths[:, edge:-edge], whole * size, count)
    return Levels(owned, top, size, even, edge, count, widen, whole)


def _jump(path: Array, k: int) -> Array:
    """(D,) by how much a path (N, D) goes farther from position k to the next than on either side of it."""
    step = np.diff(path[max(k - 1, 0) : k + 3], axis=0)
    at = min(k, 1)
    beside = np.delete(step, at, axis=0)
    return np.asarray(step[at] - (beside.mean(axis=0) if len(beside) else 0.0))


def find(stage: Stage, outs: Sequence[Out]) -> Iterator[Flag]:
    """Every stretch in which a baked control trembles, but for what is out of place in it."""
    found = levels(stage, outs)
    if found is None:
        return
    least = stage.thresholds["jitter"]["lasting"] * stage.shot.fps
    for name in dict.fromkeys(name for name, _ in found.owned):
        rows = found.rows(name)
        loud = np.any([_stands_out(stage, found, row) | _grainy(found, row) for row in rows], axis=0)
        even = np.any(
            [found.even[row] & (_stands_out(stage, found, row) | _grainy(found, row)) for row in rows], axis=0
        )
        for a, b in runs(loud):
            if np.count_nonzero(even[a : b + 1]) >= least:
                yield from _seen(stage, found, name, (a, b))


def _stands_out(stage: Stage, found: Levels, row: int) -> NDArray[np.bool_]:
    """(M,) stretches in which a channel is noisier than is usual for it."""
    return np.asarray(found.beyond[row] >= stage.thresholds["jitter"]["times"])


def _grainy(found: Levels, row: int) -> NDArray[np.bool_]:
    """(M,) stretches of a channel that is noisy throughout: for `clean`, not for a look at single places."""
    if found.owned[row][1].name not in ROTATIONS or found.usual[row, 0] * found.whole < GRAIN:
        return np.zeros(found.size.shape[1], np.bool_)
    return np.asarray(found.size[row] * found.whole >= GRAIN)


def _seen(stage: Stage, found: Levels, name: str, at: tuple[int, int]) -> Iterator[Flag]:
    """The flag of a control that is noisy in the stretches a to b, at the point where it is seen best."""
    threshold, rows = stage.thresholds["jitter"], found.rows(name)
    loudest = max(rows, key=lambda row: float(found.beyond[row, at[0] : at[1] + 1].max()))
    channel = found.owned[loudest][1]
    first, last = _trimmed(found, loudest, at)
    frames = int(stage.frames[first]), int(stage.frames[last])
    _, by_unit = stage.most_moved(name, channel.name)
    if found.widen * by_unit * float(found.size[rows, at[0] : at[1] + 1].sum(axis=0).max()) < threshold.warn:
        return
    point = best_seen(stage, name, channel.name, frames)
    if point is None:
        return
    size = _on_screen(stage, found, name, point, (first, last))
    half = found.count // 2
    meant = stage.marked(name, "accent", "cut", around=half) | stage.marked(
        point.control, "accent", "cut", around=half
    )
    part = slice(first + half, first + half + len(size))
    shows = stage.counts(point)[part] & ~meant[part]
    amount = float(np.where(shows, size, 0.0).max())
    severity = threshold.severity(amount)
    if severity is None:
        return
    if not any(_stands_out(stage, found, row)[at[0] : at[1] + 1].any() for row in rows):
        severity = "note"
    where = Cause(name, channel.name, (float(frames[0]), float(frames[1])))
    at_point = f", seen at {point.control}" if point.control != name else ""
    message = f"trembles by {amount:.1f} px above {threshold['hz']:g} Hz" + at_point
    ratio = threshold.ratio(amount) * stage.attention(point.control)
    yield Flag(
        "jitter",
        name,
        channel.name,
        frames,
        severity,
        amount,
        "px",
        where,
        message,
        "smooth the range",
        ratio,
    )


def _trimmed(found: Levels, row: int, at: tuple[int, int]) -> tuple[int, int]:
    """First and last position that are noisy themselves, of the stretches a to b: their ends may reach beyond."""
    first, last = found.edge + at[0], found.edge + at[1] + found.count - 1
    near = found.count // 4
    energy = np.sum(found.top[row, first - near : last + near + 1] ** 2, axis=1)
    level = np.convolve(energy, np.ones(2 * near + 1) / (2 * near + 1), "valid")
    loud = np.flatnonzero(level >= QUIETER**2 * np.median(level))
    # At least one stretch is left, so that it can be measured.
    start = min(first + int(loud[0]), last - found.count + 1)
    return start, max(first + int(loud[-1]), start + found.count - 1)


def _on_screen(stage: Stage, found: Levels, name: str, point: Point, at: tuple[int, int]) -> Array:
    """(m,) px RMS above the jitter's frequency in each stretch within positions a to b; 0 where it is made up for."""
    part = slice(at[0], at[1] + 1)
    frames = int(stage.frames[at[0]]), int(stage.frames[at[1]])
    made: Array = np.zeros((at[1] - at[0] + 1, 2))
    for row in found.rows(name):
        channel = found.owned[row][1]
        by_unit = gain(stage, point, name, channel.name, frames)
        made += (by_unit @ found.top[row, part, : by_unit.shape[2], None])[:, :, 0]
    hz, fps = stage.thresholds["jitter"]["hz"], stage.shot.fps
    path = above(stage.screen(point), hz + TOP * (fps / 2 - hz), fps)[part]
    whole = float(np.sum(made**2))
    if whole == 0 or float(np.sum(made * path)) < ITS_OWN * whole:
        return np.zeros(at[1] - at[0] + 2 - found.count)
    return np.asarray(found.widen * rolling_rms(made[None], found.count)[0])

"""Affine maps of what a control drives: its channels, its points in the world and on screen.

The bridge between the document and `constraints`: the unknowns are changes of key values and slopes (or of
samples), each counted in its own natural unit so that 1 is a large change for all of them. Maps of channels are
exact; maps of points are linearised about the changes made so far, and made anew in each pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Affine, Band
from refine.curve import INCOMING, OUTGOING, VALUE, reaches, sample_matrix, unknowns, with_unknowns
from refine.pose import Point, driven, jacobian, pose, world_point
from refine.shot import Array, Keys, Segment, Shot
from refine.view import View, project, screen_jacobian

Field = Literal["value", "slope", "incoming", "outgoing"]
_COLUMNS = {
    "value": (VALUE,),
    "slope": (INCOMING, OUTGOING),
    "incoming": (INCOMING,),
    "outgoing": (OUTGOING,),
}

INSTANT = 1e-3  # frames: a rate is counted over no less than that


@dataclass(frozen=True, slots=True)
class Unknown:
    """One number that may change: of a key, one component of its value or slope, counted in `unit`s."""

    channel: str
    key: int
    field: Field
    unit: float = 1.0
    component: int = 0


def moved(shot: Shot, control: str, free: Sequence[Unknown], x: Array) -> Shot:
    """The shot after the changes x (n,), in units of each unknown."""
    for name in dict.fromkeys(unknown.channel for unknown in free):
        channel = shot.channel(control, name)
        assert channel.keys is not None
        table = unknowns(channel.keys).copy()
        for unknown, change in zip(free, x, strict=True):
            if unknown.channel == name:
                for column in _COLUMNS[unknown.field]:
                    table[3 * unknown.key + column, unknown.component] += unknown.unit * change
        shot = shot.with_channel(control, replace(channel, keys=with_unknowns(channel.keys, table)))
    return shot


@dataclass(frozen=True, eq=False)
class KeyedMotion:
    """The maps of one control's keyed channels at whole `frames`, linearised about the changes `x`.

    `shot` is the state at x = 0; `view` must be posed on the same frames.
    """

    shot: Shot
    control: str
    free: tuple[Unknown, ...]
    frames: Array
    x: Array
    view: View | None = None
    also: tuple[Point, ...] = ()  # points to see the effect by, besides those that the channels drive

    @property
    def size(self) -> int:
        return len(self.free)

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(unknown.channel for unknown in self.free))

    def _keys(self, channel: str) -> Keys:
        keys = self.shot.channel(self.control, channel).keys
        assert keys is not None
        return keys

    def over_keys(self, channel: str, rows: Array, component: int = 0) -> Affine:
        """rows (m, 3K) on [value, incoming, outgoing] of each key, as a map of the changes."""
        matrix = np.zeros((len(rows), self.size))
        for j, unknown in enumerate(self.free):
            if (unknown.channel, unknown.component) == (channel, component):
                for column in _COLUMNS[unknown.field]:
                    matrix[:, j] += unknown.unit * rows[:, 3 * unknown.key + column]
        return Affine(matrix, rows @ unknowns(self._keys(channel))[:, component])

    def samples(self, channel: str, component: int = 0) -> Affine:
        keys = self._keys(channel)
        return self.over_keys(channel, sample_matrix(keys, self.frames).dense(), component)

    @cached_property
    def _at(self) -> Shot:
        return moved(self.shot, self.control, self.free, self.x)

    @cached_property
    def _world(self) -> list[tuple[Array, Array]]:
        """Place (N, 3) and derivative (N, 3, n) of each driven point at x."""
        points = list(self.also)
        for channel in self.channels:
            points += [point for point in driven(self.shot, self.control, channel) if point not in points]
        at = pose(self._at, self.frames)
        places = [world_point(at, self._at, point) for point in points]
        by_change = [np.zeros((len(self.frames), 3, self.size)) for _ in points]
        for channel in self.channels:
            by_value = jacobian(self._at, at, self.control, channel, points)
            for component in range(by_value.shape[3]):
                rows = self.samples(channel, component).matrix
                assert not isinstance(rows, Band)
                for p, derivative in enumerate(by_change):
                    derivative += by_value[p, :, :, component, None] * rows[:, None, :]
        return list(zip(places, by_change, strict=True))

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        maps = []
        for place, derivative in self._world:
            if space == "screen":
                assert self.view is not None
                derivative = screen_jacobian(self.view, place) @ derivative
                place = project(self.view, place)
            for axis in range(place.shape[1]):
                matrix = derivative[:, axis]
                maps.append(Affine(matrix, place[:, axis] - matrix @ self.x))
        return tuple(maps)

    def control_values(self, channel: str) -> Affine | None:
        return self.over_keys(
            channel, np.concatenate([rows for _, rows in self._polygons(channel)] or [self._none(channel)])
        )

    def control_rates(self, channel: str) -> Affine | None:
        quotients = []
        for frames, rows in self._polygons(channel):
            for f, y in _rising(frames, rows):
                run, rise = np.diff(f), np.diff(y, axis=0)
                # Reaches as long as the segment make the curve vertical: no run, yet a rise to be bounded.
                steep = (run > 0) | np.any(rise != 0, axis=1)
                quotients.append(rise[steep] / np.maximum(run, INSTANT)[steep, None])
        return self.over_keys(channel, np.concatenate(quotients or [self._none(channel)]))

    def _none(self, channel: str) -> Array:
        return np.zeros((0, 3 * len(self._keys(channel))))

    def _polygons(self, channel: str) -> list[tuple[Array, Array]]:
        """Frames (4,) and values over the keys' unknowns (4, 3K) of each curve segment that a change touches."""
        keys = self._keys(channel)
        into, out = reaches(keys)
        touched = {unknown.key for unknown in self.free if unknown.channel == channel}
        found = []
        for k in range(len(keys) - 1):
            if keys.segment[k] != Segment.CURVE or not touched & {k, k + 1}:
                continue
            rows = np.zeros((4, 3 * len(keys)))
            rows[[0, 1], 3 * k + VALUE] = rows[[2, 3], 3 * (k + 1) + VALUE] = 1.0
            rows[1, 3 * k + OUTGOING], rows[2, 3 * (k + 1) + INCOMING] = out[k], -into[k + 1]
            f0, f1 = keys.frames[k], keys.frames[k + 1]
            found.append((np.array([f0, f0 + out[k], f1 - into[k + 1], f1]), rows))
        return found


def _rising(frames: Array, rows: Array, depth: int = 6) -> list[tuple[Array, Array]]:
    """The segment split by de Casteljau until the frames of its control points rise."""
    if depth == 0 or np.all(np.diff(frames) >= 0):
        return [(frames, rows)]
    halves_f, halves_y = _split(frames), _split(rows)
    return [part for f, y in zip(halves_f, halves_y, strict=True) for part in _rising(f, y, depth - 1)]


def _split(points: Array) -> tuple[Array, Array]:
    a = (points[:-1] + points[1:]) / 2
    b = (a[:-1] + a[1:]) / 2
    c = (b[:1] + b[1:]) / 2
    return np.concatenate([points[:1], a[:1], b[:1], c]), np.concatenate([c, b[-1:], a[-1:], points[-1:]])


@dataclass(frozen=True, eq=False)
class BakedMotion:
    """One baked channel around a range: the unknowns are the changes of the samples from `first` to `last`.

    `values` (N,) stand at `frames` (N,), which hold the range and a margin of samples that stay.
    """

    channel: str
    frames: Array
    values: Array
    first: int
    last: int

    @property
    def size(self) -> int:
        return self.last - self.first + 1

    @property
    def channels(self) -> tuple[str, ...]:
        return (self.channel,)

    def samples(self, channel: str) -> Affine:
        at = (self.frames - self.first).astype(np.intp)
        inside: NDArray[np.float64] = ((at >= 0) & (at < self.size)).astype(float)
        return Affine(Band(inside[:, None], np.clip(at, 0, self.size - 1), self.size), self.values)

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        return ()

    def control_values(self, channel: str) -> Affine | None:
        return None

    def control_rates(self, channel: str) -> Affine | None:
        return None

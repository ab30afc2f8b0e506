"""A limb moved as one: the rotations of its chain solved together, so that its end goes where it is asked to.

Baked channels: each frame by damped least squares over the samples of that frame, all frames at once
(Wampler 1986, Nakamura & Hanafusa 1986 [mem]):  dx = (J'J + d^2 I)^-1 J' (goal - place), until it stays.
Keyed channels: the values and slopes of the free keys together (`ChainMotion`, solved in `placed`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Affine
from refine.curve import INCOMING, OUTGOING, VALUE, sample_matrix, unknowns
from refine.held import Locks
from refine.motion import Unknown, moved
from refine.pinned import pinned_keys
from refine.pose import Point, jacobian, pose, world_point
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Array, Channel, Shot, frozen

PASSES = 30
DAMPING = (
    1e-3  # of the mean square of the derivatives: far from straight it costs a pass or two, near it holds
)
STILL = 1e-9  # of the largest goal's distance: then the solve has arrived
LONGEST_STEP = 6.0  # degrees a pass
_COLUMNS = {
    "value": (VALUE,),
    "slope": (INCOMING, OUTGOING),
    "incoming": (INCOMING,),
    "outgoing": (OUTGOING,),
}


@dataclass(frozen=True, eq=False)
class Goals:
    """Where points (P) shall be on the whole frames (k,): places (P, k, 3) in the world, weights (P, k)."""

    points: tuple[Point, ...]
    frames: Array
    places: Array
    weight: Array


def turning(shot: Shot, names: Sequence[str]) -> list[tuple[str, Channel]]:
    """The rotation channels of a chain, in order; a control on its own, which nothing turns, its translations."""
    kinds = (*ROTATIONS, QUATERNION) if len(names) > 1 else TRANSLATIONS
    return [
        (name, channel) for name in names for channel in shot.control(name).channels if channel.name in kinds
    ]


# --- baked -------------------------------------------------------------------------------------------------


def followed(shot: Shot, names: Sequence[str], goals: Goals, locks: Locks) -> Shot:
    """The shot with the baked rotations of a chain turned on the goals' frames, as near to the goals as they allow.

    Samples that a pin or an accent holds don't move, and values stay within their limits.
    """
    channels = [(name, channel) for name, channel in turning(shot, names) if channel.baked]
    at = goals.frames.astype(np.intp) - shot.first_frame
    free = [_free_samples(name, channel, goals.frames, locks) for name, channel in channels]
    reach = max(float(np.abs(goals.places).max()), 1.0)
    for _ in range(PASSES):
        posed = pose(shot, goals.frames)
        places = np.stack([world_point(posed, shot, point) for point in goals.points])
        miss = (goals.places - places) * goals.weight[..., None]
        columns = []
        for (name, channel), open_ in zip(channels, free, strict=True):
            by_value = jacobian(shot, posed, name, channel.name, goals.points)
            columns.append(by_value * (goals.weight[..., None, None] * open_[:, None, None]))
        step = _damped(np.concatenate(columns, axis=3), miss)
        start = 0
        for name, channel in channels:
            current = shot.channel(name, channel.name)
            assert current.samples is not None
            width = current.samples.shape[1]
            shot = _with_samples(shot, name, current, at, step[:, start : start + width])
            start += width
        if float(np.abs(step).max(initial=0.0)) < STILL * reach:
            break
    return shot


def _damped(derivative: Array, miss: Array) -> Array:
    """(k, n) steps from derivatives (P, k, 3, n) and misses (P, k, 3), none longer than LONGEST_STEP."""
    count, size = derivative.shape[1], derivative.shape[3]
    j = np.moveaxis(derivative, 1, 0).reshape(count, -1, size)
    r = np.moveaxis(miss, 1, 0).reshape(count, -1, 1)
    normal = np.swapaxes(j, 1, 2) @ j
    mean = np.einsum("kii->k", normal) / size
    normal += (DAMPING * np.maximum(mean, np.finfo(float).tiny))[:, None, None] * np.eye(size)
    step = np.linalg.solve(normal, np.swapaxes(j, 1, 2) @ r)[..., 0]
    longest = np.abs(step).max(axis=1, initial=0.0)
    return np.asarray(step * np.minimum(1.0, LONGEST_STEP / np.maximum(longest, 1e-300))[:, None])


def _free_samples(name: str, channel: Channel, frames: Array, locks: Locks) -> NDArray[np.float64]:
    """(k,) 1 where a sample may move."""
    held = locks.held(name, channel, frames)
    free = np.ones(len(frames))
    for _, pinned in held.pins:
        free[np.isin(frames, pinned)] = 0.0
    for _, (a, b) in locks.kept_samples(name):
        free[(frames >= a) & (frames <= b)] = 0.0
    return free


def _with_samples(shot: Shot, name: str, channel: Channel, at: NDArray[np.intp], step: Array) -> Shot:
    assert channel.samples is not None
    samples = channel.samples.copy()
    moved_to = samples[at] + step
    if channel.limits is not None:
        low = np.minimum(channel.limits.lower, samples[at])
        high = np.maximum(channel.limits.upper, samples[at])
        moved_to = np.clip(moved_to, low, high)
    if channel.name == QUATERNION:
        moved_to /= np.linalg.norm(moved_to, axis=1, keepdims=True)
    samples[at] = np.where(step == 0, samples[at], moved_to)
    return shot.with_channel(name, replace(channel, samples=frozen(samples)))


# --- keyed -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ChainMotion:
    """The maps of several controls' keyed channels at whole `frames`, linearised about the changes `x`.

    Channels are named "control.channel". `seen` are the points, in the order of `points("world")`.
    """

    shot: Shot
    free: tuple[tuple[str, Unknown], ...]
    frames: Array
    x: Array
    seen: tuple[Point, ...]

    @property
    def size(self) -> int:
        return len(self.free)

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(f"{control}.{unknown.channel}" for control, unknown in self.free))

    @cached_property
    def at(self) -> Shot:
        """The shot after the changes x."""
        return changed(self.shot, self.free, self.x)

    def samples(self, channel: str) -> Affine:
        control, name = next((c, u.channel) for c, u in self.free if f"{c}.{u.channel}" == channel)
        return self._samples(control, name, 0)

    def _samples(self, control: str, name: str, component: int) -> Affine:
        keys = self.shot.channel(control, name).keys
        assert keys is not None
        rows = sample_matrix(keys, self.frames).dense()
        matrix = np.zeros((len(self.frames), self.size))
        for j, (owner, unknown) in enumerate(self.free):
            if (owner, unknown.channel, unknown.component) == (control, name, component):
                for column in _COLUMNS[unknown.field]:
                    matrix[:, j] += unknown.unit * rows[:, 3 * unknown.key + column]
        return Affine(matrix, rows @ unknowns(keys)[:, component])

    @cached_property
    def _world(self) -> tuple[Affine, ...]:
        posed = pose(self.at, self.frames)
        by_change = np.zeros((len(self.seen), len(self.frames), 3, self.size))
        for control, name in dict.fromkeys((c, u.channel) for c, u in self.free):
            by_value = jacobian(self.at, posed, control, name, self.seen)
            own = [j for j, (c, u) in enumerate(self.free) if (c, u.channel) == (control, name)]
            for component in range(by_value.shape[3]):
                rows = np.asarray(self._samples(control, name, component).matrix)[:, own]
                by_change[..., own] += by_value[..., component, None] * rows[None, :, None, :]
        maps = []
        for p, point in enumerate(self.seen):
            place = world_point(posed, self.at, point)
            for axis in range(3):
                matrix = by_change[p, :, axis]
                maps.append(Affine(matrix, place[:, axis] - matrix @ self.x))
        return tuple(maps)

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        if space != "world":
            raise ValueError("a chain is posed in the world, not on screen")
        return self._world

    def control_values(self, channel: str) -> Affine | None:
        return None

    def control_rates(self, channel: str) -> Affine | None:
        return None


def changed(shot: Shot, free: Sequence[tuple[str, Unknown]], x: Array) -> Shot:
    """The shot after the changes x (n,), in units of each unknown."""
    for control in dict.fromkeys(owner for owner, _ in free):
        mine = [j for j, (owner, _) in enumerate(free) if owner == control]
        shot = moved(shot, control, [free[j][1] for j in mine], x[mine])
    return shot


def free_keys(
    shot: Shot, names: Sequence[str], frames: tuple[float, float], locks: Locks, unit: float = 1.0
) -> tuple[tuple[str, Unknown], ...]:
    """Value and slope of each key of a chain's rotations within `frames`, but those that pins and accents hold.

    A value counts in `unit` degrees, a slope in what moves the curve by about as much.
    """
    free: list[tuple[str, Unknown]] = []
    for name, channel in turning(shot, names):
        keys = channel.keys
        if keys is None or keys.values.shape[1] != 1:
            continue
        before = np.diff(keys.frames, prepend=keys.frames[0] - 8)
        after = np.diff(keys.frames, append=keys.frames[-1] + 8)
        inside = (keys.frames >= frames[0]) & (keys.frames <= frames[1])
        inside &= ~pinned_keys(locks.pins, name, channel.name, keys)
        for _, (a, b) in locks.kept_samples(name):  # accents; a contact is what the chain moves for
            inside &= (keys.frames < a) | (keys.frames > b)
        for k in np.flatnonzero(inside).tolist():
            slope = 4.0 * unit / float(min(before[k], after[k]))
            free.append((name, Unknown(channel.name, k, "value", unit)))
            free.append((name, Unknown(channel.name, k, "slope", slope)))
    return tuple(free)

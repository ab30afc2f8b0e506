"""How parts arrive: where a control stops dead and where it swings past a pose.

Measured on a control's own channels, so that what carries it has no say: the three translations, or the rotation as
its path of turns (deg), are one track of up to three numbers, and a move runs along the direction in which it ends.
A speed is counted over 1/24 s or one frame, whichever is longer: what an audience can see.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from refine.curve import sample, sample_matrix, unknowns
from refine.pose import Point, Pose, in_axes
from refine.rotation import matrix_quaternion, rotation_vector, turn
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Array, Channel, Keys, Shot
from refine.view import View, screen_jacobian

STANDS = 0.125  # s that a pose holds at least, to be one [judge]
RESTS = 0.25  # s that it stands after a swing: less is a turning point [judge]
FAST = 0.6  # of the highest speed just before: an ease into the pose ends slower [judge]
RECENT = 0.25  # s before an arrival that show how it brakes [judge]
BACK = 1.2  # s before a rest in which its move is looked for [judge]
STILL = 0.02  # of the speed before: standing, where a rest is looked for [judge]
HELD = 1 / 3  # of a move's frames without motion: it is on twos, or not splined [judge]
SWING = 0.5  # of a move just before: a smaller one is its settling [judge]
ROUNDING = 1e-9  # of the motion around: no excursion
DRIFTS = 0.3  # of the move's mean speed, at which it passes the pose [judge]


@dataclass(frozen=True, eq=False)
class Track:
    """`values` (N, D) of the named channels of one control at consecutive frames, in deg or shot units."""

    control: str
    kind: Literal["translation", "rotation"]
    channels: tuple[str, ...]
    values: Array

    @cached_property
    def steps(self) -> Array:
        """(N - 1,) distance from each frame to the next."""
        return np.asarray(np.sqrt(np.sum(np.diff(self.values, axis=0) ** 2, axis=1)))


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """A move's end at frame position `at`: unit `direction` (D,), `speed` in units a frame, `size` of the move.

    `excursion` is how far the track goes on past its pose, along the direction; `peak` is where, a position.
    """

    track: Track
    at: int
    direction: Array
    speed: float
    size: float
    excursion: float
    peak: int


def tracks(shot: Shot, frames: Array, names: set[str]) -> list[Track]:
    """The tracks of these controls that move at all."""
    found = []
    for control in shot.controls:
        if control.name not in names:
            continue
        alive = {channel.name: channel for channel in control.channels if _alive(channel)}
        wanted = {"translation": TRANSLATIONS, "rotation": () if QUATERNION in alive else ROTATIONS}
        for kind, names_of_kind in wanted.items():
            own = tuple(name for name in names_of_kind if name in alive)
            if own:
                values = _side_by_side([alive[name] for name in own], shot, frames)
                found.append(
                    Track(control.name, "translation" if kind == "translation" else "rotation", own, values)
                )
        if QUATERNION in alive:
            quaternions = sample(alive[QUATERNION], shot, frames)
            turns = np.rad2deg(turn(quaternions[:-1], quaternions[1:]))
            path = np.vstack([np.zeros((1, 3)), np.cumsum(turns, axis=0)])
            found.append(Track(control.name, "rotation", (QUATERNION,), path))
    return [track for track in found if len(frames) > 1 and track.steps.any()]


def _side_by_side(channels: list[Channel], shot: Shot, frames: Array) -> Array:
    """(N, C) values of channels of one number each; at once where they are keyed on the same frames."""
    keyed = [channel.keys for channel in channels if channel.keys is not None]
    first = keyed[0] if len(keyed) == len(channels) else None
    if first is not None and all(_same_timing(first, keys) for keys in keyed):
        return sample_matrix(first, frames) @ np.hstack([unknowns(keys) for keys in keyed])
    return np.column_stack([sample(channel, shot, frames)[:, 0] for channel in channels])


def _same_timing(a: Keys, b: Keys) -> bool:
    return all(
        np.array_equal(getattr(a, name), getattr(b, name), equal_nan=name != "segment")
        for name in ("frames", "incoming_reach", "outgoing_reach", "segment")
    )


def _alive(channel: Channel) -> bool:
    table = channel.samples if channel.keys is None else channel.keys.values
    return table is not None and len(table) > 1


def window(fps: float) -> int:
    """Frames over which a speed is counted: those of 1/24 s, one at least."""
    return max(1, round(fps / 24))


def dead_stops(
    track: Track, fps: float, hold: int, reach: int, settle: int, slow: float
) -> Iterator[Arrival]:
    """Arrivals at nearly full speed after which the track stands: within a window slower than `slow` of it.

    hold: frames that it stands at least; reach: frames in which an excursion past the pose is looked for; settle:
    frames of a swing, of which a small move back from the other side is the tail.
    """
    w, steps, values = window(fps), track.steps, track.values
    count, hold = len(values), max(hold, round(STANDS * fps), 2 * w)
    if count < 2 * w + hold:
        return
    before = np.sqrt(np.sum((values[w:] - values[:-w]) ** 2, axis=1)) / w  # [j]: from j to j + w
    ends = np.flatnonzero((before[:-1] > 0) & (steps[w:] <= slow * before[:-1])) + w
    for a in ends.tolist():
        speed = float(before[a - w])
        if a + hold >= count or steps[a : a + hold].max() > slow * speed or steps[a - 1] <= slow * speed:
            continue
        arrival = _arrival(track, a, w, reach)
        if arrival is None or _is_tail(track, arrival, settle):
            continue
        if speed >= FAST * _highest(before, a, w, arrival, round(RECENT * fps)):
            yield arrival


def _is_tail(track: Track, arrival: Arrival, settle: int) -> bool:
    """Whether the move is the last swing of a larger one that came from beyond the pose and went past it."""
    a = arrival.at
    along = (track.values[: a + 1] - track.values[a]) @ arrival.direction
    start = _start(along, a)
    rising = np.flatnonzero(np.diff(along[: start + 1]) > 0)  # the move before ran the other way from here on
    before = int(rising[-1]) + 1 if len(rising) else 0
    passed = np.flatnonzero(along[before : start + 1] > 0)
    if not len(passed) or a - (before + int(passed[-1])) > settle:
        return False
    return arrival.size < SWING * float(along[before])


def _start(along: Array, a: int) -> int:
    """Where the move that ends at a begins: the nearest position before which it doesn't go that way."""
    back = np.flatnonzero(np.diff(along[: a + 1]) < 0)
    start = int(back[-1]) + 1 if len(back) else 0
    forward = np.flatnonzero(np.diff(along[start : a + 1]) > 0)
    return start + int(forward[0]) if len(forward) else a


def _arrival(track: Track, a: int, w: int, reach: int) -> Arrival | None:
    """The arrival at position a, None for a jump in one frame and for a move on twos."""
    motion = track.values[a] - track.values[a - w]
    size = float(np.linalg.norm(motion))
    direction = motion / size
    along = (track.values - track.values[a]) @ direction
    start = _start(along, a)
    moving = track.steps[start:a]
    if len(moving) < 2 or np.count_nonzero(moving <= STILL * moving.max()) >= HELD * len(moving):
        return None
    past = along[a : a + reach + 1]
    peak = int(np.argmax(past))
    return Arrival(track, a, direction, size / w, -float(along[start]), max(float(past[peak]), 0.0), a + peak)


def _highest(before: Array, a: int, w: int, arrival: Arrival, recent: int) -> float:
    """Highest speed of the move's last frames, units a frame."""
    along = (arrival.track.values - arrival.track.values[a]) @ arrival.direction
    start = max(_start(along, a), a - recent)
    return float(before[min(start, a - w) : a - w + 1].max())


def swings(track: Track, fps: float, settle: int) -> Iterator[Arrival]:
    """Moves that go past the pose in which they then rest; `at` is where they pass it, `excursion` how far.

    `speed` is the mean of the move up to there. One that drifts past more slowly is no swing, nor is one that takes
    longer than `settle` frames from there to its rest.
    """
    hold, back = max(round(RESTS * fps), 2 * window(fps)), max(round(BACK * fps), 1)
    seen: set[int] = set()
    for r in _rests(track.steps, hold, back):
        first = max(r - back, 0)
        away = track.values[first : r + 1] - track.values[r]
        steps = np.diff(away, axis=0)
        turns = np.flatnonzero((np.sum(steps[:-1] * steps[1:], axis=1) <= 0) & steps[:-1].any(axis=1)) + 1
        found = (_swing(track, away, int(p), first, window(fps)) for p in turns)
        swung = [each for each in found if each is not None and r - each.at <= settle]
        if swung:
            largest = max(swung, key=lambda arrival: arrival.excursion)
            if largest.peak not in seen:
                seen.add(largest.peak)
                yield largest


def _swing(track: Track, away: Array, peak: int, first: int, w: int) -> Arrival | None:
    """The swing that peaks there, if the move that leads to it passed the pose on its way, and came from farther."""
    excursion = float(np.linalg.norm(away[peak]))
    if excursion <= ROUNDING * float(np.abs(away).max()):
        return None
    direction = away[peak] / excursion
    along = away @ direction
    start = _start(along, peak)
    passed = np.flatnonzero(along[start:peak] <= 0)
    if not len(passed) or excursion >= -along[start]:
        return None
    at = start + int(passed[-1])
    last = max(at, start + 1)  # before the pose: a swing mustn't excuse itself by the speed that it takes
    speed = float(along[last] - along[start]) / (last - start)
    there = float(along[at + 1] - along[max(at + 1 - w, start)]) / min(w, at + 1 - start)
    if there < DRIFTS * speed:
        return None
    return Arrival(track, first + at, direction, speed, -float(along[start]), excursion, first + peak)


def _rests(steps: Array, hold: int, back: int) -> Iterator[int]:
    """Positions at which standing begins: `hold` steps of next to nothing after a second that had more."""
    if len(steps) < hold + 2:
        return
    quiet = np.lib.stride_tricks.sliding_window_view(steps, hold).max(axis=1)
    for r in np.flatnonzero((quiet[1:] < quiet[:-1]) & (steps[: len(quiet) - 1] > quiet[1:])) + 1:
        if quiet[r] <= STILL * steps[max(r - back, 0) : r].max():
            yield int(r)


def pixels_a_unit(shot: Shot, posed: Pose, view: View, arrival: Arrival, points: Sequence[Point]) -> Array:
    """(P,) px that a unit of the arrival's own motion moves each point on screen, its parent standing still.

    The points are carried by the arrival's control; `posed` and `view` hold the frames of its track.
    """
    at = arrival.at
    rows = [shot.index(point.control) for point in points]
    inside = np.array([point.local for point in points])
    places = (posed.linear[rows, at] @ inside[:, :, None])[:, :, 0] + posed.origin[rows, at]
    now = slice(at, at + 1)
    seen = replace(view, axes=view.axes[now], place=view.place[now], focal=view.focal[now])
    moved = _moved(shot, posed, arrival, places)
    on_screen = screen_jacobian(seen, places[:, None, :])[:, 0] @ moved[:, :, None]
    return np.asarray(np.linalg.norm(on_screen[:, :, 0], axis=1))


def _moved(shot: Shot, posed: Pose, arrival: Arrival, places: Array) -> Array:
    """(P, 3) how a unit of the arrival moves points in the world, seen from its parent as that stands now."""
    track, at = arrival.track, arrival.at
    i = shot.index(track.control)
    control, before = shot.controls[i], max(at - window(shot.fps), 0)
    units = float(np.linalg.norm(track.values[at] - track.values[before])) or 1.0
    linear, origin = np.eye(3)[None].repeat(2, axis=0), np.zeros((2, 3))
    if control.parent is not None:
        up = shot.index(control.parent)
        linear, origin = posed.linear[up, [before, at]], posed.origin[up, [before, at]]
    pivots = posed.linear[i, [before, at]] @ np.array(control.pivot) + posed.origin[i, [before, at]]
    if track.kind == "translation":
        inside = in_axes(linear, (pivots - origin)[:, :, None])[:, :, 0]
        return np.broadcast_to(linear[1] @ (inside[1] - inside[0]) / units, places.shape)
    own = in_axes(linear, posed.linear[i, [before, at]])
    turned = own / np.linalg.norm(own, axis=1, keepdims=True)  # scales taken off
    axis = linear[1] @ rotation_vector(matrix_quaternion(turned[1] @ turned[0].T)) / units
    return np.asarray(np.cross(axis, places - pivots[1]))

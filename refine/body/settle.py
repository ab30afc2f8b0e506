"""Letting a part land as its mass asks: past the pose, back, and settled; or calming one that swings too far.

Only keys that are there move: first the slopes from the arrival on, then the values of the keys within the hold. A
baked channel moves its samples. The answer of the second-order system is what the solution stays close to; the rows
of `constraints.overshoot` say what it must be.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, floor, pi

import numpy as np

from constraints.overshoot import SETTLED, Overshoot
from constraints.stay_close import StayClose
from refine.body.arrival import Arrival
from refine.body.response import Response
from refine.curve import sample
from refine.errors import NoSolution
from refine.held import Locks
from refine.motion import BakedMotion, KeyedMotion, Unknown, moved
from refine.problem import build
from refine.shot import Array, Channel, Keys, Segment, Shot, frozen
from refine.solve import solve

FIRST_PEAK, LAST_PEAK = 0.7, 1.4  # of the peak time, in which the peak's frame is tried
PARTS = 0.1  # of the arrival's speed: a channel that brings less of it stays as it is [judge]
CLOSE = 0.1  # weight of staying close to the free answer, beside 1 for the peak's height [judge]
ON_KEY = 0.51  # frames between an arrival and the key that makes it


@dataclass(frozen=True, slots=True, eq=False)
class Landing:
    """A dead stop to mend: the arrival on some frames, the part's response, and how much of its delta to give."""

    arrival: Arrival
    response: Response
    frames: Array
    gain: float = 1.0

    @property
    def frame(self) -> float:
        return float(self.frames[self.arrival.at])


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What one channel shall do: swing by delta about the pose, from the arrival; frames are whole."""

    channel: str
    arrival: float
    pose: float
    sign: float
    delta: float
    peak: float
    last: float  # of the hold
    settled: float
    trough: float
    answer: Response  # whose peak falls on `peak`
    fps: float

    def free(self, frames: Array) -> tuple[Array, Array]:
        """Values and slopes per frame of the free answer at some frames."""
        place, rate = self.answer.free((frames - self.arrival) / self.fps)
        unit = self.sign * self.delta / self.answer.overshoot(1.0)
        return self.pose + unit * place, unit * rate / self.fps

    def overshoot(self) -> Overshoot:
        return Overshoot(
            self.channel,
            self.arrival,
            self.peak,
            self.trough,
            self.settled,
            self.last,
            self.pose,
            self.sign,
            self.delta,
        )


def landed(shot: Shot, locks: Locks, landing: Landing) -> Iterator[Shot]:
    """The shots in which the part lands as its mass asks, the one that changes least first; none if it can't be."""
    fps = shot.fps
    due = landing.response.peak_time * fps
    found = []
    for peak in range(max(ceil(FIRST_PEAK * due - 1e-9), 1), floor(LAST_PEAK * due + 1e-9) + 1):
        answer = _with_peak(shot, locks, landing, peak)
        if answer is not None:
            found.append(answer)
    yield from (shot for _, _, shot in sorted(found, key=lambda each: each[:2]))


def _with_peak(shot: Shot, locks: Locks, landing: Landing, peak: int) -> tuple[int, float, Shot] | None:
    """(channels whose values move, how much changes in deltas, the shot) with the peak so many frames after."""
    arrival, control = landing.arrival, landing.arrival.track.control
    valued, change = 0, 0.0
    for name, share in zip(arrival.track.channels, arrival.direction.tolist(), strict=True):
        if abs(share) < PARTS:
            continue
        wanted = _wanted(shot, landing, control, name, share, peak)
        if wanted is None:
            return None
        for values in (0, 1):
            after = _solved(shot, locks, control, wanted, bool(values))
            if after is not None:
                break
        else:
            return None
        at = landing.frames
        channel = shot.channel(control, name), after.channel(control, name)
        apart = sample(channel[1], after, at) - sample(channel[0], shot, at)
        valued, change = valued + values, change + float(np.linalg.norm(apart) / wanted.delta)
        shot = after
    return valued, change, shot


def _wanted(shot: Shot, landing: Landing, control: str, name: str, share: float, peak: int) -> _Wanted | None:
    """What a channel shall do, None where the pose isn't held long enough for the peak and the way back."""
    arrival, fps = landing.arrival, shot.fps
    own = float(sample(shot.channel(control, name), shot, np.array([landing.frame]))[0, 0])
    speed = arrival.speed * abs(share) * fps
    answer = replace(landing.response, hz=landing.response.hz * landing.response.peak_time * fps / peak)
    last = landing.frame + _standing(arrival)
    trough = landing.frame + floor(peak + pi / answer.wd * fps)
    settled = landing.frame + ceil(landing.response.settled(SETTLED) * fps)
    if last < landing.frame + peak + 1:
        return None
    return _Wanted(
        name,
        landing.frame,
        own,
        float(np.sign(share)),
        landing.gain * landing.response.landing(speed, arrival.size * abs(share)),
        landing.frame + peak,
        last,
        settled,
        min(trough, last),
        answer,
        fps,
    )


def _standing(arrival: Arrival) -> int:
    """Frames after the arrival during which the track stands."""
    after = arrival.track.steps[arrival.at :]
    moves = np.flatnonzero(after > 0.05 * arrival.speed)
    return int(moves[0]) if len(moves) else len(after)


def _solved(shot: Shot, locks: Locks, control: str, wanted: _Wanted, values: bool) -> Shot | None:
    """The shot with one channel landing as wanted, by slopes alone or by values too; None if it can't."""
    channel = shot.channel(control, wanted.channel)
    if channel.samples is not None:
        return _baked(shot, locks, control, channel, wanted) if values else None
    assert channel.keys is not None
    free, about = _unknowns(channel.keys, locks.blocked(control, channel.name, channel.keys), wanted, values)
    if not free:
        return None
    frames = np.arange(wanted.arrival - 1, wanted.last + 1)
    motion = KeyedMotion(shot, control, free, frames, np.zeros(len(free)))
    held = locks.held(control, channel, shot.frames).constraints(channel.name)
    try:
        x = solve(build(motion, [wanted.overshoot(), StayClose(CLOSE**-0.5, about), *held])).x
    except NoSolution:
        return None
    return moved(shot, control, free, x)


def _unknowns(
    keys: Keys, blocked: dict[int, str], wanted: _Wanted, values: bool
) -> tuple[tuple[Unknown, ...], Array]:
    """The numbers that may move, and what the free answer asks of them, in units of delta and of the speed."""
    made = int(np.argmin(np.abs(keys.frames - wanted.arrival)))
    if abs(keys.frames[made] - wanted.arrival) > ON_KEY:
        return (), np.zeros(0)
    places, rates = wanted.free(keys.frames)
    steep = float(np.abs(wanted.free(np.array([wanted.arrival]))[1][0]))
    free: list[Unknown] = []
    about: list[float] = []
    for k in range(made, len(keys)):
        inside = k == made or keys.frames[min(k + 1, len(keys) - 1)] <= wanted.last
        if keys.frames[k] >= wanted.last or not inside or keys.frames[k] > wanted.settled:
            break  # what follows belongs to the next move, or is settled
        if k in blocked:
            continue
        if values and k > made:
            free.append(Unknown(wanted.channel, k, "value", wanted.delta))
            about.append(float(places[k] - keys.values[k, 0]) / wanted.delta)
        if _bends(keys, k):
            # A corner keeps its arrival: only the way out changes.
            field, now = ("outgoing", keys.outgoing) if keys.corner[k] else ("slope", keys.outgoing)
            free.append(Unknown(wanted.channel, k, "outgoing" if field == "outgoing" else "slope", steep))
            about.append(float(rates[k] - now[k, 0]) / steep)
    return tuple(free), np.array(about)


def _bends(keys: Keys, k: int) -> bool:
    """Whether a slope of key k shapes a curve after it or, if it isn't a corner, before it."""
    after = k < len(keys) - 1 and keys.segment[k] == Segment.CURVE
    before = k > 0 and keys.segment[k - 1] == Segment.CURVE and not keys.corner[k]
    return bool(after or before)


def _baked(shot: Shot, locks: Locks, control: str, channel: Channel, wanted: _Wanted) -> Shot | None:
    assert channel.samples is not None
    first, last = int(wanted.arrival) + 1, int(min(wanted.settled, wanted.last - 1))
    frames = np.arange(wanted.arrival - 1, last + 2)
    values = sample(channel, shot, frames)[:, 0]
    inside = np.arange(first, last + 1.0)
    about = wanted.free(inside)[0] - sample(channel, shot, inside)[:, 0]
    motion = BakedMotion(channel.name, frames, values, first, last)
    held = locks.held(control, channel, shot.frames).constraints(channel.name)
    row = replace(wanted.overshoot(), last=float(last), trough=min(wanted.trough, float(last)))
    try:
        x = solve(build(motion, [row, StayClose(wanted.delta * CLOSE**-0.5, about), *held])).x
    except NoSolution:
        return None
    table = channel.samples.copy()
    table[first - shot.first_frame : last + 1 - shot.first_frame, 0] += x
    return shot.with_channel(control, replace(channel, samples=frozen(table)))


def calmed(shot: Shot, locks: Locks, arrival: Arrival, frames: Array, share: float) -> Shot | None:
    """The shot with what swings past a pose shrunk to a share: values and slopes of the keys after the crossing.

    None where a channel has no such key or one of them may not move.
    """
    control = arrival.track.control
    for name, part in zip(arrival.track.channels, arrival.direction.tolist(), strict=True):
        if abs(part) < PARTS:
            continue
        channel = shot.channel(control, name)
        span = float(frames[arrival.at]), float(frames[arrival.peak + _still(arrival)])
        pose = float(sample(channel, shot, np.array([span[1]]))[0, 0])
        after = _shrunk(channel, locks, control, span, pose, share, shot)
        if after is None:
            return None
        shot = shot.with_channel(control, after)
    return shot


def _still(arrival: Arrival) -> int:
    """Frames from the peak to the rest."""
    after = arrival.track.steps[arrival.peak :]
    quiet = np.flatnonzero(after <= 0.02 * after.max())
    run = [a for a, b in pairwise(quiet) if b == a + 1] if len(quiet) > 1 else list(quiet)
    return int(run[0]) if len(run) else len(after)


def _shrunk(
    channel: Channel,
    locks: Locks,
    control: str,
    span: tuple[float, float],
    pose: float,
    share: float,
    shot: Shot,
) -> Channel | None:
    if channel.samples is not None:
        table = channel.samples.copy()
        at = slice(int(span[0]) + 1 - shot.first_frame, int(span[1]) - shot.first_frame)
        table[at] = pose + (table[at] - pose) * share
        held = locks.held(control, channel, np.arange(span[0] + 1, span[1]))
        return None if held.pins else replace(channel, samples=frozen(table))
    assert channel.keys is not None
    keys = channel.keys
    inside = np.flatnonzero((keys.frames > span[0]) & (keys.frames < span[1]))
    blocked = locks.blocked(control, channel.name, keys)
    if not len(inside) or any(k in blocked for k in inside.tolist()):
        return None
    shrunk = {name: getattr(keys, name).copy() for name in ("values", "incoming", "outgoing")}
    shrunk["values"][inside] = pose + (shrunk["values"][inside] - pose) * share
    for name in ("incoming", "outgoing"):
        shrunk[name][inside] *= share
    return replace(channel, keys=keys.changed(**shrunk))

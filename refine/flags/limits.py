"""The mend of a joint past its limit: the excursion is bent to stay below, softly, its timing as it is.

With x the distance above a knee that lies `room` below the limit, p the farthest that x goes and q = room,

    h(x) = x / sqrt(1 + (x / c)^2),  c = p q / sqrt(p^2 - q^2)

is x at first (its correction grows with x^3, so neither speed nor acceleration jumps), never stops rising, and brings
the farthest point onto the limit: the peak stays one instead of becoming a flat top with corners. Samples are put
through h; of keys the values, and the slopes with them by h'. Where the curve between two keys still leaves the limit,
its slopes there go as far towards the ones that hold its Bezier control values below as it takes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.curve import reaches, sample
from refine.errors import NoSolution
from refine.flags.flag import Flag
from refine.flags.stage import Stage, runs
from refine.pinned import concerning, pinned_keys
from refine.shot import Array, Channel, Keys, Segment, Shot, frozen
from refine.slope_rules import BESIDE, followed_rules

FAULT = "past limit"
ROOM = 2.0  # [judge] times what is too much, below the limit, over which it is taken up: the peak keeps 0.3 of its rise
HALF = 0.5  # of what the channel uses below its limit, that the room may take up at most
ROUNDED = 1e-9  # deg by which a bent curve may miss its limit
PASSES = 8  # over the segments: a slope that one needs lower is also its neighbour's
DEEPEST = 0.5  # [judge] of the room, that bent keys stay above at least
STEPS = 40  # of bisection


@dataclass(frozen=True, slots=True)
class Bend:
    """Values y = sign * value that go beyond `limit` are bent from `knee` on so that `farthest` comes to lie on it."""

    sign: float
    limit: float
    knee: float
    farthest: float

    @property
    def _scale(self) -> float:
        p, q = self.farthest - self.knee, self.limit - self.knee
        return p * q / float(np.sqrt(p**2 - q**2))

    def above(self, values: Array) -> NDArray[np.bool_]:
        return np.asarray(self.sign * values > self.knee)

    def values(self, values: Array) -> Array:
        x = self.sign * values - self.knee
        return np.asarray(self.sign * (self.knee + x / np.sqrt(1.0 + (x / self._scale) ** 2)))

    def rate(self, values: Array) -> Array:
        """h' at these values: what slopes are multiplied with."""
        return np.asarray((1.0 + ((self.sign * values - self.knee) / self._scale) ** 2) ** -1.5)


def within_limit(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with a channel kept within its limits where the flag stands; None where what is held stays outside."""
    name, shot = flag.control, stage.shot
    channel = stage.control(name).channel(flag.channel or "")
    assert channel is not None
    bent = _bent(stage, name, channel, flag.frames)
    return None if bent is None else shot.with_channel(name, bent)


def _bent(stage: Stage, name: str, channel: Channel, frames: tuple[int, int]) -> Channel | None:
    found = _bend(stage, channel, frames)
    if found is None:
        return None
    bend, (a, b) = found
    if channel.samples is not None:
        return _bent_samples(channel, bend, (a, b), _held(stage, name, channel))
    first = stage.shot.first_frame
    return _bent_keys(stage, name, channel, bend, (first + a, first + b))


def _bend(stage: Stage, channel: Channel, frames: tuple[int, int]) -> tuple[Bend, tuple[int, int]] | None:
    """The bend of an excursion, and the first and last position among the shot's frames that it moves."""
    assert channel.limits is not None
    shot, limits = stage.shot, channel.limits
    values = sample(channel, shot, shot.frames)[:, 0]
    flagged = slice(frames[0] - shot.first_frame, frames[1] - shot.first_frame + 1)
    over = values[flagged].max() - limits.upper
    sign, bound = (
        (1.0, limits.upper) if over >= limits.lower - values[flagged].min() else (-1.0, -limits.lower)
    )
    y = sign * values
    used = bound - max(float(y.min()), sign * (limits.lower if sign > 0 else limits.upper))
    if used <= 0:
        raise NoSolution("it is never within its limit: look at whether the limit is right")
    # Keyed curves go a little farther between the frames than on them.
    farthest = float(y[flagged].max()) if channel.keys is None else _farthest(channel.keys, sign, frames)
    excess = farthest - bound
    if excess <= ROUNDED:
        return None  # bent already, together with a higher one
    knee = bound - min(ROOM * excess, HALF * used)
    for a, b in runs(y > knee):
        if a <= flagged.stop - 1 and flagged.start <= b:
            top = float(y[a : b + 1].max())
            return Bend(sign, bound, knee, max(farthest, top)), (a, b)
    return None


def _held(stage: Stage, name: str, channel: Channel) -> NDArray[np.bool_]:
    """(N,) frames of the shot on which pins or accents hold a channel."""
    frames = stage.shot.frames
    spans = [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
    spans += [span for _, span in stage.locks.kept_samples(name)]
    held = np.zeros(len(frames), np.bool_)
    for a, b in spans:
        held |= (frames > a - 1) & (frames < b + 1)
    return held


def _bent_samples(
    channel: Channel, bend: Bend, at: tuple[int, int], held: NDArray[np.bool_]
) -> Channel | None:
    assert channel.samples is not None
    inside = slice(at[0], at[1] + 1)
    if held[inside].any():
        return None
    samples = channel.samples.copy()
    samples[inside] = bend.values(samples[inside])
    return replace(channel, samples=frozen(samples))


# --- keyed -------------------------------------------------------------------------------------------------


def _bent_keys(
    stage: Stage, name: str, channel: Channel, bend: Bend, frames: tuple[int, int]
) -> Channel | None:
    """The bent keys; lower than the limit where the curve between them asks for it, as long as slopes follow rules."""
    old = channel.keys
    assert old is not None
    free = ~pinned_keys(stage.locks.pins, name, channel.name, old)
    for _, (a, b) in stage.locks.kept_samples(name):
        free &= (old.frames < a) | (old.frames > b)
    moved = free & (old.frames > frames[0] - 1) & (old.frames < frames[1] + 1) & bend.above(old.values[:, 0])
    aimed, bent = bend, _put_through(old, bend, moved, free)
    for _ in range(PASSES):
        over = max(_top(bent, k, bend.sign) for k in _segments(old, frames)) - bend.limit
        if over <= ROUNDED:
            return replace(channel, keys=bent)
        aimed = replace(aimed, limit=aimed.limit - over)
        if aimed.limit - bend.knee < DEEPEST * (bend.limit - bend.knee):
            break
        bent = _put_through(old, aimed, moved, free)
    return _flattened(channel, _put_through(old, bend, moved, free), bend, frames, free)


def _put_through(keys: Keys, bend: Bend, moved: NDArray[np.bool_], free: NDArray[np.bool_]) -> Keys:
    """The keys with some bent; slopes that follow a rule go on following it, the others are bent with the values."""
    values, into, out = (array[:, 0].copy() for array in (keys.values, keys.incoming, keys.outgoing))
    rate = bend.rate(values[moved])
    values[moved] = bend.values(values[moved])
    by_rule, follows = _by_rule(keys, values - keys.values[:, 0])
    into[moved], out[moved] = into[moved] * rate, out[moved] * rate
    near = follows & free & _beside(moved)
    into[near] = out[near] = keys.outgoing[near, 0] + by_rule[near]
    return keys.changed(values=values[:, None], incoming=into[:, None], outgoing=out[:, None])


def _flattened(
    channel: Channel, bent: Keys, bend: Bend, frames: tuple[int, int], free: NDArray[np.bool_]
) -> Channel | None:
    """The channel with the slopes of segments that leave the limit lowered; None where what may not move leaves it."""
    for _ in range(PASSES):
        beyond = [k for k in _segments(bent, frames) if _top(bent, k, bend.sign) > bend.limit + ROUNDED]
        if not beyond:
            return replace(channel, keys=bent)
        for k in beyond:
            bent = _lowered(bent, k, bend, free)
    return None


def _by_rule(keys: Keys, by: Array) -> tuple[Array, NDArray[np.bool_]]:
    """(K,) by how much slopes that follow a rule change with the values, and (K,) which do."""
    if len(keys) < 3:
        return np.zeros(len(keys)), np.zeros(len(keys), np.bool_)
    matrix, follows = followed_rules(keys)
    return matrix @ by, follows


def _beside(moved: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(K,) these keys and those BESIDE of them."""
    count = np.convolve(moved, np.ones(2 * BESIDE + 1))  # "same" would be as long as the longer of the two
    return np.asarray(count[BESIDE : BESIDE + len(moved)] > 0)


def _segments(keys: Keys, frames: tuple[float, float]) -> list[int]:
    """The segments that reach into some frames."""
    inside = (keys.frames[:-1] < frames[1] + 1) & (keys.frames[1:] > frames[0] - 1)
    return np.flatnonzero(inside).tolist()


def _farthest(keys: Keys, sign: float, frames: tuple[float, float]) -> float:
    return (
        max(_top(keys, k, sign) for k in _segments(keys, frames))
        if len(keys) > 1
        else sign * float(keys.values[0, 0])
    )


def _controls(keys: Keys, k: int, sign: float) -> Array:
    """(4,) Bezier control values of the segment after key k, times the sign."""
    into, out = reaches(keys)
    v0, v1 = keys.values[k, 0], keys.values[k + 1, 0]
    s0, s1 = keys.outgoing[k, 0], keys.incoming[k + 1, 0]
    return np.asarray(sign * np.array([v0, v0 + s0 * out[k], v1 - s1 * into[k + 1], v1]))


def _top(keys: Keys, k: int, sign: float) -> float:
    """The highest that the segment after key k goes: at an end, or where the derivative of its values is 0."""
    y = _controls(keys, k, sign)
    ends = max(float(y[0]), float(y[3]))
    if keys.segment[k] != Segment.CURVE:
        return ends
    a, b, c = np.diff(y)
    u = np.roots([a - 2 * b + c, 2 * (b - a), a])
    u = np.real(u[(np.imag(u) == 0) & (np.real(u) > 0) & (np.real(u) < 1)])
    high = (1 - u) ** 3 * y[0] + 3 * u * (1 - u) ** 2 * y[1] + 3 * u**2 * (1 - u) * y[2] + u**3 * y[3]
    return max(ends, float(high.max(initial=ends)))


def _lowered(keys: Keys, k: int, bend: Bend, free: NDArray[np.bool_]) -> Keys:
    """The keys with the slopes inside a segment as far towards those that surely hold it below as it takes."""
    low, high = 0.0, 1.0
    for _ in range(STEPS):
        middle = (low + high) / 2
        if _top(_turned(keys, k, bend, free, middle), k, bend.sign) > bend.limit:
            low = middle
        else:
            high = middle
    return _turned(keys, k, bend, free, high)


def _turned(keys: Keys, k: int, bend: Bend, free: NDArray[np.bool_], share: float) -> Keys:
    into, out = keys.incoming.copy(), keys.outgoing.copy()
    reach_in, reach_out = reaches(keys)
    ends = bend.limit - bend.sign * keys.values[:, 0]
    if free[k] and reach_out[k] > 0:
        most = max(float(ends[k]), 0.0) / reach_out[k]
        by = share * min(most - bend.sign * out[k, 0], 0.0) * bend.sign
        out[k] += by
        into[k] += 0.0 if keys.corner[k] else by
    if free[k + 1] and reach_in[k + 1] > 0:
        most = max(float(ends[k + 1]), 0.0) / reach_in[k + 1]
        by = share * max(-most - bend.sign * into[k + 1, 0], 0.0) * bend.sign
        into[k + 1] += by
        out[k + 1] += 0.0 if keys.corner[k + 1] else by
    return keys.changed(incoming=into, outgoing=out)


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {FAULT: within_limit}

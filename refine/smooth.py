"""Baked channels: smooth the flagged range only, by as much as its own noise asks for.

    minimise   sum w (z - y)^2 + lambda sum (D^3 z)^2,   z = y outside the range

The third-difference smoother (Whittaker-Henderson) halves the amplitude of frequency fc where
lambda = (2 sin(pi fc / fps))^-6, so its strength can be said in Hz. fc is found from the noise: the smoother
takes away what the noise explains and no more (discrepancy principle, Morozov 1966). Spikes are found first and
get no weight; contacts, accents and cuts break the differences; samples outside the range take part in the
differences and don't move, so the two sides join without a seam.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from constraints.bounds import Bounds
from constraints.pins import Pins
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Constraint
from refine.cure import Held
from refine.motion import BakedMotion
from refine.problem import build
from refine.rotation import continuous
from refine.samples import led_through, robust_sigma
from refine.shot import Array, Channel, Shot, frozen
from refine.solve import Residual, solve
from refine.third_differences import weight_of

MARGIN = 60  # frames around the range that show what is usual there
BACK = 0.5  # of a spike's height that may be left between its two sides
SPIKE = 6.0  # robust sigmas, back within a frame
SMOOTHER = 0.5  # [judge] a range with less than half of its surroundings' noise has been smoothed already
STANDS_OUT = 2.0  # [judge] times the surroundings' noise: then the range is flagged without being named
LOWEST_HZ = 2.0  # [judge] slower than that is motion
SHARP = 5.0  # sigmas of noise, which no noise moves a sample by
EVENTS = 4  # rounds of looking for such places
STIFF = 1e-3  # how far samples may give where only spikes are taken back, against a spike's neighbours
TRIED = 24  # frequencies between that and a third of the frame rate
MORE_THAN_NOISE = 1.2  # [judge] the noise is only known to about a tenth


@dataclass(frozen=True, slots=True)
class Noise:
    """What a range of a baked channel holds: noise (channel units) in it and around it, and frames of spikes."""

    inside: float
    around: float
    spikes: tuple[int, ...]
    beside: tuple[int, ...] = ()  # spikes around the range: they stay, but mustn't draw it towards them

    @property
    def worth_smoothing(self) -> bool:
        return bool(self.spikes) or (self.inside > 0 and self.inside >= SMOOTHER * self.around)

    @property
    def stands_out(self) -> bool:
        return bool(self.spikes) or self.inside > STANDS_OUT * self.around > 0


@dataclass(frozen=True, slots=True, eq=False)
class Smoothed:
    channel: Channel
    hz: float
    residuals: tuple[Residual, ...]


def noise(channel: Channel, shot: Shot, frames: tuple[int, int], breaks: Array) -> Noise:
    """Noise of a range by the median of fourth differences, which cubic motion doesn't touch, and its spikes.

    `breaks` (N,) over the shot's frames, 0 where motion may break.
    """
    assert channel.samples is not None
    a, b = (frame - shot.first_frame for frame in frames)
    low, high = max(a - MARGIN, 0), min(b + MARGIN + 1, len(channel.samples))
    y = continuous(channel, channel.samples[low:high])
    spiky = _spikes(y) & (breaks[low:high] > 0)
    differences = np.linalg.norm(np.diff(y, 4, axis=0), axis=1) / np.sqrt(70.0)
    broken = spiky | (breaks[low:high] == 0)
    usable = (
        np.convolve(broken, np.ones(5), "valid")[: len(differences)] == 0
    )  # no difference in a short clip
    centre = np.arange(len(differences)) + low + 2
    inside = (centre >= a) & (centre <= b)
    at = [int(k) + low + shot.first_frame for k in np.flatnonzero(spiky)]
    return Noise(
        robust_sigma(differences[inside & usable]),
        robust_sigma(differences[~inside & usable]),
        tuple(k for k in at if frames[0] <= k <= frames[1]),
        tuple(k for k in at if not frames[0] <= k <= frames[1]),
    )


def _spikes(y: Array) -> NDArray[np.bool_]:
    """(N,) samples that jump away from the running median of five and are back within a frame."""
    if len(y) < 7:
        return np.zeros(len(y), np.bool_)
    padded = np.pad(y, ((2, 2), (0, 0)), mode="edge")
    median = np.median(np.stack([padded[i : i + len(y)] for i in range(5)]), axis=0)
    away = np.linalg.norm(y - median, axis=1)
    steps = np.linalg.norm(np.diff(y, axis=0), axis=1)
    sigma = max(robust_sigma(away[away > 0]), 0.3 * float(np.median(steps)))
    far = away > SPIKE * max(sigma, 1e-12)
    # Two samples long at most: longer excursions are moves. And back where it came from: a step is none.
    alone = np.convolve(far, np.ones(5), "same") <= 2
    before = [padded[1 : 1 + len(y)], padded[: len(y)]]
    after = [padded[3 : 3 + len(y)], padded[4 : 4 + len(y)]]
    gaps = [
        np.linalg.norm(b - a, axis=1)
        for b, a in ((before[0], after[0]), (before[0], after[1]), (before[1], after[0]))
    ]
    back = np.min(gaps, axis=0) < BACK * away
    return np.asarray(far & alone & back)


def smoothed(
    channel: Channel,
    shot: Shot,
    frames: tuple[int, int],
    found: Noise,
    strength: float,
    breaks: Array,
    held: Held,
) -> Smoothed:
    """The channel with its range smoothed at base / strength Hz, base being the frequency that its noise asks for.

    Spikes have no weight of their own and are taken back whole, or by the strength where that is below 1.

    Raises NoSolution when pins and limits exclude each other.
    """
    part = _Part(channel, shot, frames, found, breaks)
    base = _base(part.taken, found, part.scale, shot.fps)
    if base is None:  # what any smoothing takes is motion, not noise: only spikes may go
        if not found.spikes:
            return Smoothed(channel, np.inf, ())
        base = shot.fps / 3
        part.scale[np.isfinite(part.scale)] = STIFF
    part.break_at_events(base, SHARP * found.inside)
    weight = float(weight_of(base, shot.fps)) * strength**6
    samples, residuals = part.smoothed(weight, min(strength, 1.0), held)
    return Smoothed(replace(channel, samples=frozen(samples)), base / strength, residuals)


class _Part:
    """The samples of a range of a channel, and the three on each side that its differences reach.

    scale (n,): how far each sample of the range may give, inf for spikes. whole (n + 6,): 0 where the motion may break.
    """

    def __init__(
        self, channel: Channel, shot: Shot, frames: tuple[int, int], found: Noise, breaks: Array
    ) -> None:
        assert channel.samples is not None
        self.channel, self.frames, self.fps = channel, frames, shot.fps
        first, last = (frame - shot.first_frame for frame in frames)
        low, high = max(first - 3, 0), min(last + 4, len(channel.samples))
        self.range, self.inside = slice(first, last + 1), slice(first - low, last + 1 - low)
        self.old = channel.samples[low:high]
        self.times = np.arange(low, high, dtype=np.float64) + shot.first_frame
        self.y = led_through(continuous(channel, self.old), np.isin(self.times, found.beside))
        self.scale, self.whole = np.ones(last - first + 1), breaks[low:high].copy()
        self.scale[[spike - frames[0] for spike in found.spikes]] = np.inf

    def taken(self, hz: float) -> Array:
        """(D, n) what smoothing at a frequency adds to the samples."""
        weight = float(weight_of(hz, self.fps))
        return np.stack([self._solved(weight, d, ())[0] for d in range(self.y.shape[1])])

    def break_at_events(self, hz: float, most: float) -> None:
        """Where the smoother would move a sample by more than noise does is a step or an impact: the motion breaks."""
        for _ in range(EVENTS):
            sharp = np.linalg.norm(self.taken(hz), axis=0) > most
            sharp &= np.isfinite(self.scale) & (self.scale > STIFF)
            if not sharp.any():
                return
            self.scale[sharp] = STIFF
            self.whole[self.inside][sharp] = 0.0

    def smoothed(self, weight: float, share: float, held: Held) -> tuple[Array, tuple[Residual, ...]]:
        """(N, D) the channel's samples with the range smoothed, of spikes a share."""
        constraints: list[Constraint] = [
            Pins(self.channel.name, np.array(f), source) for source, f in held.pins
        ]
        if held.limits is not None:
            lower, upper, rate = held.limits.lower, held.limits.upper, held.limits.rate
            constraints.append(Bounds(self.channel.name, lower, upper, rate))
        solved = [self._solved(weight, d, constraints) for d in range(self.y.shape[1])]
        shares, z = np.where(np.isinf(self.scale), share, 1.0), self.y.copy()
        z[self.inside] += shares[:, None] * np.stack([x for x, _ in solved], axis=1)
        if z.shape[1] == 4:
            changed = np.any(z != self.y, axis=1)  # what is held stays to the last bit
            z[changed] /= np.linalg.norm(z[changed], axis=1, keepdims=True)
        assert self.channel.samples is not None
        samples = self.channel.samples.copy()
        samples[self.range] = (self.old + (z - self.y) * _signs(self.old, self.y))[self.inside]
        return samples, tuple(row for _, rows in solved for row in rows)

    def _solved(
        self, weight: float, component: int, constraints: Sequence[Constraint]
    ) -> tuple[Array, tuple[Residual, ...]]:
        motion = BakedMotion(self.channel.name, self.times, self.y[:, component], *self.frames)
        smooth = SmoothMotion("channel", weight, channel=self.channel.name, frame_weight=self.whole)
        solution = solve(build(motion, [smooth, StayClose(self.scale), *constraints]))
        return solution.x, solution.residuals


def _signs(old: Array, y: Array) -> Array:
    """(N, 1): -1 where `continuous` turned a quaternion's sign."""
    if old.shape[1] != 4:
        return np.ones((len(old), 1))
    return np.where(np.sum(old * y, axis=1, keepdims=True) < 0, -1.0, 1.0)


def _mean_square(size: Array) -> float:
    return float(np.mean(size**2))


def _robust_square(size: Array) -> float:
    return robust_sigma(size) ** 2


def _base(changes: Callable[[float], Array], found: Noise, scale: Array, fps: float) -> float | None:
    """The lowest frequency at which what the smoother takes away can still be noise.

    White noise of variance s^2 loses about (1 - 2 fc / fps) of it, what is above fc; taking more is taking motion.
    None where every frequency takes more.
    """
    counted = np.isfinite(scale)
    highest = fps / 3
    if found.inside == 0 or not counted.any():
        return highest
    tried = np.geomspace(min(LOWEST_HZ, highest), highest, TRIED)
    taken: dict[float, Array] = {}
    # By the mean of squares; where a step or an impact in the range spoils it, by the median, which it can't.
    for variance in (_mean_square, _robust_square):
        for hz in map(float, tried):
            if hz not in taken:
                taken[hz] = np.linalg.norm(changes(hz)[:, counted], axis=0)
            if variance(taken[hz]) <= MORE_THAN_NOISE * found.inside**2 * (1 - 2 * hz / fps):
                return hz
    return None

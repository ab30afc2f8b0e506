"""Baked channels: smooth the flagged range only, by as much as its own noise asks for.

    minimise   sum (z - y)^2 / s^2 + lambda sum (D^3 z)^2      over the range and what is around it

The third-difference smoother (Whittaker-Henderson) halves the amplitude of frequency fc where
lambda = (2 sin(pi fc / fps))^-6, so its strength can be said in Hz. fc is found from the noise: the smoother whose
result is expected to be nearest to the motion (`_base`), which takes no more than noise. Spikes are found first and get
no weight; contacts, accents and cuts break the differences.

Samples outside the range stay, but they are noisy too: they are smoothed along with it, each by its own noise s, and
only the range is taken from that. Were they held to, the slope of their noise would be carried into the range.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from constraints.bounds import Bounds
from constraints.pins import Pins
from constraints.smooth_motion import SmoothMotion, difference_weights
from constraints.stay_close import StayClose
from constraints.terms import Constraint, Motion, Terms
from refine.cure import Held
from refine.motion import BakedMotion
from refine.problem import build
from refine.range_noise import MARGIN, Noise
from refine.rotation import continuous
from refine.samples import led_through, robust_sigma
from refine.shot import Array, Channel, Shot, frozen
from refine.solve import Residual, solve
from refine.solve.banded import gram
from refine.third_differences import ORDER, ROW, kept_of, weight_of

LOWEST_HZ = 2.0  # [judge] slower than that is motion
SHARP = 4.0  # sigmas of noise, which no noise moves a sample by
EVENTS = 4  # rounds of looking for such places
FIRMEST = 1e6  # times as firmly as by noise: what is clean around it, and all where only spikes go
FAINT = 1e-13  # of its own stiffness: what holds a spike where too few differences lead through it
TRIED = 24  # frequencies between that and a third of the frame rate
MOTION = 0.25  # sigmas of motion that each unit of strength above 1 may take from a sample
SLOWER = 12  # frequencies tried between that of a strength of 1 and that of the strength asked for
MORE_THAN_NOISE = 1.1  # [judge] the noise is only known to about a tenth


@dataclass(frozen=True, slots=True, eq=False)
class Smoothed:
    channel: Channel
    hz: float
    residuals: tuple[Residual, ...]


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

    Above a strength of 1 no sample moves farther from where 1 leaves it than the strength less 1 sigmas of noise: what
    is more is motion. Spikes have no weight of their own and are taken back whole, or by the strength where that is
    below 1.

    Raises NoSolution when pins and limits exclude each other.
    """
    part = _Part(channel, shot, frames, found, breaks)
    base = _base(part.taken, found.sigma, shot.fps)
    if base is None:  # what any smoothing takes is motion, not noise: only spikes may go
        if not found.spikes:
            return Smoothed(channel, np.inf, ())
        base = shot.fps / 3
        part.stiff[part.free] = FIRMEST
    part.break_at_events(base, SHARP * max(found.inside, found.sigma))
    hz = (
        base / strength
        if strength <= 1
        else part.slowest(base, base / strength, MOTION * (strength - 1) * found.sigma)
    )
    samples, residuals = part.smoothed(base, hz, min(strength, 1.0), held)
    return Smoothed(replace(channel, samples=frozen(samples)), hz, residuals)


class _Part:
    """The samples of a range of a channel and MARGIN of them around it, y (n, D).

    stiff (n,): how firmly each is held, 1 as by the noise of the range. free (n,): all but the spikes, which have no
    say. whole (n,): 0 where the motion may break.
    """

    def __init__(
        self, channel: Channel, shot: Shot, frames: tuple[int, int], found: Noise, breaks: Array
    ) -> None:
        assert channel.samples is not None
        self.channel, self.frames, self.fps = channel, frames, shot.fps
        first, last = (frame - shot.first_frame for frame in frames)
        low, high = max(first - MARGIN, 0), min(last + MARGIN + 1, len(channel.samples))
        self.range, self.inside = slice(first, last + 1), slice(first - low, last + 1 - low)
        self.old = channel.samples[low:high]
        self.times = np.arange(low, high, dtype=np.float64) + shot.first_frame
        self.y, self.whole = continuous(channel, self.old), breaks[low:high].copy()
        self.free = ~np.isin(self.times, (*found.spikes, *found.beside))
        clean = found.around * np.sqrt(FIRMEST) <= found.sigma
        around = FIRMEST if clean else 1.0 if found.alike else (found.sigma / found.around) ** 2
        self.stiff = np.full(len(self.times), max(around, 1.0 / FIRMEST))
        self.stiff[self.inside] = 1.0

    def estimate(self, hz: float) -> Array:
        """(n, D) the motion under the noise, where no pin or limit asks for more."""
        from scipy.linalg import solveh_banded

        weight = weight_of(hz, self.fps) * difference_weights(self.whole, len(self.y), ORDER)
        if not len(weight):
            return self.y
        # Spikes that no difference reaches have nothing to be led through by.
        missing = ~self.free & (np.convolve(weight, np.ones(ORDER + 1)) > 0)
        filled = led_through(self.y, missing)
        bands = gram(ROW, weight)
        bands[0] += np.where(missing, FAINT * bands[0], self.stiff)
        jerk = weight[:, None] * np.diff(filled, ORDER, axis=0)
        pull = np.stack([np.convolve(column, ROW[::-1]) for column in jerk.T], axis=1)
        return np.asarray(filled + solveh_banded(bands, pull, lower=True))

    def taken(self, hz: float) -> list[Array]:
        """How far smoothing at a frequency moves the samples of the range, and all that are as noisy."""
        size, noisy = np.linalg.norm(self.estimate(hz) - self.y, axis=1), self.free & (self.stiff == 1.0)
        noisy &= (self.times > self.frames[0] - MARGIN / 2) & (self.times < self.frames[1] + MARGIN / 2)
        return [size[noisy & self.moving], size[noisy]]

    def break_at_events(self, hz: float, most: float) -> None:
        """Where the smoother would move a sample by more than noise does is a step or an impact: the motion breaks."""
        for _ in range(EVENTS):
            sharp = np.linalg.norm(self.estimate(hz) - self.y, axis=1) > most
            sharp &= self.free & (self.stiff < FIRMEST)
            if not sharp.any():
                return
            self.stiff[sharp] = FIRMEST
            self.whole[sharp] = 0.0

    def slowest(self, base: float, lowest: float, most: float) -> float:
        """The lowest frequency that takes no sample of the range farther than `most` from where `base` leaves it."""
        at = self.free & (self.stiff < FIRMEST) & self.moving
        first = self.estimate(base)[at]
        for hz in map(float, np.geomspace(lowest, base, SLOWER)):
            off = np.linalg.norm(self.estimate(hz)[at] - first, axis=1)
            if not len(off) or off.max() <= most:
                return hz
        return base

    def smoothed(
        self, base: float, hz: float, share: float, held: Held
    ) -> tuple[Array, tuple[Residual, ...]]:
        """(N, D) the channel's samples with the range smoothed, of spikes a share.

        What a lower frequency than `base` takes is motion: it sets in and ends within half a period of `base`.
        """
        z = self.estimate(hz)
        if hz < base:
            first = self.estimate(base)
            z = first + self._fade(self.fps / base / 2)[:, None] * (z - first)
        z = np.where(self.moving[:, None], z, self.y)
        z, residuals = self._kept(z, float(weight_of(max(hz, base), self.fps)), held)
        z = self.y + np.where(self.free, 1.0, share)[:, None] * (z - self.y)
        if z.shape[1] == 4:
            changed = np.any(z != self.y, axis=1)  # what is held stays to the last bit
            z[changed] /= np.linalg.norm(z[changed], axis=1, keepdims=True)
        assert self.channel.samples is not None
        samples = self.channel.samples.copy()
        samples[self.range] = (self.old + (z - self.y) * _signs(self.old, self.y))[self.inside]
        return samples, residuals

    @property
    def moving(self) -> NDArray[np.bool_]:
        return np.asarray((self.times >= self.frames[0]) & (self.times <= self.frames[1]))

    def _fade(self, over: float) -> Array:
        """(n,) from 0 at the range's ends to 1 after some frames."""
        way = np.minimum(self.times - self.frames[0], self.frames[1] - self.times) / over
        share = np.clip(way, 0.0, 1.0)
        return np.asarray(share**2 * (3.0 - 2.0 * share))

    def _kept(self, z: Array, weight: float, held: Held) -> tuple[Array, tuple[Residual, ...]]:
        """What is nearest to z (n, D) within pins and limits, going over to it smoothly."""
        pins: list[Constraint] = [Pins(self.channel.name, np.array(f), source) for source, f in held.pins]
        pinned = np.isin(self.times, [frame for _, frames in held.pins for frame in frames])
        if held.limits is not None:
            lower, upper, rate = held.limits.lower, held.limits.upper, held.limits.rate
            pins.append(Bounds(self.channel.name, lower, upper, rate))
        if held.limits is None and not np.any(pinned & self.moving):
            return z, ()
        # Neighbours that are held would carry the slope of their noise on.
        beside = pinned & (np.roll(pinned, 1) | np.roll(pinned, -1))
        smooth = SmoothMotion(
            "channel", weight, channel=self.channel.name, frame_weight=np.where(beside, 0.0, self.whole)
        )
        scale = np.where(self.free, self.stiff**-0.5, np.inf)[self.inside]
        kept = z.copy()
        residuals: list[Residual] = []
        for d, (y, goal) in enumerate(zip(self.y.T, z.T, strict=True)):
            motion, off = (
                BakedMotion(self.channel.name, self.times, values, *self.frames) for values in (y, y - goal)
            )
            close = StayClose(scale, (goal - y)[self.inside])
            solution = solve(build(motion, [_Of(off, smooth), close, *pins]))
            kept[self.inside, d] = y[self.inside] + solution.x
            residuals += solution.residuals
        return kept, tuple(residuals)


@dataclass(frozen=True, slots=True, eq=False)
class _Of:
    """A constraint on another motion with the same unknowns."""

    motion: BakedMotion
    constraint: Constraint

    def terms(self, motion: Motion) -> Terms:
        return self.constraint.terms(self.motion)


def _signs(old: Array, y: Array) -> Array:
    """(N, 1): -1 where `continuous` turned a quaternion's sign."""
    if old.shape[1] != 4:
        return np.ones((len(old), 1))
    return np.where(np.sum(old * y, axis=1, keepdims=True) < 0, -1.0, 1.0)


def _mean_square(size: Array) -> float:
    return float(np.mean(size**2))


def _robust_square(size: Array) -> float:
    return robust_sigma(size) ** 2


def _base(taken: Callable[[float], list[Array]], sigma: float, fps: float) -> float | None:
    """The frequency whose smoothing is expected to be nearest to the motion, among those that take no more than noise.

    What the smoother takes, S being it and n the samples, tells how far off its result is: |y - Sy|^2 / n - s^2 +
    2 s^2 tr(S) / n is the expected square of that, for noise of variance s^2 (Mallows 1973, C_L [mem]). Taking as much
    as the noise explains (Morozov's principle) takes motion too where there is little noise. None where every
    frequency takes more than noise has, or is expected to be farther off than the noise is.
    """
    highest, noise = fps / 3, sigma**2
    if sigma == 0 or not len(taken(highest)[0]):
        return highest
    tried = list(map(float, np.geomspace(min(LOWEST_HZ, highest), highest, TRIED)))
    sizes, kept = {hz: taken(hz) for hz in tried}, {hz: kept_of(hz, fps) for hz in tried}
    # By the mean of squares; where a step or an impact in the range spoils it, by the median, which it can't.
    for variance in (_mean_square, _robust_square):
        moved = {hz: max(map(variance, sizes[hz])) for hz in tried}
        off = {hz: moved[hz] + noise * (2 * kept[hz] - 1) for hz in tried}
        able = [hz for hz in tried if moved[hz] <= MORE_THAN_NOISE * noise * (1 - kept[hz])]
        if able:
            best = min(able, key=off.__getitem__)
            return best if off[best] < noise else None
    return None

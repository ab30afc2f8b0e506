"""The noise of a range of a baked channel, and its spikes: what a smoothing may take away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from refine.rotation import continuous
from refine.samples import robust_sigma
from refine.shot import Array, Channel, Shot

MARGIN = 60  # frames around the range that show what is usual there
ORDER_OF_NOISE = 4  # of the differences that tell the noise
FEW = 48.0  # [judge] fps, below which quick motion is in those as well, and higher ones are asked too. Not above:
HIGHER = (6, 8)  # the noise of captured motion isn't white, and those see the least of it
BACK = 0.5  # of a spike's height that may be left between its two sides
OWN = 0.7  # [judge] of a spike's height that its neighbours on both sides don't lead up to
SHADOW = 0.3  # [judge] of a spike that its neighbours may seem to be off for it
SPIKE = 6.0  # robust sigmas, back within a frame
SMOOTHER = 0.5  # [judge] a range with less than half of its surroundings' noise has been smoothed already
STANDS_OUT = 2.0  # [judge] times the surroundings' noise: then the range is flagged without being named
DOUBT = 5.0  # [judge] over the root of the differences counted: how far off the logarithm of a noise may be


@dataclass(frozen=True, slots=True)
class Noise:
    """What a range of a baked channel holds: noise (channel units) in it and around it, and frames of spikes.

    `counts` are those of the differences, in the range and around it, that tell the noise.
    """

    inside: float
    around: float
    spikes: tuple[int, ...]
    beside: tuple[int, ...] = ()  # spikes around the range: they stay, but mustn't draw it towards them
    counts: tuple[int, int] = (0, 0)

    @property
    def alike(self) -> bool:
        """Whether the range may well have the noise of what is around it: few samples tell it poorly."""
        if not (all(self.counts) and self.inside > 0 and self.around > 0):
            return False
        return abs(float(np.log(self.inside / self.around))) < DOUBT / float(np.sqrt(self.counts[0]))

    @property
    def sigma(self) -> float:
        """The noise of the range, with what is around it to tell where that is alike."""
        if not self.alike:
            return self.inside if self.inside > 0 or self.counts[0] else self.around
        return float(np.sqrt(np.average(np.square((self.inside, self.around)), weights=self.counts)))

    @property
    def worth_smoothing(self) -> bool:
        return bool(self.spikes) or (self.inside > 0 and self.inside >= SMOOTHER * self.around)

    @property
    def stands_out(self) -> bool:
        return bool(self.spikes) or self.inside > STANDS_OUT * self.around > 0


def noise(channel: Channel, shot: Shot, frames: tuple[int, int], breaks: Array) -> Noise:
    """Noise of a range by the median of high differences, which slow motion hardly touches, and its spikes.

    `breaks` (N,) over the shot's frames, 0 where motion may break.
    """
    assert channel.samples is not None
    a, b = (frame - shot.first_frame for frame in frames)
    low, high = max(a - MARGIN, 0), min(b + MARGIN + 1, len(channel.samples))
    y = continuous(channel, channel.samples[low:high])
    spiky = _spikes(y) & (breaks[low:high] > 0)
    at = [int(k) + low + shot.first_frame for k in np.flatnonzero(spiky)]
    orders = (ORDER_OF_NOISE, *(HIGHER if shot.fps < FEW else ()))
    broken = spiky | (breaks[low:high] == 0)
    inside, around = zip(*(_sizes(y, broken, order, (a - low, b - low)) for order in orders), strict=True)
    return Noise(
        _least_sigma(inside),
        _least_sigma(around),
        tuple(k for k in at if frames[0] <= k <= frames[1]),
        tuple(k for k in at if not frames[0] <= k <= frames[1]),
        (len(inside[0]), len(around[0])),
    )


def _sizes(y: Array, broken: NDArray[np.bool_], order: int, at: tuple[int, int]) -> tuple[Array, Array]:
    """Sizes of the differences of y (N, D) centred between two samples, and of the others, as those of its noise.

    Those that reach a broken sample don't count.
    """
    if len(y) <= order:
        return np.empty(0), np.empty(0)
    sizes = np.linalg.norm(np.diff(y, order, axis=0), axis=1) / np.sqrt(comb(2 * order, order))
    usable = np.convolve(broken, np.ones(order + 1), "valid") == 0
    centre = np.arange(len(sizes)) + order // 2
    inside = (centre >= at[0]) & (centre <= at[1])
    return sizes[inside & usable], sizes[~inside & usable]


def _least_sigma(sizes: Sequence[Array]) -> float:
    """Motion only adds to what the differences show."""
    return min((robust_sigma(each) for each in sizes if len(each)), default=0.0)


def _spikes(y: Array) -> NDArray[np.bool_]:
    """(N,) samples that jump away from the running median of five and are back within a frame."""
    if len(y) < 7:
        return np.zeros(len(y), np.bool_)
    padded = np.pad(y, ((3, 3), (0, 0)), mode="edge")
    near = {i: padded[3 + i : 3 + i + len(y)] for i in range(-3, 4)}
    median = np.median(np.stack([near[i] for i in range(-2, 3)]), axis=0)
    away = np.linalg.norm(y - median, axis=1)
    steps = np.linalg.norm(np.diff(y, axis=0), axis=1)
    sigma = max(robust_sigma(away[away > 0]), 0.3 * float(np.median(steps)))
    # What a spike does to the median beside it, in a quick move, is no spike.
    highest = np.max(np.stack([np.pad(away, 2)[i : i + len(y)] for i in range(5)]), axis=0)
    far = (away > SPIKE * max(sigma, 1e-12)) & (away > SHADOW * highest)
    # Two samples long at most: longer excursions are moves. And back where it came from: a step is none.
    alone = np.convolve(far, np.ones(5), "same") <= 2
    back = np.zeros(len(y), np.bool_)
    for first, last, pair in ((-1, 1, far), (-1, 2, np.roll(far, -1)), (-2, 1, np.roll(far, 1))):
        gap = np.linalg.norm(near[last] - near[first], axis=1)
        # Nor is the turn of a quick motion: its neighbours are on the way there.
        at = np.array([first - 1, first, last, last + 1])
        led = sum(weight * near[int(i)] for i, weight in zip(at, _cubic(at), strict=True))
        back |= pair & (gap < BACK * away) & (np.linalg.norm(y - led, axis=1) > OWN * away)
    return np.asarray(far & alone & back)


def _cubic(at: NDArray[np.intp]) -> Array:
    """(4,) weights of the values at four places, none of them 0, in that at 0 of the cubic through them."""
    return np.asarray(np.linalg.solve(np.vander(at, 4, increasing=True).T, [1.0, 0.0, 0.0, 0.0]), float)

"""The frames of a path that have noise of their own, and how much: what explains the path best, by its own motion.

A path's prediction errors are nearly white, with variance v; noise of the variance r v on frames a to b adds the kernel
times it. In nats, v being what fits best (n errors e, those of the frames' noise g = K'e, H = I + r K'K):

    -n/2 log((e'e - r g' H^-1 g) / n) - 1/2 log |H|

which is greatest for the frames and the noise sought. The rival is motion that is livelier for a while: errors of
another variance on some frames, white as before, while noise has much of what is fast. Errors from some distance on say
nothing of how lively the motion is here, so they have no part. One banded factor a try, of which there are hundreds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from refine.flags.own_motion import Motion
from refine.shot import Array

SHORTEST = 6  # frames that are told from a spike
RATIOS = np.geomspace(0.03, 1e6, 20)  # noise over prediction error, variances
FINER = np.geomspace(0.6, 1.7, 7)
LOOKS = 2  # of learning the motion without it
ROUNDS = 4  # of looking at first frame, last frame and ratio in turn
WORTH = 10.0  # [judge] nats by which noise explains better than none, and than livelier motion
RESTS = 1e-6  # of the errors' mean square: no motion is better foretold
ENDS = 160  # at most, at which livelier motion may begin and end


@dataclass(frozen=True, slots=True)
class Tremble:
    """Positions first to last have this noise, on that motion."""

    first: int
    last: int
    noise: float
    motion: Motion


@dataclass(frozen=True, slots=True)
class _Tried:
    first: int
    stop: int
    ratio: float
    nats: float
    variance: float


class _Evidence:
    """The errors of positions `low` to `high` of a path, and how likely they are with noise on some of these."""

    def __init__(self, y: Array, motion: Motion, low: int, high: int) -> None:
        reach = len(motion.kernel) - 1
        self.low = low
        self.errors = motion.errors(y)[low : high - reach]
        self.pull = np.convolve(self.errors, motion.kernel[::-1])
        # Every frame asked for has all of its errors within the stretch, so each row of K'K is the same.
        self.row = motion.gram(2 * reach + 1)[:, reach]
        self.square = float(self.errors @ self.errors)

    def none(self) -> float:
        return float(self._nats(len(self.errors), self.square))

    def noise(self, first: int, stop: int, ratio: float) -> _Tried:
        from scipy.linalg.lapack import dpbtrf, dtbtrs

        bands = np.empty((len(self.row), stop - first), order="F")
        bands[:] = ratio * self.row[:, None]
        bands[0] += 1.0
        lower, info = dpbtrf(bands, lower=1, overwrite_ab=1)
        assert info == 0, "the identity makes it positive definite"
        x, _ = dtbtrs(lower, self.pull[first - self.low : stop - self.low, None], uplo="L")
        count, left = (
            len(self.errors),
            max(self.square - ratio * float(x[:, 0] @ x[:, 0]), RESTS * self.square),
        )
        nats = float(self._nats(count, left)) - float(np.log(lower[0]).sum())
        return _Tried(first, stop, ratio, nats, left / count)

    def livelier(self, middle: int) -> float:
        """With errors of another variance on some frames, among them the middle one."""
        total, count = np.concatenate([[0.0], np.cumsum(self.errors**2)]), len(self.errors)
        ends = np.unique(np.linspace(0, count, min(count + 1, ENDS)).astype(np.intp))
        middle -= self.low
        firsts, stops = ends[ends <= middle - SHORTEST // 2], ends[ends >= middle + SHORTEST // 2]
        size = (stops[None] - firsts[:, None]).astype(np.float64)
        inside = total[stops][None] - total[firsts][:, None]
        apart = self._nats(size, inside) + self._nats(count - size, self.square - inside)
        return float(apart.max(initial=-np.inf))

    def _nats(self, count: Array | float, square: Array | float) -> Array:
        """Log likelihood of so many errors with such a sum of squares, constants left out."""
        variance = np.maximum(square / np.maximum(count, 1.0), RESTS * self.square / len(self.errors))
        return np.asarray(-0.5 * count * np.log(variance))


def tremble(
    y: Array, learn: Callable[[int, int], Motion], near: tuple[int, int], reach: int
) -> Tremble | None:
    """The noise of a path (N,) around the positions `near`, at most `reach` frames beyond; None where there is none.

    `learn` gives the motion as it is learnt without the positions first to last: with noise among what is learnt from
    the two look alike, so it is learnt anew once these are known.
    """
    found: _Tried | None = None
    for _ in range(LOOKS):
        first, last = near if found is None else (found.first, found.stop - 1)
        motion = learn(first, last)
        edge = len(motion.kernel) - 1
        low, stop = max(near[0] - reach, edge), min(near[1] + 1 + reach, len(y) - edge)
        first, last = max(first, low), min(last + 1, stop)
        if last - first < SHORTEST:
            return None
        beyond, middle = max(reach, edge), (max(near[0], low) + min(near[1] + 1, stop)) // 2
        evidence = _Evidence(y, motion, max(low - beyond, 0), min(stop + beyond, len(y)))
        if evidence.square <= 0:
            return None
        found = _sought(evidence, (first, last), (low, middle, stop), reach)
    assert found is not None
    if found.nats < max(evidence.none(), evidence.livelier(middle)) + WORTH:
        return None
    noise = float(np.sqrt(found.ratio * found.variance))
    return Tremble(found.first, found.stop - 1, noise, replace(motion, variance=found.variance))


def _sought(evidence: _Evidence, start: tuple[int, int], within: tuple[int, int, int], reach: int) -> _Tried:
    """The best frames and ratio, from where it is likely, by looking at each end and the ratio in turn."""
    best, step = _best(evidence.noise(*start, ratio) for ratio in RATIOS), max(reach // 8, 1)
    for k in range(ROUNDS):
        before, by = best, (within[2] - within[0], step) if k == 0 else (2 * step, 1)
        best = _with_ends(evidence, best, within, *by)
        ratios = np.concatenate([RATIOS, best.ratio * FINER]) if k == 0 else best.ratio * FINER
        best = _best(evidence.noise(best.first, best.stop, ratio) for ratio in ratios)
        if (best.first, best.stop) == (before.first, before.stop):
            break
    return best


def _best(tried: Iterable[_Tried]) -> _Tried:
    return max(tried, key=lambda each: each.nats)


def _with_ends(
    evidence: _Evidence, found: _Tried, within: tuple[int, int, int], by: int, step: int
) -> _Tried:
    """The best first, then the best last position, up to `by` from what was found, the middle one being between."""
    low, middle, high = within
    firsts = range(max(low, found.first - by), min(middle - SHORTEST // 2, found.first + by) + 1, step)
    found = _best([found, *(evidence.noise(a, found.stop, found.ratio) for a in firsts)])
    stops = range(max(middle + SHORTEST // 2, found.stop - by), min(high, found.stop + by) + 1, step)
    return _best([found, *(evidence.noise(found.first, b, found.ratio) for b in stops)])

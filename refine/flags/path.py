"""Measures of a path on its own, vectorised over many paths: what is out of place for a frame or two, and tremor.

Paths are (P, N, D): P of them, N frames, D numbers on each. Nothing here knows about shots.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

DISPLACED = np.array([1.0, -4.0, 6.0, -4.0, 1.0]) / 6  # residual of one frame displaced by 1
SHAPES = (np.array([1.0]), np.array([1.0, -1.0]), np.array([1.0, -1.0, 1.0]))  # frames in a row, to and fro
# Fourth differences of what looks alike but is sound: a bounce (the velocity breaks) and a jump that stays.
RIVALS = (np.array([1.0, -2.0, 1.0]), np.array([1.0, -3.0, 3.0, -1.0]))
AROUND = 8  # frames to each side that show what is usual there [judge]
CLEARER = 0.7  # of what a rival leaves over, a lapse may leave at most this [judge]
LEAST = 1e-9  # channel units or px: rounding
STEADY = 0.5  # of the RMS of a stretch that each half of it has [judge]
STEPPED = 0.2  # of the frames repeat the one before them [judge]
SEPARATE = 3  # frames: nearer lapses of one path are one


def residual(path: Array) -> Array:
    """(..., N, D): fourth difference over 6, centred, 0 on the two frames at each end.

    Zero for cubic motion. One frame displaced by d reads d there; alternating +-d reads 16 d / 6 = 2.7 d.
    """
    found = np.zeros_like(path)
    if path.shape[-2] > 4:
        found[..., 2:-2, :] = np.diff(path, 4, axis=-2) / 6
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Lapse:
    """A frame, or up to three to and fro, that lie off an else smooth path.

    `amount` (D,) is how far, at the first of them; `sigmas` how far beyond what is usual in the frames around.
    """

    path: int
    first: int  # position
    count: int  # frames
    amount: Array
    sigmas: float


def lapses(paths: Array, sigmas: float) -> Iterator[Lapse]:
    """Where a path (P, N, D) leaves its course by more than `sigmas` and comes back at once.

    The residual of a displaced frame has a known shape, so its size is found by least squares; what is left of the
    residual in the frames around says what is usual. A bounce and a jump have nearly that shape too: where they
    explain the residual about as well, it is theirs.
    """
    if paths.shape[1] < 2 * AROUND:
        return
    found: list[Lapse] = []
    error = residual(paths)[:, 2:-2]
    energy = np.cumsum(np.pad(np.sum(error**2, axis=2), ((0, 0), (1, 0))), axis=1)
    for shape in SHAPES:
        amount, sigma, clearer = _fitted(error, energy, np.convolve(DISPLACED, shape))
        size = np.linalg.norm(amount, axis=2)
        hit = (size > sigmas * sigma) & (size > LEAST) & clearer
        for p, m in zip(*np.nonzero(hit), strict=True):
            # Entry m of the residual is centred on frame m + 2, and the shape starts two entries before its frame.
            ratio = float(size[p, m] / max(sigma[p, m], LEAST))
            found.append(Lapse(int(p), int(m) + 4, len(shape), amount[p, m], ratio))
    yield from _clearest(found)


def _correlated(error: Array, pattern: Array) -> Array:
    """(P, M, D): sum of the pattern times the residual from each position on."""
    count = error.shape[1] - len(pattern) + 1
    total: Array = sum((w * error[:, j : j + count] for j, w in enumerate(pattern)), np.zeros(()))
    return total


def _fitted(error: Array, energy: Array, pattern: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Amount (P, M, D) of the pattern at each position, (P, M) what is usual, and whether no rival explains it."""
    amount = _correlated(error, pattern) / (pattern @ pattern)
    count, length = amount.shape[1], len(pattern)
    middle = np.arange(count) + length // 2
    low, high = np.maximum(middle - AROUND, 0), np.minimum(middle + AROUND + 1, error.shape[1])
    around = energy[:, high] - energy[:, low]
    left = np.maximum(around - np.sum(amount**2, axis=2) * (pattern @ pattern), 0.0)
    best = np.zeros_like(around)
    for rival in RIVALS:
        explained = np.sum(_correlated(error, rival) ** 2, axis=2) / (rival @ rival)
        for offset in range(length - len(rival) + 1):
            best = np.maximum(best, explained[:, offset : offset + count])
    sigma = np.sqrt(left / (high - low - length))
    return amount, sigma, left <= CLEARER * np.maximum(around - best, 0.0)


def _clearest(found: list[Lapse]) -> Iterator[Lapse]:
    """Of the lapses of one path that overlap, the one that stands out most."""
    taken: dict[int, list[int]] = {}
    for lapse in sorted(found, key=lambda lapse: -lapse.sigmas):
        frames = taken.setdefault(lapse.path, [])
        if all(abs(lapse.first - frame) > SEPARATE for frame in frames):
            frames.append(lapse.first)
            yield lapse


@lru_cache(maxsize=16)
def _low_pass(hz: float, fps: float) -> Array:
    """Symmetric kernel of a second's length, gain 1 at 0 Hz and a half at `hz`: a Hamming-windowed sinc."""
    half = max(round(fps / 2), 1)
    at = np.arange(-half, half + 1)
    kernel = np.sinc(2 * hz / fps * at) * np.hamming(2 * half + 1)
    return np.asarray(kernel / kernel.sum())


def above(path: Array, hz: float, fps: float) -> Array:
    """(..., N, D) what lies above a frequency, without delay; 0 within half a second of the ends."""
    found = np.zeros_like(path)
    kernel = -_low_pass(hz, fps)
    kernel[len(kernel) // 2] += 1.0
    half = len(kernel) // 2
    if path.shape[-2] > 2 * half:
        rows = np.moveaxis(path, -2, -1)
        kept = np.moveaxis(found, -2, -1)
        for at in np.ndindex(rows.shape[:-1]):
            kept[at][half:-half] = np.convolve(rows[at], kernel, "valid")
    return found


def rolling_rms(values: Array, count: int) -> Array:
    """(P, N - count + 1) root mean square size of (P, N, D) over each stretch of `count` frames."""
    total = np.cumsum(np.pad(np.sum(values**2, axis=2), ((0, 0), (1, 0))), axis=1)
    return np.asarray(np.sqrt(np.maximum(total[:, count:] - total[:, :-count], 0.0) / count))


@dataclass(frozen=True, slots=True)
class Noisy:
    """What tells a tremor from motion, whose spectrum falls off: all are ratios of RMS, 1 being white noise's order.

    flat: of the upper half of the band above `hz` to its lower half. octave: of the octave above `hz` to the octave
    below. Each half of the stretch must have STEADY of its RMS: a blow has one that does.
    """

    hz: float
    flat: float
    octave: float


def tremor(paths: Array, fps: float, seconds: float, noisy: Noisy) -> tuple[Array, Array]:
    """(P, N) RMS above `hz` in the stretch of `seconds` around each frame, 0 where it is but quick motion, and
    (P,) the median of it, motion included: what is usual for the path.
    """
    count, edge, hz = max(round(seconds * fps), 3), round(fps / 2), noisy.hz
    found = np.zeros(paths.shape[:2])
    if hz >= fps / 2 or paths.shape[1] <= 2 * edge + count:
        return found, np.zeros(len(paths))
    high = above(paths, hz, fps)
    size = rolling_rms(high, count)
    kept = np.where(_is_noise(paths, high, fps, count, noisy) & _steady(high, size, count), size, 0.0)
    # Half a second at each end is unknown, so no stretch may reach into it.
    kept[:, :edge] = kept[:, kept.shape[1] - edge :] = 0.0
    found[:, count // 2 : count // 2 + size.shape[1]] = kept
    return found, np.median(size, axis=1)


def _is_noise(paths: Array, high: Array, fps: float, count: int, noisy: Noisy) -> NDArray[np.bool_]:
    upper = above(paths, (noisy.hz + fps / 2) / 2, fps)
    flat = rolling_rms(upper, count) >= noisy.flat * rolling_rms(high - upper, count)
    first = high - above(paths, 2 * noisy.hz, fps) if 2 * noisy.hz < fps / 2 else high
    below = above(paths, noisy.hz / 2, fps) - high
    return flat & (rolling_rms(first, count) >= noisy.octave * rolling_rms(below, count))


def _steady(high: Array, size: Array, count: int) -> NDArray[np.bool_]:
    half, width = rolling_rms(high, count // 2), size.shape[1]
    weaker = np.minimum(half[:, :width], half[:, count // 2 : count // 2 + width])
    return np.asarray(weaker >= STEADY * size)


def stepped(path: Array) -> bool:
    """Whether many of the frames (N, D) just repeat the one before, one or two at a time: on twos or threes."""
    same = np.all(path[1:] == path[:-1], axis=1)
    starts = np.flatnonzero(np.diff(np.concatenate([[0], same.astype(np.int8), [0]])))
    length = starts[1::2] - starts[::2]
    return float(length[length <= 2].sum()) > STEPPED * len(same)


def unevenness(spacing: Array) -> float:
    """Z of a move's spacings (n,): [sum |Ds| - (2 s_max - s_1 - s_n)] / (2 mean s); 0 where they have one peak."""
    mean = float(spacing.mean())
    rise = 2 * float(spacing.max()) - float(spacing[0]) - float(spacing[-1])
    return (float(np.abs(np.diff(spacing)).sum()) - rise) / (2 * mean) if mean > 0 else 0.0

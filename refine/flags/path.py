"""Measures of a path on its own, vectorised over many paths: what is out of place for a frame or two, and tremor.

Paths are (P, N, D): P of them, N frames, D numbers on each. Nothing here knows about shots.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

SHAPES = (np.array([1.0]), np.array([1.0, -1.0]), np.array([1.0, -1.0, 1.0]))  # frames in a row, to and fro
CURVE, CAPTURE = (
    4,
    8,
)  # orders of differences: a curve is cubic between keys; of captured motion less is left [judge]
AROUND = 8  # frames to each side that show what is usual there [judge]
CLEARER = 0.7  # of what a rival leaves over, a lapse may leave at most this [judge]
LEAST = 1e-9  # channel units or px: rounding
STEADY = 0.2  # of the RMS of a stretch that each third of it has [judge]
ROUGH = 0.5  # times the fourth differences that noise makes which a stretch must have [judge]
STEPPED = 0.2  # of the frames repeat the one before them [judge]
SEPARATE = 3  # frames: nearer lapses of one path are one


def kernel(order: int) -> Array:
    """(order + 1,) weights of a difference: the binomials with alternating signs, the first one 1."""
    return np.array([(-1.0) ** k * comb(order, k) for k in range(order + 1)])


def residual(path: Array, order: int = CURVE) -> Array:
    """(..., N, D): a difference of even order over its middle weight, centred, 0 on order / 2 frames at each end.

    Zero for motion of a lower degree. One frame displaced by d reads d there; alternating +-d reads 2.7 d by the
    fourth difference (16 / 6).
    """
    found, edge = np.zeros_like(path), order // 2
    if path.shape[-2] > order:
        found[..., edge:-edge, :] = np.diff(path, order, axis=-2) / comb(order, edge)
    return found


def displaced(order: int) -> Array:
    """(order + 1,) residual around one frame displaced by 1."""
    return kernel(order) / comb(order, order // 2)


def rivals(order: int) -> tuple[Array, ...]:
    """Residuals of what looks like a displaced frame but is sound: a jump that stays, and a bounce.

    By a high order breaks of the acceleration and of the jerk too, which eases have at their ends.
    """
    return tuple(kernel(order - k) for k in range(1, 1 + order // 2))


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


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """One shape of lapse, fitted from each frame on: `amount` (P, N, D) and by how many `sigmas` (P, N) it stands out.

    `clear` (P, N): no rival explains the residual better.
    """

    amount: Array
    sigmas: Array
    clear: NDArray[np.bool_]


def lapses(paths: Array, sigmas: float) -> Iterator[Lapse]:
    """Where a curve's path (P, N, D) leaves its course by more than `sigmas` and comes back at once."""
    found: list[Lapse] = []
    for count, fit in enumerate(fitted(paths, CURVE, CLEARER), 1):
        for p, n in zip(*np.nonzero((fit.sigmas > sigmas) & fit.clear), strict=True):
            found.append(Lapse(int(p), int(n), count, fit.amount[p, n], float(fit.sigmas[p, n])))
    yield from _clearest(found)


def fitted(paths: Array, order: int, clearer: float) -> list[Fitted]:
    """Each of SHAPES fitted to paths (P, N, D); none to a path that is too short to say what is usual.

    The residual of a displaced frame has a known shape, so its size is found by least squares; what is left of the
    residual in the frames around says what is usual. A bounce and a jump have nearly that shape too: where they
    explain the residual about as well, it is theirs.
    """
    if paths.shape[1] < max(2 * AROUND, 2 * order + 4):
        return []
    edge = order // 2
    error = residual(paths, order)[:, edge:-edge]
    energy = np.cumsum(np.pad(np.sum(error**2, axis=2), ((0, 0), (1, 0))), axis=1)
    return [_fitted(paths, error, energy, order, shape, clearer) for shape in SHAPES]


def _correlated(error: Array, pattern: Array) -> Array:
    """(P, M, D): sum of the pattern times the residual from each position on."""
    count = error.shape[1] - len(pattern) + 1
    total: Array = sum((w * error[:, j : j + count] for j, w in enumerate(pattern)), np.zeros(()))
    return total


def _fitted(paths: Array, error: Array, energy: Array, order: int, shape: Array, clearer: float) -> Fitted:
    pattern = np.convolve(displaced(order), shape)
    amount = _correlated(error, pattern) / (pattern @ pattern)
    count, length = amount.shape[1], len(pattern)
    middle = np.arange(count) + length // 2
    low, high = np.maximum(middle - AROUND, 0), np.minimum(middle + AROUND + 1, error.shape[1])
    around = energy[:, high] - energy[:, low]
    own = np.sum(amount**2, axis=2) * (pattern @ pattern)
    left = np.maximum(around - own, 0.0)
    if (
        order > CURVE
    ):  # breaks follow each other within frames: what counts is what each leaves of its own place
        around = energy[:, length:] - energy[:, :-length]
    best = _best_rival(error, order, count, length)
    sigma = np.sqrt(left / np.maximum(high - low - length, 1))
    size = np.linalg.norm(amount, axis=2)
    # Entry m of the residual is centred on frame m + order / 2; the shape starts that many entries before its frame.
    at = slice(order, order + count)
    found = Fitted(np.zeros_like(paths), np.zeros(paths.shape[:2]), np.zeros(paths.shape[:2], np.bool_))
    found.amount[:, at] = amount
    found.sigmas[:, at] = np.where(size > LEAST, size / np.maximum(sigma, LEAST), 0.0)
    found.clear[:, at] = np.maximum(around - own, 0.0) <= clearer * np.maximum(around - best, 0.0)
    return found


def _best_rival(error: Array, order: int, count: int, length: int) -> Array:
    """(P, M) energy that the best rival explains anywhere within the pattern's length from each position on."""
    best = np.zeros((len(error), count))
    for rival in rivals(order):
        places = length - len(rival) + 1
        single = _correlated(error, rival)[:, : count + places - 1]
        explained = np.sum(single**2, axis=2) / (rival @ rival)
        for offset in range(places):
            best = np.maximum(best, explained[:, offset : offset + count])
        if order > CURVE and len(rival) < order:  # all but the jump may also fall between two frames
            two = _between(single, rival)
            for offset in range(places - 1):
                best = np.maximum(best, two[:, offset : offset + count])
    return best


def _between(single: Array, rival: Array) -> Array:
    """(P, M - 1) energy explained by a rival on two neighbouring positions, in the same direction on both."""
    own, other = float(rival @ rival), float(rival[1:] @ rival[:-1])
    a, b = single[:, :-1], single[:, 1:]
    x, y = own * a - other * b, own * b - other * a  # times own^2 - other^2
    explained = np.sum(a * x + b * y, axis=2) / (own**2 - other**2)
    return np.where(np.sum(x * y, axis=2) > 0, explained, 0.0)


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


def _high_pass(hz: float, fps: float) -> Array:
    kernel = -_low_pass(hz, fps)
    kernel[len(kernel) // 2] += 1.0
    return kernel


def white_above(hz: float, fps: float) -> float:
    """RMS of what lies above a frequency of white noise of RMS 1."""
    return float(np.linalg.norm(_high_pass(hz, fps)))


def above(path: Array, hz: float, fps: float) -> Array:
    """(..., N, D) what lies above a frequency, without delay; 0 within half a second of the ends."""
    found, kernel = np.zeros_like(path), _high_pass(hz, fps)
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


def steady(path: Array, noise: Array, count: int) -> NDArray[np.bool_]:
    """(P, M) whether each stretch of `count` frames of (P, N, D) is as rough as this noise (P, M) all through.

    A blow, a jump and a spike have all of it within the five frames of a fourth difference; a filter rings on.
    """
    rough, third = residual(path), max(count // 3, 1)
    size, parts = rolling_rms(rough, count), rolling_rms(rough, third)
    width = size.shape[1]
    starts = (0, (count - third) // 2, count - third)
    least = np.min([parts[:, start : start + width] for start in starts], axis=0)
    by_noise = float(np.linalg.norm(displaced(CURVE)))
    return np.asarray((least >= STEADY * size) & (size >= ROUGH * by_noise * noise))


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

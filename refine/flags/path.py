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

TO_AND_FRO = (np.array([1.0]), np.array([1.0, -1.0]), np.array([1.0, -1.0, 1.0]))  # frames in a row
SHAPES = (*TO_AND_FRO, *(np.ones(count) for count in (2, 3, 4)))  # and as many that are off alike
CURVE, CAPTURE = (
    4,
    8,
)  # orders of differences: a curve is cubic between keys; of captured motion less is left [judge]
AROUND = 8  # frames to each side that show what is usual there [judge]
BREAKS = 3  # what a rival jumps in: place, velocity, acceleration
ALIKE = 1e-9  # of a break's parts, relative: under it they are one
CLEARER = 2.2  # times what a break leaves over, that a lapse may leave: a break has more ways to fit [judge]
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

    `clear` (P, N): no rival explains what is left over better.
    """

    amount: Array
    sigmas: Array
    clear: NDArray[np.bool_]


def lapses(paths: Array, sigmas: float) -> Iterator[Lapse]:
    """Where a curve's path (P, N, D) leaves its course by more than `sigmas` and comes back at once."""
    found: list[Lapse] = []
    kernels = np.tile(kernel(CURVE), (len(paths), 1))
    for count, fit in enumerate(fitted(paths, kernels)[: len(TO_AND_FRO)], 1):
        for p, n in zip(*np.nonzero((fit.sigmas > sigmas) & fit.clear), strict=True):
            found.append(Lapse(int(p), int(n), count, fit.amount[p, n], float(fit.sigmas[p, n])))
    yield from _clearest(found)


def errors(paths: Array, kernels: Array) -> Array:
    """(P, N - L + 1, D) what each path's kernel (P, L), the latest frame first, says of each L frames of it."""
    return _correlated(paths, kernels[:, ::-1])


def fitted(paths: Array, kernels: Array) -> list[Fitted]:
    """Each of SHAPES fitted to paths (P, N, D) by kernels (P, L); none where they are too short to say what is usual.

    A kernel times a path that keeps its course is nothing but noise: a difference of high order, or the prediction
    error of the path's own motion. A frame displaced by d adds d times the kernel to it, so d is found by least
    squares, and what is left in the frames around says what is usual: sigmas = |d| |kernel| / RMS of the rest. Jumps of
    place, velocity and acceleration, the kernel's running sums, have nearly that shape too: where such a break explains
    what is there far better, it is one.
    """
    length = kernels.shape[1]
    if paths.shape[1] < max(2 * AROUND, 2 * length + 2):
        return []
    error = errors(paths, kernels)
    energy = np.cumsum(np.pad(np.sum(error**2, axis=2), ((0, 0), (1, 0))), axis=1)
    rival = _by_break(error, kernels)
    found = []
    for shape in SHAPES:
        pattern = np.stack([np.convolve(row, shape) for row in kernels])
        amount, own, sigmas = stands_out(error, energy, pattern)
        clear = _clear(own, energy, rival, pattern.shape[1], len(shape))
        # Entry m of the errors ends on frame m + length - 1, which is the first that it may have from a lapse there.
        at = slice(length - 1, length - 1 + own.shape[1])
        fit = Fitted(np.zeros_like(paths), np.zeros(paths.shape[:2]), np.zeros(paths.shape[:2], np.bool_))
        fit.amount[:, at], fit.sigmas[:, at], fit.clear[:, at] = amount, sigmas, clear
        found.append(fit)
    return found


def stands_out(error: Array, energy: Array, pattern: Array) -> tuple[Array, Array, Array]:
    """Amount (P, M, D) of a pattern (P, L) from each entry of the errors on, the energy it explains, and its sigmas."""
    own = np.sum(pattern**2, axis=1)
    amount = _correlated(error, pattern) / own[:, None, None]
    count, length = amount.shape[1], pattern.shape[1]
    middle = np.arange(count) + length // 2
    low, high = np.maximum(middle - AROUND, 0), np.minimum(middle + AROUND + 1, error.shape[1])
    explained = np.sum(amount**2, axis=2) * own[:, None]
    left = np.maximum(energy[:, high] - energy[:, low] - explained, 0.0)
    usual = np.sqrt(left / (high - low - 1))
    size = np.linalg.norm(amount, axis=2)
    sigmas = np.where(size > LEAST, np.sqrt(explained) / np.maximum(usual, LEAST), 0.0)
    return amount, explained, sigmas


def _correlated(error: Array, pattern: Array) -> Array:
    """(P, M - L + 1, D): sum of each row's pattern (P, L) times the errors (P, M, D) from each entry on."""
    count = error.shape[1] - pattern.shape[1] + 1
    total: Array = np.zeros((len(error), count, error.shape[2]))
    for j in range(pattern.shape[1]):
        total += pattern[:, j, None, None] * error[:, j : j + count]
    return total


def _by_break(error: Array, kernels: Array) -> Array:
    """(P, M) energy of the errors that a break explains: jumps of place, velocity and acceleration on one frame.

    What hits, stops and sets off are made of, also between two frames.
    """
    parts, part = [], kernels
    for _ in range(BREAKS):
        part = np.cumsum(part, axis=1)
        parts.append(part / np.linalg.norm(part, axis=1, keepdims=True))
    match = np.stack([_correlated(error, part) for part in parts], axis=-1)  # (P, M, D, BREAKS)
    alike = np.einsum("pil,pjl->pij", np.stack(parts, axis=1), np.stack(parts, axis=1))
    amounts = np.einsum("pij,pmdj->pmdi", np.linalg.pinv(alike, rcond=ALIKE), match)
    return np.asarray(np.einsum("pmdi,pmdi->pm", amounts, match))


def _clear(own: Array, energy: Array, rival: Array, length: int, frames: int) -> NDArray[np.bool_]:
    """(P, M) whether what a lapse leaves of the errors is at most CLEARER times what any break near it does."""
    count, reach = own.shape[1], length + BREAKS
    padded = np.pad(energy, ((0, 0), (0, BREAKS)), mode="edge")
    around = padded[:, reach : reach + count] - energy[:, :count]
    wide = np.pad(rival, ((0, 0), (0, length)))
    best = np.max([wide[:, offset : offset + count] for offset in range(BREAKS + frames)], axis=0)
    return np.asarray(np.maximum(around - own, 0.0) <= CLEARER * np.maximum(around - best, 0.0))


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
    same = np.all(np.abs(np.diff(path, axis=0)) <= LEAST, axis=1)
    starts = np.flatnonzero(np.diff(np.concatenate([[0], same.astype(np.int8), [0]])))
    length = starts[1::2] - starts[::2]
    return float(length[length <= 2].sum()) > STEPPED * len(same)


def unevenness(spacing: Array) -> float:
    """Z of a move's spacings (n,): [sum |Ds| - (2 s_max - s_1 - s_n)] / (2 mean s); 0 where they have one peak."""
    mean = float(spacing.mean())
    rise = 2 * float(spacing.max()) - float(spacing[0]) - float(spacing[-1])
    return (float(np.abs(np.diff(spacing)).sum()) - rise) / (2 * mean) if mean > 0 else 0.0

"""Samples that jump away and are back at once, found where turns live: in rotations, not in their Euler angles.

Each candidate is judged by what explains the frames around it best, as polynomials of the third degree over a short
window: with the candidate's one to four samples free (a spike, or two in a row), or with a corner or a step there (an
impact, a cut).
A spike must beat those, and stand out by `OUT` of the residual that is then left.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.clean.noise import empty, falling
from refine.clean.there_and_back import SURE, there_and_back
from refine.samples import led_through
from refine.shot import Array

OUT = 6.0  # sigmas of what is left (catalogue [judge])
LEAST = 0.1  # [judge] deg that a turn is uncertain by: it takes OUT times that to be a spike
USUAL = 0.5  # [judge] deg of noise that captures have: where there is none it was taken out, not the moves that it hid
LEFT = 0.25  # [judge] of the squares that may be left once the spike is free
BROKEN = 5.0  # [judge] times the squares that a break must leave to be none, where no noise blurs which it is
HALF = 5  # frames to each side of a candidate that are looked at; 4 where frames are rare
RARE = 50.0  # frames a second
FEWEST = 15.0  # [judge] frames a second, of fewer a quick move is as short as a spike
ROUNDS = 4  # a spike beside a larger one shows when that is gone
LOUD = 0.75  # quantile of what windows leave: noise comes in bursts, spikes are rarer
LOUDER = 2.5  # [judge] times the median, more is a second full of spikes
QUICKER = 1.5  # [judge] the same of windows twice as wide
CLEAR = 300.0  # [judge] times the variance left from which a spike is one however quick the joint is
LEVEL = 1.0  # s over which the usual residual is taken

# Which frames around the candidate are free; and where a corner or a step could stand instead.
_ALONE = ((0,), (0, 1), (-1, 0), (-1, 0, 1), (-1, 0, 1, 2))
_APART = ((-1, 1), (-2, -1, 1), (-1, 1, 2), (-2, -1, 1, 2))  # two, with one good sample between them
_FREE = (*_ALONE, *_APART)
_MORE = 6.0  # [judge] sigmas^2 that each free sample takes by chance
LONGEST = 3  # frames in a row that a spike lasts: longer is a move
CROWDED = 2.0  # [judge] times OUT from which several spikes side by side are believed
PAIR = 2  # frames in a row of those that are believed where there is no noise: more bridge any step
SPARE = 3  # samples that must be left over to say that the others are spikes
THIN = 3  # every which window the usual residual is taken from
STEP = 2  # what a step is free to choose: its height, and another slope
BLUR = np.array([1.0, 2.0, 1.0]) / 4.0  # how sharp a break is that a smoothing has gone over
TINY = 1e-300  # where a row rests exactly nothing is left
SIDE = 3  # samples that a step leaves to each side at least: of fewer they are the spike


def spikes(path: Array, skipped: NDArray[np.bool_], fps: float, floor: float = 0.0) -> NDArray[np.bool_]:
    """(N,) the samples of a path (N, D) that are spikes, skipped ones (gaps) excepted.

    Any unit; the path must be continuous (quaternions with continuous signs). `floor` is the least residual that is
    taken for usual: motion that is made leaves none, and its accents would stand out of that. A clean path is judged
    more strictly: what stands out of it may have been left in because noise spoke against its being a spike.
    """
    count, half = len(path), HALF if fps >= RARE else HALF - 1
    found = np.zeros(count, np.bool_)
    if fps < FEWEST or count < 4 * half or not np.any(np.ptp(path, axis=0) > 0):
        return found
    y = led_through(path, skipped)
    least = SURE * floor / LEAST if floor else np.inf  # only of turns it is known what is far
    while (sure := there_and_back(y, skipped | found, fps, least)).any():
        found |= sure
        y = led_through(path, skipped | found)
    out, strict = _out(y), False
    if _stands_out(out, floor, half) and _clean(y, skipped, fps):
        strict, floor = True, floor * USUAL / LEAST
    for _ in range(ROUNDS):
        if not _stands_out(out, floor, half):
            break
        at = _candidates(out, _usual(out, skipped | found, fps, (0.5,))[0], skipped, half)
        whole = left_by_cubics(y, half)
        noise = np.maximum(_level(whole, skipped | found, half, fps, LOUDER), floor)
        usual = np.maximum(noise, quickness(y, skipped | found, fps))
        new = _judged(y, at, half, whole[at - half], noise[at], usual[at], strict)
        new &= ~skipped & ~found
        if not new.any():
            break
        found |= new
        y = led_through(path, skipped | found)
        out = _out(y)
    return found


def _out(y: Array) -> Array:
    """(N,) how far the samples of a path (N, D) are off the cubic through two to each side; 0 at its ends."""
    out = np.zeros(len(y))
    out[2:-2] = np.linalg.norm(_fourth(y), axis=0) / 6.0
    return out


def _stands_out(out: Array, floor: float, half: int) -> bool:
    """Whether any sample is off by half of what the least spike is, which beside the ends shows as a sixth."""
    least = 0.5 * OUT * floor
    return bool(out.max() > least or max(out[:half].max(), out[-half:].max()) > least / 6.0)


def _clean(path: Array, skipped: NDArray[np.bool_], fps: float) -> bool:
    """Whether no row of a path (N, D) that moves has noise."""
    rows = path.T[np.ptp(path, axis=0) > 0]
    return bool(np.all(falling(rows, skipped, fps) > empty(fps)))


def _fourth(y: Array, step: int = 1) -> Array:
    """(D, N - 4 step) fourth differences of a path (N, D), between samples `step` frames apart."""
    found = y.T
    for _ in range(4):
        found = found[:, step:] - found[:, :-step]
    return found


def left_by_cubics(y: Array, half: int, step: int = 1) -> Array:
    """(N - 2 half step,) the squares that a cubic leaves of the window around each frame, every `step`-th frame taken.

    They follow from the fourth differences d of the window alone: d' (F F')^-1 d, F being what takes those.
    """
    fourth, size = _fourth(y, step), 2 * half + 1 - 4
    differences = np.diff(np.eye(size + 4), 4, axis=0)
    weight = np.linalg.inv(differences @ differences.T)
    left = np.zeros(len(y) - 2 * half * step)
    for lag in range(size):
        product = np.einsum("dn,dn->n", fourth[:, : fourth.shape[1] - lag * step], fourth[:, lag * step :])
        for k in range(size - lag):
            share = (2.0 if lag else 1.0) * weight[k, k + lag]
            left += share * product[k * step : k * step + len(left)]
    return np.maximum(left, 0.0)


def _usual(out: Array, skipped: NDArray[np.bool_], fps: float, shares: tuple[float, ...]) -> list[Array]:
    """Quantiles of `out` around each frame, (N,) each: by blocks of a second, straight lines between centres."""
    size = min(max(round(LEVEL * fps), 15), len(out))
    count = len(out) // size
    blocks = np.sort(np.where(skipped, np.nan, out)[: count * size].reshape(count, size), axis=1)
    good = size - np.isnan(blocks).sum(axis=1)
    centres = (np.arange(count) + 0.5) * size
    found = []
    for share in shares:
        at = np.clip((share * (good - 1)).astype(np.intp), 0, size - 1)
        level = np.nan_to_num(blocks[np.arange(count), at])
        floor = 0.3 * float(np.median(level))  # a second at rest doesn't make the next breath a spike
        found.append(np.maximum(np.interp(np.arange(len(out)), centres, level), floor))
    return found


def _candidates(out: Array, usual: Array, skipped: NDArray[np.bool_], half: int) -> NDArray[np.intp]:
    """Frames whose residual stands out: the spike is one of them or beside it."""
    high = (out > 0.5 * OUT * np.maximum(usual, 1e-12)) & ~skipped
    near = high.copy()
    near[1:] |= high[:-1]
    near[:-1] |= high[1:]
    near[:half] = near[len(out) - half :] = False
    near[[half, len(out) - 1 - half]] = True  # what lies nearer to the ends shows in their windows
    return np.flatnonzero(near & ~skipped)


def quickness(y: Array, skipped: NDArray[np.bool_], fps: float) -> Array:
    """(N,) what a path (N, D) usually strays around each frame by its noise and by its own quick moves.

    0 where frames are so rare that windows long enough for that would be whole moves.
    """
    if fps < RARE or len(y) <= 4 * HALF:
        return np.zeros(len(y))
    return _level(left_by_cubics(y, HALF, 2), skipped, HALF, fps, QUICKER)


def _level(left: Array, skipped: NDArray[np.bool_], half: int, fps: float, louder: float) -> Array:
    """(N,) what a window around each frame usually leaves of a sample; `left` are the squares that cubics leave of it.

    Of windows of every frame it is noise, white or slow; of every other one also how quick the joint is.
    """
    each = np.sqrt(left[::THIN] / (2 * half + 1 - 4))
    around = np.interp(
        np.arange(len(skipped)), (len(skipped) - len(left)) // 2 + THIN * np.arange(len(each)), each
    )
    usual, loud = _usual(around, skipped, fps, (0.5, LOUD))
    return np.minimum(loud, louder * usual)


def _free(half: int) -> tuple[tuple[int, ...], ...]:
    """What a window can free and still have samples enough to speak against it."""
    return tuple(free for free in _FREE if 2 * half + 1 - 4 - len(free) >= SPARE)


@lru_cache(maxsize=8)
def _cubic(half: int) -> Array:
    """(n, n) projection on what a cubic polynomial leaves of a window."""
    return _projection(np.vander(np.arange(-half, half + 1.0) / half, 4))


@lru_cache(maxsize=8)
def _left_over(half: int) -> tuple[Array, Array, Array]:
    """Projections (H, n, n) on what spikes leave, on what breaks leave, and degrees of freedom (H,) of the spikes.

    Breaks stand anywhere in the window that leaves them `SIDE` samples: sharp ones, and such as were smoothed.
    """
    t = np.arange(-half, half + 1.0)
    cubic = np.vander(t / half, 4)
    loose, freedom = [], []
    for free in _free(half):
        extra = (t[:, None] == np.array(free)).astype(float)
        loose.append(_projection(np.hstack([cubic, extra])))
        freedom.append(len(t) - 4 - len(free))
    broken = []
    around = np.arange(-half - 1, half + 2.0)
    for at in range(SIDE - half - 1, half - SIDE + 1):
        sharp = np.stack([np.maximum(around - at, 0.0), around > at], axis=1)
        blurred = np.stack([np.convolve(each, BLUR, "valid") for each in sharp.T], axis=1)
        for corner_and_step in (sharp[1:-1], blurred):
            broken.append(_projection(np.hstack([cubic, corner_and_step[:, :1]])))
            broken.append(_projection(np.hstack([cubic, corner_and_step])))
    return np.stack(loose), np.stack(broken), np.array(freedom, float)


def _projection(basis: Array) -> Array:
    q, _ = np.linalg.qr(basis)
    return np.asarray(np.eye(len(basis)) - q @ q.T)


def _judged(
    y: Array, at: NDArray[np.intp], half: int, whole: Array, noise: Array, usual: Array, strict: bool
) -> NDArray[np.bool_]:
    """(N,) the samples of those candidates that a spike explains.

    whole (M,): the squares that cubics leave of the windows around them. noise (M,): the usual residual of a sample by
    its noise, usual (M,): by how quick the joint is as well. A quick joint's corners, which a cleaning leaves in, would
    stand out of noise alone once that is gone; so that counts only where all frames around the spike are on one way to
    `CLEAR`.
    """
    found = np.zeros(len(y), np.bool_)
    worth = whole > (OUT * noise) ** 2  # no spike explains more than there is
    if not worth.any():
        return found
    at, whole, noise, level = at[worth], whole[worth], noise[worth], usual[worth]
    window = y[at[:, None] + np.arange(-half, half + 1)]  # (M, n, D)
    loose, broken, freedom = _left_over(half)
    left, torn = _squares(loose, window), _squares(broken, window)
    # Of the ways to free samples the one that explains most for their number; a corner may not do as well.
    size = np.array([len(f) for f in _free(half)], float)
    chance = _MORE * size * noise[:, None] ** 2
    best = np.argmax(whole[:, None] - left - chance, axis=1)
    rest = np.take_along_axis(left, best[:, None], axis=1)[:, 0]
    clear = (whole - rest) / size[best] > CLEAR * rest / freedom[best]
    variance = np.maximum(rest / freedom[best], np.where(clear, noise, level) ** 2)
    gain = whole - rest - _MORE * size[best] * variance
    longest = PAIR if strict else LONGEST
    out = OUT * np.where(size[best] > longest, CROWDED, 1.0)  # so many must be two in a row
    least_torn = torn.min(axis=1) / (BROKEN if strict else 1.0)
    spike = (gain > out**2 * variance) & (rest < LEFT * whole) & (rest < least_torn)
    for which in _best_first(spike, gain / variance):
        free = [int(at[which]) + k for k in _FREE[best[which]]]
        if not found[max(free[0] - half, 0) : free[-1] + half + 1].any():
            found[free] = True
    # What no single spike explains may be several, side by side: freed one after the other, the worst first.
    crowded = ~spike & (whole > (CROWDED * OUT * noise) ** 2)
    for which in _best_first(crowded, whole / np.maximum(noise**2, TINY)):
        near = slice(max(int(at[which]) - half, 0), int(at[which]) + half + 1)
        if not found[near].any():
            picked, sure = _picked(window[which], float(noise[which]), half, float(least_torn[which]))
            if len(picked) and (sure or (not strict and whole[which] > (CROWDED * OUT * level[which]) ** 2)):
                found[int(at[which]) - half + _whole(picked, int(at[which]), half, len(y))] = True
    return found


def _whole(picked: NDArray[np.intp], at: int, half: int, count: int) -> NDArray[np.intp]:
    """The picked samples but those that reach the window's edge: what is there, a step say, may go on beyond it, and
    shows in other windows. At the clip's ends nothing does."""
    chosen = np.zeros(2 * half + 1, np.bool_)
    chosen[picked] = True
    for line, inside in ((chosen, at > half), (chosen[::-1], at < count - 1 - half)):
        edge = int(np.argmin(line))  # samples side by side
        if inside and edge:
            line[:edge] = False
    return np.flatnonzero(chosen)


def _best_first(chosen: NDArray[np.bool_], worth: Array) -> list[int]:
    at = np.flatnonzero(chosen)
    return [int(i) for i in at[np.argsort(-worth[at])]]


def _picked(window: Array, level: float, half: int, torn: float) -> tuple[NDArray[np.intp], bool]:
    """Positions in a window (n, D) that must be free for the rest to be a cubic and noise; none if that takes most.
    And whether that is clear.

    `torn` are the squares that a break would leave. Orthogonal matching pursuit: the sample with the largest
    studentised residual is freed, until none stands out.
    """
    left, picked = _cubic(half), list[int]()
    whole = float(np.square(left @ window).sum())
    while True:
        residual, scale = np.square(left @ window).sum(axis=1), left.diagonal()
        freedom = len(window) - 4 - len(picked)
        more = _MORE * level**2 * (len(picked) - STEP)
        if residual.sum() <= min((2.0 * level) ** 2 * freedom, torn - more):
            clear = bool((whole - residual.sum()) * freedom > CLEAR * residual.sum() * len(picked))
            return np.array(sorted(picked), np.intp), clear
        studentised = np.where(scale > 1e-9, residual / np.maximum(scale, 1e-12), 0.0)
        worst = int(studentised.argmax())
        if freedom <= SPARE or studentised[worst] < (OUT * level) ** 2:
            return np.empty(0, np.intp), False
        picked.append(worst)
        left = left - left[:, worst, None] * (left[worst] / left[worst, worst])


def _squares(projections: Array, window: Array) -> Array:
    """(M, H) the squares that each projection leaves of each window."""
    hypotheses, n, _ = projections.shape
    left = projections.reshape(-1, n) @ np.moveaxis(window, 1, 0).reshape(n, -1)
    shape = (hypotheses, n, len(window), window.shape[2])
    return np.asarray(np.square(left).reshape(shape).sum(axis=(1, 3)).T)

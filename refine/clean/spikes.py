"""Samples that jump away and are back at once, found where turns live: in rotations, not in their Euler angles.

Each candidate is judged by what explains the frames around it best, as polynomials of the third degree over a short
window: with the candidate's one to four samples free (a spike, or two in a row), or with a corner or a step there (an
impact, a cut).
A spike must beat those, and stand out by `OUT` of the residual that is then left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.clean.noise import empty, falling
from refine.clean.there_and_back import SURE, there_and_back
from refine.clean.windows import (
    HALF,
    LOUDER,
    RARE,
    Explained,
    breaks,
    but_cubics,
    fourth_differences,
    quantiles,
    quickness,
    second,
    squares,
    unlike_cubics,
    usual,
)
from refine.samples import led_through
from refine.shot import Array

OUT = 6.0  # sigmas of what is left (catalogue [judge])
LEAST = 0.1  # [judge] deg that a turn is uncertain by: it takes OUT times that to be a spike
USUAL = 0.5  # [judge] deg of noise that captures have: where there is none it was taken out, not the moves that it hid
LEFT = 0.25  # [judge] of the squares that may be left once the spike is free
BROKEN = 5.0  # [judge] times the squares that a break must leave to be none, where no noise blurs which it is
FEWEST = 15.0  # [judge] frames a second, of fewer a quick move is as short as a spike
ROUNDS = 4  # a spike beside a larger one shows when that is gone
CLEAR = 300.0  # [judge] times the variance left from which a spike is one however quick the joint is

# Which frames around the candidate are free; and where a corner or a step could stand instead.
_ALONE = ((0,), (0, 1), (-1, 0), (-1, 0, 1), (-1, 0, 1, 2))
_APART = ((-1, 1), (-2, -1, 1), (-1, 1, 2), (-2, -1, 1, 2))  # two, with one good sample between them
_FREE = (*_ALONE, *_APART)
_MORE = 6.0  # [judge] sigmas^2 that each free sample takes by chance
LONGEST = 3  # frames in a row that a spike lasts: longer is a move
LASTS = 0.05  # [judge] s that it lasts: a fist is there and back in 0.12
LASTING = 100.0  # [judge] times the variance left from which what lasts longer is one; a punch had 28, spikes over 200
CROWDED = 2.0  # [judge] times OUT from which several spikes side by side are believed
PAIR = 2  # frames in a row of those that are believed where there is no noise: more bridge any step
SPARE = 3  # samples that must be left over to say that the others are spikes
STEP = 2  # what a step is free to choose: its height, and another slope
ROUNDED = 1e-7  # of what there is to explain, that is no better known
TINY = 1e-200  # where a row rests exactly nothing is left


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
    y, row = led_through(path, skipped), max(int(LASTS * fps), 1)
    fourth, strict = fourth_differences(y), False
    least = SURE * floor / LEAST if floor else np.inf  # only of turns it is known what is far
    while (sure := there_and_back(fourth, skipped | found, fps, least)).any():
        found |= sure
        y = led_through(path, skipped | found)
        fourth = fourth_differences(y)
    if _stands_out(_out(fourth), floor, half) and _clean(y, skipped, fps):
        strict, floor = True, floor * USUAL / LEAST
    for _ in range(ROUNDS):
        out, unsure = _out(fourth), skipped | found
        if not _stands_out(out, floor, half):
            break
        at = _candidates(out, unsure, skipped, half, fps, floor)
        noise = np.maximum(usual(fourth, unsure, half, 1, fps, LOUDER, at), floor)
        level = np.maximum(noise, quickness(y, unsure, fps, at))
        unlike = unlike_cubics(fourth, at - half, half)
        new = _judged(_Windows(at, unlike, noise, level, half, row, strict), count) & ~unsure
        if not new.any():
            break
        found |= new
        y = led_through(path, skipped | found)
        fourth = fourth_differences(y)
    return found


def _out(fourth: Array) -> Array:
    """(N,) how far samples are off the cubic through two to each side, told by fourth differences (D, N - 4)."""
    out = np.zeros(fourth.shape[1] + 4)
    out[2:-2] = np.sqrt(np.einsum("dn,dn->n", fourth, fourth)) / 6.0
    return out


def _stands_out(out: Array, floor: float, half: int) -> bool:
    """Whether any sample is off by half of what the least spike is, which beside the ends shows as a sixth."""
    least = 0.5 * OUT * floor
    return bool(out.max() > least or max(out[:half].max(), out[-half:].max()) > least / 6.0)


def _clean(path: Array, skipped: NDArray[np.bool_], fps: float) -> bool:
    """Whether no row of a path (N, D) that moves has noise."""
    rows = path.T[np.ptp(path, axis=0) > 0]
    return bool(np.all(falling(rows, skipped, fps) > empty(fps)))


def _candidates(
    out: Array, unsure: NDArray[np.bool_], skipped: NDArray[np.bool_], half: int, fps: float, floor: float
) -> NDArray[np.intp]:
    """Frames whose residual stands out of the usual one: the spike is one of them or beside it."""
    centres, (level,) = quantiles(out, unsure, second(fps), (0.5,))
    least = np.maximum(np.interp(np.arange(len(out)), centres, level), max(floor, 1e-12))
    high = (out > 0.5 * OUT * least) & ~skipped
    near = high.copy()
    near[1:] |= high[:-1]
    near[:-1] |= high[1:]
    near[:half] = near[len(out) - half :] = False
    near[[half, len(out) - 1 - half]] = True  # what lies nearer to the ends shows in their windows
    return np.flatnonzero(near & ~skipped)


@lru_cache(maxsize=2)
def _free(half: int) -> NDArray[np.bool_]:
    """(H, n) what a window can free and still have samples enough to speak against it."""
    t = np.arange(-half, half + 1)
    return np.stack([np.isin(t, free) for free in _FREE if len(t) - 4 - len(free) >= SPARE])


@lru_cache(maxsize=2)
def _explanations(half: int) -> tuple[Explained, Explained]:
    """What spikes explain, and what breaks explain."""
    spikes = [np.eye(len(free))[:, free] for free in _free(half)]
    return Explained.by(half, spikes), Explained.by(half, breaks(half))


def _in_a_row(masks: NDArray[np.bool_]) -> NDArray[np.intp]:
    """(M,) how many samples of windows (M, n) stand side by side at most."""
    run, most = np.zeros((2, len(masks)), np.intp)
    for column in masks.T:
        run = (run + 1) * column
        most = np.maximum(most, run)
    return most


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """What M windows around candidates have but for their cubics, and what is usual there.

    at (M,): the frames amid them. unlike (n - 4, D, M). noise (M,): the usual residual of a sample by its noise, level
    (M,): by how quick the joint is as well. A quick joint's corners, which a cleaning leaves in, would stand out of
    noise alone once that is gone; so that counts only where all frames around a spike are on one way to `CLEAR`. More
    than a `row` of samples side by side have to be as clear, or `LASTING`. In a `strict` look breaks explain more.
    """

    at: NDArray[np.intp]
    unlike: Array
    noise: Array
    level: Array
    half: int
    row: int
    strict: bool

    def only(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> _Windows:
        return replace(
            self,
            at=self.at[which],
            unlike=self.unlike[..., which],
            noise=self.noise[which],
            level=self.level[which],
        )

    def beyond(self, times: float) -> _Windows:
        """Those in which there is more to explain than so many times the noise."""
        return self.only(self.whole() > (times * self.noise) ** 2)

    def whole(self) -> Array:
        """(M,) the squares that there are to explain."""
        return squares(self.unlike)

    def torn(self, whole: Array) -> Array:
        """(M,) what the best break leaves of them."""
        _, broken = _explanations(self.half)
        left = np.maximum(whole - broken.explains(self.unlike).max(axis=0), 0.0)
        return np.asarray(left / BROKEN if self.strict else left)


def _judged(windows: _Windows, count: int) -> NDArray[np.bool_]:
    """(count,) the samples of the windows that spikes explain."""
    found = np.zeros(count, np.bool_)
    windows = windows.beyond(OUT)  # no spike explains more than there is
    if len(windows.at):
        spike = _by_themselves(windows, found)
        crowded = windows.only(~spike).beyond(CROWDED * OUT)
        if len(crowded.at):
            _side_by_side(crowded, found)
    return found


def _by_themselves(windows: _Windows, found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(M,) the windows that a spike of one to four samples explains; its samples are `found` (N,), the best first."""
    half, whole = windows.half, windows.whole()
    noise = np.maximum(windows.noise, ROUNDED * np.sqrt(whole))
    spiky, _ = _explanations(half)
    free = _free(half)
    left = np.maximum(whole - spiky.explains(windows.unlike), 0.0)
    # Of the ways to free samples the one that explains most for their number; a corner may not do as well.
    count = np.count_nonzero(free, axis=1).astype(float)
    best = np.argmax(whole - left - _MORE * count[:, None] * noise**2, axis=0)
    size, rest, lasts = count[best], left[best, np.arange(len(best))], (_in_a_row(free) > windows.row)[best]
    each, spread = (whole - rest) / size, rest / (free.shape[1] - 4 - size)
    variance = np.maximum(spread, np.where(each > CLEAR * spread, noise, windows.level) ** 2)
    gain = whole - rest - _MORE * size * variance
    longest = PAIR if windows.strict else LONGEST
    out = OUT * np.where(size > longest, CROWDED, 1.0)  # so many must be two in a row
    spike = (gain > out**2 * variance) & (rest < LEFT * whole) & (rest < windows.torn(whole))
    spike &= ~lasts | (each > LASTING * spread)
    # Where nothing is left and no noise known, what is gained is worth more than anything.
    for which in _best_first(spike, gain / np.maximum(variance, TINY)):
        own = int(windows.at[which]) - half + np.flatnonzero(free[best[which]])
        if not found[max(own[0] - half, 0) : own[-1] + half + 1].any():
            found[own] = True
    return np.asarray(spike)


def _side_by_side(windows: _Windows, found: NDArray[np.bool_]) -> None:
    """What no single spike explains may be several, side by side: freed one after the other, the worst first."""
    half, whole = windows.half, windows.whole()
    picked, sure = _picked(windows.unlike, windows.noise, half, windows.torn(whole))
    if not windows.strict:
        stands_out = whole > (CROWDED * OUT * windows.level) ** 2
        sure |= stands_out & (_in_a_row(picked) <= windows.row)
    for which in _best_first(picked.any(axis=1) & sure, whole / np.maximum(windows.noise**2, TINY)):
        middle = int(windows.at[which])
        if not found[max(middle - half, 0) : middle + half + 1].any():
            found[middle - half + _whole(picked[which], middle, half, len(found))] = True


def _whole(picked: NDArray[np.bool_], at: int, half: int, count: int) -> NDArray[np.intp]:
    """The picked samples but those that reach the window's edge: what is there, a step say, may go on beyond it, and
    shows in other windows. At the clip's ends nothing does."""
    chosen = picked.copy()
    for line, inside in ((chosen, at > half), (chosen[::-1], at < count - 1 - half)):
        edge = int(np.argmin(line))  # samples side by side
        if inside and edge:
            line[:edge] = False
    return np.flatnonzero(chosen)


def _best_first(chosen: NDArray[np.bool_], worth: Array) -> list[int]:
    at = np.flatnonzero(chosen)
    return [int(i) for i in at[np.argsort(-worth[at])]]


def _picked(
    unlike: Array, level: Array, half: int, torn: Array
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Samples of windows (M, n) that must be free for the rest to be a cubic and noise, none if that takes most, and
    (M,) whether that is clear.

    unlike (n - 4, D, M): what the windows have but for their cubics, level (M,): the noise, torn (M,): the squares that
    a break would leave. Orthogonal matching pursuit, in all windows at once: the sample with the largest studentised
    residual is freed, until none stands out.
    """
    count, size = unlike.shape[2], 2 * half + 1
    unlike = np.moveaxis(unlike, 2, 0)  # (M, n - 4, D)
    free, clear = np.zeros((count, size), np.bool_), np.zeros(count, np.bool_)
    going, chosen = np.arange(count), free.copy()
    each = np.repeat(but_cubics(half).T[None], count, axis=0)
    whole = np.square(unlike).sum(axis=(1, 2))
    for freedom in range(size - 4, SPARE - 1, -1):
        residual, scale = np.square(each @ unlike).sum(axis=2), np.square(each).sum(axis=2)
        left = np.square(unlike).sum(axis=(1, 2))
        taken = size - 4 - freedom
        done = left <= np.minimum((2.0 * level) ** 2 * freedom, torn - _MORE * level**2 * (taken - STEP))
        free[going[done]] = chosen[done]
        clear[going[done]] = ((whole - left) * freedom > CLEAR * left * taken)[done]
        studentised = np.where(scale > 1e-9, residual / np.maximum(scale, 1e-12), 0.0)
        worst, rows = studentised.argmax(axis=1), np.arange(len(going))
        on = ~done & (studentised[rows, worst] >= (OUT * level) ** 2)
        if freedom == SPARE or not on.any():
            break
        going, level, torn, whole, chosen = going[on], level[on], torn[on], whole[on], chosen[on]
        chosen[np.arange(len(going)), worst[on]] = True
        unit = each[rows, worst][on]
        unit /= np.linalg.norm(unit, axis=1, keepdims=True)  # (M, n - 4) the direction that is explained now
        unlike = unlike[on] - unit[:, :, None] * (unit[:, None] @ unlike[on])
        each = each[on] - (each[on] @ unit[:, :, None]) * unit[:, None]
    return free, clear

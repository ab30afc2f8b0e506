"""How much of a channel is noise, how alike the noise of neighbouring frames is, and how lively the motion is when.

Windows of about half a second are seen in the modes of the third difference: eigenvectors U of D'D, eigenvalues l.
There both are nearly diagonal, u = U'y having the variance

    q / l  +  s g(a)        motion whose jerk is white with variance q, noise of variance s

where g(a) are the modes' shares of noise in which neighbouring frames correlate by a (Rice 1944's spectrum of a first
order autoregression [mem]; a = 0 is white). s and a belong to the whole channel, q to each window. They are found by
maximum likelihood: the multiplicative steps for the Itakura-Saito divergence (Fevotte, Bertin & Durrieu 2009 [mem]).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import lcm

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array
from refine.third_differences import weight_of

WINDOW = 0.5  # [judge] s
SIZES = (24, 96)  # frames that a window has at least and at most
# Nats a window: 0.0 to 0.3 where motion is as the model says, 1.3 to 7 in raw captures (measured).
TRUSTED = 0.7
HIGH = 1 / 8  # of the frame rate: what is slower may be motion however it is modelled
TOP = 1 / 4  # of the modes, the fastest: what is left there is noise
# Powers of the eigenvalue by which fast modes fall. White noise has 0, the most alike 0.3; motion alone has 1 by the
# model. Rows of captures have up to 1.26 (toes, fingers), smoothed ones 1.29 to 3.5, of a filtered capture 0.7 to 3.3.
DENSE = 50.0  # [judge] frames a second from which only tremble is as fast as the fast modes
EMPTY = 1.0  # there is no noise to take out
TELLING = 0.8  # [judge] there is enough of it to say how alike it is
FAST = 8.0  # eigenvalue from which modes are fast: a quarter of the rate, half of them
SAMPLED = 32  # windows from which a channel's noise is told
FELT = 64  # windows of which it is asked whether there is any
STEPS = 12
ASKED = 8  # channels, evenly taken, of which the colour is told
ALIKE = (0.0, 0.3, 0.5, 0.65, 0.8)  # correlations tried; slower noise can't be told from motion
COLOUR = 3.0  # [judge] nats a channel that colour must be worth
LEAST = 1e-18  # energy that a mode is taken to have
QUIET = 1e-6  # of a channel's range, and in its unit: less is rounding
LEVELS = 25  # livelinesses tried in a window
# Half-amplitude frequencies between which smoothing lies.
SLOWEST = 1.0  # Hz
FASTEST = 0.35  # of the frame rate
UNSEEN = 0.2  # of a window's samples that may be missing
SHORT = 0.35  # of the window: the length of the second look
SHORTEST = 12  # frames
CLOSER = 2.0  # [judge] nats: spread about what the first look found
MEDIAN = 0.455  # of chi^2 of one degree: what a median of squares is of their mean
PRIOR = 3.0  # [judge] nats: spread of ln q about the channel's own


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """Modes of the third difference on a window of `size` frames: vectors (size, m), eigenvalues (m,)."""

    size: int
    vectors: Array
    eigenvalues: Array

    def above(self, share: float) -> tuple[Basis, int]:
        """The modes faster than a share of the frame rate, and how many are slower."""
        slow = int(np.searchsorted(self.eigenvalues, (2.0 * np.sin(np.pi * share)) ** 6))
        return Basis(self.size, self.vectors[:, slow:], self.eigenvalues[slow:]), slow

    def shares(self, alike: float) -> Array:
        """(m,) variance of unit noise with that correlation in each mode."""
        if alike == 0:
            return np.ones(len(self.eigenvalues))
        return _shares(self, alike)


@lru_cache(maxsize=64)
def _shares(b: Basis, alike: float) -> Array:
    lag = np.abs(np.subtract.outer(np.arange(b.size), np.arange(b.size)))
    return np.asarray(np.sum(b.vectors * (alike**lag @ b.vectors), axis=0))


@lru_cache(maxsize=8)
def basis(size: int) -> Basis:
    d = np.diff(np.eye(size), 3, axis=0)
    eigenvalues, vectors = np.linalg.eigh(d.T @ d)
    return Basis(size, vectors[:, 3:], eigenvalues[3:])


def window_size(fps: float, count: int) -> int:
    return int(np.clip(round(WINDOW * fps), SIZES[0], min(SIZES[1], max(count, 8))))


def grid(fps: float, count: int) -> int:
    """Frames after which the windows of `liveliness` stand as they did: parts that begin there see the same ones."""
    size = window_size(fps, count)
    return lcm(*(max(each // 4, 1) for each in (size, _closer_size(size))))


def _closer_size(size: int) -> int:
    return max(round(SHORT * size), SHORTEST)


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviation in the channel's unit, correlation of neighbouring frames, typical variance of jerk."""

    sigma: float
    alike: float
    jerk: float


NONE = Noise(0.0, 0.0, 0.0)


def estimated(
    y: Sequence[Array] | Array,
    missing: Sequence[NDArray[np.bool_]] | NDArray[np.bool_],
    fps: float,
    alike: float | None = None,
    falls: Array | None = None,
) -> tuple[Noise, ...]:
    """The noise of each row (rows, N); sigma 0 where there is none to speak of.

    `missing` (rows, N) samples carry no information. The correlation is one for all rows: noise comes from how the
    clip was captured, and a single channel tells little of it. Where it is known (`alike`) only the fast modes are
    asked for how much there is. `falls` (rows,), see `falling`, says which rows have none, and which have too little
    of it to tell the correlation; where most are such, it is taken to be white.
    """
    whole = basis(window_size(fps, len(y[0])))
    energies = [_energies(row, gone, whole) for row, gone in zip(y, missing, strict=True)]
    found = [NONE] * len(y)
    moving = [i for i, energy in enumerate(energies) if len(energy)]
    noisy = [i for i in moving if falls is None or falls[i] <= empty(fps)]
    telling = [i for i in noisy if alike is None and (falls is None or falls[i] < TELLING)]
    telling = telling if 2 * len(telling) >= len(moving) else []
    fast, slow = whole.above(HIGH)
    b, first = fast, slow
    if telling:
        b, first, alike = _trusted([energies[i] for i in telling], whole)
    alike = alike or 0.0
    for rows, modes, start in ((telling, b, first), (sorted({*noisy} - {*telling}), fast, slow)):
        for at, energy in _stacked([energies[i] for i in rows]):
            variances = _fitted(energy[..., start:], modes, modes.shares(alike))[0]
            jerks = _jerks(energy, whole, variances[:, None] * whole.shares(alike))
            for i, sigma, q in zip(at, np.sqrt(variances).tolist(), jerks, strict=True):
                bounds = _bounds(sigma, fps)
                found[rows[i]] = Noise(sigma, alike, float(np.exp(np.mean(np.clip(np.log(q), *bounds)))))
    return tuple(found)


def falling(rows: Array, missing: NDArray[np.bool_], fps: float) -> Array:
    """(k,) the power of the eigenvalue by which the fast modes of rows (k, N) fall, the median over windows that move.

    Noise, however slow, fills them; motion that was made, filtered or cleaned before dies out in them. inf where they
    hold nothing but rounding.
    """
    b, power = _fast(window_size(fps, rows.shape[1]))
    windows = sound_windows(rows, missing, b.size)
    energy = np.square(windows @ b.vectors)
    falls = np.log(np.maximum(energy, LEAST)) @ -power  # by least squares, in each window
    falls[energy.sum(axis=2) <= QUIET**2 * b.size] = np.inf
    moving = np.ptp(windows, axis=2) > QUIET
    return np.array(
        [np.median(f[some]) if some.any() else np.inf for f, some in zip(falls, moving, strict=True)]
    )


def empty(fps: float) -> float:
    """The power by which fast modes fall that hold no noise to take out.

    The fewer frames a second, the more of a body's quick moves these modes hold: noise must show the more clearly.
    """
    return EMPTY * min(fps / DENSE, 1.0)


@lru_cache(maxsize=8)
def _fast(size: int) -> tuple[Basis, Array]:
    """The fast modes, and what takes from the logarithms of their energies how these fall."""
    whole = basis(size)
    at = whole.eigenvalues >= FAST
    power = np.log(whole.eigenvalues[at])
    power -= power.mean()
    return Basis(size, whole.vectors[:, at], whole.eigenvalues[at]), power / (power @ power)


def sound_windows(rows: Array, missing: NDArray[np.bool_], size: int) -> Array:
    """(k, n, size) up to FELT windows of rows (k, N) in which no sample is missing."""
    count = rows.shape[1] // size
    windows = rows[:, : count * size].reshape(len(rows), count, size)
    good: NDArray[np.bool_] = ~np.any(missing[: count * size].reshape(count, size), axis=1)
    return windows[:, _evenly(good)]


def _evenly(good: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Up to FELT of the good windows: always the same but for those that are bad, so that a clip whose spikes were
    mended is asked what it was asked before; others only where few of these are good."""
    some = np.linspace(0, len(good) - 1, min(len(good), FELT)).astype(np.intp)
    if 2 * good[some].sum() >= len(some):
        return some[good[some]]
    every = np.flatnonzero(good)
    return every[np.linspace(0, len(every) - 1, min(len(every), FELT)).astype(np.intp)]


def _stacked(energies: Sequence[Array]) -> list[tuple[list[int], Array]]:
    """The energies (n, m) with one number of windows as one array (k, n, m), and their positions."""
    sizes: dict[int, list[int]] = {}
    for i, energy in enumerate(energies):
        sizes.setdefault(len(energy), []).append(i)
    return [(at, np.stack([energies[i] for i in at])) for at in sizes.values()]


def _trusted(energies: list[Array], whole: Basis) -> tuple[Basis, int, float]:
    """The modes that tell the noise, how many slower ones are left out, and the correlation.

    All modes tell it best, if motion is what the model says. Captured motion often isn't: its own tremble between 5
    and 15 Hz would be taken for slow noise. So what all modes say must explain the fast ones, where there is little
    but noise, about as well as these do by themselves; else these alone are asked.
    """
    asked = [
        energies[i] for i in np.linspace(0, len(energies) - 1, min(ASKED, len(energies))).astype(np.intp)
    ]
    fast, slow = whole.above(HIGH)
    alike, alone = _alike(asked, whole), _alike([energy[:, slow:] for energy in asked], fast)
    lost = []
    for _, energy in _stacked(asked):
        s = _fitted(energy, whole, whole.shares(alike))[0]
        noise = s[:, None] * fast.shares(alike)
        fastest = energy[..., slow:]
        variance = _jerks(fastest, fast, noise)[..., None] / fast.eigenvalues + noise[:, None]
        least = _fitted(fastest, fast, fast.shares(alone))[2]
        lost.extend((_nats(fastest, variance) - least) / energy.shape[1])
    return (whole, 0, alike) if np.median(lost) <= TRUSTED else (fast, slow, alone)


def _nats(energy: Array, variance: Array) -> Array:
    """(...,) minus log likelihood of energies (..., n, m) under their variances, constants left out."""
    return np.asarray(0.5 * np.sum(np.log(variance) + energy / variance, axis=(-2, -1)))


def _energies(row: Array, missing: NDArray[np.bool_], b: Basis) -> Array:
    """(n, m) squares of the modes in up to SAMPLED whole windows; none where the row rests."""
    count = len(row) // b.size
    if count == 0 or np.ptp(row) <= QUIET:
        return np.empty((0, len(b.eigenvalues)))
    windows = row[: count * b.size].reshape(count, b.size)
    good = ~missing[: count * b.size].reshape(count, b.size).any(axis=1)
    u = windows[good] @ b.vectors
    energy = u * u
    energy = energy[energy.sum(axis=1) > (QUIET**2) * b.size]
    if len(energy) > SAMPLED:
        energy = energy[np.linspace(0, len(energy) - 1, SAMPLED).astype(np.intp)]
    return np.asarray(np.maximum(energy, LEAST))


def _alike(energies: list[Array], b: Basis) -> float:
    """The correlation that explains the clip best; 0 unless another one is clearly better."""
    cost, stacked = [], _stacked(energies)
    for alike in ALIKE:
        shares = b.shares(alike)
        cost.append(sum(float(_fitted(energy, b, shares)[2].sum()) for _, energy in stacked))
    best = int(np.argmin(cost))
    if cost[best] > cost[0] - COLOUR * len(energies):
        return 0.0
    if best == len(ALIKE) - 1:
        return ALIKE[best]
    curve = np.polyfit(ALIKE[best - 1 : best + 2], cost[best - 1 : best + 2], 2)
    return float(np.clip(-curve[1] / (2 * curve[0]), ALIKE[best - 1], ALIKE[best + 1]))


def _fitted(energy: Array, b: Basis, shares: Array) -> tuple[Array, Array, Array]:
    """Noise variances s (k,), variances of jerk q (k, n), minus log likelihoods in nats (k,), of energies (k, n, m)."""
    motion = 1.0 / b.eigenvalues
    high, top = len(motion) // 2, -max(round(TOP * len(motion)), 1)
    s, least = (
        np.median(energy[..., first:] / shares[first:], axis=(-2, -1)) / MEDIAN for first in (high, top)
    )
    q = np.median(energy[..., :8] / motion[:8], axis=-1) / MEDIAN
    for _ in range(STEPS):
        inverse = 1.0 / (q[..., None] * motion + (s[:, None] * shares)[:, None])
        ratio = energy * inverse * inverse
        q = q * (ratio @ motion) / (inverse @ motion)
        s = np.maximum(s * np.sum(ratio @ shares, axis=-1) / np.sum(inverse @ shares, axis=-1), least)
        q = np.maximum(q, 1e-30)
    return s, q, _nats(energy, q[..., None] * motion + (s[:, None] * shares)[:, None])


def _jerks(energy: Array, b: Basis, noise: Array) -> Array:
    """(k, n) variance of jerk in each window of energies (k, n, m), the noise (k, m) in each mode being known."""
    motion, noise = 1.0 / b.eigenvalues, noise[:, None]
    q = np.maximum(np.median(energy[..., :8] / motion[:8], axis=-1) / MEDIAN, 1e-30)
    for _ in range(STEPS):
        inverse = 1.0 / (q[..., None] * motion + noise)
        q = np.maximum(q * ((energy * inverse * inverse) @ motion) / (inverse @ motion), 1e-30)
    return np.asarray(q)


# --- how lively the motion is when --------------------------------------------------------------------------------


def liveliness(
    row: Array, noise: Noise, fps: float, missing: NDArray[np.bool_] | None = None, slowest: float = SLOWEST
) -> Array:
    """(N - 3,) variance of the motion's third differences: by windows of half a second, then by shorter ones about it.

    The geometric mean over the likelihood of LEVELS values, the channel's typical one being likely beforehand, then the
    one found; a short window alone could tell an accent, but not how calm a calm stretch is. What is led straight
    through `missing` samples (N,) isn't calm: there the windows beside it speak.
    """
    typical = np.array([0.0]), np.log([max(noise.jerk, 1e-30)])
    size = window_size(fps, len(row))
    bounds = _bounds(noise.sigma, fps, slowest)
    coarse = _likely(row, missing, noise, bounds, size, typical, PRIOR)
    middles = np.arange(len(row) - 3) + 1.5  # a third difference stands between its middle samples
    level = np.interp(middles, *_likely(row, missing, noise, bounds, _closer_size(size), coarse, CLOSER))
    return np.asarray(np.exp(level, out=level))


def _likely(
    row: Array,
    missing: NDArray[np.bool_] | None,
    noise: Noise,
    bounds: tuple[float, float],
    size: int,
    before: tuple[Array, Array],
    spread: float,
) -> tuple[Array, Array]:
    """Centres of windows of a size and the mean of ln q in each, (M,) both; `before`, the like, being likely beforehand
    within `spread`."""
    b = basis(size)
    step = max(size // 4, 1)
    starts = np.append(np.arange(0, len(row) - size, step), len(row) - size)
    if missing is not None and missing.any():
        gone = np.concatenate([[0], np.cumsum(missing)])
        seen = gone[starts + size] - gone[starts] <= UNSEEN * size
        starts = starts[seen] if seen.any() else starts
    centres = starts + 0.5 * (size - 1)
    modes = np.lib.stride_tricks.sliding_window_view(row, size)[starts] @ b.vectors
    tried = np.linspace(*bounds, LEVELS)[:, None]
    variance = np.exp(tried) / b.eigenvalues + noise.sigma**2 * b.shares(noise.alike)
    cost = (0.5 / variance) @ np.square(modes, out=modes).T  # (levels, windows)
    off = (tried - np.interp(centres, *before)) / spread
    cost += 0.5 * (np.log(variance).sum(axis=1, keepdims=True) + np.square(off, out=off))
    weight = np.exp(np.subtract(cost.min(axis=0), cost, out=cost), out=cost)
    return centres, np.asarray(tried[:, 0] @ weight / weight.sum(axis=0))


def _bounds(sigma: float, fps: float, slowest: float = SLOWEST) -> tuple[float, float]:
    """ln q of the slowest and of the fastest motion that is told from noise of that size."""
    slow, fast = (2.0 * np.log(sigma) - np.log(float(weight_of(hz, fps))) for hz in (slowest, FASTEST * fps))
    return float(slow), float(fast)

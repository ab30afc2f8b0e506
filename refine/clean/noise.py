"""How much of a channel is noise, how alike the noise of neighbouring frames is, and how lively the motion is when.

Windows of about half a second are seen in the modes of the third difference: eigenvectors U of D'D, eigenvalues l.
There both are nearly diagonal, u = U'y having the variance

    q / l  +  s g(a)        motion whose jerk is white with variance q, noise of variance s

where g(a) are the modes' shares of noise in which neighbouring frames correlate by a (Rice 1944's spectrum of a first
order autoregression [mem]; a = 0 is white). s and a belong to the whole channel, q to each window. They are found by
maximum likelihood: the multiplicative steps for the Itakura-Saito divergence (Fevotte, Bertin & Durrieu 2009 [mem]).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.clean.smoother import weight_of
from refine.shot import Array

WINDOW = 0.5  # [judge] s
SIZES = (24, 96)  # frames that a window has at least and at most
SAMPLED = 48  # windows from which a channel's noise is told
STEPS = 30
ALIKE = (0.0, 0.3, 0.5, 0.65, 0.8)  # correlations tried; slower noise can't be told from motion
COLOUR = 3.0  # [judge] nats a channel that colour must be worth
QUIET = 1e-6  # of a channel's range, and in its unit: less is rounding
LEVELS = 25  # livelinesses tried in a window
SLOWEST, FASTEST = 1.0, 0.35  # Hz, and of the frame rate: half-amplitude frequencies between which smoothing lies
PRIOR = 3.0  # [judge] nats: spread of ln q about the channel's own


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """Modes of the third difference on a window of `size` frames: vectors (size, m), eigenvalues (m,)."""

    size: int
    vectors: Array
    eigenvalues: Array

    def shares(self, alike: float) -> Array:
        """(m,) variance of unit noise with that correlation in each mode."""
        if alike == 0:
            return np.ones(len(self.eigenvalues))
        lag = np.abs(np.subtract.outer(np.arange(self.size), np.arange(self.size)))
        return np.asarray(np.einsum("im,ij,jm->m", self.vectors, alike**lag, self.vectors))


@lru_cache(maxsize=8)
def basis(size: int) -> Basis:
    d = np.diff(np.eye(size), 3, axis=0)
    eigenvalues, vectors = np.linalg.eigh(d.T @ d)
    return Basis(size, vectors[:, 3:], eigenvalues[3:])


def window_size(fps: float, count: int) -> int:
    return int(np.clip(round(WINDOW * fps), SIZES[0], min(SIZES[1], max(count, 8))))


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviation in the channel's unit, correlation of neighbouring frames, typical variance of jerk."""

    sigma: float
    alike: float
    jerk: float


def estimated(y: Array, missing: NDArray[np.bool_], fps: float) -> tuple[Noise, ...]:
    """The noise of each row (rows, N); sigma 0 where there is none to speak of.

    `missing` (rows, N) samples carry no information. The correlation is one for all rows: noise comes from how the
    clip was captured, and a single channel tells little of it.
    """
    b = basis(window_size(fps, y.shape[1]))
    energies = [_energies(row, gone, b) for row, gone in zip(y, missing, strict=True)]
    told = [i for i, e in enumerate(energies) if len(e)]
    if not told:
        return (Noise(0.0, 0.0, 0.0),) * len(y)
    alike = _alike([energies[i] for i in told], b)
    shares = b.shares(alike)
    found = [Noise(0.0, 0.0, 0.0)] * len(y)
    for i in told:
        s, q, _ = _fitted(energies[i], b, shares)
        low, high = _bounds(float(np.sqrt(s)), fps)
        found[i] = Noise(float(np.sqrt(s)), alike, float(np.exp(np.mean(np.clip(np.log(q), low, high)))))
    return tuple(found)


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
    return np.asarray(np.maximum(energy, 1e-18))


def _alike(energies: list[Array], b: Basis) -> float:
    """The correlation that explains the clip best, in steps of ALIKE; 0 unless another one is clearly better."""
    best, least = 0.0, np.inf
    for alike in ALIKE:
        shares = b.shares(alike)
        cost = sum(_fitted(energy, b, shares)[2] for energy in energies)
        if alike == 0:
            least = cost
        elif cost < least - COLOUR * len(energies):
            best, least = alike, cost
    return best


def _fitted(energy: Array, b: Basis, shares: Array) -> tuple[float, Array, float]:
    """Noise variance s, variances of jerk q (n,), and minus log likelihood in nats, of energies (n, m)."""
    motion = 1.0 / b.eigenvalues
    high = len(motion) // 2
    s = float(np.median(energy[:, high:] / shares[high:])) / 0.455
    q = np.median(energy[:, :8] / motion[:8], axis=1) / 0.455
    for _ in range(STEPS):
        inverse = 1.0 / (q[:, None] * motion + s * shares)
        ratio = energy * inverse * inverse
        q = q * (ratio @ motion) / (inverse @ motion)
        s = s * float(np.sum(ratio @ shares) / np.sum(inverse @ shares))
        q = np.maximum(q, 1e-30)
    variance = q[:, None] * motion + s * shares
    return s, q, float(0.5 * np.sum(np.log(variance) + energy / variance))


# --- how lively the motion is when --------------------------------------------------------------------------------


def liveliness(row: Array, noise: Noise, fps: float) -> tuple[Array, Array]:
    """Centres (n,) of overlapping windows, as positions, and ln q (n,) of the motion in each.

    The most likely of LEVELS values, the channel's own typical one being likely beforehand.
    """
    b = basis(window_size(fps, len(row)))
    step = max(b.size // 4, 1)
    starts = np.append(np.arange(0, len(row) - b.size, step), len(row) - b.size)
    energy = np.square(np.lib.stride_tricks.sliding_window_view(row, b.size)[starts] @ b.vectors)
    typical = np.log(max(noise.jerk, 1e-30))
    tried = np.linspace(*_bounds(noise.sigma, fps), LEVELS)
    variance = np.exp(tried)[:, None] / b.eigenvalues + noise.sigma**2 * b.shares(noise.alike)
    cost = 0.5 * (energy @ (1.0 / variance).T + np.log(variance).sum(axis=1))
    cost += 0.5 * ((tried - typical) / PRIOR) ** 2
    weight = np.exp(-(cost - cost.min(axis=1, keepdims=True)))
    mean = (weight @ tried) / weight.sum(axis=1)
    return starts + 0.5 * (b.size - 1), np.asarray(mean)


def _bounds(sigma: float, fps: float) -> tuple[float, float]:
    """ln q of the slowest and of the fastest motion that is told from noise of that size."""
    slow, fast = (2.0 * np.log(sigma) - np.log(float(weight_of(hz, fps))) for hz in (SLOWEST, FASTEST * fps))
    return float(slow), float(fast)

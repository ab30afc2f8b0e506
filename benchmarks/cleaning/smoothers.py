"""Penalised smoothers of evenly sampled columns with generalised cross-validation, in time linear in the samples.

    third-order Whittaker     z = (I + w D'D)^-1 y, D the third differences
    cubic smoothing spline    z = y - w Q (R + w Q'Q)^-1 Q' y  (Reinsch 1967), Q second differences, R the Gram matrix
                              of hat functions: minimises sum (y - z)^2 + w integral z''^2, samples one apart

The weight w minimises GCV(w) = n |y - z|^2 / (n - tr H)^2 (Craven & Wahba 1979), each column for itself, over a fixed
grid of half-amplitude frequencies. The trace is exact: the centre of the inverse of a banded matrix follows from its
Cholesky factor (Hutchinson & de Hoog 1985); it depends on n and w alone and is kept.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

Kind = Literal["whittaker", "spline"]
GRID = np.geomspace(0.002, 0.45, 56)  # half-amplitude frequencies, cycles a sample: 0.24 to 54 Hz at 120 fps
WIDTH: dict[Kind, int] = {"whittaker": 3, "spline": 2}  # of the band beside the diagonal


def weights(kind: Kind, cycles: Array) -> Array:
    """Weights at which the smoother halves the amplitude at these frequencies, in cycles a sample."""
    step = 2 * np.sin(np.pi * cycles)
    if kind == "whittaker":
        return np.asarray(step**-6)
    return np.asarray((2 / 3 + np.cos(2 * np.pi * cycles) / 3) * step**-4)


def third_differences(count: int) -> Array:
    """(4, N) lower band of D'D."""
    d = np.array([-1.0, 3.0, -3.0, 1.0])
    band = np.zeros((4, count))
    for k in range(4):
        for i in range(4 - k):
            band[k, i : count - 3 + i] += d[i] * d[i + k]
    return band


def system(kind: Kind, count: int, weight: float, free: Array | None = None) -> Array:
    """Lower band of the matrix to be solved: (4, N) of W + w D'D, or (3, N - 2) of R + w Q'Q.

    free (N,): the weights W of the samples, 1 where None; for Whittaker alone.
    """
    if kind == "whittaker":
        band = weight * third_differences(count)
        band[0] += 1.0 if free is None else free
        return band
    inner = count - 2
    band = np.empty((3, inner))
    for k, (gram, square) in enumerate(((2 / 3, 6.0), (1 / 6, -4.0), (0.0, 1.0))):
        band[k] = gram + weight * square
    return band


def smoothed(kind: Kind, y: Array, weight: float) -> Array:
    """The smoothed columns of (N, C), all with one weight."""
    from scipy.linalg import solveh_banded

    band = system(kind, len(y), weight)
    if kind == "whittaker":
        return np.asarray(solveh_banded(band, y, lower=True))
    bend = solveh_banded(band, np.diff(y, 2, axis=0), lower=True)
    edge = np.zeros((2, *y.shape[1:]))
    return np.asarray(y - weight * np.diff(np.concatenate([edge, bend, edge]), 2, axis=0))


def by_cross_validation(kind: Kind, y: Array) -> tuple[Array, NDArray[np.intp]]:
    """Each column of (N, C) smoothed with the weight of its least GCV, and which of GRID that is."""
    chosen = best_of_grid(kind, y)
    z = np.empty_like(y)
    for g in np.unique(chosen):
        columns = chosen == g
        z[:, columns] = smoothed(kind, y[:, columns], weights(kind, GRID)[g])
    return z, chosen


def best_of_grid(kind: Kind, y: Array) -> NDArray[np.intp]:
    """(C,) positions in GRID of the least GCV."""
    free = len(y) - traces(kind, len(y))
    score = [
        np.sum((y - smoothed(kind, y, w)) ** 2, axis=0) / f**2
        for w, f in zip(weights(kind, GRID), free, strict=True)
    ]
    return np.asarray(np.argmin(np.array(score), axis=0), np.intp)


@lru_cache(maxsize=16)
def traces(kind: Kind, count: int) -> Array:
    """(G,) trace of the hat matrix for each frequency of GRID."""
    w = weights(kind, GRID)
    width = WIDTH[kind]
    band = np.stack([system(kind, count, float(each)) for each in w], axis=-1)  # (width + 1, n, G)
    centre = inverse_centre(band)
    if kind == "whittaker":
        return np.asarray(centre[0].sum(axis=0))
    square = (6.0, -4.0, 1.0)  # Q'Q, symmetric: off its diagonal each entry stands twice
    inner = band.shape[1]
    total = sum(
        (1 if k == 0 else 2) * square[k] * centre[k, : inner - k].sum(axis=0) for k in range(width + 1)
    )
    return np.asarray(count - w * total)


def inverse_centre(band: Array) -> Array:
    """The band of the inverse of symmetric banded matrices: lower bands (b + 1, n, G) to the same shape.

    With A = L D L', unit lower L: Z = A^-1 satisfies Z = D^-1 L^-1 + (I - L') Z, so from the last row upwards each
    entry within the band follows from later ones within it.
    """
    width, n = band.shape[0] - 1, band.shape[1]
    lower, pivot = _factors(band)
    z = np.zeros_like(band)
    for i in range(n - 1, -1, -1):
        reach = min(width, n - 1 - i)
        for k in range(reach, 0, -1):  # Z[i + k, i]
            z[k, i] = -sum(lower[j, i] * _entry(z, i + k, i + j) for j in range(1, reach + 1))
        z[0, i] = 1 / pivot[i] - sum(lower[j, i] * z[j, i] for j in range(1, reach + 1))
    return z


def _entry(z: Array, a: int, b: int) -> Array:
    return np.asarray(z[abs(a - b), min(a, b)])


def _factors(band: Array) -> tuple[Array, Array]:
    """L (lower band, unit diagonal left out at 0) and D (n, G) of symmetric banded matrices (b + 1, n, G)."""
    width, n = band.shape[0] - 1, band.shape[1]
    work, lower = band.copy(), np.zeros_like(band)
    for i in range(n):
        reach = min(width, n - 1 - i)
        for k in range(1, reach + 1):
            lower[k, i] = work[k, i] / work[0, i]
        for k in range(1, reach + 1):
            for j in range(k, reach + 1):
                work[j - k, i + k] -= lower[j, i] * work[k, i]
    return lower, work[0]

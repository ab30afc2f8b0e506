"""What a path's own motion doesn't foretell: frames displaced, held against the errors of the path's own prediction.

Captured motion has little left at the top of its band, but how little differs from joint to joint: a foot is rough
where a spine is smooth. So each path's motion is learnt from itself (`own_motion`), without what is displaced in it,
and its prediction errors are nearly white: a displaced frame stands out from those around it by as much as it can.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from refine.flags.own_motion import ORDER, learnt_of_all
from refine.flags.path import CAPTURE, Fitted, errors, fitted, kernel, stands_out
from refine.shot import Array

ROUNDS = 2  # of learning without what stood out by the last one's kernel
OUTLIER = 4.0  # sigmas from which a frame says nothing about the usual motion [judge]


def unforeseen(paths: Array) -> list[Fitted]:
    """Each of `path.SHAPES` fitted to paths (P, N, D) by each path's own motion; none to paths that are too short."""
    if not len(paths):
        return []
    # The mean step is no part of what is learnt, and would stand in each error.
    travel = np.linspace(0.0, 1.0, paths.shape[1])[:, None] * (paths[:, -1:] - paths[:, :1])
    return fitted(paths - travel, kernels(paths - travel))


def kernels(paths: Array) -> Array:
    """(P, ORDER + 2) the prediction error of each path (P, N, D), a high difference where nothing is learnt."""
    known = np.ones(paths.shape[:2], np.bool_)
    plain = np.pad(kernel(CAPTURE), (0, ORDER + 1 - CAPTURE))
    found, left, enough = learnt_of_all(paths, known)
    for _ in range(ROUNDS if enough.any() else 0):
        found, left, enough = learnt_of_all(paths, ~_outliers(paths, found))
    return np.where((enough & (left > 0))[:, None], found, plain)


def _outliers(paths: Array, by: Array) -> NDArray[np.bool_]:
    """(P, N) the frames of paths that stand out by some kernels (P, L)."""
    error, length = errors(paths, by), by.shape[1]
    out = np.zeros(paths.shape[:2], np.bool_)
    if error.shape[1] < length:
        return out
    energy = np.cumsum(np.pad(np.sum(error**2, axis=2), ((0, 0), (1, 0))), axis=1)
    sigmas = stands_out(error, energy, by)[2]
    out[:, length - 1 : length - 1 + sigmas.shape[1]] = sigmas > OUTLIER
    return out

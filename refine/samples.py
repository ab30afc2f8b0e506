"""Samples of one motion, whatever they measure: led through where they are missing, and how far they scatter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

NORMAL = 0.6745  # median size of normal noise of RMS 1


def led_through(path: Array, missing: NDArray[np.bool_]) -> Array:
    """The path (N,) or (N, D) with its missing samples on straight lines between their neighbours, level at its ends.

    The path itself where none is missing, or all are.
    """
    at = np.flatnonzero(missing)
    if not len(at) or len(at) == len(path):
        return path
    good = np.flatnonzero(~missing)
    y = np.copy(path)  # as it stands in memory
    for column in (y,) if y.ndim == 1 else y.T:
        column[at] = np.interp(at, good, column[good])
    return y


def robust_sigma(size: Array) -> float:
    """Sigma of a normal variable from the sizes of its draws, by their median; 0 of none."""
    return float(np.median(size)) / NORMAL if len(size) else 0.0

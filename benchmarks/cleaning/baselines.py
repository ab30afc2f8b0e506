"""What captured motion is usually smoothed with, each channel for itself, at the authors' or common settings.

All get the Euler angles made continuous first (branches and whole turns), else they would be a joke on wrapped clips.
Nobody tells them where samples are frozen, but `whittaker, gaps told`, which gives those no weight.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from benchmarks.cleaning.smoothers import GRID, best_of_grid, by_cross_validation, system, weights
from benchmarks.cleaning.table import continuous_table, with_table
from refine.shot import Array, Shot

Method = Callable[[Shot], Shot]

CUT = 6.0  # Hz, common in gait analysis (Winter)
TWICE = 0.802  # (sqrt(2) - 1)^(1/4): two passes of a second-order filter cut lower than one (Winter)
NEAR = 5  # samples to each side of the running median
FAR = 3.0  # robust sigmas from it that make a spike (Hampel's identifier)
SAVITZKY = (0.2, 3)  # s of the window, and order of the polynomials: about 7 Hz


def butterworth(y: Array, fps: float) -> Array:
    """Fourth order without delay: a second-order filter forth and back, -3 dB at CUT in all."""
    from scipy.signal import butter, sosfiltfilt

    return np.asarray(sosfiltfilt(butter(2, CUT / TWICE, fs=fps, output="sos"), y, axis=0))


def despiked(y: Array) -> Array:
    """Samples farther than FAR robust sigmas from the running median of (N, C) replaced by it (Hampel filter)."""
    padded = np.pad(y, ((NEAR, NEAR), (0, 0)), mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEAR + 1, axis=0)
    median = np.median(around, axis=-1)
    sigma = 1.4826 * np.median(np.abs(around - median[..., None]), axis=-1)
    return np.asarray(np.where(np.abs(y - median) > FAR * sigma, median, y))


def savitzky_golay(y: Array, fps: float) -> Array:
    from scipy.signal import savgol_filter

    seconds, order = SAVITZKY
    return np.asarray(savgol_filter(y, 2 * round(seconds * fps / 2) + 1, order, axis=0))


def spline(y: Array, fps: float) -> Array:
    return by_cross_validation("spline", y)[0]


def whittaker(y: Array, fps: float) -> Array:
    return by_cross_validation("whittaker", y)[0]


def whittaker_told(y: Array, gaps: NDArray[np.bool_]) -> Array:
    """The same without weight where gaps (N, C) are; the penalty's weight by the samples led through them."""
    from scipy.linalg import solveh_banded

    at = np.arange(len(y))
    led = y.copy()
    for c in np.flatnonzero(gaps.any(axis=0)).tolist():
        bad = gaps[:, c]
        led[bad, c] = np.interp(at[bad], at[~bad], y[~bad, c])
    z, chosen = led.copy(), best_of_grid("whittaker", led)
    for c in range(y.shape[1]):
        weight, free = weights("whittaker", GRID)[chosen[c]], np.where(gaps[:, c], 0.0, 1.0)
        band = system("whittaker", len(y), float(weight), free)
        z[:, c] = solveh_banded(band, free * y[:, c], lower=True)
    return z


def _method(smooth: Callable[[Array, float], Array]) -> Method:
    return lambda shot: with_table(shot, smooth(continuous_table(shot).values, shot.fps))


def told(gaps: NDArray[np.bool_]) -> Method:
    """Whittaker that knows the gaps (N, C)."""
    return _method(lambda y, fps: whittaker_told(y, gaps))


BASELINES: dict[str, Method] = {
    "Butterworth 6 Hz": _method(butterworth),
    "Hampel, Butterworth 6 Hz": _method(lambda y, fps: butterworth(despiked(y), fps)),
    "Savitzky-Golay": _method(savitzky_golay),
    "smoothing spline, GCV": _method(spline),
    "Whittaker 3, GCV": _method(whittaker),
}
# Stronger than what the goals name: shown, and left out of the best baseline.
BEYOND: dict[str, Method] = {"Hampel, Whittaker 3, GCV": _method(lambda y, fps: whittaker(despiked(y), fps))}
TOLD = "Whittaker 3, GCV, gaps told"

"""The smoother by third differences (Whittaker 1923, Henderson 1924), and its strength said in Hz.

    minimise  sum (z - y)^2 + lambda sum (D^3 z)^2

leaves 1 / (1 + lambda (2 sin(pi f / fps))^6) of a sine of frequency f.
"""

from __future__ import annotations

import numpy as np

from refine.shot import Array

ORDER = 3
ROW = np.array([-1.0, 3.0, -3.0, 1.0])  # of D^3
STIFFEST = 1e12
ANGLES = 512  # between 0 and half the rate


def weight_of(hz: Array | float, fps: float) -> Array:
    """lambda at which half of frequency hz is left: (2 sin(pi hz/fps))^-6.

    At most STIFFEST, beyond which a factor in double precision is no longer that of the problem: 0.0016 of the rate.
    """
    low = np.minimum(hz, 0.5 * fps) / fps
    return np.asarray(np.minimum((2.0 * np.sin(np.pi * np.maximum(low, 1e-9))) ** (-2 * ORDER), STIFFEST))


def kept_of(hz: float, fps: float) -> float:
    """The share of white noise that the smoother reproduces (its trace a sample), half of frequency hz being left.

    The mean over all frequencies of what it leaves of each; about twice hz over the rate.
    """
    angles = np.pi * (np.arange(ANGLES) + 0.5) / ANGLES
    return float(np.mean(1.0 / (1.0 + weight_of(hz, fps) * (2.0 * np.sin(angles / 2.0)) ** (2 * ORDER))))


def frequency_of(weight: Array, fps: float) -> Array:
    """The frequency in Hz of which half is left under lambda: undoes `weight_of`."""
    return np.asarray(fps / np.pi * np.arcsin(np.minimum(0.5 * weight ** (-1.0 / (2 * ORDER)), 1.0)))

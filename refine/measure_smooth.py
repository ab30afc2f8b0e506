"""How smooth a move is, as two numbers of the movement sciences: spectral arc length, log dimensionless jerk.

Balasubramanian, Melendez-Calderon, Roby-Brami & Burdet 2015, J NeuroEng Rehabil 12:112. Neither is a fault by itself:
report the difference from a minimum-jerk move on the same frames, and never the arc length alone, which a zigzag from
frame to frame leaves unchanged.
"""

from __future__ import annotations

import numpy as np

from refine.shot import Array

PADDING = 4  # doublings of the spectrum's length beyond the next power of two
HIGHEST = 10.0  # Hz, of human movement; never above half the frame rate
FAINT = 0.05  # of the largest magnitude: what lies above the last such frequency doesn't count


def spectral_arc_length(speed: Array, fps: float, highest: float = HIGHEST, faint: float = FAINT) -> float:
    """SPARC of a speed profile (N,) per second or frame: -inf < s <= 0, nearer to 0 for smoother. No unit.

    -integral sqrt((1 / wc)^2 + (dV/dw)^2) dw of the magnitude spectrum V, 1 at its highest, up to wc: the last
    frequency at which V reaches `faint`, at most `highest` Hz and half of fps. ValueError for a speed of 0 throughout.
    """
    if not np.any(speed):
        raise ValueError("nothing moves: there is no spectrum of a speed that is 0")
    size = 2 ** (int(np.ceil(np.log2(len(speed)))) + PADDING)
    hz = np.arange(0, size // 2 + 1) * fps / size
    magnitude = np.abs(np.fft.rfft(speed, size))
    magnitude = magnitude / magnitude.max()
    inside = hz <= min(highest, fps / 2)
    hz, magnitude = hz[inside], magnitude[inside]
    strong = np.flatnonzero(magnitude >= faint)
    chosen = slice(strong[0], strong[-1] + 1)
    hz, magnitude = hz[chosen], magnitude[chosen]
    if len(hz) < 2:
        return 0.0
    return -float(np.sum(np.hypot(np.diff(hz) / (hz[-1] - hz[0]), np.diff(magnitude))))


def log_dimensionless_jerk(speed: Array, fps: float) -> float:
    """LDLJ of a speed profile (N,) per second: -ln((T^3 / peak^2) sum |second difference|^2 / dt^3). No unit.

    T is the time that the samples span, counted as N / fps as the authors do; nearer to 0 is smoother. ValueError for
    fewer than three samples or a speed without jerk.
    """
    if len(speed) < 3:
        raise ValueError(f"{len(speed)} samples: three at least have a jerk")
    dt = 1.0 / fps
    jerk = np.diff(speed, 2) / dt**2
    amount = float(np.sum(jerk**2) * dt)
    if amount == 0:
        raise ValueError("a steady or evenly rising speed has no jerk")
    return -float(np.log(amount * (len(speed) * dt) ** 3 / np.max(np.abs(speed)) ** 2))

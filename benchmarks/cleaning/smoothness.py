"""How smooth a move is as one number of the movement sciences, log dimensionless jerk.

Balasubramanian, Melendez-Calderon, Roby-Brami & Burdet 2015, J NeuroEng Rehabil 12:112. It is no fault by itself: only
what a cleaning makes of the truth's own is reported.
"""

from __future__ import annotations

import numpy as np

from refine.shot import Array


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

"""Of few frames a second, whether a clip has noise that can be told from motion, and which rows have it.

At 12 to 24 frames a second a body's quick moves are as fast as noise, and where nothing kept them out when the clip was
sampled they come back as anything: the fast modes of a toe that twists are as even as noise, thirty times as large.
No single row tells. But noise comes from how the clip was captured, so it lies on all rows, while joints move by very
different amounts. Only where the rows agree on it, or most of those that move show nothing else, is it taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.clean.noise import MEDIAN, QUIET, TOP, basis, empty, sound_windows, window_size
from refine.clean.tracks import Group
from refine.shot import Array

FEW = 28.0  # [judge] frames a second, of fewer a row alone can't tell: at 30 no clip is harmed
SPREAD = 1.5  # [judge] times what a tenth of the rows hold that half of them hold at most, where it is noise
MOST = 0.55  # [judge] of the rows that move, whose fast modes are as even as noise, where it is noise
MOVES = 10.0  # [judge] times what its fast modes hold, a row's range, from which it moves
LOUDER = 2.0  # [judge] times what a quarter of the rows hold, or half of them if they differ: what is more is motion


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows (k, N) of a group without its missing samples (N,), and how their fast modes fall (k,).

    `unit`: degrees that 1 of the rows turns by; 0 where they are no turn.
    """

    values: Array
    missing: NDArray[np.bool_]
    falls: Array
    unit: float


def degrees(group: Group, rows: Array) -> float:
    """What 1 of a group's rows (k, N), its own or a quaternion's, turns by; 0 where they are no turn."""
    if group.kind not in ("angles", "quaternion"):
        return 0.0
    return float(np.rad2deg(2.0)) if len(rows) == 4 else 1.0


def certain(every: Sequence[Rows], fps: float) -> list[Array]:
    """How the fast modes of each group's rows fall; inf where nothing certain is in them."""
    if fps >= FEW:
        return [rows.falls for rows in every]
    held = [_held(rows, fps) for rows in every]
    turns = [i for i, rows in enumerate(every) if rows.unit > 0]
    if not turns:
        return [np.full(len(rows.falls), np.inf) for rows in every]
    level = np.concatenate([held[i] for i in turns])
    spans = np.concatenate([every[i].unit * np.ptp(every[i].values, axis=1) for i in turns])
    falls = np.concatenate([every[i].falls for i in turns])
    most = loudest(level[level > 0], falls[level > 0], spans[level > 0], fps)
    return [
        np.where((each <= most) & (most > 0), rows.falls, np.inf)
        for rows, each in zip(every, held, strict=True)
    ]


def _held(rows: Rows, fps: float) -> Array:
    """(k,) degrees that the fast modes of rows hold, the same in all of a quaternion: it is smoothed as a whole."""
    each = rows.unit * levels(rows.values, rows.missing, fps)
    return np.full(4, each.max()) if len(each) == 4 else each


def loudest(level: Array, falls: Array, spans: Array, fps: float) -> float:
    """The most that a turn's fast modes hold if it is noise, by those of all (k,), how they fall and how far they go; 0
    where it can't be told from motion."""
    if not len(level):
        return 0.0
    least, quiet, half = np.quantile(level, (0.1, 0.25, 0.5))
    if half <= SPREAD * least:
        return float(LOUDER * quiet)
    moving = spans > MOVES * level
    even = falls[moving] <= empty(fps)
    return float(LOUDER * half) if len(even) and np.mean(even) >= MOST else 0.0


def levels(rows: Array, missing: NDArray[np.bool_], fps: float) -> Array:
    """(k,) what the fastest modes of rows (k, N) hold of a sample, the median over windows: their noise, or more than
    it. 0 of rows that rest."""
    b = basis(window_size(fps, rows.shape[1]))
    windows = sound_windows(rows, missing, b.size)
    energy = np.square(windows @ b.vectors[:, -max(round(TOP * len(b.eigenvalues)), 1) :])
    moving = np.ptp(windows, axis=2) > QUIET
    found = [np.median(e[some]) if some.any() else 0.0 for e, some in zip(energy, moving, strict=True)]
    return np.asarray(np.sqrt(np.array(found) / MEDIAN))

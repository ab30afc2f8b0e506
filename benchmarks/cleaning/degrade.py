"""What goes wrong in capture, put onto a clean baked shot: of a known size, from a seed.

Names: `white-0.3`, `coloured-0.3` (deg), `spikes-0.5` (% of frames a joint), `gaps` (0.1 to 0.5 s), `gaps-short`
(0.1 to 0.3 s), `wraps`, `drift`, `all`; with `-bare` at the end the last six come without the white noise of
BENEATH that real capture always has. In the order of their making: drift, noise, spikes, gaps, wraps.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from benchmarks.cleaning.drift import drifted
from benchmarks.cleaning.table import Table, table, with_table
from refine.limbs.limb import limbs
from refine.pose import pose
from refine.rig import descendants
from refine.shot import Array, Shot

BENEATH = 0.1  # deg, of white noise under spikes, gaps, wraps and drift
ROOT_MM = 10.0  # mm on each translation for a degree on each angle: 17 at a lever of 1 m, 1 to 3 in captures
CORNER = 10.0  # Hz, of first-order coloured noise
SPIKE = (5.0, 30.0)  # deg, with a random sign for each channel of the joint; translations by ROOT_MM a degree
GAP = {"gaps": (0.1, 0.5), "gaps-short": (0.1, 0.3), "all": (0.1, 0.5)}  # s
GAPS_A_SECOND = 0.05  # of each joint, and again of each limb as a whole
FLIPPED = 2.0  # s between changes of a triple's branch, on average
ALL = {"noise": 0.3, "spikes": 0.5}  # deg and %, in `all`

NAMES = (
    *(f"white-{size}" for size in ("0.1", "0.3", "1")),
    *(f"coloured-{size}" for size in ("0.1", "0.3", "1")),
    *(f"spikes-{share}" for share in ("0.1", "0.5", "1")),
    *("gaps", "gaps-short", "wraps", "drift", "all"),
)


@dataclass(frozen=True, eq=False)
class Degraded:
    """The shot, and the truth about what was done: columns as in the shot's table."""

    shot: Shot
    noise: float  # deg
    spikes: NDArray[np.bool_]  # (N, C)
    gaps: NDArray[np.bool_]  # (N, C)


def degraded(shot: Shot, name: str, seed: int, scale: float) -> Degraded:
    """The shot with a degradation; scale in metres a unit. ValueError for an unknown name."""
    match = re.fullmatch(
        r"(white|coloured|spikes|gaps-short|gaps|wraps|drift|all)(?:-([\d.]+))?(-bare)?", name
    )
    if match is None:
        raise ValueError(f"{name!r}: one of {', '.join(NAMES)}")
    kind, size = match[1], float(match[2] or 0)
    rngs = [np.random.default_rng([seed, crc32(name.encode()), stream]) for stream in range(5)]
    made = drifted(shot, rngs[0], scale) if kind in ("drift", "all") else shot
    clean = table(made)
    unit = units(clean, scale)
    sigma = size if kind in ("white", "coloured") else 0.0 if match[3] else BENEATH
    sigma = ALL["noise"] if kind == "all" else sigma
    values = clean.values + sigma * unit * unit_noise(
        clean.values.shape, kind == "coloured", made.fps, rngs[1]
    )
    share = size if kind == "spikes" else ALL["spikes"] if kind == "all" else 0.0
    values, spikes = spiked(clean.with_values(values), share / 100, unit, rngs[2])
    none = np.zeros(values.shape, np.bool_)
    values, gaps = (
        frozen_gaps(made, clean.with_values(values), GAP[kind], rngs[3]) if kind in GAP else (values, none)
    )
    if kind in ("wraps", "all"):
        values = wrapped(made, clean.with_values(values), rngs[4])
    return Degraded(with_table(made, values), sigma, spikes, gaps)


def units(columns: Table, scale: float) -> Array:
    """(C,) what a degree is worth in each column: 1, or ROOT_MM in shot units."""
    worth = np.full(len(columns.owners), ROOT_MM / 1000 / scale)
    worth[columns.turns] = 1.0
    return worth


def unit_noise(shape: tuple[int, ...], coloured: bool, fps: float, rng: np.random.Generator) -> Array:
    """(N, C) normal noise of standard deviation 1: white, or x[i] = a x[i-1] + e[i], a = exp(-2 pi CORNER / fps)."""
    white = rng.standard_normal(shape)
    if not coloured:
        return white
    from scipy.signal import lfilter

    a = float(np.exp(-2 * np.pi * CORNER / fps))
    white[1:] *= np.sqrt(1 - a * a)  # the first stands as it would after a long time
    return np.asarray(lfilter([1.0], [1.0, -a], white, axis=0))


def spiked(
    columns: Table, share: float, unit: Array, rng: np.random.Generator
) -> tuple[Array, NDArray[np.bool_]]:
    """Every channel of a joint jumps for one or two frames, on a share of the frames."""
    values, hit = columns.values.copy(), np.zeros(columns.values.shape, np.bool_)
    count = len(values)
    for name in dict.fromkeys(control for control, _ in columns.owners):
        at = columns.columns([name])
        starts = rng.choice(count - 1, size=rng.binomial(count, share / 1.5), replace=False)
        for start, length in zip(starts, rng.integers(1, 3, len(starts)), strict=True):
            jump = rng.uniform(*SPIKE, len(at)) * rng.choice([-1.0, 1.0], len(at)) * unit[at]
            here = slice(start, start + length)
            fresh = ~hit[here, at[0]]  # two that meet don't add up
            values[here, at] += fresh[:, None] * jump
            hit[here, at] = True
    return values, hit


def frozen_gaps(
    shot: Shot, columns: Table, seconds: tuple[float, float], rng: np.random.Generator
) -> tuple[Array, NDArray[np.bool_]]:
    """Samples of a joint, or of all joints of a limb, held at the last good one."""
    held = [[control.name] for control in shot.controls if control.channels]
    found = limbs(shot, pose(shot, shot.frames[::8]))
    held += [[*limb.chain, *descendants(shot, limb.end)] for limb in found]
    values, gone = columns.values.copy(), np.zeros(columns.values.shape, np.bool_)
    for members in held:
        at = columns.columns(members)
        for _ in range(rng.poisson(GAPS_A_SECOND * len(values) / shot.fps)):
            length = round(rng.uniform(*seconds) * shot.fps)
            start = int(rng.integers(1, len(values) - length - 1))
            gone[start : start + length, at] = True
    last = np.maximum.accumulate(np.where(gone, 0, np.arange(len(values))[:, None]), axis=0)
    return np.take_along_axis(values, last, axis=0), gone


def wrapped(shot: Shot, columns: Table, rng: np.random.Generator) -> Array:
    """Stretches of Euler triples written as their other one, and every angle sawn to [-180, 180)."""
    values = columns.values.copy()
    order = {control.name: control.order for control in shot.controls}
    for name, at in columns.triples().items():
        changes = rng.random(len(values)) < 1 / (FLIPPED * shot.fps)
        other = np.cumsum(changes) % 2 == 1
        middle = at["xyz".index(order[name][1])]
        rest = [column for column in at if column != middle]
        values[np.ix_(other, rest)] += 180.0
        values[other, middle] = 180.0 - values[other, middle]
    values[:, columns.turns] = (values[:, columns.turns] + 180.0) % 360.0 - 180.0
    return values

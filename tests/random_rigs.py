"""Invented rigs of every shape that the kinematics must handle, from a seed."""

from __future__ import annotations

import numpy as np

from refine.rotation import EULER_ORDERS
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    SCALES,
    TRANSLATIONS,
    Array,
    Channel,
    Control,
    Keys,
    Segment,
    Shot,
    frozen,
    make_keys,
)

FRAMES = 7


def keyed(rng: np.random.Generator, size: int, spread: float, middle: float = 0.0) -> Keys:
    """Three keys over the frames of `random_rig`, with slopes, a long reach and a line segment among them."""
    return make_keys(
        frames=[0.0, 2.5, FRAMES - 1],
        values=middle + spread * rng.normal(size=(3, size)),
        incoming=0.1 * spread * rng.normal(size=(3, size)),
        outgoing_reach=[np.nan, 1.7, np.nan],
        segment=[Segment.CURVE, rng.choice([Segment.CURVE, Segment.LINE]), Segment.CURVE],
    )


def channel(rng: np.random.Generator, name: str) -> Channel:
    """Baked or keyed, with values of a size that its kind would have."""
    size = 4 if name == QUATERNION else 1
    middle = 1.2 if name in SCALES else 0.0
    spread = 40.0 if name in ROTATIONS else 0.2 if name in SCALES else 1.0
    if rng.random() < 0.5:
        return Channel(name, keys=keyed(rng, size, spread, middle))
    return Channel(name, samples=frozen(middle + spread * rng.normal(size=(FRAMES, size))))


def unit_quaternion(rng: np.random.Generator) -> tuple[float, float, float, float]:
    x, y, z, w = (q := rng.normal(size=4)) / np.linalg.norm(q)
    return float(x), float(y), float(z), float(w)


def triple(rng: np.random.Generator) -> tuple[float, float, float]:
    x, y, z = rng.normal(size=3)
    return float(x), float(y), float(z)


def random_rig(seed: int, size: int = 8, scaled: bool = True, shuffled: bool = True) -> Shot:
    """A forest of controls in any file order, with pivots, rests, all Euler orders, quaternions and gaps."""
    rng = np.random.default_rng(seed)
    controls = []
    for i in range(size):
        rotations = (QUATERNION,) if i % 3 == 2 else ROTATIONS
        names = TRANSLATIONS + rotations + (SCALES if scaled and i % 2 else ())
        controls.append(
            Control(
                name=f"control {i}",
                parent=None if i == 0 or rng.random() < 0.1 else f"control {int(rng.integers(i))}",
                rest_translation=triple(rng),
                rest_rotation=unit_quaternion(rng) if rng.random() < 0.7 else (0.0, 0.0, 0.0, 1.0),
                pivot=triple(rng) if rng.random() < 0.7 else (0.0, 0.0, 0.0),
                order=EULER_ORDERS[(seed + i) % len(EULER_ORDERS)],
                tip=triple(rng),
                channels=tuple(channel(rng, name) for name in names if rng.random() < 0.85),
            )
        )
    if shuffled:
        controls = [controls[i] for i in rng.permutation(size)]
    return Shot("invented", 24.0, 0, FRAMES - 1, tuple(controls))


def still(values: float | list[float] | Array) -> Array:
    """Samples of a baked channel that keeps one value over the frames of `random_rig`."""
    row = np.atleast_1d(np.asarray(values, float))
    return frozen(np.tile(row, (FRAMES, 1)))  # type: ignore[return-value]

"""Captured shots made for the tests of cleaning: smooth turns, a small rig that bakes them, and what goes wrong."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from benchmarks.cleaning.degrade import unit_noise
from refine.rotation import EULER_ORDERS, euler_matrix, matrix_quaternion
from refine.shot import AXES, QUATERNION, ROTATIONS, Array, Channel, Control, Limits, Mark, Pin, Shot, frozen

FPS = 120.0
COUNT = 480  # frames
ORDERS = EULER_ORDERS


def turns(seed: int, count: int = COUNT, fps: float = FPS, rows: int = 3, size: float = 25.0) -> Array:
    """(rows, count) degrees: a body's motion, slow and large to quick and small, up to 3 Hz."""
    rng, t = np.random.default_rng(seed), np.arange(count) / fps
    out = np.zeros((rows, count))
    for row in out:
        for hz in (0.15, 0.4, 0.9, 1.7, 3.0):
            amplitude = size * rng.uniform(0.3, 1.0) / (1.0 + hz) ** 2
            row += amplitude * np.sin(2 * np.pi * hz * rng.uniform(0.8, 1.2) * t + rng.uniform(0, 2 * np.pi))
    return out


def looped(seed: int, count: int = COUNT, rows: int = 3) -> Array:
    """(rows, count) degrees that come round after `count` frames: whole numbers of waves."""
    rng, t = np.random.default_rng(seed), np.arange(count) / count
    out = np.zeros((rows, count))
    for row in out:
        for waves in (1, 2, 5):
            phase = rng.uniform(0, 2 * np.pi)
            row += 20.0 * rng.uniform(0.4, 1.0) / waves * np.sin(2 * np.pi * waves * t + phase)
    return out


def noisy(values: Array, sigma: float, seed: int, coloured: bool = False, fps: float = FPS) -> Array:
    """(rows, N) with noise on each row: white, or with neighbours alike (10 Hz)."""
    rng = np.random.default_rng([seed, 1])
    return np.asarray(values + sigma * unit_noise(values.T.shape, coloured, fps, rng).T)


def angled(values: Array, order: str = "zxy") -> tuple[Channel, ...]:
    """Channels of three rows of degrees, in the sequence in which they are multiplied."""
    return tuple(
        Channel(f"rotation.{axis}", samples=frozen(row[:, None]))
        for axis, row in zip(order, values, strict=True)
    )


def shot(
    parts: Mapping[str, Array],
    fps: float = FPS,
    order: str = "zxy",
    first_frame: int = 1,
    loop: bool = False,
    marks: tuple[Mark, ...] = (),
    pins: tuple[Pin, ...] = (),
    limits: Mapping[str, Limits] | None = None,
) -> Shot:
    """A chain of controls 0.3 long, each carried by the one before; names with the rows of their turns.

    `limits` are those of every channel of a control.
    """
    controls = []
    above: str | None = None
    for name, values in parts.items():
        held = (limits or {}).get(name)
        channels = tuple(Channel(c.name, samples=c.samples, limits=held) for c in angled(values, order))
        place = (0.0, 0.3, 0.0) if above else (0.0, 1.0, 0.0)
        controls.append(
            Control(name, above, rest_translation=place, order=order, tip=(0.0, 0.3, 0.0), channels=channels)
        )
        above = name
    count = next(iter(parts.values())).shape[1]
    last = first_frame + count - 1
    return Shot("made", fps, first_frame, last, tuple(controls), marks=marks, pins=pins, loop=loop)


def body(seed: int = 0, sigma: float = 0.3, count: int = COUNT) -> tuple[dict[str, Array], dict[str, Array]]:
    """The true turns of a spine, an arm and a hand, and the same with noise."""
    true = {name: turns(10 * seed + k, count) for k, name in enumerate(("spine", "arm", "hand"))}
    return true, {name: noisy(rows, sigma, 10 * seed + k) for k, (name, rows) in enumerate(true.items())}


def quaternion_control(name: str, values: Array, order: str = "zxy") -> Control:
    """A control whose turn is one quaternion channel, from three rows of degrees."""
    q = matrix_quaternion(matrices(values, order))
    return Control(name, tip=(0.0, 0.3, 0.0), channels=(Channel(QUATERNION, samples=frozen(q)),))


def matrices(values: Array, order: str) -> Array:
    """(N, 3, 3) rotations of rows of degrees (3, N) in the sequence in which they are multiplied."""
    angles = np.zeros((values.shape[1], 3))
    for axis, row in zip(order, values, strict=True):
        angles[:, AXES.index(axis)] = np.deg2rad(row)
    return np.asarray(euler_matrix(angles, order))


def rows_of(made: Shot, name: str) -> Array:
    """(3, N) samples of a control's turn, in the sequence in which they are multiplied."""
    control = made.control(name)
    rows = []
    for axis in control.order:
        channel = control.channel(ROTATIONS[AXES.index(axis)])
        assert channel is not None
        assert channel.samples is not None
        rows.append(channel.samples[:, 0])
    return np.array(rows)


def angle_between(a: Array, b: Array) -> Array:
    """(N,) degrees between rotations (N, 3, 3), by the length of their difference: exact for small ones too."""
    off = np.linalg.norm(a - b, axis=(1, 2)) / np.sqrt(8.0)
    return np.asarray(np.rad2deg(2.0 * np.arcsin(np.minimum(off, 1.0))))


def rms(off: Array) -> float:
    return float(np.sqrt(np.mean(np.square(off))))


ABOVE = ("Spine", "Chest", "Neck", "Head", "Arm", "Shoulder", "Elbow", "Collar", "Hand", "Wrist")


def rms_moved(before: Shot, after: Shot, above: bool = False) -> float:
    """Degrees of turn, root mean square over all joints and frames, or over those above the legs."""
    off = []
    for control in before.controls:
        if (not above or any(word in control.name for word in ABOVE)) and len(control.channels) >= 3:
            turns_of = (matrices(rows_of(each, control.name), control.order) for each in (before, after))
            off.append(angle_between(*turns_of))
    return rms(np.concatenate(off))

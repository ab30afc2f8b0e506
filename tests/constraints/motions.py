"""Small motions for the tests of constraints and solvers: baked, keyed, and a nonlinear arm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from constraints.affine import Affine, Array, identity
from constraints.terms import Penalty, Rows, Terms
from refine.curve import reaches, sample_matrix, unknowns
from refine.problem import Problem
from refine.shot import Keys

CHANNEL = "hips.translation.y"


@dataclass(frozen=True, slots=True, eq=False)
class Baked:
    """One channel with a change at each frame; the driven point is (u, v) = (frame * 10 + y, 2 y)."""

    y: Array
    channel: str = CHANNEL

    @property
    def size(self) -> int:
        return len(self.y)

    @property
    def frames(self) -> Array:
        return np.arange(len(self.y), dtype=float)

    @property
    def channels(self) -> tuple[str, ...]:
        return (self.channel,)

    def samples(self, channel: str) -> Affine:
        return Affine(identity(self.size), self.y)

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        u = Affine(identity(self.size), 10.0 * self.frames + self.y)
        return (u, self.samples(self.channel).scaled(2.0))

    def control_values(self, channel: str) -> Affine | None:
        return None

    def control_rates(self, channel: str) -> Affine | None:
        return None


@dataclass(frozen=True, slots=True, eq=False)
class Keyed:
    """One keyed channel of curve segments; the unknowns are each key's value, incoming and outgoing slope."""

    keys: Keys
    channel: str = CHANNEL

    @property
    def size(self) -> int:
        return 3 * len(self.keys)

    @property
    def frames(self) -> Array:
        return np.arange(self.keys.frames[0], self.keys.frames[-1] + 1)

    @property
    def channels(self) -> tuple[str, ...]:
        return (self.channel,)

    def samples(self, channel: str) -> Affine:
        matrix = sample_matrix(self.keys, self.frames)
        return Affine(matrix, matrix @ unknowns(self.keys)[:, 0])

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        return (self.samples(self.channel),) * 2

    def _controls(self) -> tuple[Array, Array]:
        """Frames (segments, 4) and the matrix (segments, 4, 3K) of the values of the Bezier control
        points."""
        keys = self.keys
        into, out = reaches(keys)
        count = len(keys) - 1
        frames, matrix = np.zeros((count, 4)), np.zeros((count, 4, self.size))
        for k in range(count):
            frames[k] = keys.frames[k] + np.array([0, out[k], 0, 0])
            frames[k, 2:] = keys.frames[k + 1] - np.array([into[k + 1], 0])
            matrix[k, :2, 3 * k] = matrix[k, 2:, 3 * k + 3] = 1.0
            matrix[k, 1, 3 * k + 2] = out[k]
            matrix[k, 2, 3 * k + 4] = -into[k + 1]
        return frames, matrix

    def control_values(self, channel: str) -> Affine | None:
        matrix = self._controls()[1].reshape(-1, self.size)
        return Affine(matrix, matrix @ unknowns(self.keys)[:, 0])

    def control_rates(self, channel: str) -> Affine | None:
        frames, matrix = self._controls()
        step = np.diff(frames, axis=1)
        assert np.all(step >= 0), "this motion doesn't split segments whose reaches overlap"
        live = step > 0
        rates = np.diff(matrix, axis=1)[live] / step[live][:, None]
        return Affine(rates, rates @ unknowns(self.keys)[:, 0])


def tube(motion: Baked, radius: float, tolerance: float = 1e-6) -> Rows:
    """Rows that keep each sample within `radius` of where it was."""
    over = motion.samples(CHANNEL)
    low, high = over.offset - radius, over.offset + radius
    return Rows("tube", over, low, high, "unit", motion.frames, tolerance)


def wave(size: int, seed: int = 0) -> Array:
    """A wave of 20 units with a drift and noise of 1 unit: bounds near it bind often."""
    random = np.random.default_rng(seed)
    drift = 0.1 * np.cumsum(random.normal(size=size))
    return np.asarray(20 * np.sin(np.arange(size) / 15) + drift + random.normal(size=size))


@dataclass(frozen=True, slots=True, eq=False)
class Curved:
    """A nonlinear problem: minimise sum of weights * f(x)^2 so that g(x) is within its bounds, f, g smooth.

    f, g: (n,) -> (m,); df, dg: their Jacobians (m, n).
    """

    size: int
    f: Callable[[Array], Array]
    df: Callable[[Array], Array]
    g: Callable[[Array], Array] | None = None
    dg: Callable[[Array], Array] | None = None
    lower: float = 0.0
    upper: float = 0.0
    tolerance: float = 1e-9

    def merit(self, x: Array) -> float:
        return float(np.sum(self.f(x) ** 2))

    def linearised(self, x: Array) -> Problem:
        residual = _tangent(self.f, self.df, x)
        squares = Penalty("f", residual, np.zeros(residual.rows), np.ones(residual.rows))
        if self.g is None or self.dg is None:
            return Problem(self.size, Terms(penalties=(squares,)))
        over = _tangent(self.g, self.dg, x)
        bound = np.ones(over.rows)
        frames = np.zeros(over.rows)
        rows = Rows("g", over, self.lower * bound, self.upper * bound, "unit", frames, self.tolerance)
        return Problem(self.size, Terms((rows,), (squares,)))


def _tangent(f: Callable[[Array], Array], df: Callable[[Array], Array], x: Array) -> Affine:
    jacobian = df(x)
    return Affine(jacobian, f(x) - jacobian @ x)


__all__ = ["CHANNEL", "Baked", "Curved", "Keyed", "tube", "wave"]

"""The two things that a constraint can say: rows that must hold, penalties that cost.

A constraint is a frozen dataclass with one method, `terms(motion) -> Terms`. It reads the affine maps of a
`Motion` and builds rows and penalties from them; it never solves. Each row and penalty carries its source to
the report, so that an infeasible problem can name who clashes.

The unknowns x are *changes*: x = 0 leaves the shot as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from constraints.affine import Affine, Array

# Default tolerance of rows, in degrees, length units or px: under the last decimal that any of the formats
# spells, far above rounding.
TOLERANCE = 1e-6


def channel_unit(channel: str) -> str:
    """The unit "deg" for Euler rotations, "unit" (of the shot's length) for translations, "" for the rest."""
    kind = channel.split(".")[-2:-1]
    if kind == ["rotation"]:
        return "deg"
    return "unit" if kind == ["translation"] else ""


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """lower <= over(x) <= upper, each (m,); infinities leave a side open, equal bounds make an equality.

    `unit` and `tolerance` are those of over(x); `frames` (m,) says where each row acts.
    """

    source: str
    over: Affine
    lower: Array
    upper: Array
    unit: str
    frames: Array
    tolerance: float

    def violation(self, x: Array) -> Array:
        """How far each row is outside its bounds, (m,), never negative."""
        y = self.over(x)
        return np.maximum(np.maximum(self.lower - y, y - self.upper), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Penalty:
    """A charge on r = over(x) - target, summed over the rows with `weight` (m,).

    squares: sum w r^2.  l1: sum w |r|.
    """

    source: str
    over: Affine
    target: Array
    weight: Array
    form: Literal["squares", "l1"] = "squares"

    def cost(self, x: Array) -> float:
        r = self.over(x) - self.target
        return float(self.weight @ (r * r if self.form == "squares" else np.abs(r)))


@dataclass(frozen=True, slots=True)
class Terms:
    rows: tuple[Rows, ...] = ()
    penalties: tuple[Penalty, ...] = ()

    def __add__(self, other: Terms) -> Terms:
        return Terms(self.rows + other.rows, self.penalties + other.penalties)


class Motion(Protocol):
    """What a constraint may read: affine maps of the changes x, at the frames of the range and its margin."""

    @property
    def size(self) -> int:
        """Number of unknowns, n."""

    @property
    def frames(self) -> Array:
        """(N,) consecutive whole frames at which the maps are sampled."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that the unknowns touch."""

    def samples(self, channel: str) -> Affine:
        """The channel's value at each frame, (N,), in its own unit."""

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        """One map for each coordinate of each driven point, each (N,): px, or the shot's length unit.

        The coordinates of a point are consecutive: two for each point on screen, three in the world.
        """

    def control_values(self, channel: str) -> Affine | None:
        """The Bezier control values of each curve segment, four a segment and consecutive; None where baked.

        The curve stays within their hull, so bounds on them hold between frames too.
        """

    def control_rates(self, channel: str) -> Affine | None:
        """Rates per frame whose hull holds the curve's slope everywhere; None where baked.

        With frame x(u) and value y(u) on a segment these are the quotients of the Bernstein coefficients, (y1
        - y0)/(x1 - x0), (y2 - y1)/(x2 - x1), (y3 - y2)/(x3 - x2): where all |quotient| <= r and each
        denominator is positive, r x'(u) -+ y'(u) >= 0 has no negative coefficient. A denominator of 0 (a
        reach of 0) has a numerator of 0 and gives no row. Where two reaches overlap, x2 < x1: the segment is
        split until its denominators are positive. When both reaches are thirds the denominators are L/3.
        """


class Constraint(Protocol):
    def terms(self, motion: Motion) -> Terms:
        """The rows and penalties for this motion; builds, never solves."""

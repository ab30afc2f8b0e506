"""What a person asks of a cleaning: few numbers, each with its unit."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from refine.errors import InputError

Unit = Literal["px", "mm", "deg"]
UNITS: tuple[Unit, ...] = ("px", "mm", "deg")
_AMOUNT = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*(px|mm|deg)\s*", re.ASCII)

WITHIN = "2mm"
# s: gaps up to this are filled unasked. Of longer ones a quarter and more come out worse than if they had been left.
FILL = 0.5


@dataclass(frozen=True, slots=True)
class Amount:
    """A size on screen, in the world, or of an angle."""

    value: float
    unit: Unit

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True)
class Settings:
    """How clips are cleaned.

    `strength` divides the half-amplitude frequency that the noise asks for; 0 smooths nothing. `keep_below` in Hz
    replaces what the noise asks for. Gaps of up to `fill` seconds are filled. With `within` the motion is reduced to
    keys that keep it that near. A clip that would move by more than `at_most` is set aside. `fps` is the new rate.
    With `check` the cleaned clips are looked over as `refine check` does.
    """

    strength: float = 1.0
    keep_below: float | None = None  # Hz
    fill: float = FILL  # s
    within: Amount | None = None  # None: every frame keeps its sample
    at_most: Amount | None = None
    fps: float | None = None
    camera: str | None = None
    check: bool = False

    @property
    def smooths(self) -> bool:
        return self.strength > 0 or self.keep_below is not None


def amount(text: str, option: str, units: tuple[Unit, ...] = UNITS) -> Amount:
    """The amount in a text such as `2mm`. InputError where it is none, or not above 0."""
    match = _AMOUNT.fullmatch(text)
    allowed = f"a number above 0 with its unit, {' or '.join(units)}, such as 2{units[0]}"
    if match is None or match[2] not in units or not 0 < float(match[1]) < math.inf:
        raise InputError(option, f"{text!r}", allowed)
    return Amount(float(match[1]), match[2])

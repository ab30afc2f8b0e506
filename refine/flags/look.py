"""What to look at."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Look:
    """A range (all of the shot by default), controls (all), a camera (the first), files of thresholds."""

    frames: tuple[int, int] | None = None
    controls: tuple[str, ...] = ()
    camera: str | None = None
    thresholds: tuple[Path, ...] = ()

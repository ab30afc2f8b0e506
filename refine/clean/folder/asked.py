"""The settings of a cleaning from the options of the command line, each checked."""

from __future__ import annotations

import math

from refine.clean.settings import FILL, WITHIN, Settings, amount
from refine.errors import InputError
from refine.formats.checked import FPS

STRONGEST = 100.0  # a hundredth of the frequency: nothing that moves is left
SLOWEST = 0.1  # Hz
LONGEST = 100_000.0  # s, more than a day: no gap is longer


def settings(
    strength: float,
    keep_below: float | None,
    fill: float | None,
    keys: bool,
    within: str | None,
    at_most: str | None,
    fps: float | None,
    camera: str | None,
    check: bool,
) -> Settings:
    """What the options ask for; None is what wasn't given. InputError for a number out of bounds."""
    if within is not None and not keys:
        raise InputError("--within", "given without --keys", remedy="add --keys, whose tolerance it is")
    if keep_below is not None and strength != 1.0:
        raise InputError("--strength", "given together with --keep-below", "one of the two")
    _check("--strength", strength, 0.0, STRONGEST)
    _check("--fill", fill, 0.0, LONGEST)
    _check("--keep-below", keep_below, SLOWEST, math.inf)
    _check("--fps", fps, *FPS)
    return Settings(
        strength=strength,
        keep_below=keep_below,
        fill=FILL if fill is None else fill,
        within=amount(WITHIN if within is None else within, "--within") if keys else None,
        at_most=None if at_most is None else amount(at_most, "--at-most", ("mm", "px")),
        fps=fps,
        camera=camera,
        check=check,
    )


def _check(option: str, value: float | None, lowest: float, highest: float, open_below: bool = False) -> None:
    if value is None or (
        lowest <= value <= highest and math.isfinite(value) and not (open_below and value == lowest)
    ):
        return
    allowed = f"a number above {lowest:g}" if open_below else f"{lowest:g} or more"
    allowed += f", at most {highest:g}" if math.isfinite(highest) else ""
    raise InputError(f"{option} {value:g}", "out of bounds", allowed)

"""The centre of mass of a captured figure in the air falls as things fall: ten jumps of an open clip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.corpus import captured, clip_at
from refine.flags import flight
from refine.flags.check import stage_of
from refine.flags.look import Look
from refine.flags.stage import runs
from refine.shot import Array, Shot
from tests.outside.tolerances import CAPTURED_FALL

pytestmark = pytest.mark.outside

GRAVITY = 9.81  # m/s^2
# The database that 01_01 comes from writes lengths in inches times 0.45 [mem].
METRES = 0.0254 / 0.45


def in_metres(shot: Shot) -> Shot:
    return replace(shot, metres_per_unit=METRES, unit_stated=True)


def falls(shot: Shot) -> list[float]:
    """Downward acceleration over each whole flight, in g, by a parabola through the centre of mass's height."""
    stage = stage_of(shot, Look())
    found = []
    for figure in flight.figures(stage):
        flown = flight.in_the_air(stage, figure)
        if flown is not None:
            heights: list[Array] = [flown[0][a : b + 1, 1] for a, b in runs(flown[1])]
            found += [-2 * np.polyfit(np.arange(len(h)) / shot.fps, h, 2)[0] / GRAVITY for h in heights]
    return found


def test_ten_captured_jumps_fall_by_g(clip: Callable[[str], Path]) -> None:
    """Segment masses and centres: de Leva 1996, J Biomech 29:1223-1230 [doc]."""
    clip("01_01")
    measured = falls(in_metres(captured("01_01")))
    assert len(measured) == 10
    assert measured == pytest.approx(np.ones(10), abs=CAPTURED_FALL)
    assert np.median(measured) == pytest.approx(1.0, abs=CAPTURED_FALL / 4)


@pytest.mark.parametrize("fps", [12.0, 24.0, 30.0])
def test_none_of_them_is_an_error(clip: Callable[[str], Path], fps: float) -> None:
    clip("01_01")
    shot = in_metres(clip_at("01_01", fps))
    assert [flag for flag in flight.find(stage_of(shot, Look())) if flag.severity == "error"] == []


@pytest.mark.parametrize("name", ["01_03", "Boxing_Toes"])
def test_who_climbs_swings_or_boxes_does_not_fly(clip: Callable[[str], Path], name: str) -> None:
    clip(name)
    unit = METRES if name == "01_03" else 0.01
    shot = replace(captured(name), metres_per_unit=unit, unit_stated=True)
    assert list(flight.find(stage_of(shot, Look()))) == []

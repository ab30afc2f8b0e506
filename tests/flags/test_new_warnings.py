"""A mend that brings a warning where no error is may stand; that it does is said."""

from __future__ import annotations

import pytest

from benchmarks.planted import feet
from refine.flags.check import check, stage_of
from refine.flags.flag import RANK, Flag, twin
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.shot import Shot


def flags(shot: Shot) -> list[Flag]:
    return [flag for flag in check(stage_of(shot, Look())) if RANK[flag.severity] >= RANK["warn"]]


@pytest.mark.parametrize(("seed", "brings"), [(2, False), (7, True)])
def test_the_warnings_that_a_mend_brings_are_said(seed: int, brings: bool) -> None:
    """Of a foot sunk by more than an error; one's keys can follow it only off their habit."""
    planted = feet.sink(feet.walk("", seed), seed, "error")
    assert planted is not None
    before = flags(planted[0])
    result = mend(planted[0], Look(), [flag for flag in before if flag.fault == "through floor"])
    assert result.mended
    new = [flag for flag in flags(result.shot) if twin(flag, before) is None]
    assert bool(new) == brings
    assert result.notes == tuple(f"this brings a new warning: {f.control}: {f.message}" for f in new)

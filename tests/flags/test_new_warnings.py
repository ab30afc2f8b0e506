"""A mend that brings a warning where no error is may stand; that it does is said."""

from __future__ import annotations

import pytest

from benchmarks.planted import feet
from refine.flags.check import check, stage_of
from refine.flags.flag import RANK, Cause, Flag, Severity, twin
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.verdict import brought
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


def flag(fault: str, severity: Severity, frame: int) -> Flag:
    cause = Cause("hips", "translation.y", (float(frame),))
    return Flag(
        fault, "hips", "translation.y", (frame, frame), severity, 3.0, "px", cause, "is off", "put it back"
    )


@pytest.mark.parametrize(
    ("severity", "count", "kept"), [("warn", 2, True), ("warn", 3, False), ("error", 9, True)]
)
def test_a_warning_isn_t_worth_many_others(severity: Severity, count: int, kept: bool) -> None:
    mended = flag("sliding contact", severity, 1)
    new = [flag("moved key", "warn", 20 * n + 20) for n in range(count)]
    assert (list(brought([mended], [mended], new)) == []) == kept


def test_a_new_error_or_another_of_its_fault_is_never_kept() -> None:
    mended = flag("moved key", "error", 1)
    for new in (flag("spike", "error", 40), flag("moved key", "warn", 40)):
        assert [each.flag for each in brought([mended], [mended], [new])] == [new]

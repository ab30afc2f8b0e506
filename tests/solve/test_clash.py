"""Rows that exclude each other: the error names an irreducible set of sources."""

from __future__ import annotations

import numpy as np
import pytest

import refine.solve
from constraints.affine import Affine, identity
from constraints.stay_close import StayClose
from constraints.terms import Rows, Terms
from refine.errors import NoSolution
from refine.problem import Problem
from refine.solve import solve
from refine.solve.clash import TRUST, clash
from tests.constraints.motions import Baked

SIZE = 12
WHOLE = Affine(identity(SIZE), np.zeros(SIZE))


def rows(source: str, over: Affine, low: float, high: float) -> Rows:
    ones = np.ones(over.rows)
    return Rows(source, over, low * ones, high * ones, "unit", np.arange(over.rows) * 1.0, 1e-6)


def problem(*held: Rows) -> Problem:
    close = StayClose(1.0).terms(Baked(np.zeros(SIZE)))
    return Problem(SIZE, Terms(rows=held) + close)


PIN = rows("pin hips.translation.y@4", WHOLE.restrict(np.array([4])), 3.0, 3.0)
BOUNDS = rows("bounds hips.translation.y", WHOLE, -2.0, 2.0)
WIDE = rows("bounds head", WHOLE, -50.0, 50.0)
RATE = rows("rate hips.translation.y", WHOLE.differences(1), -0.5, 0.5)
START = rows("pin start", WHOLE.restrict(np.array([0])), 0.0, 0.0)


def test_a_pin_outside_the_bounds() -> None:
    with pytest.raises(NoSolution, match=r"pin hips.translation.y@4.*bounds hips.translation.y") as caught:
        solve(problem(WIDE, PIN, RATE, BOUNDS))
    assert caught.value.clash == (PIN.source, BOUNDS.source)
    assert caught.value.exit_code == 3


def test_three_that_only_clash_together() -> None:
    """From 0 at frame 0 to 3 at frame 4 takes 0.75 a frame; the rate allows 0.5."""
    with pytest.raises(NoSolution) as caught:
        solve(problem(START, WIDE, RATE, PIN))
    assert set(caught.value.clash) == {START.source, RATE.source, PIN.source}
    for left_out in (START, RATE, PIN):
        solve(problem(*(r for r in (START, WIDE, RATE, PIN) if r is not left_out)))


def test_one_source_may_clash_with_itself() -> None:
    twice = (rows("two wishes", WHOLE, 0.0, 1.0), rows("two wishes", WHOLE, 2.0, 3.0))
    with pytest.raises(NoSolution) as caught:
        solve(problem(WIDE, *twice))
    assert caught.value.clash == ("two wishes",)


def test_the_trust_region_can_clash() -> None:
    with pytest.raises(NoSolution) as caught:
        solve(problem(PIN, WIDE), trust=1.0)
    assert set(caught.value.clash) == {PIN.source, TRUST}
    assert solve(problem(PIN, WIDE), trust=3.5).x[4] == 3.0


def test_a_row_that_no_unknown_can_change() -> None:
    stuck = rows("stuck", Affine(np.zeros((1, SIZE)), np.array([5.0])), 0.0, 1.0)
    with pytest.raises(NoSolution) as caught:
        solve(problem(stuck, WIDE))
    assert caught.value.clash == ("stuck",)


def test_no_clash() -> None:
    assert clash(problem(PIN, WIDE, RATE), None, None) == ()


def test_conflicts_within_tolerance_are_settled() -> None:
    nearly = rows("nearly", WHOLE.restrict(np.array([4])), 3.0 + 5e-7, 9.0)
    assert solve(problem(PIN, nearly)).x[4] == pytest.approx(3.0, abs=1e-6)


def test_an_answer_that_breaks_its_rows_is_never_returned(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each backend lies by ten tolerances: the residuals are recomputed, so none is believed."""

    def lie(problem: Problem, box: object) -> list[tuple[str, object]]:
        x = np.full(SIZE, 50.0 + 1e-5)
        return [("liar", lambda: (x, 1)), ("nobody", lambda: None), ("nan", lambda: (x * np.nan, 1))]

    monkeypatch.setattr(refine.solve, "_backends", lie)
    with pytest.raises(NoSolution, match="tolerances"):
        solve(problem(WIDE))

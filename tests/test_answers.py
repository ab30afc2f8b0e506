"""What was asked before is known by all that it depends on, and by nothing else."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from refine.answers import Answers, case
from refine.shot import make_keys

KEYS = make_keys([0, 5, 9], [0, 1, 2], [0, 0, 0])
DIFFERENT: list[tuple[object, ...]] = [
    (),
    ((),),
    ("ab", "c"),
    ("a", "bc"),
    (("a",), "bc"),
    (b"a", "bc"),
    (1, 2),
    (1.0, 2),
    (12,),
    (None,),
    (np.arange(6),),
    (np.arange(6.0),),
    (np.arange(6.0).reshape(2, 3),),
    (np.arange(3.0), np.arange(3.0)),
    (np.arange(6.0) + 1e-15,),
    (KEYS,),
    (KEYS.changed(values=KEYS.values + 1e-15),),
    (KEYS.changed(incoming_reach=np.array([np.nan, 1.0, np.nan])),),
]


@pytest.mark.parametrize(("one", "other"), list(combinations(DIFFERENT, 2)))
def test_cases_that_differ_have_names_of_their_own(
    one: tuple[object, ...], other: tuple[object, ...]
) -> None:
    assert case(*one) != case(*other)


@pytest.mark.parametrize("parts", DIFFERENT)
def test_a_case_is_named_by_what_it_holds(parts: tuple[object, ...]) -> None:
    copied = tuple(part.copy() if isinstance(part, np.ndarray) else part for part in parts)
    assert case(*parts) == case(*copied)
    assert case(make_keys([0, 5, 9], [0, 1, 2], [0, 0, 0])) == case(KEYS)


def test_an_answer_is_found_once_also_where_it_is_none() -> None:
    asked: list[str] = []

    def none() -> None:
        asked.append("none")

    answers = Answers[None](kept=2)
    for _ in range(3):
        answers.get(case("a"), none)
    assert asked == ["none"]


def test_no_more_answers_are_kept_than_said() -> None:
    answers = Answers[int](kept=2)
    for n in range(5):
        assert answers.get(case(n), lambda n=n: n) == n  # type: ignore[misc]
        assert len(answers._known) <= 2
    assert answers.get(case(4), lambda: -1) == 4

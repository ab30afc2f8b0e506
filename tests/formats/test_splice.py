"""Replacing single numbers in text: nothing else changes, and each is spelled as the file spells it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refine.formats.splice import Span, spell, splice
from tests.formats.tolerances import TEXT_ROUNDING


def test_only_the_spans_change() -> None:
    data = b"a\t1.50\r\n\r\nb  -2.25 \xff\n"
    assert splice(data, [((13, 18), "9"), ((2, 6), "0.75")]) == b"a\t0.75\r\n\r\nb  9 \xff\n"


def test_no_edits_give_the_same_bytes() -> None:
    assert splice(b"\xff\r1\n", []) == b"\xff\r1\n"


def test_the_same_edit_twice_counts_once() -> None:
    assert splice(b"1 2", [((0, 1), "5"), ((0, 1), "5")]) == b"5 2"


@pytest.mark.parametrize(
    "edits",
    [
        [((0, 1), "5"), ((0, 1), "6")],
        [((0, 2), "5"), ((1, 3), "6")],
        [((1, 1), "5"), ((1, 1), "6")],
        [((2, 9), "5")],
        [((-1, 1), "5")],
        [((2, 1), "5")],
    ],
)
def test_conflicting_edits_are_refused(edits: list[tuple[Span, str]]) -> None:
    with pytest.raises(ValueError, match="span"):
        splice(b"1 2 3", edits)


@pytest.mark.parametrize(
    ("old", "value", "least", "new"),
    [
        ("1.5000", 2.25, 0, "2.2500"),
        ("3", 3.14159, 4, "3.1416"),
        ("3", 3.7, 0, "4"),
        ("0.123456", -7.0, 4, "-7.000000"),
        ("+1.5", 2.0, 0, "+2.0"),
        ("+1.5", -2.0, 0, "-2.0"),
        ("1.50", -0.001, 0, "0.00"),
        ("-1.50", -0.001, 0, "0.00"),
        ("-0.0000", -0.00001, 0, "-0.0000"),
        ("-0.0000", 0.0, 0, "0.0000"),
        ("1.36306e-05", 2.5e-7, 0, "2.50000e-07"),
        ("1.5E+03", -2500.0, 0, "-2.5E+03"),
        ("1e-05", 12.345, 0, "1.234500e+01"),
        ("1e-5", 12.345, 0, "1.234500e1"),
        ("3e2", 314.15926, 4, "3.141593e2"),
        ("1e-5", 0.0, 0, "0e0"),
        (".5", 0.75, 0, ".8"),
        ("-.50", -0.75, 0, "-.75"),
        ("5.", 6.0, 0, "6."),
    ],
)
def test_spelling_follows_the_old_number(old: str, value: float, least: int, new: str) -> None:
    assert spell(old, value, least) == new


@pytest.mark.parametrize(
    "old", ["0.50", "-12.345678", "1e-05", "3.0e5", "1.25E+10", "-0.000", "7", "5.", ".25", "+3.50"]
)
def test_the_same_value_is_spelled_the_same(old: str) -> None:
    assert spell(old, float(old)) == old


@pytest.mark.parametrize("old", ["", ".", "-", "e5", "1,5", "nan", "1.5.2", "0x10", " 1"])
def test_what_is_no_number_is_refused(old: str) -> None:
    with pytest.raises(ValueError, match="number"):
        spell(old, 1.0)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_what_is_not_finite_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="number"):
        spell("1.0", value)


@pytest.mark.property
@given(st.floats(-1e9, 1e9), st.floats(-1e9, 1e9), st.integers(0, 9), st.sampled_from("fe"))
def test_a_spelling_is_as_near_as_the_old_number_allows(
    old: float, new: float, decimals: int, style: str
) -> None:
    token = f"{old:.{decimals}{style}}"
    exponent = token.partition("e")[2]
    unit = 10.0 ** (int(exponent or 0) - decimals)
    assert abs(float(spell(token, new)) - new) <= unit / 2 + TEXT_ROUNDING * abs(new)

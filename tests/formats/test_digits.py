"""Numbers in text many at once: what is written is what printf writes, and windows lose no byte."""

from __future__ import annotations

import numpy as np
import pytest

from refine.formats import digits
from refine.formats.digits import spelled, values, windows

TEXT = b"1 -2.5\t3\r\n\n4  5.25 6 \n  7 8 -0.0\r9 10 11"


def texts(numbers: list[float], places: int) -> list[bytes]:
    return [row.tobytes().replace(b"\0", b"") for row in spelled(np.array(numbers), places)]


@pytest.mark.parametrize("places", range(13))
def test_numbers_are_spelled_as_printf_does(places: int) -> None:
    rng = np.random.default_rng(places)
    numbers = [
        *rng.uniform(-400, 400, 500),
        *(rng.normal(size=500) * 10.0 ** rng.integers(-9, 4, 500)),
        0.0,
        1.0,
    ]
    expected = [b"%.*f" % (places, number) for number in (np.round(numbers, places) + 0.0).tolist()]
    assert texts(numbers, places) == expected


def test_what_has_more_digits_than_a_float64_is_spelled_all_the_same() -> None:
    numbers = [123456789.125, -4e11, 0.5, -1e-9]
    assert texts(numbers, 8) == [
        b"123456789.12500000",
        b"-400000000000.00000000",
        b"0.50000000",
        b"0.00000000",
    ]


@pytest.mark.parametrize("size", [1, 5, 9, 14, 1000])
def test_windows_are_whole_lines_that_make_the_text_again(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(digits, "WINDOW", size)
    found = list(windows(TEXT, 2))
    assert b"".join(window.lines() for window in found) == TEXT[2:]
    assert all(window.lines().endswith(b"\n") for window in found[:-1])
    read = [values(window) for window in found]
    assert [number for each in read if each is not None for number in each] == [
        -2.5,
        3,
        4,
        5.25,
        6,
        7,
        8,
        0,
        9,
        10,
        11,
    ]


@pytest.mark.parametrize(
    ("text", "whole"),
    [
        (b"1 2\n3 4\n", True),
        (b"\n 1 2 \r\n\r\n3\t4", True),
        (b"1 2\r3 4\r", True),
        (b"1 2\n3\r4\n", False),  # a lone CR ends a line
        (b"1 2 3\n4\n", False),
        (b"1\n2\n", False),
        (b"1 2\n3\n", False),
        (b"1\x0b2\n", False),
        (b"1\x002\n", False),
    ],
)
def test_rows_are_lines_of_so_many_numbers_between_blanks(text: bytes, whole: bool) -> None:
    (window,) = windows(text, 0)
    assert window.in_rows(2) is whole


@pytest.mark.parametrize(
    "word", ["1_0", "nan", "1e", ".", "-", "+-1", "1..2", "1.2.3", "0x1", "1-2", "--1", "1,5"]
)
def test_other_words_are_left_to_others(word: str) -> None:
    (window,) = windows(" ".join(["1.5"] * 20 + [word]).encode(), 0)
    assert values(window) is None

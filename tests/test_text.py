"""Text for a person's eyes: one line whatever a name holds, and columns that stand below each other."""

from __future__ import annotations

import pytest

from refine.text import aligned, printable


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("left hand", "left hand"),
        ("手, größer, \u200d", "手, größer, \u200d"),  # letters of any script, joiners too
        ("two\nlines\r\n", r"two\nlines\r\n"),
        ("\x1b[31mred\x07\x85", r"\x1b[31mred\x07\x85"),
        ("\u2028\u2029\u202edlog", r"\u2028\u2029\u202edlog"),
        ("\t", r"\t"),
    ],
)
def test_only_what_breaks_a_line_steers_or_turns_is_spelled_out(text: str, shown: str) -> None:
    assert printable(text) == shown
    assert len(printable(text).splitlines()) <= 1
    assert printable(shown) == shown


def test_columns_stand_below_each_other_whatever_the_cells_hold() -> None:
    rows = [("a\nb", "1", ""), ("c", "22", "last"), ("\x1b", "3", "x")]
    assert aligned(rows) == [r"a\nb  1", "c     22  last", r"\x1b  3   x"]
    assert aligned([]) == []

"""Numbers as a person reads them: those that count, and no more lines than anybody reads."""

from __future__ import annotations

import pytest

from refine.changes import Change, Field
from refine.key_rows import smooth
from refine.report import change_lines, spoken


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("-0.2370", "-0.2370"),
        ("-0.24618181818181803", "-0.2461818"),
        ("0.00000000000000003", "0"),
        ("-2.1e-17", "0"),
        ("0.0000123", "0.0000123"),
        ("[0.0, 0.7071067811865476, 0, 0.7071067811865475]", "[0.0, 0.7071068, 0, 0.7071068]"),
    ],
)
def test_numbers_of_a_file_are_told_as_far_as_they_count(text: str, words: str) -> None:
    assert spoken(text) == words


def test_many_samples_are_summed_up_and_it_is_said_where_they_all_stand() -> None:
    changes = [
        Change("hips", "rotation.x", frame, "value", 0.0, 0.1 * frame, "0", str(0.1 * frame), "deg")
        for frame in range(20)
    ]
    (_, _, line) = change_lines(changes)
    assert "20 values from frame 0 to 19, the largest at frame 19" in line
    assert "--json lists them all" in line


def test_numbers_of_several_kinds_are_summed_up_each_for_itself() -> None:
    """Degrees and degrees a frame aren't compared, and a new key is no number."""
    key = smooth(1.0, 0.0)
    kinds: tuple[tuple[Field, float, str], ...] = (
        ("value", 0.1, "deg"),
        ("incoming_slope", 3.0, "deg/frame"),
    )
    changes = [
        Change("hips", "rotation.x", float(n), field, 0.0, size * n, "0", f"{size * n:g}", unit)
        for n in range(1, 8)
        for field, size, unit in kinds
    ]
    changes.append(Change("hips", "rotation.x", 9.0, "key", 9.0, 9.0, "", "9", "frame", key=key, taken=False))
    assert [line.strip() for line in change_lines(changes)[2:]] == [
        "7 values from frame 1 to 7, the largest at frame 7: 0 -> 0.7 (0.7 deg)",
        "7 slopes from frame 1 to 7, the largest at frame 7: 0 -> 21 (21 deg/frame)",
        "1 new key from frame 9 to 9; --json lists them all",
    ]

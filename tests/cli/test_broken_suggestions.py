"""Suggestion files that are broken, or that ask for what can't be: one line, exit code 2 or 4, nothing written."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.console import assert_refused, document, folder, refine
from tests.cli.small_shots import ARM, FRAMES, write_shot

Plain = dict[str, Any]


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    return write_shot(tmp_path)


@pytest.fixture
def sound(shot: Path) -> str:
    """The text of a suggestion that can be applied."""
    return refine("suggest", shot, "--frames", FRAMES, "--json", "-q").out


def with_change(text: str, **members: Any) -> str:
    """The suggestion with members of its change replaced; Ellipsis takes one out."""
    plain: Plain = json.loads(text)
    change = plain["changes"][0]
    for name, value in members.items():
        change.pop(name) if value is ... else change.update({name: value})
    return json.dumps(plain)


def with_member(text: str, name: str, value: Any) -> str:
    plain: Plain = json.loads(text)
    plain.pop(name) if value is ... else plain.update({name: value})
    return json.dumps(plain)


TEXTS: dict[str, Callable[[str], str]] = {
    "empty": lambda text: "",
    "cut": lambda text: text[: len(text) // 2],
    "cut at its end": lambda text: text.rstrip()[:-1],
    "trailing": lambda text: text + "{}",
    "a list": lambda text: f"[{text}]",
    "null": lambda text: "null",
    "a number": lambda text: "7",
    "a page": lambda text: "<html>\n<body>404</body>\n</html>",
    "deep": lambda text: "[" * 200_000,
    "an integer of 5000 digits": lambda text: text.replace('"strength": 1.0', f'"strength": {"9" * 5000}'),
    "a control character": lambda text: text.replace("hips", "hi\x00ps"),
}
MEMBERS: dict[str, tuple[str, Any]] = {
    "no schema": ("schema", ...),
    "other schema": ("schema", "motion-refine/suggestion/99"),
    "another document": ("schema", "motion-refine/diff/1"),
    "schema as object": ("schema", {"a": [1]}),
    "no sha256": ("sha256", ...),
    "sha256 as number": ("sha256", 7),
    "no changes": ("changes", ...),
    "changes as object": ("changes", {}),
    "changes as text": ("changes", "all"),
    "a change as text": ("changes", ["x"]),
    "a change as null": ("changes", [None]),
}
CHANGES: dict[str, dict[str, Any]] = {
    **{f"no {name}": {name: ...} for name in ("control", "channel", "frame", "field", "before", "after")},
    **{f"no {name}": {name: ...} for name in ("before_text", "after_text", "unit")},
    "control as number": {"control": 7},
    "half a surrogate": {"control": "hips\ud800"},
    "frame as text": {"frame": "42"},
    "frame as bool": {"frame": True},
    "frame as list": {"frame": [42]},
    "frame NaN": {"frame": float("nan")},
    "frame infinite": {"frame": float("inf")},
    "frame huge": {"frame": 1e300},
    "frame of 400 digits": {"frame": 10**400},
    "unknown field": {"field": "tangent"},
    "field as list": {"field": ["value"]},
    "before as bool": {"before": False},
    "before as text": {"before": "11.085"},
    "after as bool": {"after": True, "after_text": "1"},
    "after as null": {"after": None},
    "after NaN": {"after": float("nan"), "after_text": "NaN"},
    "after infinite": {"after": float("-inf"), "after_text": "-Infinity"},
    "after huge": {"after": 1e13, "after_text": "10000000000000"},
    "after of 400 digits": {"after": 10**400, "after_text": "1" + "0" * 400},
    "after of four": {"after": [0, 0, 0, 1], "after_text": "[0, 0, 0, 1]"},
    "before and after of four": {"before": [0, 0, 0, 1], "after": [0, 0, 0, 1]},
    "a quaternion of one": {"channel": "rotation"},
    "a quaternion of three": {"channel": "rotation", "before": [0, 0, 1], "after": [0, 0, 1]},
    "a quaternion beyond all numbers": {
        **{"channel": "rotation", "before": [0, 0, 0, 1], "before_text": "[0, 0, 0, 1]"},
        **{"after": [0, 0, 1, 0], "after_text": "[0, 0, 1e400, 0]"},
    },
    "a quaternion that is another one": {
        **{"channel": "rotation", "before": [0, 0, 0, 1], "before_text": "[0, 0, 0, 1]"},
        **{"after": [0, 0, 1, 0], "after_text": "[0, 1, 0, 0]"},
    },
    "another text": {"after_text": "2.5"},
    "another text before": {"before_text": "11.086"},
    "text with more in it": {"after_text": '2.0850, "corner": true'},
    "text with a line end": {"after_text": "2.0850\n"},
    "text in words": {"after_text": "two"},
    "empty text": {"after_text": ""},
    "text of digits outside ASCII": {"after_text": "2.085\u0660"},
}


def assert_nothing_happens(shot: Path, text: str) -> None:
    """Refused in all ways to apply it, and nothing is written."""
    suggestion = shot.with_name("broken.json")
    suggestion.write_bytes(text.encode("utf-8", "surrogatepass"))
    before = folder(shot.parent)
    for options in (
        [],
        ["--in-place"],
        ["--undo", "--in-place"],
        ["--rebase", "-o", shot.with_name("x.shot.json")],
    ):
        result = refine("apply", shot, suggestion, *options)
        assert_refused(result, "broken.json")
        assert len(result.err) < 600
    assert folder(shot.parent) == before


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_that_is_no_suggestion_is_refused(name: str, shot: Path, sound: str) -> None:
    broken = TEXTS[name](sound)
    assert broken != sound
    assert_nothing_happens(shot, broken)


@pytest.mark.parametrize("name", MEMBERS)
def test_a_suggestion_without_its_members_is_refused(name: str, shot: Path, sound: str) -> None:
    assert_nothing_happens(shot, with_member(sound, *MEMBERS[name]))


@pytest.mark.parametrize("name", CHANGES)
def test_a_broken_change_is_refused(name: str, shot: Path, sound: str) -> None:
    assert_nothing_happens(shot, with_change(sound, **CHANGES[name]))


def test_bytes_that_are_no_text_are_refused(shot: Path, sound: str) -> None:
    suggestion = shot.with_name("broken.json")
    for data in (
        sound.encode("utf-16"),
        b"\xff\xfe",
        sound.encode().replace(b"hips", b"h\xffps"),
        bytes(4096),
    ):
        suggestion.write_bytes(data)
        assert_refused(refine("apply", shot, suggestion), "broken.json")


def test_a_suggestion_that_is_no_file_is_refused(shot: Path) -> None:
    (shot.parent / "folder.json").mkdir()
    for name in ("gone.json", "folder.json", "n" * 300):
        assert_refused(refine("apply", shot, shot.with_name(name)), name)


@pytest.mark.parametrize(
    "members",
    [
        {"control": "tail"},
        {"channel": "rotation.y"},
        {"frame": 43},
        {"frame": 42.5},
        {"frame": -1e9},
        {"field": "key"},
        {"before": 11.0, "before_text": "11.0"},
        {"channel": "rotation", "before": [0, 0, 0, 1], "before_text": "[0, 0, 0, 1]"}
        | {"after": [0, 0, 1, 0], "after_text": "[0, 0, 1, 0]"},
    ],
    ids=str,
)
def test_a_place_that_is_not_there_is_named_and_left(members: Plain, shot: Path, sound: str) -> None:
    suggestion, out = shot.with_name("s.json"), shot.with_name("x.shot.json")
    suggestion.write_text(with_change(sound, **members))
    result = refine("apply", shot, suggestion, "-o", out)
    assert result.code == 4
    assert "left: " in result.out
    assert out.read_bytes() == shot.read_bytes()
    applied = document(refine("apply", shot, suggestion, "--json").out, "applied")
    assert len(applied["left"]) == 1


def test_a_key_moved_past_its_neighbour_is_named_and_left(shot: Path, sound: str) -> None:
    moved = {
        "field": "key",
        "before": 42,
        "before_text": "42",
        "after": 50,
        "after_text": "50",
        "unit": "frame",
    }
    before = with_change(sound, **moved)
    suggestion = shot.with_name("s.json")
    suggestion.write_text(before)
    old, out = shot.read_bytes(), shot.with_name("x.shot.json")
    for options in ([], ["--in-place"], ["-o", out]):
        result = refine("apply", shot, suggestion, *options)
        assert result.code == 4
        assert "left: " in result.out
        assert "in the way a key stands on frame 48" in result.out
    assert (shot.read_bytes(), out.read_bytes()) == (old, old)


def test_one_number_cannot_become_two(shot: Path, sound: str) -> None:
    plain = json.loads(sound)
    plain["changes"].append({**plain["changes"][0], "after": 3.0, "after_text": "3.0"})
    suggestion = shot.with_name("s.json")
    suggestion.write_text(json.dumps(plain))
    assert_refused(refine("apply", shot, suggestion), ARM, "the same number")
    plain["changes"][1] = plain["changes"][0]
    suggestion.write_text(json.dumps(plain))
    assert refine("apply", shot, suggestion).code == 0


def test_a_byte_order_mark_and_unknown_members_do_no_harm(shot: Path, sound: str) -> None:
    suggestion = shot.with_name("s.json")
    suggestion.write_bytes(b"\xef\xbb\xbf" + with_member(sound, "x_mine", [1]).encode())
    assert refine("apply", shot, suggestion).code == 0

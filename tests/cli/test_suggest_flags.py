"""`refine suggest --flag`: the mends of what `check` finds, as a suggestion that applies and undoes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks.planted.contacts import plant, stepping
from refine.flags.on_frames import DOUBLED
from refine.formats import read, write
from refine.shot import Channel, Control, Limits, Mark, Pin, Shot, frozen
from tests.cli.console import ROOT, assert_refused, document, flags_of, folder, only_id, refine, unchanged
from tests.cli.small_shots import ARM, FAULT_FRAME, FRAMES, HIPS, rig, write_shot, write_table
from tests.flags.test_on_frames import doubled

DEMO = ROOT / "demo" / "baker.shot.json"
FAULTS: list[dict[str, Any]] = json.loads((ROOT / "demo" / "faults.json").read_text("utf-8"))["faults"]
STEP = 2e-4  # of the file's own four decimals, rounded at both strengths
SOURCES = {"shot": write_shot, "keys": write_table}


@pytest.mark.parametrize("kind", SOURCES)
@pytest.mark.parametrize("word", ["id", "all"])
def test_a_flag_is_mended_applied_and_undone_to_the_byte(tmp_path: Path, kind: str, word: str) -> None:
    path = SOURCES[kind](tmp_path)
    before = folder(tmp_path)
    name = only_id(path) if word == "id" else word
    found, mended, back = (
        tmp_path / n for n in ("s.suggestion.json", f"new{_ending(path)}", f"old{_ending(path)}")
    )
    result = refine("suggest", path, "--flag", name, "-o", found, "--json")
    assert result.code == 0
    (change,) = document(result.out, "suggestion")["changes"]
    assert (change["control"], change["channel"], change["frame"]) == (ARM, "rotation.z", FAULT_FRAME)
    unchanged(tmp_path, before, found.name)
    assert found.read_text() == result.out
    _with_side(path, mended, back)
    assert refine("apply", path, found, "-o", mended).code == 0
    assert flags_of(mended, code=0) == []
    assert refine("apply", mended, found, "--undo", "-o", back).code == 0
    assert back.read_bytes() == path.read_bytes() == before[path.name]


def _ending(path: Path) -> str:
    return path.name.removeprefix("reach")


def _with_side(path: Path, *others: Path) -> None:
    side = path.with_name("reach.marks.json")
    for other in others:
        if side.exists():
            other.with_name(other.name.removesuffix(_ending(path)) + ".marks.json").write_bytes(
                side.read_bytes()
            )


def test_a_flag_that_a_pin_excludes_is_named_with_it_and_the_exit_code_says_so(tmp_path: Path) -> None:
    path = write_shot(tmp_path, pins=(Pin(ARM, None, (FAULT_FRAME, FAULT_FRAME)),))
    name = only_id(path)
    result = refine("suggest", path, "--flag", name, "--json")
    assert result.code == 3
    found = document(result.out, "suggestion")
    assert (found["changes"], found["clash"]) == ([], [f"pin {ARM}@{FAULT_FRAME}"])
    for word in (name, "left", f"pinned by {ARM}@{FAULT_FRAME}"):
        assert word in found["reason"]


@pytest.mark.parametrize("how", [("--flag", "all"), ("--frames", FRAMES)], ids=" ".join)
def test_a_pin_of_the_command_line_that_excludes_the_mend_ends_with_3(
    tmp_path: Path, how: tuple[str, ...]
) -> None:
    path = write_shot(tmp_path)
    result = refine("suggest", path, *how, "--pin", f"{ARM}@{FAULT_FRAME}", "--pin", f"{HIPS}@30", "--json")
    assert result.code == 3
    found = document(result.out, "suggestion")
    assert (found["changes"], found["clash"]) == ([], [f"pin {ARM}@{FAULT_FRAME}"])
    (line,) = (line for line in result.err.splitlines() if not line.startswith("note: "))
    assert line == (
        f"refine: no solution within the constraints: no mend goes together with pin {ARM}@{FAULT_FRAME}; release it"
    )


@pytest.mark.parametrize("how", ["--flag", "--frames"])
def test_limits_that_exclude_the_mend_end_with_3(tmp_path: Path, how: str) -> None:
    """The faulty key stands where the channel may be; where it belongs, the channel may not be."""
    keys = rig()[1].channels[0].keys
    assert keys is not None
    at = keys.index(FAULT_FRAME)
    path = write_shot(tmp_path, limits=Limits(lower=float(keys.values[at, 0])))
    moved = [flag["id"] for flag in flags_of(path) if flag["fault"] == "moved key"]
    result = refine(
        "suggest", path, how, *(moved if how == "--flag" else [FRAMES]), "--controls", ARM, "--json"
    )
    found = document(result.out, "suggestion")
    assert (found["changes"], found["clash"]) == ([], [f"limits of {ARM}.rotation.z"])
    assert result.code == 3
    assert f"limits of {ARM}.rotation.z; release it" in result.err


def test_pins_that_exclude_a_contact_end_with_3_and_the_others_are_not_named(tmp_path: Path) -> None:
    """A planted foot slides, and its leg is pinned: thigh and shin hold it, the foot and the other leg don't."""
    shot, _ = plant(stepping(keyed=3), 1, "slide", 0.03)
    path = tmp_path / "walk.shot.json"
    path.write_bytes(write(shot, path))
    (flag,) = flags_of(path)
    assert flag["fault"] == "sliding contact"
    side = flag["control"][-1]
    other = "LR"[side == "L"]
    pins = [f"{part}@0:190" for part in (f"thigh.{side}", f"shin.{side}", f"foot.{side}", f"thigh.{other}")]
    options = [word for pin in pins for word in ("--pin", pin)]
    assert refine("suggest", path, "--flag", "all", *options[2:]).code == 0
    result = refine("suggest", path, "--flag", "all", *options, "--json")
    assert result.code == 3
    assert document(result.out, "suggestion")["clash"] == [f"pin {pin}" for pin in pins[:2]]
    assert f"pin {pins[0]} and pin {pins[1]}; release one of them" in result.err


def test_a_flag_that_nothing_holds_and_nothing_mends_is_no_clash(tmp_path: Path) -> None:
    """A step between two keys in a frame may be meant; the pin elsewhere has nothing to do with it."""
    path = tmp_path / "two.shot.json"
    path.write_bytes(
        write(replace(doubled("natural", 0.25, 4.0), pins=(Pin("hips", None, (6.0, 6.0)),)), path)
    )
    name = next(flag["id"] for flag in flags_of(path) if flag["fault"] == DOUBLED)
    result = refine("suggest", path, "--flag", name, "--json")
    assert result.code == 4
    found = document(result.out, "suggestion")
    assert found["clash"] == []
    assert "a step may be meant" in found["reason"]
    assert "pin" not in found["reason"]


def test_part_of_the_flags_is_mended_and_the_rest_left(tmp_path: Path) -> None:
    path = tmp_path / "baker.shot.json"
    path.write_bytes(write(replace(read(DEMO).shot, pins=(Pin("head", None, (31.0, 31.0)),)), path))
    result = refine("suggest", path, "--flag", "all", "--json")
    assert result.code == 4
    found = document(result.out, "suggestion")
    assert {c["control"] for c in found["changes"]} == {"hips", "spine", "chest", "forearm.R"}
    assert "head: moved key left" in found["reason"]


def test_nothing_flagged_means_nothing_to_do(tmp_path: Path) -> None:
    result = refine("suggest", write_shot(tmp_path, fault=0.0), "--flag", "all", "--json")
    assert result.code == 0
    found = document(result.out, "suggestion")
    assert (found["changes"], found["reason"]) == ([], "nothing is flagged")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--flag", "mk-0000"), ("--flag mk-0000", "no such flag", "refine check")),
        (("--flag", "all", "--candidate", "1"), ("--candidate", "--flag")),
        (("--flag", "all", "--pin", "nobody@3"), ("nobody",)),
        (("--flag", "all", "--frames", "500:600"), ("--frames 500:600",)),
    ],
    ids=lambda value: " ".join(value),
)
def test_bad_requests_are_refused(tmp_path: Path, arguments: tuple[str, ...], words: tuple[str, ...]) -> None:
    path = write_shot(tmp_path)
    before = folder(tmp_path)
    assert_refused(refine("suggest", path, *arguments, "-o", tmp_path / "new.json"), *words)
    unchanged(tmp_path, before)


def test_a_flag_is_looked_for_where_one_says(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    name = only_id(path)
    assert refine("suggest", path, "--flag", name, "--frames", "30:60", "--controls", ARM).code == 0
    assert_refused(refine("suggest", path, "--flag", name, "--controls", HIPS), name, "nothing is flagged")


# --- thresholds and strengths ---


def test_a_flag_is_found_and_mended_by_the_thresholds_that_check_was_given(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    table = tmp_path / "strict.toml"
    table.write_text("[moved-key]\nwarn = 1000\nerror = 2000\n")
    assert flags_of(path, "--thresholds", table, code=0) == []
    result = refine("suggest", path, "--flag", "all", "--thresholds", table, "--json")
    assert (result.code, document(result.out, "suggestion")["reason"]) == (0, "nothing is flagged")
    assert document(refine("suggest", path, "--flag", "all", "--json").out, "suggestion")["changes"]
    assert_refused(
        refine("suggest", path, "--frames", FRAMES, "--thresholds", table), "--thresholds", "--flag"
    )
    assert_refused(
        refine("suggest", path, "--flag", "all", "--thresholds", tmp_path / "gone.toml"), "gone.toml"
    )


def slid(folder: Path, keyed: int | None = None) -> Path:
    path = folder / "walk.shot.json"
    path.write_bytes(write(plant(stepping(keyed=keyed), 1, "slide", 0.03)[0], path))
    return path


@pytest.mark.parametrize("keyed", [None, 3], ids=["baked", "keyed"])
def test_a_familys_mend_goes_as_far_as_the_strength_says(tmp_path: Path, keyed: int | None) -> None:
    path = slid(tmp_path, keyed)
    found = {}
    for strength in ("0", "0.5", "1"):
        result = refine("suggest", path, "--flag", "all", "--strength", strength, "--json")
        assert result.code == 0
        assert "means nothing" not in result.err
        plain = document(result.out, "suggestion")
        assert plain["strength"] == float(strength)
        places = {(c["control"], c["channel"], c["frame"], c["field"]): c for c in plain["changes"]}
        found[strength] = {place: c["after"] - c["before"] for place, c in places.items()}
    assert found["0"] == {}
    for place, half in found["0.5"].items():
        assert half == pytest.approx(found["1"][place] / 2, abs=STEP)
    assert max(map(abs, found["1"].values())) > 100 * STEP


def test_a_strength_that_means_nothing_is_told_and_one_that_is_none_refused(tmp_path: Path) -> None:
    path = slid(tmp_path)
    result = refine("suggest", path, "--flag", "all", "--strength", "3", "--json")
    (flag,) = flags_of(path)
    assert result.code == 0
    assert f"--strength 3 means nothing to mends of a family's own, done as at 1: {flag['id']}" in result.err
    once = document(refine("suggest", path, "--flag", "all", "--json").out, "suggestion")
    assert document(result.out, "suggestion")["changes"] == once["changes"]
    for wrong in ("-1", "nan", "inf"):
        assert_refused(refine("suggest", path, "--flag", "all", "--strength", wrong), "--strength")


def test_an_angle_that_jumps_by_a_turn_is_mended_whole_at_half_strength(tmp_path: Path) -> None:
    samples = np.where(np.arange(97) < 40, 170.0, -170.0)[:, None] + 0.1 * np.arange(97)[:, None]
    turned = Control(
        "head", tip=(10.0, 10.0, 0.0), channels=(Channel("rotation.y", samples=frozen(samples)),)
    )
    path = tmp_path / "wrap.shot.json"
    path.write_bytes(write(Shot("wrap", 24.0, 0, 96, (turned,)), path))
    (flag,) = flags_of(path)
    assert flag["fault"] == "angle wrap"
    result = refine("suggest", path, "--flag", flag["id"], "--strength", "0.5", "--json")
    assert (
        "--strength 0.5 means nothing to keys that are added, moved in time or turned over, on head"
        in result.err
    )
    for change in document(result.out, "suggestion")["changes"]:
        assert abs(change["after"] - change["before"]) == pytest.approx(360.0)


# --- the demo ----------------------------------------------------------------------------------------------


def test_the_demos_listed_faults_are_mended_and_a_second_check_shows_nothing(tmp_path: Path) -> None:
    found, mended, back = (tmp_path / n for n in ("all.json", "mended.shot.json", "back.shot.json"))
    result = refine("suggest", DEMO, "--flag", "all", "-o", found, "--json")
    assert result.code == 0, result.err
    changes = document(result.out, "suggestion")["changes"]
    wanted = {
        (fault["control"], fault["channel"], change["frame"])
        for fault in FAULTS
        for change in fault["changes"]
    }
    assert {(c["control"], c["channel"], c["frame"]) for c in changes} == wanted
    assert refine("apply", DEMO, found, "-o", mended).code == 0
    assert flags_of(mended, code=0) == []
    assert refine("apply", mended, found, "--undo", "-o", back).code == 0
    assert back.read_bytes() == DEMO.read_bytes()


def test_a_mend_that_can_t_go_half_the_way_doesn_t_stop_the_others(tmp_path: Path) -> None:
    """Half a key's way back with half of its slopes is no slope of the habit: it stays, the others go."""
    result = refine("suggest", DEMO, "--flag", "all", "--strength", "0.5", "--json")
    found = document(result.out, "suggestion")
    assert result.code == 4
    assert {c["control"] for c in found["changes"]} == {"hips", "chest", "head", "forearm.R"}
    (hips,) = [c for c in found["changes"] if c["control"] == "hips"]
    assert hips["after"] == pytest.approx((-0.192 - 0.237) / 2, abs=STEP)
    assert "spine: sliding contact left, gone 0.5 of the way" in found["reason"]


@pytest.mark.parametrize("kind", ["accent", "meant"])
def test_what_is_marked_is_neither_flagged_nor_moved(tmp_path: Path, kind: Any) -> None:
    path = tmp_path / "baker.shot.json"
    shot = read(DEMO).shot
    path.write_bytes(write(replace(shot, marks=(*shot.marks, Mark(kind, (57.0, 63.0), ("hips",)))), path))
    found = flags_of(path)
    assert not [flag for flag in found if flag["fault"] == "moved key" and flag["control"] == "hips"]
    changes = document(refine("suggest", path, "--flag", "all", "--json").out, "suggestion")["changes"]
    assert changes
    assert not [c for c in changes if c["control"] == "hips"]

"""What the commands say: show, suggest, diff and compare on small shots whose fault is known."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from refine.curve import bake
from refine.formats import read, write
from refine.report import spoken
from tests.cli.console import assert_refused, document, folder, refine
from tests.cli.small_shots import (
    ARM,
    FAULT,
    FAULT_FRAME,
    FRAMES,
    HAND,
    HIPS,
    keyed_shot,
    write_bvh,
    write_shot,
    write_table,
)
from tests.tolerances import ROW


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    return write_shot(tmp_path)


def suggestion(shot: Path, *options: object, code: int = 0) -> dict[str, Any]:
    result = refine("suggest", shot, "--frames", FRAMES, "--json", *options)
    assert result.code == code, result.err
    return document(result.out, "suggestion")


# --- show ---


def test_show_tells_the_rig(shot: Path) -> None:
    out = refine("show", shot).out
    for words in (
        HIPS,
        ARM,
        HAND,
        "0 to 96",
        "24 fps",
        "side, front: 1280 x 720 px",
        "accent 70:76",
        "it clangs",
    ):
        assert words in out
    (arm,) = (line for line in out.splitlines() if line.split()[1:2] == [ARM])
    assert "rotation.x|z" in arm
    (hand,) = (line for line in out.splitlines() if f" {HAND} " in line and "keyed" in line)
    assert " curl@2" in hand
    shown = document(refine("show", shot, "--json").out, "show")
    assert shown["order"] == [[HIPS], [ARM], [HAND]]
    assert [control["name"] for control in shown["controls"]] == [HIPS, ARM, HAND]
    assert shown["controls"][2]["channels"][1] == {"name": "curl@2", "unit": "", "keys": 17, "baked": False}
    assert shown["sha256"] == read(shot).sha256


def test_notes_of_the_file_go_to_stderr(tmp_path: Path) -> None:
    walk = write_bvh(tmp_path)
    result = refine("show", walk)
    assert "note: walk.bvh:" in result.err
    assert "note" not in result.out
    assert document(refine("show", walk, "--json", "-q").out, "show")["notes"]


# --- suggest ---


@pytest.mark.parametrize("writer", [write_shot, write_table])
def test_the_fault_is_found_and_told_in_pixels(writer: Any, tmp_path: Path) -> None:
    found = suggestion(writer(tmp_path))
    (change,) = found["changes"]
    where = {"control": ARM, "channel": "rotation.z", "frame": FAULT_FRAME, "field": "value", "unit": "deg"}
    assert {name: change[name] for name in where} == where
    assert change["before"] - change["after"] == pytest.approx(FAULT, abs=0.1 * FAULT)  # a tenth of the fault
    assert found["effect"]["largest_move"]["control"] == HAND  # what the arm carries shows it most
    assert found["effect"]["after"]["arc"] < found["effect"]["before"]["arc"]
    assert found["order"] == [HIPS, ARM, HAND]
    assert found["usable"][0] >= 24
    assert found["usable"][1] <= 60


def test_strength_0_changes_nothing_and_half_goes_half_the_way(shot: Path) -> None:
    assert suggestion(shot, "--strength", "0")["changes"] == []
    whole, half = (suggestion(shot, "--strength", s)["changes"] for s in ("1", "0.5"))
    assert half[0]["after"] - half[0]["before"] == pytest.approx(
        (whole[0]["after"] - whole[0]["before"]) / 2, abs=ROW
    )


def test_nothing_to_propose_is_exit_0_and_says_why(tmp_path: Path) -> None:
    sound = write_shot(tmp_path, fault=0.0)
    result = refine("suggest", sound, "--frames", FRAMES)
    assert result.code == 0
    assert result.out.startswith("Why: nothing to propose")
    assert suggestion(sound)["changes"] == []


@pytest.mark.parametrize(
    ("pin", "reason"),
    [
        (f"{ARM}@{FAULT_FRAME}", "pinned by"),
        (f"{ARM}.rotation.z@{FAULT_FRAME}", "pinned by"),
        (f"{ARM}.rotation.z@38:40", "pinned by"),
        (f"{ARM}.rotation.z@44", "held by pin"),
    ],
)
def test_a_pin_keeps_its_key_and_is_named(pin: str, reason: str, shot: Path) -> None:
    found = suggestion(shot, "--pin", pin, code=3)
    assert not [change for change in found["changes"] if change["control"] == ARM]
    assert reason in found["reason"]
    assert ARM in found["reason"]
    assert found["clash"] == [f"pin {pin}"]


def test_computed_numbers_are_told_with_the_digits_that_count_and_kept_with_all(tmp_path: Path) -> None:
    """A program writes 15 decimals; a person reads 7 digits, and the suggestion file has them all."""
    walk = write_bvh(tmp_path, decimals=15)
    changes = suggestion(walk)["changes"]
    assert min(len(change["after_text"]) for change in changes) > 15
    out = refine("suggest", walk, "--frames", FRAMES).out
    assert re.search(r"\d -> -?\d", out)
    assert re.search(r"\d{9}", out) is None
    assert [spoken(text) for text in ("0.1000", "-12.345600", "[0, 0.25, 1e-3, 1]")] == [
        "0.1000", "-12.345600", "[0, 0.25, 1e-3, 1]",
    ]  # fmt: skip
    assert spoken("-0.4779534282650840") == "-0.4779534"
    assert spoken("[0.70710678118654752, 1.2345678901e-05]") == "[0.7071068, 1.234568e-05]"


def test_a_range_that_is_too_narrow_is_told(shot: Path) -> None:
    result = refine("suggest", shot, "--frames", "40:44", "--controls", ARM, "--json")
    found = document(result.out, "suggestion")
    assert (result.code, found["changes"], found["clash"]) == (0, [], [])
    assert "36:48" in found["reason"]  # the frames that the key moves


def test_controls_may_hold_commas_and_be_listed(shot: Path) -> None:
    for options in (
        ["--controls", f"{HAND},{ARM}"],
        ["--controls", f"{ARM}, {HAND}"],
        ["--controls", HAND, "--controls", ARM],
        ["--controls", f"{HAND},{ARM},{ARM}"],
    ):
        assert suggestion(shot, *options)["order"] == [ARM, HAND]
    assert suggestion(shot, "--controls", HAND)["order"] == [HAND]


def test_names_that_contain_each_other_are_told_apart(tmp_path: Path) -> None:
    """The longest known name wins, whatever it holds."""
    shot = write_shot(tmp_path)
    text = shot.read_text().replace(f'"{ARM}"', '"hips.translation"').replace(f'"{HAND}"', '"hips@3"')
    shot.write_text(text)
    found = suggestion(shot, "--controls", "hips.translation,hips@3")
    assert found["order"] == ["hips.translation", "hips@3"]
    assert found["changes"][0]["control"] == "hips.translation"
    pinned = suggestion(shot, "--pin", f"hips.translation.rotation.z@{FAULT_FRAME}", code=3)
    assert "pinned by hips.translation.rotation.z@42" in pinned["reason"]
    assert suggestion(shot, "--pin", "hips@3@3")["changes"]
    assert suggestion(shot, "--pin", "hips.translation.x@3")["changes"]


def test_where_nothing_is_seen_no_spacing_is_told(tmp_path: Path) -> None:
    table = write_table(tmp_path)
    assert "There the spacing" in refine("suggest", table, "--frames", FRAMES).out
    table.with_name("reach.marks.json").unlink()
    alone = refine("suggest", table, "--frames", FRAMES, "--controls", ARM)
    assert "nothing that the camera sees moves" in alone.out
    assert "There the spacing" not in alone.out
    assert "reach.marks.json" in alone.err


def test_the_picture_and_the_file_are_written_where_told(shot: Path) -> None:
    picture, out = shot.with_name("p.svg"), shot.with_name("s.json")
    result = refine("suggest", shot, "--frames", FRAMES, "--picture", picture, "-o", out)
    assert result.code == 0
    assert result.err.count("wrote ") == 2
    assert picture.read_text().startswith("<svg")
    assert document(out.read_text(), "suggestion") == suggestion(shot)


@pytest.mark.parametrize("n", [1, 2])
def test_a_candidate_can_be_taken(n: int, tmp_path: Path) -> None:
    walk = write_bvh(tmp_path, 0, 0.3)
    candidates = suggestion(walk)["candidates"]
    assert len(candidates) > 1
    taken = suggestion(walk, "--candidate", str(n))
    assert taken["changes"] == candidates[n - 1]["changes"]
    assert f"candidate {n}, chosen by you" in taken["reason"]
    shown = refine("suggest", walk, "--frames", FRAMES, "--candidate", str(n)).out.splitlines()
    for other in taken["candidates"]:
        assert any(line.startswith(f"  {other['number']}  {other['explains']}") for line in shown)
    assert {c["number"] for c in taken["candidates"]} == {*range(1, len(candidates) + 1)} - {n}


def test_one_candidate_is_taken_at_a_time(shot: Path) -> None:
    result = refine("suggest", shot, "--frames", FRAMES, "--candidate", 1, "--candidate", 2)
    assert result.code == 2
    assert "apply the first and ask again" in result.err


# --- diff ---


def mended(shot: Path) -> Path:
    out = shot.with_name("mended.shot.json")
    assert refine("suggest", shot, "--frames", FRAMES, "-o", shot.with_name("s.json")).code == 0
    assert refine("apply", shot, shot.with_name("s.json"), "-o", out).code == 0
    return out


def test_the_same_shot_has_no_difference(shot: Path) -> None:
    copy = shot.with_name("copy.shot.json")
    copy.write_bytes(shot.read_bytes())
    result = refine("diff", shot, copy)
    assert (result.code, result.out) == (0, "no difference\n")
    found = document(refine("diff", shot, copy, "--json").out, "diff")
    assert (found["changes"], found["others"], found["moves"]) == ([], [], [])


def test_a_difference_is_what_the_suggestion_listed(shot: Path) -> None:
    after = mended(shot)
    result = refine("diff", shot, after, "--json", "--picture", shot.with_name("d.svg"))
    assert result.code == 1
    found = document(result.out, "diff")
    (change,), (listed,) = found["changes"], json.loads(shot.with_name("s.json").read_text())["changes"]
    for name in ("control", "channel", "frame", "field", "before", "after", "unit"):
        assert change[name] == listed[name]
    move = found["moves"][0]
    assert move["control"] == HAND
    last = refine("diff", shot, after).out.splitlines()[-1]
    assert last.startswith(f"  the change of {change['control']} moves ")
    assert last.endswith(f"{HAND} by {move['value']:.2f} px at frame {move['frame']:g}")
    assert shot.with_name("d.svg").read_text().startswith("<svg")


def test_what_is_no_number_differs_in_words(shot: Path, tmp_path: Path) -> None:
    plain = json.loads(shot.read_text())
    plain["fps"], plain["marks"] = 25, []
    plain["controls"][0]["channels"][0]["keys"].pop()
    plain["controls"][2]["name"] = "paw"
    other = tmp_path / "other.shot.json"
    other.write_text(json.dumps(plain))
    result = refine("diff", shot, other, "--picture", tmp_path / "d.svg")
    assert result.code == 1
    for words in (
        "fps: 24.0 -> 25.0",
        "marks differ",
        f"control {HAND} is only in the first",
        "control paw is only in the second",
        f"{HIPS}.translation.x: key at frame 96 is only in the first",
    ):
        assert words in result.out
    assert "no picture" in result.err
    assert not (tmp_path / "d.svg").exists()
    assert refine("diff", other, other).code == 0


def test_two_formats_can_be_compared(shot: Path, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    table = write_table(tmp_path / "other")
    found = document(refine("diff", shot, table, "--json").out, "diff")
    assert found["changes"] == []
    assert_refused(refine("diff", shot, table, "--camera", "nobody"), "no camera 'nobody'")


def test_keys_against_samples_are_measured_on_whole_frames(tmp_path: Path) -> None:
    """A baked file and the same motion keyed: nothing to see; with a fault in the keys, the fault is seen."""
    sound, faulty = keyed_shot(fault=0.0), keyed_shot()
    baked = tuple(replace(c, channels=tuple(bake(ch, sound) for ch in c.channels)) for c in sound.controls)
    paths = [tmp_path / f"{name}.shot.json" for name in ("samples", "keys", "faulty")]
    for path, shot in zip(paths, (replace(sound, controls=baked), sound, faulty), strict=True):
        path.write_bytes(write(shot, path))
    result = refine("diff", paths[0], paths[1])
    assert result.code == 1
    for channel in ("translation.x", "translation.y"):
        assert f"{HIPS}.{channel}: 97 samples -> 17 keys, on whole frames at most " in result.out
    found = document(refine("diff", paths[0], paths[1], "--json").out, "diff")
    assert (found["moved"], found["changes"]) == ([HIPS, ARM, HAND], [])
    assert max(move["value"] for move in found["moves"]) < 0.1
    found = document(refine("diff", paths[0], paths[2], "--json").out, "diff")
    moves = dict(zip(found["moved"], found["moves"], strict=True))
    assert moves[ARM]["value"] > 10 > 0.1 > moves[HIPS]["value"]
    assert moves[ARM]["frame"] == FAULT_FRAME
    (words,) = (line for line in found["others"] if line.startswith(f"{ARM}.rotation.z: "))
    assert (
        words == f"{ARM}.rotation.z: 97 samples -> 17 keys, on whole frames at most 9 deg apart, at frame 42"
    )
    back = document(refine("diff", paths[2], paths[0], "--json").out, "diff")
    assert any(
        "17 keys -> 97 samples, on whole frames at most 9 deg apart" in line for line in back["others"]
    )


# --- compare ---


def test_where_nothing_changes_at_any_strength_the_reason_is_given(tmp_path: Path) -> None:
    sound = write_shot(tmp_path, fault=0.0)
    result = refine("compare", sound, "--frames", FRAMES)
    assert result.code == 0
    assert result.out.splitlines()[-1].startswith("Nothing changes at any strength: nothing to propose")
    found = document(refine("compare", sound, "--frames", FRAMES, "--json").out, "comparison")
    assert found["reason"].startswith("nothing to propose")


def test_where_a_pin_excludes_the_mend_at_any_strength_it_is_named(shot: Path) -> None:
    pin = f"{ARM}@{FAULT_FRAME}"
    result = refine("compare", shot, "--frames", FRAMES, "--pin", pin, "--strengths", "0.5,1")
    assert result.code == 3
    assert f"pinned by {pin}" in result.out
    assert f"no mend goes together with pin {pin}" in result.err
    plain = refine("compare", shot, "--frames", FRAMES, "--strengths", "0.5,1", "--json")
    assert (plain.code, document(plain.out, "comparison")["reason"]) == (0, "")


def test_strengths_stand_side_by_side(shot: Path) -> None:
    result = refine("compare", shot, "--frames", FRAMES, "--strengths", "1,0.5,0", "--json")
    rows = document(result.out, "comparison")["variants"]
    assert [row["name"] for row in rows] == ["0", "0.5", "1"]
    assert rows[0]["left"] == 1
    assert rows[0]["keys_changed"] == 0
    assert (
        rows[0]["largest_move"]["value"] < rows[1]["largest_move"]["value"] < rows[2]["largest_move"]["value"]
    )
    assert [row["suggestion"] for row in rows] == ["", "", ""]
    table = refine("compare", shot, "--frames", FRAMES, "--strengths", "1,0.5,0").out
    assert len(table.splitlines()) == 1 + len(rows)


def test_the_folder_holds_a_suggestion_for_each_variant(shot: Path) -> None:
    out = shot.parent / "deep" / "er"
    arguments = ["compare", shot, "--frames", FRAMES, "--strengths", "0.5,1", "-o", out]
    rows = document(refine(*arguments, "--json").out, "comparison")["variants"]
    files = [row["suggestion"] for row in rows]
    assert sorted(p.name for p in out.iterdir()) == sorted([*files, "comparison.svg"])
    for row in rows:
        alone = suggestion(shot, "--strength", row["name"])
        assert document((out / row["suggestion"]).read_text(), "suggestion") == alone
    before = folder(out)
    (out / files[0]).unlink()
    assert_refused(refine(*arguments, "-q"), "there already", "--force")
    assert not (out / files[0]).exists()  # none is written if one may not be
    assert refine(*arguments, "--force").code == 0
    assert folder(out) == before


def test_a_folder_that_cannot_be_is_refused(shot: Path) -> None:
    before = folder(shot.parent)
    for out in (shot, shot / "x", shot.parent / ("n" * 300)):
        result = refine("compare", shot, "--frames", FRAMES, "--strengths", "1", "-q", "-o", out)
        assert_refused(result, out.name[:20])
    assert folder(shot.parent) == before


def test_a_link_in_the_folder_is_no_way_to_the_source(shot: Path) -> None:
    out = shot.parent / "out"
    out.mkdir()
    (out / "strength-1.suggestion.json").symlink_to(shot)
    before = shot.read_bytes()
    arguments = ["compare", shot, "--frames", FRAMES, "--strengths", "1", "-q", "-o", out, "--force"]
    assert_refused(refine(*arguments), "source")
    assert shot.read_bytes() == before


def test_the_fixture_is_what_it_says() -> None:
    clean, faulty = keyed_shot(0.0), keyed_shot()
    differing = [c.name for c, other in zip(clean.controls, faulty.controls, strict=True) if c != other]
    assert differing == [ARM]

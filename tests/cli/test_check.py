"""`refine check`: exit codes, what is printed, recorded and written, and what isn't."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from refine.flags import check as checking
from refine.flags import flag as flag_module
from refine.flags import record
from refine.flags.flag import Flag
from refine.flags.stage import Stage
from refine.formats import read, write
from refine.shot import Camera, Mark
from tests.cli.console import (
    ROOT,
    Result,
    assert_refused,
    document,
    flags_of,
    folder,
    only_id,
    refine,
    unchanged,
)
from tests.cli.small_shots import ARM, FAULT_FRAME, HAND, HIPS, keyed_shot, write_bvh, write_shot, write_table

DEMO = ROOT / "demo" / "baker.shot.json"
SOURCES = {"shot": write_shot, "keys": write_table}


def numbers(path: Path, text: str) -> Path:
    """A file of thresholds beside the shot, read by itself."""
    own = path.with_name("reach.thresholds.toml")
    own.write_text(text)
    return own


# --- exit codes and what is printed ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", SOURCES)
def test_a_fault_is_flagged_and_nothing_is_written(tmp_path: Path, kind: str) -> None:
    path = SOURCES[kind](tmp_path)
    before = folder(tmp_path)
    (flag,) = flags_of(path)
    assert (flag["fault"], flag["control"], flag["channel"]) == ("moved key", ARM, "rotation.z")
    assert flag["cause"]["frames"] == [FAULT_FRAME]
    assert flag["frames"][0] <= FAULT_FRAME <= flag["frames"][1]
    unchanged(tmp_path, before)


def test_the_document_names_the_file_and_the_camera(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    found = document(refine("check", path, "--json").out, "flags")
    assert (found["file"], found["fps"], found["camera"]) == (path.name, 24.0, "side, front")
    assert found["sha256"] == read(path).sha256


def test_a_sound_shot_has_no_flags(tmp_path: Path) -> None:
    path = write_shot(tmp_path, fault=0.0)
    assert flags_of(path, code=0) == []
    result = refine("check", path)
    assert (result.code, result.out) == (0, "nothing is flagged\n")


def test_a_line_says_how_serious_which_where_what_and_why(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    result = refine("check", path)
    (line,) = result.out.splitlines()
    for word in ("error", only_id(path), f"{ARM}.rotation.z", "moved key", f"key at {FAULT_FRAME}", "put"):
        assert word in line
    assert result.err.startswith("note: Seen through camera side, front")
    assert refine("check", path, "--quiet") == Result(1, result.out, "")


@pytest.mark.parametrize(
    ("least", "code"), [("note", 1), ("warn", 1), ("error", 0)], ids=["note", "warn", "error"]
)
def test_only_flags_of_that_level_are_shown(tmp_path: Path, least: str, code: int) -> None:
    path = write_shot(tmp_path)
    numbers(path, "[moved-key]\nerror = 1000\n")
    found = flags_of(path, "--at-least", least, code=code)
    assert [flag["severity"] for flag in found] == ["warn"] * code


def test_ids_stay_from_run_to_run_and_beside_an_unrelated_fault(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    one = only_id(path)
    assert only_id(path) == one
    shot = read(path).shot
    hips = shot.control(HIPS).channel("translation.y")
    assert hips is not None
    assert hips.keys is not None
    values = hips.keys.values.copy()
    values[hips.keys.index(72)] += 4.0
    path.write_bytes(
        write(shot.with_channel(HIPS, replace(hips, keys=hips.keys.changed(values=values))), path)
    )
    both = flags_of(path)
    assert [flag["control"] for flag in both] == [HIPS, ARM], "root outward"
    assert both[1]["id"] == one
    assert both[0]["id"] != one


def test_a_baked_clip_is_looked_at_too(tmp_path: Path) -> None:
    assert flags_of(write_bvh(tmp_path, noise=0.0), code=0) == []
    found = flags_of(write_bvh(tmp_path))
    assert "jitter" in {flag["fault"] for flag in found}
    assert all(flag["frames"][1] >= 28 and flag["frames"][0] <= 56 for flag in found)  # where the noise is


# --- where it looks ----------------------------------------------------------------------------------------


def test_frames_and_controls_say_where_to_look(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    assert len(flags_of(path, "--frames", "36:60")) == 1
    assert flags_of(path, "--frames", "60:96", code=0) == []
    assert len(flags_of(path, "--controls", ARM)) == 1
    assert flags_of(path, "--controls", HIPS, code=0) == []
    assert flags_of(path, "--controls", HIPS, "--controls", HAND, code=0) == []


def test_from_afar_it_may_not_be_seen(tmp_path: Path) -> None:
    path, shot = tmp_path / "reach.shot.json", keyed_shot()
    (near,) = shot.cameras
    body = replace(near.control, name="afar", rest_translation=(0.0, 30.0, 20000.0))
    away = Camera(body, near.vertical_angle, near.width, near.height, near.aspect)
    path.write_bytes(write(replace(shot, cameras=(near, away)), path))
    assert len(flags_of(path, "--camera", near.name)) == 1
    assert flags_of(path, "--camera", "afar", code=0) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--frames", "60-70"), ("--frames", "A:B")),
        (("--frames", "60:50"), ("--frames",)),
        (("--frames", "500:600"), ("--frames 500:600", "frames 0 to 96")),
        (("--controls", "nobody"), ("nobody",)),
        (("--camera", "nobody"), ("nobody", "side, front")),
        (("--thresholds", "nowhere.toml"), ("nowhere.toml", "no such file")),
        (("--keep", "mk-0000"), ("--keep mk-0000", "no such flag", "mk-")),
    ],
    ids=lambda value: " ".join(value),
)
def test_bad_input_is_refused(tmp_path: Path, arguments: tuple[str, ...], words: tuple[str, ...]) -> None:
    path = write_shot(tmp_path)
    before = folder(tmp_path)
    assert_refused(refine("check", path, *arguments), *words)
    unchanged(tmp_path, before)


# --- thresholds --------------------------------------------------------------------------------------------


def test_numbers_beside_the_shot_are_read_by_themselves_and_given_ones_win(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    name = only_id(path)
    numbers(path, "[moved-key]\nwarn = 1000\nerror = 2000\n")
    assert flags_of(path, code=0) == []
    assert_refused(refine("suggest", path, "--flag", name), name, "no such flag")
    given = tmp_path / "studio.toml"
    given.write_text("[moved-key]\nwarn = 1\nerror = 2000\n")
    (flag,) = flags_of(path, "--thresholds", given)
    assert (flag["id"], flag["severity"]) == (name, "warn")


def test_the_file_of_numbers_has_the_whole_name_of_the_shot(tmp_path: Path) -> None:
    path = tmp_path / "reach.take.2.shot.json"
    write_shot(tmp_path).rename(path)
    quiet = "[moved-key]\nwarn = 1000\nerror = 2000\n"
    (tmp_path / "reach.thresholds.toml").write_text(quiet)
    assert len(flags_of(path)) == 1, "those of another shot"
    (tmp_path / "reach.take.2.thresholds.toml").write_text(quiet)
    assert flags_of(path, code=0) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[moved-key\nwarn = 1", ("reach.thresholds.toml", "isn't TOML")),
        ("[move-key]\nwarn = 1", ("move-key", "no such fault", "moved-key")),
        ("moved-key = 3", ("moved-key", "a table")),
        ("[moved-key]\nwarm = 1", ("moved-key.warm", "no such number", "warn")),
        ("[moved-key]\nwarn = '1'", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nwarn = true", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nwarn = [1]", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nwarn = 0", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nwarn = -1", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nwarn = nan", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nwarn = inf", ("moved-key.warn", "a number above 0")),
        ("[moved-key]\nunit = 3", ("moved-key.unit", "a text")),
        ("[moved-key]\nunit = ''", ("moved-key.unit", "a text with letters")),
        ("[moved-key]\nscale = 'inches'", ("moved-key.scale", "px, frames")),
        ("[moved-key]\nwarn = 90\nerror = 9", ("moved-key", "warn 90, error 9", "an error above")),
        ("[moved-key]\nwarn = 90", ("moved-key", "warn 90", "an error above")),
        ("[doubled-key]\nwarn = 0.2\nerror = 0.4", ("doubled-key", "error 0.4", "an error below")),
    ],
)
@pytest.mark.parametrize("command", [("check",), ("suggest", "--flag", "all")], ids=["check", "suggest"])
def test_broken_numbers_are_refused(
    tmp_path: Path, command: tuple[str, ...], text: str, words: tuple[str, ...]
) -> None:
    path = write_shot(tmp_path)
    numbers(path, text)
    assert_refused(refine(*command, path), *words)


def test_numbers_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    given = tmp_path / "studio.toml"
    given.write_bytes(b"[moved-key]\nwarn = 1 # \xff\n")
    assert_refused(refine("check", path, "--thresholds", given), "studio.toml", "isn't TOML")


# --- I meant that ------------------------------------------------------------------------------------------


def test_a_kept_flag_is_gone_and_only_the_side_file_is_new(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    before = folder(tmp_path)
    (flag,) = flags_of(path)
    result = refine("check", path, "--keep", flag["id"])
    assert (result.code, result.out) == (0, "nothing is flagged\n")
    assert "recorded in" in result.err
    unchanged(tmp_path, before, "reach.marks.json")
    assert flags_of(path, code=0) == []
    a, b = flag["frames"]
    assert Mark("meant", (a, b), (ARM,), "moved key") in read(path).shot.marks
    assert_refused(refine("suggest", path, "--flag", flag["id"]), "no such flag")


def test_what_stood_in_the_side_file_stays_and_the_old_one_is_kept(tmp_path: Path) -> None:
    path = write_table(tmp_path)
    side = tmp_path / "reach.marks.json"
    text = side.read_text()
    text = text.replace('"marks": [', '"marks":[  ').replace(
        '"fps": 24.0', '"fps"  :  24'
    )  # by another's hand
    side.write_text(text)
    before = folder(tmp_path)
    assert refine("check", path, "--keep", only_id(path)).code == 0
    after = folder(tmp_path)
    assert after.pop("reach.marks.json.before-1") == before["reach.marks.json"]
    new = after.pop("reach.marks.json").decode()
    assert after == {"reach.keys.csv": before["reach.keys.csv"]}
    assert flags_of(path, code=0) == []
    added = len(new) - len(text)
    at = next(i for i, (old, now) in enumerate(zip(text, new, strict=False)) if old != now)
    assert added > 0
    assert text == new[:at] + new[at + added :], "one insertion, all else the same to the byte"


def test_a_second_flag_may_be_kept_with_an_unkept_one_left(tmp_path: Path) -> None:
    path = tmp_path / "baker.shot.json"
    path.write_bytes(DEMO.read_bytes())
    every = [flag["id"] for flag in flags_of(path)]
    assert len(every) > 3
    result = refine("check", path, "--keep", every[1], "--keep", every[2], "--json")
    assert [f["id"] for f in document(result.out, "flags")["flags"]] == [every[0], *every[3:]]
    assert result.code == 1
    assert [flag["id"] for flag in flags_of(path)] == [every[0], *every[3:]], "ids don't depend on the others"
    refine("check", path, "--keep", every[0])
    assert [flag["id"] for flag in flags_of(path)] == every[3:]
    assert path.read_bytes() == DEMO.read_bytes()


def test_all_that_is_flagged_cannot_be_meant_at_once(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    before = folder(tmp_path)
    assert_refused(refine("check", path, "--keep", "all"), "--keep all", "ids", "refine check lists them")
    unchanged(tmp_path, before)


PINNED = b'{"schema": "motion-refine/marks/1", "pins": [{"control": "hips", "frame": 9}]}'


@pytest.mark.parametrize("old", [None, b'{"schema": "motion-refine/marks/1"}'], ids=["made", "changed"])
def test_what_others_write_into_the_side_file_while_check_looks_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: bytes | None
) -> None:
    path = write_shot(tmp_path)
    name = only_id(path)
    side = tmp_path / "reach.marks.json"
    if old is not None:
        side.write_bytes(old)
    real = checking.in_question

    def looked(stage: Stage) -> list[Flag]:
        side.write_bytes(PINNED)
        return real(stage)

    monkeypatch.setattr(checking, "in_question", looked)
    assert refine("check", path, "--keep", name).code == 0
    shot = read(path).shot
    assert [pin.control for pin in shot.pins] == [HIPS]
    assert [mark.kind for mark in shot.marks if mark.kind == "meant"] == ["meant"]
    assert (tmp_path / "reach.marks.json.before-1").read_bytes() == PINNED


@pytest.mark.parametrize("there", [False, True], ids=["made", "changed"])
def test_a_side_file_that_is_changed_in_the_last_moment_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    path = write_shot(tmp_path)
    name = only_id(path)
    side = tmp_path / "reach.marks.json"
    if there:
        side.write_bytes(b'{"schema": "motion-refine/marks/1"}')
    before = folder(tmp_path) | {side.name: PINNED}
    real = record.with_additions

    def added(*arguments: Any, **named: Any) -> bytes:
        side.write_bytes(PINNED)
        return real(*arguments, **named)

    monkeypatch.setattr(record, "with_additions", added)
    result = _only_error(refine("check", path, "--keep", name))
    assert_refused(result, side.name, "somebody has", "run the command again")
    assert folder(tmp_path) == before


# --- ids -----------------------------------------------------------------------------------------------------


def test_flags_whose_ids_would_be_the_same_are_told_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "baker.shot.json"
    path.write_bytes(DEMO.read_bytes())
    real = flag_module._hexadecimal
    monkeypatch.setattr(flag_module, "_hexadecimal", lambda text: f"0000{real(text)}")
    found = flags_of(path)
    every = [flag["id"] for flag in found]
    key = next(n for n, flag in enumerate(found) if flag["fault"] == "moved key")
    assert len(set(every)) == len(every)
    assert max(map(len, every)) > len("mk-00000000"), "some were the same"
    assert_refused(refine("suggest", path, "--flag", "mk-0000", "-q"), "flags go by this id", every[key])
    asked = refine("suggest", path, "--flag", every[key], "-q", "--json")
    assert every[key] in document(asked.out, "suggestion")["reason"]
    assert refine("check", path, "--pictures", tmp_path / "pictures", "-q").code == 1
    assert sorted(p.stem for p in (tmp_path / "pictures").iterdir()) == sorted(every)
    assert refine("check", path, "--keep", every[key], "-q").code == 1
    assert [flag["id"] for flag in flags_of(path)] == [*every[:key], *every[key + 1 :]]


# --- pictures ----------------------------------------------------------------------------------------------


def test_a_picture_of_each_flag_over_old_ones_only_by_force(tmp_path: Path) -> None:
    path = write_shot(tmp_path)
    before = folder(tmp_path)
    name = only_id(path)
    pictures = tmp_path / "pictures"
    assert refine("check", path, "--pictures", pictures).code == 1
    unchanged(tmp_path, before, f"pictures/{name}.svg")
    drawn = (pictures / f"{name}.svg").read_bytes()
    assert b"<svg" in drawn
    assert b"moved key" in drawn
    (pictures / f"{name}.svg").write_bytes(b"mine")
    assert_refused(_only_error(refine("check", path, "--pictures", pictures)), f"{name}.svg", "--force")
    assert (pictures / f"{name}.svg").read_bytes() == b"mine"
    assert refine("check", path, "--pictures", pictures, "--force").code == 1
    assert (pictures / f"{name}.svg").read_bytes() == drawn


@pytest.mark.parametrize("link", [os.symlink, os.link], ids=["symbolic", "hard"])
def test_a_picture_never_takes_the_place_of_a_source(tmp_path: Path, link: Any) -> None:
    path = write_table(tmp_path)
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    link(tmp_path / "reach.marks.json", pictures / f"{only_id(path)}.svg")
    before = folder(tmp_path)
    assert_refused(_only_error(refine("check", path, "--pictures", pictures, "--force")), "a source itself")
    assert_refused(refine("check", path, "--pictures", path, "--force", "-q"), path.name)
    assert folder(tmp_path) == before


def test_nothing_is_recorded_where_a_picture_may_not_be_written(tmp_path: Path) -> None:
    path = tmp_path / "baker.shot.json"
    path.write_bytes(DEMO.read_bytes())
    every = [flag["id"] for flag in flags_of(path)]
    (tmp_path / f"{every[1]}.svg").write_bytes(b"mine")
    before = folder(tmp_path)
    result = refine("check", path, "--keep", every[0], "--pictures", tmp_path)
    assert_refused(_only_error(result), f"{every[1]}.svg", "--force")
    unchanged(tmp_path, before)


def _only_error(result: Result) -> Result:
    """The result without its notes."""
    errors = [line for line in result.err.splitlines(True) if not line.startswith("note: ")]
    return replace(result, err="".join(errors))

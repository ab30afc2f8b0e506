"""`refine apply`: just the listed numbers change, all of it can be undone to the byte, what doesn't fit is named."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from refine.formats import patched, read, write
from refine.formats.splice import Place
from refine.shot import Channel, Shot
from tests.cli.console import assert_refused, document, folder, refine
from tests.cli.small_shots import (
    ARM,
    FAULT_FRAME,
    FRAMES,
    HAND,
    baked_quaternions,
    quaternion_shot,
    write_bvh,
    write_shot,
    write_table,
)

FAULT_AT = f"{ARM}.rotation.z@{FAULT_FRAME}"


def write_quaternions(folder: Path, shot: Shot, decimals: int) -> Path:
    """A quaternion shot as somebody's exporter rounds it: lengths are then only nearly 1."""
    path = folder / "look.shot.json"
    text = write(shot, path).decode()
    path.write_text(re.sub(r"-?\d+\.\d+(e-\d+)?", lambda m: f"{float(m[0]):.{decimals}f}", text))
    return path


def write_long_quaternions(folder: Path) -> Path:
    """Quaternions of length 2, with slopes to match: the same rotations to any reader."""
    path = folder / "look.shot.json"
    text = write(quaternion_shot(), path).decode()
    path.write_text(re.sub(r"-?\d+\.\d+(e-\d+)?", lambda m: f"{2 * float(m[0]):.5f}", text))
    return path


WRITERS: dict[str, Callable[[Path], Path]] = {
    "shot": write_shot,
    "table": write_table,
    "bvh": write_bvh,
    "quaternion keys": lambda folder: write_quaternions(folder, quaternion_shot(), 16),
    "rounded quaternion keys": lambda folder: write_quaternions(folder, quaternion_shot(), 4),
    "long quaternion keys": write_long_quaternions,
    "rounded quaternion samples": lambda folder: write_quaternions(folder, baked_quaternions(), 4),
}


@pytest.fixture(params=WRITERS)
def source(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return WRITERS[request.param](tmp_path)


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    return write_shot(tmp_path)


def suggested(source: Path, *options: object) -> Path:
    """A suggestion file for the fault's range beside the shot."""
    out = source.parent / "suggestion.json"
    result = refine("suggest", source, "--frames", FRAMES, "-o", out, *options)
    assert result.code == 0, result.err
    assert json.loads(out.read_text())["changes"]
    return out


def changes(suggestion: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = document(suggestion.read_text(), "suggestion")["changes"]
    return found


def beside(source: Path, word: str) -> Path:
    """Another file of the same format, with a copy of the side file if the source has one."""
    stem, ending = source.name.split(".", 1)
    side = source.with_name(f"{stem}.marks.json")
    if side.exists():
        source.with_name(f"{stem}-{word}.marks.json").write_bytes(side.read_bytes())
    return source.with_name(f"{stem}-{word}.{ending}")


def number_at(shot: Shot, change: dict[str, Any]) -> list[float]:
    """The number or numbers that a change speaks of, as they stand in a shot."""
    channel = next(c for c in shot.controls if c.name == change["control"]).channel(change["channel"])
    assert isinstance(channel, Channel)
    if channel.samples is not None:
        row = channel.samples[int(change["frame"]) - shot.first_frame]
    else:
        assert channel.keys is not None
        k = channel.keys.index(change["frame"])
        names = {"value": "values", "incoming_slope": "incoming", "outgoing_slope": "outgoing"}
        row = getattr(channel.keys, names[change["field"]])[k]
    return [float(value) for value in row]


# --- there and back ---


def test_what_is_read_back_has_the_changes_and_nothing_else(source: Path) -> None:
    suggestion, out = suggested(source), beside(source, "mended")
    result = refine("apply", source, suggestion, "-o", out)
    assert result.code == 0
    assert result.err == f"wrote {out}\n"
    written = read(out).shot
    for change in changes(suggestion):
        wanted = np.array(change["after"], float).reshape(-1)
        if len(wanted) == 4:  # a reader brings quaternions to unit length
            wanted = wanted / np.linalg.norm(wanted)
        assert number_at(written, change) == pytest.approx(wanted.tolist(), rel=1e-15, abs=0)
    texts = [(change["before_text"], change["after_text"]) for change in changes(suggestion)]
    assert_only_these_texts_changed(source.read_bytes().decode(), out.read_bytes().decode(), texts)


@pytest.mark.parametrize("only", [HAND, f"{ARM}.rotation.x"])
def test_what_is_in_the_shot_but_not_in_the_suggestion_is_said(shot: Path, only: str) -> None:
    refused = refine("apply", shot, suggested(shot), "--only", only)
    assert_refused(refused, f"--only {only}", "the suggestion has no change for it", f"{ARM}.rotation.z")


def assert_only_these_texts_changed(before: str, after: str, texts: list[tuple[str, str]]) -> None:
    """Whatever isn't a changed number is the same to the byte, and each changed number has its new text."""
    pattern = r"\[[^\[\]{}]*\]|[^\s,:\[\]{}]+"  # a list without lists in it, or a word
    old, new = (re.split(f"({pattern})", text) for text in (before, after))
    assert old[::2] == new[::2]
    differing = [(a, b) for a, b in zip(old[1::2], new[1::2], strict=True) if a != b]
    assert sorted(differing) == sorted(dict.fromkeys(texts)) or sorted(differing) == sorted(texts)


def test_undo_gives_the_same_bytes(source: Path) -> None:
    suggestion, mended, back = suggested(source), beside(source, "mended"), beside(source, "back")
    assert refine("apply", source, suggestion, "-o", mended).code == 0
    assert mended.read_bytes() != source.read_bytes()
    result = refine("apply", mended, suggestion, "--undo", "-o", back, "--json")
    assert result.code == 0
    assert len(document(result.out, "applied")["made"]) == len(changes(suggestion))
    assert back.read_bytes() == source.read_bytes()


def test_undo_after_a_part_gives_the_same_bytes_and_says_what_was_so_already(source: Path) -> None:
    suggestion, part, back = (
        suggested(source, "--strength", "2"),
        beside(source, "part"),
        beside(source, "back"),
    )
    every = changes(suggestion)
    frame = int(every[-1]["frame"])
    where = f"{every[-1]['control']}.{every[-1]['channel']}@{frame}:{frame}"
    assert refine("apply", source, suggestion, "--only", where, "-o", part).code == 0
    assert part.read_bytes() != source.read_bytes()
    result = refine("apply", part, suggestion, "--undo", "-o", back, "--json")
    applied = document(result.out, "applied")
    assert {change["frame"] for change in applied["made"]} == {frame}
    assert len(applied["made"]) + len(applied["already"]) == len(every)
    assert (result.code, applied["left"]) == (0, [])
    assert back.read_bytes() == source.read_bytes()
    result = refine("apply", part, suggestion, "--undo", "--only", where, "-o", back, "--force")
    assert result.code == 0
    assert back.read_bytes() == source.read_bytes()


def test_in_place_keeps_the_old_file(source: Path) -> None:
    suggestion, old = suggested(source), source.read_bytes()
    mended = beside(source, "mended")
    assert refine("apply", source, suggestion, "-o", mended).code == 0
    new = mended.read_bytes()
    result = refine("apply", source, suggestion, "--in-place")
    kept = source.with_name(f"{source.name}.before-1")
    assert (result.code, result.err) == (0, f"replaced {source}, the old one is {kept}\n")
    assert (source.read_bytes(), kept.read_bytes()) == (new, old)
    assert refine("apply", source, suggestion, "--undo", "--in-place", "-q").err == ""
    assert source.read_bytes() == old
    assert source.with_name(f"{source.name}.before-2").read_bytes() == new


def test_in_place_a_file_is_left_as_it_is_where_nothing_changes(shot: Path) -> None:
    suggestion = suggested(shot)
    before = folder(shot.parent)
    result = refine("apply", shot, suggestion, "--undo", "--in-place")
    assert result.code == 0
    assert result.err == f"left {shot} as it is\n"
    assert result.out == f"nothing to change\nalready so: {FAULT_AT}, 1 number\n"
    assert folder(shot.parent) == before


def test_the_suggestion_files_of_a_comparison_can_be_applied(source: Path) -> None:
    variants = source.parent / "variants"
    result = refine(
        "compare", source, "--frames", FRAMES, "--strengths", "0,0.5,2", "--retime", "-o", variants, "--json"
    )
    assert result.code == 0, result.err
    rows = document(result.out, "comparison")["variants"]
    assert [row["name"] for row in rows[:3]] == ["0", "0.5", "2"]
    for row in rows:
        suggestion, mended = variants / row["suggestion"], beside(source, "mended")
        assert refine("apply", source, suggestion, "-o", mended, "--force").code == 0
        same = mended.read_bytes() == source.read_bytes()
        assert same == (row["keys_changed"] == 0)
        back = beside(source, "back")
        assert refine("apply", mended, suggestion, "--undo", "-o", back, "--force").code == 0
        assert back.read_bytes() == source.read_bytes()


@pytest.mark.parametrize("writer", [write_shot, write_table])
def test_a_retiming_can_be_applied_and_undone(writer: Callable[..., Path], tmp_path: Path) -> None:
    source, variants = writer(tmp_path, fault=0.0, late=3.0), tmp_path / "variants"
    options = ["--frames", FRAMES, "--strengths", "1", "--retime", "-o", variants, "--json"]
    rows = document(refine("compare", source, *options).out, "comparison")["variants"]
    retimings = [row for row in rows if "moved to" in row["name"]]
    assert retimings
    for row in retimings:
        suggestion, mended, back = (
            variants / row["suggestion"],
            beside(source, "mended"),
            beside(source, "back"),
        )
        moved = [c for c in changes(suggestion) if c["field"] == "key"]
        assert all((c["unit"], abs(c["after"] - c["before"])) == ("frame", 1) for c in moved)
        assert all(c["frame"] == c["before"] for c in moved)
        assert refine("apply", source, suggestion, "-o", mended, "--force").code == 0
        for change in moved:
            channel = next(c for c in read(mended).shot.controls if c.name == change["control"]).channel(
                change["channel"]
            )
            assert channel is not None
            assert channel.keys is not None
            assert channel.keys.index(change["after"]) is not None
            assert channel.keys.index(change["before"]) is None
        again = document(refine("apply", mended, suggestion, "--rebase", "--json").out, "applied")
        assert (again["made"], again["already"], again["left"]) == ([], changes(suggestion), [])
        assert refine("apply", mended, suggestion, "--undo", "-o", back, "--force").code == 0
        assert back.read_bytes() == source.read_bytes()


# --- what stands beside it ---


def test_a_result_keeps_the_pins_and_marks_of_its_source(tmp_path: Path) -> None:
    source = write_shot(tmp_path)
    side = source.with_name("reach.marks.json")
    suggestion = tmp_path / "s.suggestion.json"
    assert refine("suggest", source, "--frames", FRAMES, "-o", suggestion).code == 0
    pin = {"control": HAND, "frames": [10, 10]}
    side.write_text(json.dumps({"schema": "motion-refine/marks/1", "pins": [pin]}))
    result = refine("apply", source, suggestion, "-o", tmp_path / "new.shot.json")
    assert result.code == 0
    assert "new.marks.json, as reach.marks.json is" in result.err
    assert (tmp_path / "new.marks.json").read_bytes() == side.read_bytes()
    assert read(tmp_path / "new.shot.json").shot.pins == read(source).shot.pins
    (tmp_path / "new.marks.json").write_text('{"schema": "motion-refine/marks/1"}')
    again = refine("apply", source, suggestion, "-o", tmp_path / "new.shot.json", "--force")
    assert "was there before and stays" in again.err
    assert (tmp_path / "new.marks.json").read_text() == '{"schema": "motion-refine/marks/1"}'


# --- parts ---


@pytest.mark.parametrize(
    ("only", "count"),
    [
        ([ARM], 1),
        ([f"{ARM}.rotation.z"], 1),
        ([FAULT_AT], 1),
        ([f"{ARM}@40:50", HAND], 3),
        ([f"{HAND}.curl@2"], 1),
        ([f"{HAND}.curl@2@42"], 1),
        ([f"{HAND}@42", f"{HAND}.rotation.y@42:42"], 2),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_only_takes_what_it_names_whatever_the_names_hold(only: list[str], count: int, shot: Path) -> None:
    """Names with dots, colons, spaces, commas and '@': the longest known name wins."""
    suggestion = suggested(shot)
    plain = json.loads(suggestion.read_text())
    for channel in ("rotation.y", "curl@2"):
        key = next(c for c in read(shot).shot.controls if c.name == HAND).channel(channel)
        assert key is not None
        assert key.keys is not None
        value = float(key.keys.values[7, 0])
        more = {"control": HAND, "channel": channel, "before": value, "before_text": repr(value)}
        plain["changes"].append({**plain["changes"][0], **more, "after": 0.5, "after_text": "0.5"})
    suggestion.write_text(json.dumps(plain))
    options = [word for text in only for word in ("--only", text)]
    result = refine("apply", shot, suggestion, *options, "--json")
    assert (result.code, len(document(result.out, "applied")["made"])) == (0, count)


@pytest.mark.parametrize("only", ["hop", ARM + ".rotation.w", ARM + "@x", ""])
def test_only_refuses_what_the_suggestion_does_not_hold(only: str, shot: Path) -> None:
    assert_refused(refine("apply", shot, suggested(shot), "--only", only), "--only", ARM)


# --- another file ---


def edited(shot: Path, frame: int, text: str) -> Path:
    """The shot with the value of the faulty channel changed on a frame, as somebody else's edit."""
    other = shot.with_name("edited.shot.json")
    lines = shot.read_text().splitlines(keepends=True)
    start = next(i for i, line in enumerate(lines) if '"rotation.z"' in line)
    at = next(i for i in range(start, len(lines)) if f'"frame": {frame},' in lines[i])
    lines[at] = re.sub(r'"value": [^,]+', f'"value": {text}', lines[at])
    other.write_text("".join(lines))
    assert other.read_bytes() != shot.read_bytes()
    return other


def test_another_file_is_refused(shot: Path) -> None:
    suggestion, other = suggested(shot), edited(shot, 6, "1.5")
    before = folder(shot.parent)
    for out in ([], ["-o", shot.with_name("new.shot.json")], ["--in-place"]):
        assert_refused(refine("apply", other, suggestion, *out), "made for another file", "--rebase")
    assert folder(shot.parent) == before


def test_rebase_makes_what_still_matches(shot: Path) -> None:
    suggestion, other, out = suggested(shot), edited(shot, 6, "1.5"), shot.with_name("new.shot.json")
    assert refine("apply", other, suggestion, "--rebase", "-o", out).code == 0
    (change,) = changes(suggestion)
    assert number_at(read(out).shot, change) == [change["after"]]


def test_rebase_on_a_file_that_is_mended_already_is_done(source: Path) -> None:
    suggestion, mended = suggested(source, "--strength", "2"), beside(source, "mended")
    assert refine("apply", source, suggestion, "-o", mended).code == 0
    result = refine("apply", mended, suggestion, "--rebase", "--json")
    applied = document(result.out, "applied")
    assert (result.code, applied["made"], applied["left"]) == (0, [], [])
    said = ("control", "channel", "frame", "field", "before_text", "after_text")
    wanted = [[change[name] for name in said] for change in changes(suggestion)]
    assert [[change[name] for name in said] for change in applied["already"]] == wanted


def test_rebase_names_what_does_not_match_and_ends_with_4(shot: Path) -> None:
    suggestion, other = suggested(shot), edited(shot, FAULT_FRAME, "1.5")
    out = shot.with_name("new.shot.json")
    result = refine("apply", other, suggestion, "--rebase", "-o", out)
    assert result.code == 4
    assert f"left: {FAULT_AT} value: 1.5 stands there, not 11.085" in result.out
    assert out.read_bytes() == other.read_bytes()
    applied = document(refine("apply", other, suggestion, "--rebase", "--json").out, "applied")
    assert (applied["written"], applied["made"], len(applied["left"])) == (None, [], 1)


def test_a_file_of_another_rig_gets_nothing(shot: Path, tmp_path: Path) -> None:
    suggestion, walk = suggested(shot), write_bvh(tmp_path)
    before = folder(tmp_path)
    result = refine("apply", walk, suggestion, "--rebase")
    assert result.code == 4
    assert "no such key or sample" in result.out
    assert folder(tmp_path) == before


def test_the_result_keeps_the_format_of_its_source(shot: Path) -> None:
    suggestion = suggested(shot)
    for name in ("new.bvh", "new.keys.csv", "new.json", "new"):
        assert_refused(refine("apply", shot, suggestion, "-o", shot.with_name(name)), name, ".shot.json")
    assert_refused(refine("apply", shot, suggestion, "-o", "x.shot.json", "--in-place"), "--in-place")


# --- small numbers ---


@pytest.mark.parametrize(("decimals", "noise"), [(0, 1.0), (1, 0.3), (2, 0.3)])
def test_edits_below_the_files_precision_are_left_out_and_said(
    decimals: int, noise: float, tmp_path: Path
) -> None:
    walk = write_bvh(tmp_path, decimals, noise)
    result = refine("suggest", walk, "--frames", FRAMES, "--controls", "ns:Chest.upper", "--json")
    suggestion = document(result.out, "suggestion")
    notes = [note for note in suggestion["notes"] if "smaller than the last decimal" in note]
    assert len(notes) == 1
    assert notes[0] in result.err
    match = re.match(r"(\d+) of (\d+) changes .* the largest of ([\d.e-]+) deg", notes[0])
    assert match is not None
    assert int(match[2]) - int(match[1]) == len(suggestion["changes"])
    assert float(match[3]) <= 0.5 * 10.0**-decimals
    for change in suggestion["changes"]:
        assert change["before_text"] != change["after_text"]
        assert len(change["after_text"].partition(".")[2]) == decimals
    if not suggestion["changes"]:
        assert notes[0] in suggestion["reason"]


# --- odd input ---


def test_numbers_that_only_a_minus_keeps_apart_stay_apart(tmp_path: Path) -> None:
    """A file as some exporters write them: what loses the minus gets a plus, and put back the file has its bytes."""
    lines = write_bvh(tmp_path, 4, 0.3).read_bytes().split(b"\r\n")
    at = next(n for n, line in enumerate(lines) if line.startswith(b"Frame Time")) + 31
    numbers = lines[at].split(b"\t")
    lines[at] = b"\t".join([*numbers[:7], numbers[7] + b"-40.0000"])
    run_on = tmp_path / "run-on.bvh"
    run_on.write_bytes(b"\r\n".join(lines))
    place = Place("ns:Chest.upper", "rotation.y", 30.0, "value")
    for text, stands in (("9.8899", b"+9.8899"), ("-0.5", b"-0.5")):
        out = tmp_path / f"{text}.bvh"
        out.write_bytes(patched(read(run_on), [(place, text)]))
        assert out.read_bytes() == run_on.read_bytes().replace(b"-40.0000", stands)
        samples = read(out).shot.channel(place.control, place.channel).samples
        assert samples is not None
        assert samples[30, 0] == float(text)
        assert patched(read(out), [(place, "-40.0000")]) == run_on.read_bytes()


def test_a_selector_that_names_no_change_is_refused(shot: Path) -> None:
    suggestion = suggested(shot)
    places = json.loads(suggestion.read_text())["changes"]
    name = f"{places[0]['control']}@{int(places[0]['frame']) + 1}"
    assert_refused(
        refine("apply", shot, suggestion, "--only", name), f"--only {name}", "no change there", "frames"
    )


@pytest.mark.parametrize("frames", ["32:", "1e3", "1.5:2"])
def test_a_selector_s_frames_are_refused_as_what_they_are(shot: Path, frames: str) -> None:
    suggestion = suggested(shot)
    control = json.loads(suggestion.read_text())["changes"][0]["control"]
    refused = refine("apply", shot, suggestion, "--only", f"{control}@{frames}")
    assert_refused(refused, "isn't a frame or a range of frames")


def test_a_side_file_s_name_that_is_a_dangling_link_stays(shot: Path, tmp_path: Path) -> None:
    side = shot.with_name(shot.name.replace(".shot.json", ".marks.json"))
    side.write_text(
        json.dumps({"schema": "motion-refine/marks/1", "marks": [{"kind": "cut", "frames": [1, 1]}]})
    )
    suggestion = suggested(shot)
    out = tmp_path / "result.shot.json"
    (tmp_path / "result.marks.json").symlink_to(tmp_path / "nowhere")
    result = refine("apply", shot, suggestion, "-o", out)
    assert result.code == 0
    assert "leads nowhere and stays" in result.err

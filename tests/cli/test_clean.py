"""`refine clean` as its user meets it: options, streams, exit codes. The cleaning itself is tested in tests/clean."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from refine.clean.findings import Findings
from refine.clean.folder import batch
from refine.clean.settings import Amount, Settings
from refine.formats import read
from refine.shot import Shot
from tests.bad_input.corpus import bad_files, lay_out
from tests.clean.stand_in import Cleaned, cleaned, write_clip
from tests.cli.console import Result, assert_refused, document, folder, refine
from tests.cli.small_shots import write_bvh
from tests.cli.tolerances import CALMER

REPORT = {"summary.json", "clips.csv", "index.html"}


@pytest.fixture
def takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(batch, "default_cleaner", lambda: cleaned)
    for seed, name in enumerate(("walk", "day/run")):
        write_clip(tmp_path / "takes" / f"{name}.bvh", seed)
    return tmp_path / "takes"


def clean(takes: Path, *more: object) -> Result:
    return refine("clean", takes, "-o", takes.parent / "out", *more)


def test_all_clean_ends_with_0_and_a_short_list(takes: Path) -> None:
    result = clean(takes)
    assert result.code == 0
    assert result.out.splitlines()[0] == "2 clips: 2 cleaned"
    assert [line.split()[0] for line in result.err.splitlines()] == ["1/2", "2/2"]
    assert {line.split()[1] for line in result.err.splitlines()} == {"day/run.bvh", "walk.bvh"}
    assert {"walk.bvh", "day/run.bvh"} | REPORT <= set(folder(takes.parent / "out"))


def test_json_is_the_summary_that_is_written(takes: Path) -> None:
    result = clean(takes, "--json", "--quiet")
    assert result.err == ""
    written = (takes.parent / "out/summary.json").read_text()
    assert document(result.out, "clean") == json.loads(written)
    assert result.out == written


@pytest.mark.parametrize("bad", ["wrong", "fault", "aside"])
def test_some_bad_ends_with_4_and_so_does_all_bad(bad: str, takes: Path) -> None:
    write_clip(takes / f"{bad}.bvh")
    result = clean(takes)
    assert result.code == 4
    assert f"{bad}.bvh" in result.out
    assert f"{bad}.bvh" in result.err
    for name in ("walk", "day/run"):
        (takes / f"{name}.bvh").unlink()
    alone = clean(takes, "--force")
    assert alone.code == 4
    assert alone.out.startswith("1 clip: 0 cleaned, 1 ")


def test_quiet_says_only_what_went_wrong(takes: Path) -> None:
    write_clip(takes / "wrong.bvh")
    write_clip(takes / "aside.bvh")
    said = clean(takes, "--quiet").err.splitlines()
    assert len(said) == 2
    assert said[0].startswith("refine: aside.bvh: set aside: it would move by 82 mm")
    assert said[1].startswith(
        "refine: wrong.bvh: failed: frame 12: the pelvis is inside out; allowed: a pelvis"
    )


def test_resume_and_force(takes: Path) -> None:
    assert clean(takes).code == 0
    before = folder(takes.parent / "out")
    assert_refused(clean(takes), "there already", "--resume", "--force")
    resumed = clean(takes, "--resume")
    assert resumed.code == 0
    assert resumed.err.count("cleaned earlier") == 2
    assert clean(takes, "--force").err.count("earlier") == 0
    assert folder(takes.parent / "out") == before
    assert_refused(clean(takes, "--resume", "--force"), "--resume", "--force")


def test_jobs_share_the_work(takes: Path) -> None:
    assert clean(takes, "--jobs", "2").code == 0
    assert refine("clean", takes, "-o", takes.parent / "one").code == 0
    assert folder(takes.parent / "out") == folder(takes.parent / "one")


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        ([], Settings()),
        (["--strength", "0"], Settings(strength=0)),
        (["--keep-below", "7.5", "--fill", "0"], Settings(keep_below=7.5, fill=0)),
        (["--keys"], Settings(within=Amount(2, "mm"))),
        (["--keys", "--within", "0.5deg"], Settings(within=Amount(0.5, "deg"))),
        (["--at-most", "20px", "--camera", "left"], Settings(at_most=Amount(20, "px"), camera="left")),
        (["--fps", "30"], Settings(fps=30)),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_options_reach_the_cleaning(
    options: list[str], asked: Settings, takes: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def look(shot: Shot, settings: Settings) -> Cleaned:
        seen.append(settings)
        return Cleaned(shot, Findings(frames=60, fps=120, joints=2))

    monkeypatch.setattr(batch, "default_cleaner", lambda: look)
    result = clean(takes, *options, "--json")
    assert result.code == 0
    assert seen == [asked] * 2
    said = document(result.out, "clean")["settings"]
    assert said["strength"] == asked.strength
    assert said["within"] == (asked.within and {"value": asked.within.value, "unit": asked.within.unit})


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--strength", "-1"], ["--strength -1"]),
        (["--strength", "nan"], ["--strength nan"]),
        (["--keep-below", "0"], ["--keep-below 0", "0.1 or more"]),
        (["--fill", "-0.1"], ["--fill"]),
        (["--fill", "inf"], ["--fill inf", "0 or more, at most 100000"]),
        (["--fill", "1e308"], ["--fill 1e+308", "at most 100000"]),
        (["--fps", "0"], ["--fps 0"]),
        (["--fps", "1e9"], ["--fps"]),
        (["--within", "2mm"], ["--within", "--keys"]),
        (["--keys", "--within", "2"], ["--within", "unit"]),
        (["--keys", "--within", "0mm"], ["--within", "above 0"]),
        (["--keys", "--within", ""], ["--within", "unit"]),
        (["--at-most", "3deg"], ["--at-most", "mm or px"]),
        (["--jobs", "2", "--scheduler", "tcp://a:1"], ["--scheduler", "--jobs"]),
    ],
    ids=lambda value: " ".join(value),
)
def test_an_option_out_of_bounds_is_refused(options: list[str], words: list[str], takes: Path) -> None:
    assert_refused(clean(takes, *options), *words)
    assert not (takes.parent / "out").exists()


def test_no_input_and_clashing_inputs_are_refused(takes: Path) -> None:
    out = takes.parent / "out"
    write_clip(takes / "day/walk.bvh")
    (takes.parent / "empty").mkdir()
    both = [takes / "walk.bvh", takes / "day/walk.bvh"]
    for arguments, words in (
        ([takes.parent / "gone"], ["gone"]),
        ([takes.parent / "empty"], ["empty", "no clip"]),
        ([takes / "*.fbm"], ["no clip"]),
        (both, ["both go there", "day/walk.bvh"]),
    ):
        assert_refused(refine("clean", *arguments, "-o", out), *words)
        assert not out.exists()
    assert_refused(refine("clean", takes, "-o", takes, "--force"), "file that is read")
    assert_refused(refine("clean", takes, "-o", takes / "walk.bvh"), "walk.bvh")
    assert_refused(refine("clean", takes / "*", "-o", takes.parent / ("n" * 300)), "too long")


def test_every_broken_file_fails_alone(takes: Path) -> None:
    """The whole corpus of bad input between good clips: each named with its place in one line, the good ones done."""
    files = bad_files()
    for n, bad in enumerate(files):
        (takes / f"bad {n}").mkdir()
        lay_out(takes / f"bad {n}", bad)
    before = folder(takes)
    result = clean(takes, "--json", "--quiet")
    assert result.code == 4
    clips: dict[str, Any] = {each["place"]: each for each in document(result.out, "clean")["clips"]}
    assert {place for place, each in clips.items() if each["status"] != "failed"} == {
        "walk.bvh",
        "day/run.bvh",
    }
    assert len(clips) == len(files) + 2
    by_folder = {place.partition("/")[0]: each for place, each in clips.items()}
    for n, (name, _) in enumerate(files):
        assert name in by_folder[f"bad {n}"]["failure"]["place"]
    assert len(result.err.splitlines()) == len(files)
    assert "fault of this program" not in result.err
    results = {name for name in folder(takes.parent / "out") if name.endswith(".bvh")}
    assert results == {"walk.bvh", "day/run.bvh"}
    assert folder(takes) == before


# --- with the real cleaning ---


@pytest.mark.parametrize("name", [b"\xff", b" ", b"a\nb", b"\x1b[31m", b""], ids=repr)
def test_a_clip_of_any_name_becomes_a_keyed_shot(name: bytes, tmp_path: Path) -> None:
    clip = Path(os.fsdecode(os.fsencode(tmp_path) + b"/takes/" + name + b".bvh"))
    write_clip(clip, frames=40)
    write_clip(tmp_path / "takes/walk.bvh", frames=40)
    out = tmp_path / "out"
    result = refine(
        "clean", clip, tmp_path / "takes/walk.bvh", "-o", out, "--keys", "--within", "9mm", "--quiet"
    )
    assert (result.code, "fault" in result.err) == (0, False)
    made = read(out / clip.name.replace(".bvh", ".shot.json")).shot
    assert made.name.isprintable()
    assert made.name.strip()
    assert read(out / "walk.shot.json").shot.name == "walk"


def test_the_longest_gap_that_may_be_asked_for(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "walk.bvh")
    assert refine("clean", clip, "-o", tmp_path / "out", "--fill", "100000").code == 0


def test_a_noisy_clip_comes_out_less_noisy(tmp_path: Path) -> None:
    """Noise of 0.1 deg on a swing of 0.8 s; the second difference of what is left is a fraction of it."""
    clip = write_clip(tmp_path / "walk.bvh", frames=240)
    assert refine("clean", clip, "-o", tmp_path / "out").code in (0, 4)
    before, after = (
        read(path).shot.controls[0].channels[3].samples for path in (clip, tmp_path / "out/walk.bvh")
    )
    assert before is not None
    assert after is not None
    rough = [float(np.abs(np.diff(samples[:, 0], 2)).mean()) for samples in (before, after)]
    assert rough[1] < CALMER * rough[0]


def test_keys_and_another_rate_read_back_through_the_command(tmp_path: Path) -> None:
    clip = write_bvh(tmp_path)
    (tmp_path / "walk.marks.json").write_text(
        '{"schema": "motion-refine/marks/1", "marks": [{"kind": "hold", "frames": [30, 60], "note": "rests"}]}'
    )
    for name, options in (
        ("keys", ["--keys"]),
        ("half", ["--fps", "15"]),
        ("both", ["--keys", "--fps", "15"]),
    ):
        out = tmp_path / name
        result = refine("clean", clip, "-o", out, "--json", *options)
        assert result.code in (0, 4), result.err
        (each,) = document(result.out, "clean")["clips"]
        assert each["status"] == "cleaned", each["failure"]
        shot = read(out / each["files"][-1]).shot
        assert shot.fps == (30 if name == "keys" else 15)
        (mark,) = shot.marks
        assert mark.frames == ((30, 60) if name == "keys" else (15, 30))
        assert all(c.baked == (name == "half") for control in shot.controls for c in control.channels)


def test_two_jobs_of_the_real_cleaning_write_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "takes/a").mkdir(parents=True)
    write_bvh(tmp_path / "takes")
    write_bvh(tmp_path / "takes/a", noise=0.3)
    for jobs in (1, 2):
        refine("clean", tmp_path / "takes", "-o", tmp_path / f"out{jobs}", "--jobs", jobs)
    assert folder(tmp_path / "out1") == folder(tmp_path / "out2")
    assert "a/walk.bvh" in folder(tmp_path / "out1")


@pytest.mark.parametrize("arguments", [["clean", "x", "-o", ""], ["clean", "", "-o", "q"], ["show", ""]])
def test_an_empty_name_is_no_folder(arguments: list[str]) -> None:
    """An unset variable of a shell must not mean the folder where one stands."""
    result = refine(*arguments)
    assert result.code == 2
    assert "empty name" in result.err

"""A folder of clips: what is written and when, what one bad clip does, going on with a run, one run at a time."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from refine.clean.folder import batch, journal, lock
from refine.clean.folder.batch import Request, Run, run
from refine.clean.rate import at_rate
from refine.clean.settings import Settings
from refine.errors import InputError
from refine.formats import read, write
from refine.shot import Shot
from tests.clean import driver
from tests.clean.stand_in import cleaned, write_clip
from tests.cli.console import folder

NAMES = ("a/walk", "b/walk", "gap", "run")
BAD = ("wrong", "fault", "aside")
REPORT = {"summary.json", "clips.csv", "clips.parquet", "index.html"}
OURS = {journal.NAME, lock.NAME}


@pytest.fixture
def takes(tmp_path: Path) -> Path:
    for seed, name in enumerate(NAMES):
        write_clip(tmp_path / "takes" / f"{name}.bvh", seed)
    return tmp_path / "takes"


def clean(takes: Path, out: str = "out", said: list[str] | None = None, **options: Any) -> Run:
    request = Request((takes,), takes.parent / out, options.pop("settings", Settings()), **options)
    return run(request, (said if said is not None else []).append, cleaned)


def statuses(done: Run) -> dict[str, str]:
    return {clip.place: clip.status for clip in done.clips}


def clips(path: Path) -> dict[str, bytes]:
    """The results in a folder, without report, journal and lock."""
    return {name: data for name, data in folder(path).items() if name not in REPORT | OURS}


def test_a_folder_is_cleaned_into_a_folder(takes: Path) -> None:
    before = folder(takes)
    said: list[str] = []
    done = clean(takes, said=said)
    assert done.whole
    assert set(folder(takes.parent / "out")) == {*(f"{name}.bvh" for name in NAMES), *REPORT, *OURS}
    assert folder(takes) == before
    assert [line.split()[0] for line in said] == ["1/4", "2/4", "3/4", "4/4"]


def test_one_bad_clip_never_stops_the_rest(takes: Path) -> None:
    for name in BAD:
        write_clip(takes / f"{name}.bvh")
    (takes / "broken.bvh").write_text("HIERARCHY")
    (takes / "empty.shot.json").touch()
    (takes / "gone.bvh").symlink_to("nowhere.bvh")
    said: list[str] = []
    done = clean(takes, said=said)
    assert not done.whole
    assert set(clips(takes.parent / "out")) == {f"{name}.bvh" for name in NAMES}
    bad = {place: status for place, status in statuses(done).items() if status != "cleaned"}
    assert bad == {
        "wrong.bvh": "failed",
        "fault.bvh": "failed",
        "broken.bvh": "failed",
        "empty.shot.json": "failed",
        "gone.bvh": "failed",
        "aside.bvh": "set aside",
    }
    assert any("broken.bvh  failed: line 1:" in line for line in said)
    assert any("gone.bvh  failed" in line and "no such file" in line for line in said)


def test_what_stands_there_is_not_written_over_unasked(takes: Path) -> None:
    out = takes.parent / "out"
    out.mkdir()
    (out / "run.bvh").write_text("mine")
    before = folder(out)
    for options in ({}, {"resume": True}):
        with pytest.raises(InputError, match=r"run\.bvh.*--force"):
            clean(takes, **options)
        assert folder(out) == before
    assert clean(takes, force=True).whole
    first = folder(out)
    with pytest.raises(InputError, match="--resume"):
        clean(takes)
    assert folder(out) == first
    assert clean(takes, force=True).whole
    assert folder(out) == first


@pytest.mark.parametrize("name", sorted(REPORT))
def test_a_report_of_somebody_else_is_kept(name: str, takes: Path) -> None:
    (takes.parent / "out").mkdir()
    (takes.parent / "out" / name).write_text("mine")
    with pytest.raises(InputError, match="there already"):
        clean(takes)


def worked_on(said: list[str]) -> set[str]:
    return {line.split()[1] for line in said if "earlier" not in line}


def test_a_resumed_run_does_only_what_changed(takes: Path) -> None:
    write_clip(takes / "aside.bvh")
    clean(takes)
    out = takes.parent / "out"
    whole = folder(out)
    stamps = {path: path.stat().st_mtime_ns for path in out.rglob("*.bvh")}
    said: list[str] = []
    clean(takes, resume=True, said=said)
    assert worked_on(said) == set()
    assert len(said) == len(NAMES) + 1
    assert folder(out) == whole
    assert {path: path.stat().st_mtime_ns for path in out.rglob("*.bvh")} == stamps

    write_clip(takes / "run.bvh", seed=99)  # another take under the same name
    (takes / "gap.marks.json").write_text('{"schema": "motion-refine/marks/1"}')  # a new side file
    (out / "a/walk.bvh").unlink()
    said.clear()
    clean(takes, resume=True, said=said)
    assert worked_on(said) == {"run.bvh", "gap.bvh", "a/walk.bvh"}
    fresh = clean(takes, "fresh")
    assert not fresh.whole
    assert folder(out) == folder(takes.parent / "fresh")


def test_other_settings_do_all_again(takes: Path) -> None:
    clean(takes)
    said: list[str] = []
    clean(takes, resume=True, settings=Settings(strength=0.5), said=said)
    assert worked_on(said) == {f"{name}.bvh" for name in NAMES}


def test_a_result_that_somebody_has_edited_is_kept_beside_the_new_one(takes: Path) -> None:
    clean(takes)
    out = takes.parent / "out"
    before = folder(out)
    (out / "run.bvh").write_text("by hand")
    clean(takes, resume=True)
    assert folder(out) == before | {"run.bvh.before-1": b"by hand"}


def test_a_clip_that_can_no_longer_be_cleaned_leaves_no_old_result(takes: Path) -> None:
    clean(takes)
    (takes / "run.bvh").write_text("HIERARCHY")
    for options in ({"resume": True}, {"force": True}):
        assert statuses(clean(takes, **options))["run.bvh"] == "failed"
        assert "run.bvh" not in folder(takes.parent / "out")
    (takes.parent / "out/run.bvh").write_text("by hand")
    clean(takes, resume=True)
    assert (takes.parent / "out/run.bvh").read_text() == "by hand"


def torn(lines: bytes) -> Iterator[bytes]:
    """Journals as a kill or a full disk may leave them."""
    yield lines[:-40]
    yield lines + b'{"place": "ru'
    yield lines + b"\0\0\0\0"
    yield lines.replace(b'"place"', b'"plaice"', 1)
    yield lines.splitlines(keepends=True)[0]


@pytest.mark.parametrize("kind", range(5))
def test_a_torn_journal_costs_no_more_than_its_torn_lines(kind: int, takes: Path) -> None:
    clean(takes)
    out = takes.parent / "out"
    before = folder(out)
    path = out / journal.NAME
    path.write_bytes(list(torn(path.read_bytes()))[kind])
    said: list[str] = []
    assert clean(takes, resume=True, said=said).whole
    assert len(worked_on(said)) == (1, 0, 0, 1, 4)[kind]
    assert folder(out) == before


def test_a_file_that_is_no_journal_is_refused(takes: Path) -> None:
    clean(takes)
    (takes.parent / "out" / journal.NAME).write_text('{"schema": "motion-refine/clean-journal/99"}\n')
    with pytest.raises(InputError, match="journal"):
        clean(takes, resume=True)
    assert clean(takes, force=True).whole


def test_begun_anew_results_of_clips_that_are_no_longer_given_go_unless_somebody_worked_on_them(
    takes: Path,
) -> None:
    clean(takes)
    out = takes.parent / "out"
    (out / "gap.bvh").write_text("mine")
    (out / "run.shot.json").write_text("somebody else's")
    for name in ("run", "gap"):
        (takes / f"{name}.bvh").unlink()
    said: list[str] = []
    clean(takes, resume=True)
    assert "run.bvh" in clips(out)  # going on takes nothing away
    clean(takes, force=True, said=said)
    assert set(clips(out)) == {"a/walk.bvh", "b/walk.bvh", "gap.bvh", "run.shot.json"}
    assert [line for line in said if "gap.bvh" in line and "edited" in line]
    assert not any("run." in line for line in said)


def test_what_killed_writers_left_is_swept_up_and_nothing_else(takes: Path) -> None:
    clean(takes)
    out = takes.parent / "out"
    (out / "a/.refine-0123456789abcdef.part").touch()
    (out / ".refine-0123456789abcdef.part").touch()
    (out / "a/.refine-mine.part").touch()
    clean(takes, resume=True)
    assert [path.name for path in out.rglob("*.part")] == [".refine-mine.part"]


# --- one run at a time ---


def test_two_runs_into_one_folder_refuse_each_other(takes: Path) -> None:
    out = takes.parent / "out"
    out.mkdir()
    with lock.held(out):
        before = folder(out)
        for options in ({}, {"resume": True}, {"force": True}):
            with pytest.raises(InputError, match=r"out: another run"):
                clean(takes, **options)
        assert folder(out) == before
    assert clean(takes).whole


def test_the_lock_of_a_killed_process_is_free(tmp_path: Path) -> None:
    code = "import sys, time; from refine.clean.folder import lock; from pathlib import Path\n"
    code += "with lock.held(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=driver.environment()) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(InputError, match="another run"), lock.held(tmp_path):
            pass
        process.kill()
        process.wait()
    with lock.held(tmp_path):
        handle = os.open(tmp_path / lock.NAME, os.O_RDWR)
        with pytest.raises(BlockingIOError):  # it is the system's own lock
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.close(handle)


# --- disks ---


def test_a_full_disk_is_said_clip_by_clip(takes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two writes of clips fail; what a full disk really leaves is tested in test_killed."""
    real, writes = batch.new_file, [0]

    def full(path: Path, data: bytes, force: bool = False) -> None:
        writes[0] += path.suffix == ".bvh"
        if path.suffix == ".bvh" and writes[0] <= 2:
            raise InputError(
                str(path), "it can't be written: No space left on device", remedy="make room first"
            )
        real(path, data, force)

    monkeypatch.setattr(batch, "new_file", full)
    done = clean(takes)
    assert sorted(statuses(done).values()) == ["cleaned", "cleaned", "failed", "failed"]
    assert [clip.failure.remedy for clip in done.clips if clip.failure] == ["make room first"] * 2
    assert len(clips(takes.parent / "out")) == 2
    monkeypatch.setattr(batch, "new_file", real)
    said: list[str] = []
    assert clean(takes, resume=True, said=said).whole
    assert len(worked_on(said)) == 2
    clean(takes, "fresh")
    assert folder(takes.parent / "out") == folder(takes.parent / "fresh")


def test_a_clip_without_its_side_file_is_not_left(takes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (takes / "run.marks.json").write_text('{"schema": "motion-refine/marks/1"}')
    real = batch.new_file

    def full(path: Path, data: bytes, force: bool = False) -> None:
        if path.name == "run.bvh":
            raise InputError(str(path), "it can't be written")
        real(path, data, force)

    monkeypatch.setattr(batch, "new_file", full)
    assert statuses(clean(takes))["run.bvh"] == "failed"
    assert "run.marks.json" not in folder(takes.parent / "out")


def test_a_journal_that_cannot_grow_stays_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal.begin(tmp_path, [])
    write_clip(tmp_path / "in/run.bvh")
    clean(tmp_path / "in")
    (entry,) = journal.read(tmp_path / "out")
    before = (tmp_path / journal.NAME).read_bytes()
    real = os.write

    def half(handle: int, data: Any) -> int:
        if len(data) < 100:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data[: len(data) - 50])

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(OSError, match="No space"):
        journal.append(tmp_path, replace(entry))
    monkeypatch.undo()
    assert (tmp_path / journal.NAME).read_bytes() == before
    journal.append(tmp_path, entry)
    assert journal.read(tmp_path) == [entry]


def test_a_report_that_cannot_be_written_is_a_trouble(takes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = batch.new_file

    def full(path: Path, data: bytes, force: bool = False) -> None:
        if path.name == "summary.json":
            raise InputError(str(path), "it can't be written")
        real(path, data, force)

    monkeypatch.setattr(batch, "new_file", full)
    done = clean(takes)
    assert not done.whole
    assert "summary.json" in done.troubles[0]
    assert "index.html" in folder(takes.parent / "out")


def write_pair(folder: Path) -> None:
    """Two clips at different rates with one side file, which marks an accent."""
    write_clip(folder / "pair.bvh", frames=60)
    shot = replace(read(folder / "pair.bvh").shot, fps=24.0)
    (folder / "pair.shot.json").write_bytes(write(shot, Path("pair.shot.json")))
    (folder / "pair.marks.json").write_text(
        '{"schema": "motion-refine/marks/1", "marks": [{"kind": "accent", "frames": [20, 30]}]}'
    )


def accents(out: Path) -> dict[str, tuple[float, float]]:
    """Where the accent of each clip of the pair stands, as the results are read."""
    return {
        path.name: read(path).shot.marks[0].frames
        for path in out.glob("pair.*")
        if path.name.endswith((".bvh", ".shot.json"))
    }


def retimed(shot: Shot, settings: Settings) -> Any:
    """The stand-in's cleaning, and the rate that was asked for."""
    done = cleaned(shot, settings)
    return done if settings.fps is None else replace(done, shot=at_rate(done.shot, settings.fps))


def test_clips_with_one_side_file_are_not_given_another_rate_together(takes: Path) -> None:
    write_pair(takes)
    out = takes.parent / "out"
    settings = Settings(fps=24)
    for options in ({}, {"resume": True}, {"force": True}):
        done = run(Request((takes,), out, settings, **options), [].append, retimed)
        bad = {clip.place: clip for clip in done.clips if clip.status != "cleaned"}
        assert set(bad) == {"pair.bvh", "pair.shot.json"}
        for clip in bad.values():
            assert clip.failure is not None
            assert "pair.marks.json" in clip.failure.found
            assert "folder of its own" in clip.failure.remedy
        assert set(clips(out)) == {f"{name}.bvh" for name in NAMES}
    both = run(Request((takes,), takes.parent / "same", Settings()), [].append, retimed)
    assert both.whole
    assert accents(takes.parent / "same") == {"pair.bvh": (20, 30), "pair.shot.json": (20, 30)}


@pytest.mark.parametrize(("first", "second"), [("bvh", "shot.json"), ("shot.json", "bvh")])
def test_one_after_the_other_does_not_lead_around_it(first: str, second: str, takes: Path) -> None:
    write_pair(takes)
    out = takes.parent / "out"
    settings = Settings(fps=48)
    assert run(Request((takes / f"pair.{first}",), out, settings), [].append, retimed).whole
    before = clips(out)
    with pytest.raises(InputError, match="there already"):
        run(Request((takes / f"pair.{second}",), out, settings), [].append, retimed)
    done = run(Request((takes / f"pair.{second}",), out, settings, resume=True), [].append, retimed)
    assert [clip.status for clip in done.clips] == ["failed"]
    assert clips(out) == before
    assert run(Request((takes / f"pair.{second}",), out, settings, force=True), [].append, retimed).whole
    assert set(accents(out)) == {f"pair.{second}"}
    assert accents(out)[f"pair.{second}"] == ((8, 12) if second == "bvh" else (40, 60))

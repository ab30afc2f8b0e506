"""The same work in processes: the same bytes, and what becomes of it when the system ends a process."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from refine.clean.folder.batch import Request, Run, run
from refine.clean.folder.schedule import THREADS, in_processes, single_threads
from refine.clean.folder.work import Job
from refine.clean.settings import Settings
from tests.clean import driver
from tests.clean.stand_in import cleaned, write_clip
from tests.cli.console import folder


def clean(takes: Path, out: str, jobs: int) -> Run:
    said: list[str] = []
    request = Request((takes,), takes.parent / out, Settings(), jobs=jobs)
    return run(request, said.append, cleaned)


def test_the_same_bytes_whatever_the_number_of_jobs(tmp_path: Path) -> None:
    for seed, name in enumerate(("a/walk", "b/walk", "slow_1", "gap", "run", "wrong", "aside", "slow_2")):
        write_clip(tmp_path / "takes" / f"{name}.bvh", seed, frames=40 + 10 * seed)
    for jobs in (1, 3):
        assert not clean(tmp_path / "takes", f"out{jobs}", jobs).whole
    assert folder(tmp_path / "out1") == folder(tmp_path / "out3")
    assert len(folder(tmp_path / "out1")) == 12


def test_a_clip_that_ends_its_process_fails_and_the_others_are_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`deadly` ends each process that works on it, `unlucky` only the first one: it was the machine's bad moment."""
    monkeypatch.setenv("STAND_IN_MARKS", str(tmp_path))
    names = ["a", "b", "deadly", "slow_1", "slow_2", "unlucky", "z"]
    for seed, name in enumerate(names):
        write_clip(tmp_path / "takes" / f"{name}.bvh", seed)
    done = clean(tmp_path / "takes", "out", 2)
    failed = [clip for clip in done.clips if clip.status == "failed"]
    assert [clip.place for clip in failed] == ["deadly.bvh"]
    assert "memory" in failed[0].reasons[0]
    assert {path.stem for path in (tmp_path / "out").glob("*.bvh")} == set(names) - {"deadly"}
    assert (tmp_path / "unlucky").exists()


def test_few_clips_are_read_ahead(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.bvh").read_bytes()
    read = []

    def jobs() -> object:
        for n in range(12):
            read.append(n)
            yield Job(f"{n}.bvh", clip, None, Settings(), cleaned)

    outcomes = in_processes(jobs(), 1)  # type: ignore[arg-type]
    next(outcomes)
    assert len(read) <= 3
    outcomes.close()


def test_processes_compute_with_one_thread_each(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(THREADS[0], "7")
    monkeypatch.delenv(THREADS[1], raising=False)
    with single_threads():
        assert [os.environ[name] for name in THREADS] == ["1"] * len(THREADS)
    assert os.environ[THREADS[0]] == "7"
    assert THREADS[1] not in os.environ


def group(leader: int) -> list[int]:
    """The processes of a session that are still there, as Linux lists them; zombies are gone."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:  # it has just ended
                continue
            if int(words[3]) == leader and words[0] != "Z":
                found.append(int(entry.name))
    return found


def gone(leader: int, within: float = 20.0) -> bool:
    """Whether all processes of a session end, given this long in seconds."""
    until = time.monotonic() + within
    while group(leader) and time.monotonic() < until:
        time.sleep(0.05)
    return not group(leader)


@pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="processes are looked up as Linux lists them"
)
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_no_process_outlives_the_run(how: signal.Signals, tmp_path: Path) -> None:
    for n in range(40):
        write_clip(tmp_path / "takes" / f"slow_{n:02d}.bvh", n)
    started = driver.start(tmp_path / "takes", "-o", tmp_path / "out", "--jobs", "2")
    with started:
        assert started.stderr is not None
        assert started.stderr.readline().startswith(" 1/40")
        assert len(group(started.pid)) >= 3
        os.kill(started.pid, how)  # SIGINT, too, reaches only the process that the user started
        left = [] if gone(started.pid) else group(started.pid)
        for process in left:
            os.kill(process, signal.SIGKILL)
        assert left == []
        rest = started.stderr.read()
    assert "Traceback" not in rest
    if how == signal.SIGINT:
        assert started.returncode == 130
        assert "--resume" in rest

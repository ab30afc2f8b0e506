"""kill -9 in the middle of a batch, then --resume: the same bytes as without it. And a disk that is really full."""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from refine.clean.folder import batch, journal
from refine.clean.folder.batch import Request
from refine.clean.settings import Settings
from refine.cli import main
from tests.clean import driver
from tests.clean.stand_in import cleaned, write_clip
from tests.cli.console import folder
from tests.storage_driver import CALLS, deadly

CLIPS, MOMENTS = 8, 3


def takes_of(path: Path, count: int, frames: int = 60, slow: bool = True) -> Path:
    for n in range(count):
        write_clip(path / f"{'slow' if slow and n % 3 == 0 else 'clip'}_{n}.bvh", n, frames)
    (path / "clip_1.marks.json").write_text('{"schema": "motion-refine/marks/1"}')
    write_clip(path / "aside.bvh")
    return path


def finished(out: Path) -> int:
    """How many clips the journal of a run has."""
    return len((out / journal.NAME).read_bytes().splitlines()) - 1 if (out / journal.NAME).exists() else -1


def run(*arguments: object) -> int:
    with driver.start(*arguments) as process:
        process.communicate()
    return process.returncode


@pytest.mark.parametrize("jobs", [1, 2])
def test_killed_at_some_moments_then_resumed(jobs: int, tmp_path: Path) -> None:
    """Killed again and again, each time a clip or more farther on, in one folder: the worst of nights."""
    takes, out = takes_of(tmp_path / "takes", CLIPS), tmp_path / "out"
    assert run(takes, "-o", tmp_path / "whole") == 4
    whole = folder(tmp_path / "whole")
    chance = random.Random(jobs)
    arguments: list[object] = [takes, "-o", out, "--jobs", jobs, "--resume"]
    killed = 0
    for moment in range(MOMENTS):
        with driver.start(*arguments) as process:
            while process.poll() is None and finished(out) < 3 * moment:
                time.sleep(0.005)
            time.sleep(chance.uniform(0, 0.08))
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                killed += 1
        for name, data in folder(out).items():  # each file is whole at every moment
            if name in whole and name != journal.NAME:
                assert data == whole[name], name
    assert killed >= 2
    assert run(*arguments) == 4
    assert folder(out) == whole


def deadly_run(arguments: list[str], step: int, moment: str, log: Path) -> int:
    """Run the command in a fork that ends itself at one call of the operating system; its exit status."""
    child = os.fork()
    if child == 0:
        _end_at(arguments, step, moment, log)
    return os.waitpid(child, 0)[1]


def _end_at(arguments: list[str], step: int, moment: str, log: Path) -> None:
    sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115  # for the rest of this process
    done = [0]
    for name in CALLS:
        setattr(os, name, deadly(name, getattr(os, name), done, step, moment))
    setattr(batch, "default_cleaner", lambda: cleaned)  # noqa: B010
    try:
        main(args=["clean", *arguments, "--quiet"], prog_name="refine")
    except SystemExit:
        pass
    finally:
        log.write_text(str(done[0]))
        os._exit(0)


def test_killed_at_each_call_that_touches_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not only between clips: at writes, syncs and renames of a run over two clips, before, within and after them."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)  # its threads don't survive a fork, and it loads slowly
    takes = tmp_path / "takes"
    write_clip(takes / "one.bvh", 1, frames=5)
    write_clip(takes / "two.bvh", 2, frames=5)
    (takes / "two.marks.json").write_text('{"schema": "motion-refine/marks/1"}')
    log = tmp_path / "calls"
    request = Request((takes,), tmp_path / "loaded", Settings())
    assert batch.run(request, lambda _: None, cleaned).whole  # forks start with what this loads
    assert deadly_run([str(takes), "-o", str(tmp_path / "whole")], 0, "never", log) == 0
    whole, calls = folder(tmp_path / "whole"), int(log.read_text())
    assert len(whole) == 8
    assert calls > 60
    for step in range(1, calls + 1, 3):  # each kind of call is met at several of its places
        out = tmp_path / f"out_{step}"
        moment = ("before", "within", "after")[step // 3 % 3]
        status = deadly_run([str(takes), "-o", str(out)], step, moment, log)
        assert os.WIFSIGNALED(status), (step, moment)
        assert deadly_run([str(takes), "-o", str(out), "--resume"], 0, "never", log) == 0
        assert folder(out) == whole, (step, moment)


# --- disks ---


@pytest.fixture
def small_disk(tmp_path: Path) -> object:
    """A disk of 300 kB, where one may mount it."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("no small disk can be mounted here")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk(small_disk: Path, tmp_path: Path) -> None:
    takes = takes_of(tmp_path / "takes", 8, frames=900, slow=False)  # 60 kB each: four or five fit
    process = subprocess.run(
        driver.command(takes, "-o", small_disk / "out", "--json"),
        env=driver.environment(), capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert process.returncode == 4
    assert "Traceback" not in process.stderr
    clips = {clip["place"]: clip for clip in json.loads(process.stdout)["clips"]}
    failed = {place for place, clip in clips.items() if clip["status"] == "failed"}
    assert 2 <= len(failed) <= 6
    assert all("No space left" in clips[place]["failure"]["found"] for place in failed)
    assert all(place in process.stderr for place in failed)
    assert run(takes, "-o", tmp_path / "whole") == 4
    whole, left = folder(tmp_path / "whole"), folder(small_disk / "out")
    assert not [name for name in left if name.endswith(".part")]
    assert {name for name in left if name.endswith(".bvh")} == set(clips) - failed - {"aside.bvh"}
    assert all(left[name] == whole[name] for name in left if name.endswith(".bvh"))
    subprocess.run(["mount", "-o", "remount,size=4m", str(small_disk)], check=True)
    assert run(takes, "-o", small_disk / "out", "--resume") == 4
    assert folder(small_disk / "out") == whole


def test_a_file_size_limit(tmp_path: Path) -> None:
    """What a quota is like: small files can be written, large ones can't."""
    takes = tmp_path / "takes"
    write_clip(takes / "long.bvh", 1, frames=3000)
    write_clip(takes / "short.bvh", 2, frames=5)

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    with driver.start(takes, "-o", tmp_path / "out", preexec_fn=limited) as process:
        _, said = process.communicate()
    assert process.returncode == 4
    assert "long.bvh  failed" in said
    assert "File too large" in said
    left = folder(tmp_path / "out")
    assert {name for name in left if name.endswith(".bvh")} == {"short.bvh"}
    assert not [name for name in left if name.endswith(".part")]
    assert run(takes, "-o", tmp_path / "out", "--resume") == 0
    assert run(takes, "-o", tmp_path / "whole") == 0
    assert folder(tmp_path / "out") == folder(tmp_path / "whole")

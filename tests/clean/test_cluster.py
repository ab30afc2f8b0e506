"""A real cluster on loopback: a scheduler and two workers in processes of their own, one of them killed in mid-run."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from refine.clean.folder import cluster, journal
from refine.clean.folder.batch import Request, Run, run
from refine.clean.settings import Settings
from refine.errors import InputError
from tests.clean import driver
from tests.clean.stand_in import cleaned, write_clip
from tests.cli.console import folder

pytest.importorskip("distributed")
UP = 60.0  # s that the parts of the cluster may take to start on a busy machine


@dataclass(frozen=True, slots=True)
class Cluster:
    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


def part(stack: ExitStack, folder: Path, *arguments: str) -> subprocess.Popen[bytes]:
    """Start a part of the cluster; it is ended with the stack."""
    log = stack.enter_context((folder / f"{arguments[0]}.log").open("ab"))
    process = stack.enter_context(
        subprocess.Popen(
            [sys.executable, "-m", "dask", *arguments],
            stdout=log, stderr=log, cwd=folder, env=driver.environment(STAND_IN_MARKS=str(folder)),
        )
    )  # fmt: skip
    stack.callback(process.kill)
    return process


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def workers_there(address: str) -> int:
    from distributed import Client

    with Client(address, timeout=UP, set_as_default=False) as client:
        return len(client.nthreads())


@contextmanager
def started(logs: Path) -> Iterator[Cluster]:
    """A scheduler and two workers with a thread each, ready to work."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    plain = ["--no-dashboard"]
    with ExitStack() as stack:
        scheduler = part(stack, logs, "scheduler", "--host", "127.0.0.1", "--port", str(port), *plain)
        alone = ["--nthreads", "1", "--no-nanny", "--host", "127.0.0.1", *plain]
        workers = [part(stack, logs, "worker", address, *alone) for _ in range(2)]
        until = time.monotonic() + UP
        while workers_there(address) < 2:
            assert time.monotonic() < until, (logs / "worker.log").read_text()
            time.sleep(0.1)
        yield Cluster(address, scheduler, workers)


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A cluster for tests that follow each other: the second one kills a worker, the third one the scheduler."""
    with started(tmp_path_factory.mktemp("cluster")) as cluster:
        yield cluster


def clean(
    takes: Path, out: str, said: list[str], kill: subprocess.Popen[bytes] | None, **options: str
) -> Run:
    """Clean the takes; `kill` is killed when two clips are done."""
    request = Request((takes,), takes.parent / out, Settings(), scheduler=options.get("scheduler"))

    def say(text: str) -> None:
        said.append(text)
        if len(said) == 2 and kill is not None:
            os.kill(kill.pid, signal.SIGKILL)

    return run(request, say, cleaned)


def test_a_worker_of_another_version_is_not_trusted(
    two_workers: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_clip(tmp_path / "takes/walk.bvh")
    monkeypatch.setattr(cluster, "version", lambda: "99.0")
    (clip,) = clean(tmp_path / "takes", "out", [], None, scheduler=two_workers.address).clips
    assert clip.status == "failed"
    assert "version" in clip.reasons[0]


def test_one_worker_is_killed_in_mid_run(two_workers: Cluster, tmp_path: Path) -> None:
    """Every good clip is done, once; the results are those of a run without a cluster."""
    takes = tmp_path / "takes"
    for n in range(16):
        write_clip(takes / f"slow_{n:02d}.bvh", n)
    write_clip(takes / "wrong.bvh")
    said: list[str] = []
    done = clean(takes, "out", said, two_workers.workers[0], scheduler=two_workers.address)
    assert two_workers.workers[0].wait(timeout=5) == -signal.SIGKILL
    assert {clip.place for clip in done.clips if clip.status != "cleaned"} == {"wrong.bvh"}
    names = [line.split()[1] for line in said]
    assert Counter(names) == Counter(clip.place for clip in done.clips)
    assert Counter(e.place for e in journal.read(tmp_path / "out")).most_common(1)[0][1] == 1
    clean(takes, "local", [], None)
    assert folder(tmp_path / "out") == folder(tmp_path / "local")


def test_a_scheduler_that_goes_away_fails_the_rest_and_not_the_run(
    two_workers: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT", 1.0)
    takes = tmp_path / "takes"
    for n in range(16):
        write_clip(takes / f"slow_{n:02d}.bvh", n)
    done = clean(takes, "out", [], two_workers.scheduler, scheduler=two_workers.address)
    states = Counter(clip.status for clip in done.clips)
    assert states["cleaned"] >= 2
    assert states["failed"] >= 1
    assert all("--resume" in clip.reasons[0] for clip in done.clips if clip.status == "failed")


@pytest.mark.parametrize(
    "address", ["127.0.0.1:{port}", "tcp://127.0.0.1:{port}", "nonsense://x:1", "tcp://", "?", "h:99999"]
)
def test_where_no_scheduler_answers_nothing_is_begun(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT", 0.5)
    write_clip(tmp_path / "takes/walk.bvh")
    with pytest.raises(InputError, match="--scheduler"):
        clean(tmp_path / "takes", "out", [], None, scheduler=address.format(port=free_port()))
    assert not (tmp_path / "out").exists()


def test_something_else_that_listens_is_no_scheduler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECT", 0.5)
    write_clip(tmp_path / "takes/walk.bvh")
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(InputError, match="no scheduler"):
            clean(tmp_path / "takes", "out", [], None, scheduler=f"127.0.0.1:{other.getsockname()[1]}")
    assert not (tmp_path / "out").exists()


def test_without_the_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_clip(tmp_path / "takes/walk.bvh")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'motion-refine\[cluster\]'"):
        clean(tmp_path / "takes", "out", [], None, scheduler="tcp://127.0.0.1:8786")
    assert not (tmp_path / "out").exists()

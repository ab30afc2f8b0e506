"""`refine apply --in-place` killed at any moment: the shot is wholly the old one or wholly the new one."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.cli.console import COMMAND, ROOT, refine
from tests.cli.small_shots import FRAMES, write_bvh, write_shot

MOMENTS = 12


def prepared(shot: Path) -> tuple[Path, bytes, bytes]:
    """The suggestion, the old bytes and the new ones."""
    suggestion, mended = shot.with_name("s.json"), shot.with_name(f"mended-{shot.name}")
    assert refine("suggest", shot, "--frames", FRAMES, "-o", suggestion).code == 0
    assert refine("apply", shot, suggestion, "-o", mended).code == 0
    old, new = shot.read_bytes(), mended.read_bytes()
    assert old != new
    return suggestion, old, new


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture(scope="module", params=[write_shot, write_bvh])
def driven(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the runs left that were killed at each step, with the two states that are allowed."""
    shot = request.param(tmp_path_factory.mktemp("killed"))
    suggestion, old, new = prepared(shot)
    driver = [sys.executable, str(ROOT / "tests/cli/kill_driver.py"), str(shot), str(suggestion)]
    done = subprocess.run(driver, capture_output=True, env=environment(), timeout=120, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return {**json.loads(done.stdout), "name": shot.name, "old": sha(old), "new": sha(new)}


def test_a_run_that_nobody_kills_writes_syncs_and_renames(driven: dict[str, Any]) -> None:
    calls = driven["calls"]
    assert {"write", "fsync", "replace", "link"} <= set(calls)
    last_write = len(calls) - 1 - calls[::-1].index("write")
    assert last_write < calls.index("fsync") < calls.index("replace")
    kept = f"{driven['name']}.before-1"
    assert driven["whole"] == {driven["name"]: driven["new"], kept: driven["old"]}


def test_killed_at_each_call_the_shot_is_whole(driven: dict[str, Any]) -> None:
    assert len(driven["runs"]) > 2 * len(driven["calls"])
    seen = set()
    for run in driven["runs"]:
        left = dict(run["left"])
        state = left.pop(driven["name"])
        assert state in (driven["old"], driven["new"]), run
        seen.add(state)
        for name, kept in left.items():
            if not (name.startswith(".refine-") and name.endswith(".part")):
                assert name == f"{driven['name']}.before-1"
                assert kept == driven["old"], run
        if state == driven["new"]:
            assert f"{driven['name']}.before-1" in left  # a way back from the first moment on
    assert seen == {driven["old"], driven["new"]}


def test_killed_at_random_moments_the_shot_is_whole(tmp_path: Path) -> None:
    shot = write_bvh(tmp_path)
    suggestion, old, new = prepared(shot)
    command = [*COMMAND, "apply", str(shot), str(suggestion), "--in-place", "-q"]
    begun = time.perf_counter()
    subprocess.run(command, env=environment(), stdout=subprocess.DEVNULL, check=True)
    whole = time.perf_counter() - begun  # only to spread the moments; nothing depends on it
    chance = random.Random(11)
    for n in range(MOMENTS):
        shot.write_bytes(old)
        with subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL) as process:
            # The second half of a run is where the file is read and written.
            time.sleep(whole * chance.uniform(0.0 if n % 3 == 0 else 0.5, 1.1))
            process.kill()
        assert process.returncode in (0, -signal.SIGKILL)
        assert shot.read_bytes() in (old, new)
        for kept in tmp_path.glob("*.before-*"):
            assert kept.read_bytes() == old
    shot.write_bytes(old)
    assert (
        refine("apply", shot, suggestion, "--in-place").code == 0
    )  # what killed runs left is in nobody's way
    assert shot.read_bytes() == new

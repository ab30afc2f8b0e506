"""`refine apply --in-place` killed at each call of the operating system that writes; started by test_killed.py.

Usage: kill_driver.py SHOT SUGGESTION. For each call and each moment ("before", "within", "after") a fork of this
process, which has everything imported already, runs the command on a copy of SHOT in a folder of its own and kills
itself there. Prints one JSON object: the calls of a run that nobody kills, and of each run that was killed the
call's number, the moment, and the files that it left as hexadecimal SHA-256 by name.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from typing import Any

from refine.cli import main
from tests.storage_driver import CALLS, deadly


def run(shot: Path, suggestion: Path, step: int, moment: str) -> tuple[int, list[str], dict[str, str]]:
    """Exit status of the fork, the calls that it made before its end, and the files that it left."""
    with tempfile.TemporaryDirectory(dir=shot.parent) as scratch:
        copy, log = Path(scratch) / "work" / shot.name, Path(scratch) / "log"
        copy.parent.mkdir()
        shutil.copyfile(shot, copy)
        child = os.fork()
        if child == 0:
            killed(copy, suggestion, step, moment, log)
        _, status = os.waitpid(child, 0)
        left = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in copy.parent.iterdir()}
        return status, log.read_text().splitlines(), left


def killed(copy: Path, suggestion: Path, step: int, moment: str, log: Path) -> None:
    """Runs the command in this process until the step kills it; ends the process in any case."""
    sys.stdout = open(os.devnull, "w")  # noqa: SIM115  # for the rest of this process
    done = [0]
    handle = log.open("w", buffering=1)
    for name in CALLS:
        call = deadly(name, getattr(os, name), done, step, moment)
        setattr(
            os, name, lambda *a, _name=name, _call=call, **k: (handle.write(f"{_name}\n"), _call(*a, **k))[1]
        )
    code: Any = 1
    try:
        main(args=["apply", str(copy), str(suggestion), "--in-place", "--quiet"], standalone_mode=True)
    except SystemExit as end:
        code = end.code
    finally:
        handle.close()
        os._exit(code)


def drive(shot: Path, suggestion: Path) -> dict[str, Any]:
    run(shot, suggestion, 0, "never")  # forks share what the first run imports only if this process has it
    status, calls, whole = run(shot, suggestion, 0, "never")
    assert status == 0, status
    runs = []
    for step, name in enumerate(calls, 1):
        for moment in ("before", "within", "after") if name == "write" else ("before", "after"):
            status, _, left = run(shot, suggestion, step, moment)
            assert os.WIFSIGNALED(status), (name, moment, status)
            assert os.WTERMSIG(status) == signal.SIGKILL
            runs.append({"step": step, "call": name, "moment": moment, "left": left})
    return {"calls": calls, "whole": whole, "runs": runs}


if __name__ == "__main__":
    import refine.application
    import refine.report
    import refine.storage
    import refine.suggestion  # noqa: F401  # what the command would import: forks then start with it

    print(json.dumps(drive(Path(sys.argv[1]), Path(sys.argv[2]))))

"""A child process that replaces a file and kills itself at one step of it; started by test_storage.py.

Usage: storage_driver.py TARGET NEW STEP MOMENT. STEP counts the calls of the operating system from 1;
MOMENT is "before", "after" or, for a write, "within" the call. Prints how many calls there were when it isn't
killed. With STEP 0 it replaces the file by NEW and by its old contents in turns until somebody kills it.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from refine.storage import replace_file

CALLS = ("open", "write", "chown", "chmod", "fsync", "close", "link", "replace", "unlink")


def main(target: Path, new: Path, step: int, moment: str) -> None:
    contents = [new.read_bytes(), target.read_bytes()]
    if step == 0:
        print("ready", flush=True)
        turn = 0
        while True:
            replace_file(target, contents[turn % 2], keep=turn % 10 == 0)
            turn += 1
    done = [0]
    for name in CALLS:
        setattr(os, name, deadly(name, getattr(os, name), done, step, moment))
    replace_file(target, contents[0])
    print(done[0])


def deadly(
    name: str, call: Callable[..., Any], done: list[int], step: int, moment: str
) -> Callable[..., Any]:
    """The call, which kills this process when it is the one of that number."""

    def wrapped(*arguments: Any, **named: Any) -> Any:
        done[0] += 1
        if done[0] != step:
            return call(*arguments, **named)
        try:
            if moment == "within" and name == "write":
                call(arguments[0], arguments[1][: len(arguments[1]) // 2])
            elif moment == "after":
                call(*arguments, **named)
        finally:  # the call may fail, as it does for the temporary file that has its new name already
            os.kill(os.getpid(), signal.SIGKILL)
        return None

    return wrapped


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4])

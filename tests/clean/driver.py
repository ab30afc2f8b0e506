"""`refine clean` with the stand-in for the cleaning, in a process of its own that tests can kill.

Usage: driver.py ARGUMENTS of the command, after it the options.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from refine.clean.folder import batch
from tests.clean.stand_in import cleaned

ROOT = Path(__file__).parents[2]


def command(*arguments: object) -> list[str]:
    """The command line that starts this file."""
    return [sys.executable, str(Path(__file__)), *map(str, arguments)]


def environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


def start(*arguments: object, **options: Any) -> subprocess.Popen[str]:
    """Start the command in a group of its own, its messages in a pipe."""
    options = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "text": True, **options}
    options.setdefault("env", environment())
    return subprocess.Popen(command(*arguments), start_new_session=True, **options)  # type: ignore[no-any-return]


if __name__ == "__main__":
    from refine.cli import main

    setattr(batch, "default_cleaner", lambda: cleaned)  # noqa: B010  # a plain assignment isn't typed
    main(args=["clean", *sys.argv[1:]], prog_name="refine")

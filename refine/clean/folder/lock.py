"""One run at a time in a folder: a lock that the system takes back when its holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from refine.errors import InputError

NAME = ".refine-lock"


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold the folder's lock. InputError where another run holds it, on this machine or, if the disk says so, another.

    The file stays when the lock is given back: were it deleted, two runs could each hold a lock on a file of that name.
    """
    path = folder / NAME
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        remedy = "choose a folder that you may write to"
        raise InputError(str(folder), f"it can't be written: {error.strerror}", remedy=remedy) from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            remedy = "wait until it is done, or choose another folder"
            raise InputError(str(folder), "another run is writing into this folder", remedy=remedy) from None
        except OSError as error:
            remedy = "choose a folder on a disk that has locks"
            raise InputError(str(folder), f"it can't be locked: {error.strerror}", remedy=remedy) from error
        yield
    finally:
        os.close(handle)

"""Recording "I meant that": a mark in the side file, so that a finding isn't flagged again."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from refine.errors import InputError
from refine.flags.flag import Flag
from refine.formats import Document, parsed, read_bytes, side_path
from refine.formats.marks import merged, with_additions
from refine.shot import Mark
from refine.storage import Taken, new_file, replace_file


def keep_flags(document: Document, flags: Sequence[Flag]) -> Path:
    """Adds a mark "meant" for each flag to the side file beside the shot, which is made if there is none.

    The marks go to what stands in the side file now: looking takes seconds, in which others may have written there.
    The shot's own file isn't touched. InputError where the side file can't be written, or is changed this very moment.
    """
    side = side_path(document.path)
    marks = [Mark("meant", (float(f.frames[0]), float(f.frames[1])), (f.control,), f.fault) for f in flags]
    if os.path.lexists(side):
        old = read_bytes(side)
        merged(parsed(document.data, document.path), old, side.name)  # nothing is added to what can't be read
        replace_file(side, with_additions(old, marks=marks), read=old)
        return side
    try:
        new_file(side, with_additions(None, marks=marks))
    except Taken:
        remedy = "look at what it says, then run the command again"
        raise InputError(str(side), "somebody has made it since it was looked for", remedy=remedy) from None
    return side

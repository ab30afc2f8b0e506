"""Recording "I meant that": a mark in the side file, so that a finding isn't flagged again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from refine.flags.flag import Flag
from refine.formats import Document, read_bytes, side_path
from refine.formats.marks import with_additions
from refine.shot import Mark
from refine.storage import replace_file


def keep_flags(document: Document, flags: Sequence[Flag]) -> Path:
    """Adds a mark "meant" for each flag to the side file beside the shot, which is made if there is none.

    The shot's own file isn't touched. InputError where the side file can't be written.
    """
    side = side_path(document.path)
    old = read_bytes(side) if document.side is not None else None
    marks = tuple(
        Mark("meant", (float(f.frames[0]), float(f.frames[1])), (f.control,), f.fault) for f in flags
    )
    replace_file(side, with_additions(old, marks=marks), keep=old is not None)
    return side

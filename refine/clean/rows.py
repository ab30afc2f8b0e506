"""A BVH file with other samples: its header to the byte, and of its rows only the numbers that changed.

A whole clip changes on nearly every frame, so the numbers are spelled a row at a time, about 0.3 us each: replacing
them one by one, as `formats.patched` does for a few, would take a hundred times as long.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from refine.formats import bvh_header
from refine.shot import Array, Shot

# A changed number gets at least these decimals (1e-6 deg, or of the shot's unit) [judge]: rounded like a recording of
# two decimals it would have that recording's noise again.
LEAST, MOST = 6, 12
PIECE = 4096  # rows spelled at once, so that the working memory stays small
SAMPLED = 64  # rows in which the file's own decimals are looked up

_BLANKS = re.compile(r"([ \t]+)")


def with_samples(data: bytes, before: Shot, after: Shot) -> bytes | None:
    """The file `data` that `before` was read from, with the samples of `after`; None where it doesn't fit.

    It fits if `after` has the same controls and channels, all baked. With the same number of frames a number that is
    the same in both keeps its spelling, and so do all spaces and line ends; rows that a file has wrapped over several
    lines are written one a line. Another number of frames or another rate writes all rows anew below the old hierarchy.
    """
    old, new = samples(before), samples(after)
    if old is None or new is None or _names(before) != _names(after):
        return None
    start = bvh_header.parse(data, before.name + ".bvh").start
    text = data[start:].decode("latin-1")
    places = _decimals(text)
    same = len(old) == len(new) and before.fps == after.fps
    lines = _own_lines(text, old.shape) if same else None
    if lines is not None:
        return data[:start] + "".join(_respelled(lines, old, new, places)).encode("latin-1")
    end = "\r\n" if b"\r\n" in data[:start] else "\n"
    head = data[:start] if same else _header(data[:start], after, end.encode())
    rows = (f"{row}{end}" for row in _spelled(new, places))
    return head.rstrip() + end.encode() + "".join(rows).encode()


def samples(shot: Shot) -> Array | None:
    """(N, C) samples of all channels in the file's order; None where one isn't baked with one number a frame."""
    columns = [channel.samples for control in shot.controls for channel in control.channels]
    found = [column for column in columns if column is not None and column.shape[1] == 1]
    if not found or len(found) != len(columns):
        return None
    return np.concatenate(found, axis=1)


def _names(shot: Shot) -> list[tuple[str, str]]:
    return [(control.name, channel.name) for control in shot.controls for channel in control.channels]


def _header(head: bytes, after: Shot, end: bytes) -> bytes:
    """The hierarchy with the count and the rate of another shot below it."""
    motion = head.lower().rindex(b"motion") + len(
        b"motion"
    )  # only the Frames and Frame Time lines follow that word
    rate = f"{1 / after.fps:.12g}".encode()
    count = str(after.last_frame - after.first_frame + 1).encode()
    return head[:motion] + end + b"Frames: " + count + end + b"Frame Time: " + rate + end


def _decimals(text: str) -> int:
    """Decimals of the file's numbers: the most that some of its rows have, within bounds."""
    lines = text.splitlines()
    words = [word for line in lines[:: max(1, len(lines) // SAMPLED)] for word in line.split()]
    found = 0
    for word in words:
        mantissa, _, power = word.casefold().partition("e")
        found = max(
            found, len(mantissa.partition(".")[2]) - (int(power) if power.lstrip("+-").isdigit() else 0)
        )
    return min(max(found, LEAST), MOST)


def _own_lines(text: str, shape: tuple[int, ...]) -> list[str] | None:
    """The lines of the rows with their ends, blank ones joined to the row before; None for rows over several lines."""
    lines: list[str] = [""]
    for line in text.splitlines(keepends=True):
        if line.isspace():
            lines[-1] += line
        else:
            lines.append(line)
    first, *rows = lines
    if len(rows) != shape[0] or any(len(row.split()) != shape[1] for row in rows):
        return None
    rows[0] = first + rows[0]
    return rows


def _respelled(lines: list[str], old: Array, new: Array, places: int) -> Iterator[str]:
    """The lines with new numbers where they changed.

    The rest of the header's last line stands before the first row, and blank lines may follow any.
    """
    for begin in range(0, len(lines), PIECE):
        piece = slice(begin, begin + PIECE)
        changed: NDArray[np.bool_] = np.not_equal(old[piece], new[piece])
        texts = _spelled(new[piece], places)
        for line, moved, row in zip(lines[piece], changed.tolist(), texts, strict=True):
            yield _line(line, moved, row) if any(moved) else line


def _line(line: str, moved: list[bool], row: str) -> str:
    """One row with the numbers replaced that moved."""
    words = line.split()
    body = line.strip()
    begin = line.index(body)
    texts = [new if is_new else old for new, old, is_new in zip(row.split(" "), words, moved, strict=True)]
    if " ".join(words) == body:
        inside = " ".join(texts)
    else:
        blanks = _BLANKS.split(body)
        blanks[::2] = texts
        inside = "".join(blanks)
    return line[:begin] + inside + line[begin + len(body) :]


def _spelled(values: Array, places: int) -> Iterator[str]:
    """Each row as text, numbers with this many decimals, never a minus zero."""
    pattern = " ".join([f"%.{places}f"] * values.shape[1])
    for begin in range(0, len(values), PIECE):
        rounded = np.round(values[begin : begin + PIECE], places) + 0.0
        for row in rounded.tolist():
            yield pattern % tuple(row)

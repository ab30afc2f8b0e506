"""A BVH file with other samples: its header to the byte, and of its rows only the numbers that changed.

A whole clip changes on nearly every frame, so the numbers are spelled a row at a time, about 0.3 us each: replacing
them one by one, as `formats.patched` does for a few, would take a hundred times as long.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from refine.formats import bvh_header
from refine.shot import Array, Shot

# A changed number gets at least these decimals (1e-6 deg, or of the shot's unit) [judge]: rounded like a recording of
# two decimals it would have that recording's noise again.
LEAST, MOST = 6, 12
PIECE = 4096  # rows spelled at once, so that the working memory stays small
SAMPLED = 64  # rows in which the file's own decimals are looked up

_BLANKS = re.compile(rb"(\s+)")
_LINE = re.compile(rb"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


def with_samples(data: bytes, before: Shot, after: Shot) -> bytes | None:
    """The file `data` that `before` was read from, with the samples of `after`; None where it doesn't fit.

    It fits if `after` has the same controls and channels, all baked. With the same number of frames a number that is
    the same in both keeps its spelling, and so do all spaces and line ends; rows that a file has wrapped over several
    lines are written one a line. Another number of frames or another rate writes all rows anew below the old hierarchy.
    """
    old, new = _columns(before), _columns(after)
    if old is None or new is None or _names(before) != _names(after):
        return None
    start = bvh_header.parse(data, before.name + ".bvh").start
    places = _decimals(data, start)
    same = len(old[0]) == len(new[0]) and before.fps == after.fps
    if same:
        with suppress(_Wrapped):
            return b"".join([data[:start], *_respelled(data, start, old, new, places)])
    end = b"\r\n" if b"\r\n" in data[:start] else b"\n"
    head = data[:start] if same else _header(data[:start], after, end)
    rows = (b"".join(row + end for row in piece) for piece in _spelled(new, places))
    return b"".join([head.rstrip() + end, *rows])


class _Wrapped(Exception):
    """A frame doesn't stand on a line of its own."""


def _columns(shot: Shot) -> list[Array] | None:
    """(N, 1) samples of each channel in the file's order; None where one isn't baked with one number a frame."""
    columns = [channel.samples for control in shot.controls for channel in control.channels]
    found = [column for column in columns if column is not None and column.shape[1] == 1]
    return found if found and len(found) == len(columns) else None


def _names(shot: Shot) -> list[tuple[str, str]]:
    return [(control.name, channel.name) for control in shot.controls for channel in control.channels]


def _header(head: bytes, after: Shot, end: bytes) -> bytes:
    """The hierarchy with the count and the rate of another shot below it."""
    motion = head.lower().rindex(b"motion") + len(b"motion")  # only Frames and Frame Time follow that word
    rate = f"{1 / after.fps:.12g}".encode()
    count = str(after.last_frame - after.first_frame + 1).encode()
    return head[:motion] + end + b"Frames: " + count + end + b"Frame Time: " + rate + end


def _decimals(data: bytes, start: int) -> int:
    """Decimals of the file's numbers: the most that some of its rows have, within bounds."""
    found = 0
    for at in range(start, len(data), max(1, (len(data) - start) // SAMPLED)):
        line = _LINE.search(data, at)
        for word in line[0].split()[1:] if line else ():  # the first may be cut off
            mantissa, _, power = word.lower().partition(b"e")
            shift = int(power) if power.lstrip(b"+-").isdigit() else 0
            found = max(found, len(mantissa.partition(b".")[2]) - shift)
    return min(max(found, LEAST), MOST)


def _rows(data: bytes, start: int, width: int) -> Iterator[bytes]:
    """The lines of the rows with their ends, blank ones joined to a row beside them; _Wrapped if they aren't rows."""
    row = b""
    for match in _LINE.finditer(data, start):
        line = match[0]
        if not line.isspace() and not row.isspace() and row:
            yield row
            row = line
        else:
            row += line
        if not line.isspace() and len(line.split()) != width:
            raise _Wrapped
    yield row


def _respelled(data: bytes, start: int, old: list[Array], new: list[Array], places: int) -> Iterator[bytes]:
    """The rows in pieces, with new numbers where they changed."""
    rows = _rows(data, start, len(old))
    for n, texts in enumerate(_spelled(new, places)):
        changed: NDArray[np.bool_] = np.not_equal(_piece(old, n), _piece(new, n))
        lines = list(islice(rows, len(texts)))
        if len(lines) != len(texts):
            raise _Wrapped
        yield b"".join(
            _line(line, moved, text) if any(moved) else line
            for line, moved, text in zip(lines, changed.tolist(), texts, strict=True)
        )
    if next(rows, None) is not None:
        raise _Wrapped


def _piece(columns: list[Array], n: int) -> Array:
    """(PIECE, C) piece n of the samples."""
    return np.concatenate([column[n * PIECE : (n + 1) * PIECE] for column in columns], axis=1)


def _line(line: bytes, moved: list[bool], row: bytes) -> bytes:
    """One row with the numbers replaced that moved."""
    words, body = line.split(), line.strip()
    begin = line.index(body)
    texts = [new if is_new else old for new, old, is_new in zip(row.split(b" "), words, moved, strict=True)]
    if b" ".join(words) == body:
        inside = b" ".join(texts)
    else:
        blanks = _BLANKS.split(body)
        blanks[::2] = texts
        inside = b"".join(blanks)
    return line[:begin] + inside + line[begin + len(body) :]


def _spelled(columns: list[Array], places: int) -> Iterator[list[bytes]]:
    """Each row as text, in pieces of PIECE rows: numbers with this many decimals, never a minus zero."""
    pattern = b" ".join([f"%.{places}f".encode()] * len(columns))
    for n in range(-(-len(columns[0]) // PIECE)):
        rounded = np.round(_piece(columns, n), places) + 0.0
        yield [pattern % tuple(row) for row in rounded.tolist()]

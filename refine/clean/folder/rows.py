"""A BVH file with other samples: its header to the byte, and of its rows only the numbers that changed.

A whole clip changes on nearly every frame, so the numbers are spelled many at once, about 0.1 us each: replacing them
one by one, as `formats.patched` does for a few, would take hundreds of times as long.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from refine.formats import bvh_header
from refine.formats.digits import Bytes, Places, Window, spelled, windows
from refine.shot import Array, Shot

# A changed number gets at least these decimals (1e-6 deg, or of the shot's unit) [judge]: rounded like a recording of
# two decimals it would have that recording's noise again.
LEAST, MOST = 6, 12
LARGEST = 1e7  # [judge] deg, or of the shot's unit: up to there float64 keeps a hundredth of the last decimal
PIECE = 256  # rows spelled at once where all are written anew: what fits into the cache costs least
SAMPLED = 64  # rows in which the file's own decimals are looked up
WIDEST = 64  # bytes of a number, or of the blanks behind it, that a row's spelling is kept for

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
    return b"".join([head.rstrip() + end, *_anew(new, places, end)])


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


def _anew(columns: list[Array], places: int, end: bytes) -> Iterator[bytes]:
    """All rows, a space between numbers, in pieces."""
    blanks = np.zeros((len(columns), len(end)), np.uint8)
    blanks[:, 0] = np.frombuffer(b" ", np.uint8)
    blanks[-1] = np.frombuffer(end, np.uint8)
    for first in range(0, len(columns[0]), PIECE):
        values = _rows(columns, first, first + PIECE)
        yield _joined(spelled(values.ravel(), places), np.tile(blanks, (len(values), 1)))


def _respelled(data: bytes, start: int, old: list[Array], new: list[Array], places: int) -> Iterator[bytes]:
    """The rows in pieces, with new numbers where they changed."""
    first, count = 0, len(old[0])
    for window in windows(data, start):
        last = first + len(window.starts) // len(old)
        if not window.in_rows(len(old)) or last > count:
            raise _Wrapped
        values = _rows(new, first, last)
        yield _piece(window, values.ravel(), (values != _rows(old, first, last)).ravel(), places)
        first = last
    if first != count:
        raise _Wrapped


def _rows(columns: list[Array], first: int, last: int) -> Array:
    """(n, C) some rows of the samples."""
    return np.concatenate([column[first:last] for column in columns], axis=1)


def _piece(window: Window, values: Array, changed: NDArray[np.bool_], places: int) -> bytes:
    """The text of the window with the numbers replaced that changed."""
    text, starts, ends = window.text, window.starts, window.ends
    if not changed.any():
        return window.lines()
    kept = np.flatnonzero(~changed)
    new, old = spelled(values, places), _cut(text, starts[kept], ends[kept])
    numbers = np.zeros((len(values), max(new.shape[1], old.shape[1])), np.uint8)
    numbers[:, : new.shape[1]] = new
    numbers[kept] = 0
    numbers[kept, : old.shape[1]] = old
    blanks = _cut(text, ends, np.append(starts[1:], ends[-1]))
    inner = _joined(numbers, blanks)
    return window.lines(ends=starts[0]) + inner + window.lines(ends[-1])


def _cut(text: Bytes, starts: Places, ends: Places) -> Bytes:
    """(n, w) the bytes of spans of the text, each filled up with 0."""
    length = ends - starts
    widest = int(length.max(initial=0))
    if widest > WIDEST:
        raise _Wrapped
    found = np.zeros((len(starts), widest), np.uint8)
    for k in range(widest):
        at = np.flatnonzero(length > k)
        found[at, k] = text[starts[at] + k]
    return found


def _joined(numbers: Bytes, blanks: Bytes) -> bytes:
    """Each number and what stands behind it; bytes that are 0 don't count."""
    return np.hstack([numbers, blanks]).tobytes().translate(None, b"\0")

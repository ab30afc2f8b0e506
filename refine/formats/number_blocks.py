"""Blocks of numbers in text: frames as rows, channels as columns, read fast where the text is clean.

Three readers, all exact to the last bit (each number is the float64 nearest to its decimal text):

* `digits`, numpy's operations on the bytes, 150 to 300 MB/s, for plain decimals, a frame a line.
* `numpy.loadtxt`, 45 MB/s, where most numbers have exponents or very many digits.
* A tokeniser in Python, 25 MB/s, for whatever the other two can't be trusted with: frames wrapped over
  several lines, glued numbers, and every error, since only it can name the line.
"""

from __future__ import annotations

import io
import re
from array import array
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from refine.errors import InputError
from refine.formats import digits
from refine.formats.checked import LARGEST
from refine.formats.splice import Span
from refine.shot import Array

WINDOW = 1 << 17  # bytes looked at at once: what stays in the processor's cache costs least

# Other bytes send a block to the tokeniser. That also keeps out what loadtxt would take for numbers without a word:
# nan, a no-break space between digits.
_CLEAN = b"0123456789+-.eE \t\r\n"
_UNSIGNED = rb"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_NUMBER = re.compile(rb"[+-]?" + _UNSIGNED)
_GLUED = re.compile(rb"[+-]?" + _UNSIGNED + rb"(?:[+-]" + _UNSIGNED + rb")+")
_LINE = re.compile(rb"[^\r\n]+")
_WORD = re.compile(rb"\S+")

Locate = Callable[[int], str]  # the place of a byte offset, such as "walk.bvh: line 812"


def line_of(data: bytes, offset: int) -> int:
    """Line (from 1) of a byte offset; lines end in LF, CR LF or a lone CR."""
    ends = data.count(b"\n", 0, offset) + data.count(b"\r", 0, offset) - data.count(b"\r\n", 0, offset)
    # Between the CR and the LF of one line end the line isn't over.
    return 1 + ends - (data[offset - 1 : offset + 1] == b"\r\n")


def shown(word: bytes) -> str:
    """A word of the file for a message: quoted, whatever its bytes are, and short."""
    text = repr(word[:40].decode("latin-1"))
    return text + "..." if len(word) > 40 else text


def decimals(word: bytes, at: int, locate: Locate) -> list[float]:
    """The number that the word at byte `at` says, or the glued ones ("0.0-7.5" is two), or an InputError."""
    if not (_NUMBER.fullmatch(word) or _GLUED.fullmatch(word)):
        raise InputError(
            locate(at),
            f"found {shown(word)} where a number belongs",
            "decimal numbers with a point, such as -12.5 or 1e-05",
            "put a number there or export the file again",
        )
    values = [float(token) for token in _NUMBER.findall(word)]
    if not _in_range(values):
        raise InputError(locate(at), f"the number {shown(word)} is too large", f"at most {LARGEST:g}")
    return values


def _in_range(values: list[float]) -> bool:
    return not values or (min(values) >= -LARGEST and max(values) <= LARGEST)


def read_block(data: bytes, start: int, columns: int, locate: Locate) -> tuple[Array, list[str]]:
    """The numbers from byte `start` to the end as (N, columns), columns contiguous, and what there is to say.

    A frame may be wrapped over several lines, but begins on a line of its own. InputError with the line for
    words that aren't finite numbers, rows of a wrong length, a last row cut short, or no numbers at all.
    """
    if columns < 1:
        raise ValueError("a block of numbers needs columns")
    for read in (_digits, _loadtxt):
        values = read(data, start, columns)
        if values is not None and values.min() >= -LARGEST and values.max() <= LARGEST:
            return values, []
    return _read_carefully(data, start, columns, locate)


def _digits(data: bytes, start: int, columns: int) -> Array | None:
    """The block, None where it isn't plain decimals in rows."""
    lines = data.count(b"\n", start) or data.count(b"\r", start)
    # A number and a space are two bytes: more rows than that can't come, whatever the lines are.
    values = np.empty((min(lines, (len(data) - start) // (2 * columns)) + 1, columns), order="F")
    rows = 0
    for window in digits.windows(data, start):
        found = digits.values(window) if window.in_rows(columns) else None
        if found is None:
            return None
        count = len(found) // columns
        values[rows : rows + count] = found.reshape(count, columns)
        rows += count
    return values[:rows] if rows else None


def _loadtxt(data: bytes, start: int, columns: int) -> Array | None:
    """The block, None where its bytes or its rows aren't all in order."""
    if any(data[i : i + WINDOW].translate(None, _CLEAN) for i in range(start, len(data), WINDOW)):
        return None
    if _WORD.search(data, start) is None:
        return None
    stream = io.BytesIO(data)  # shares the bytes
    stream.seek(start)
    try:
        # Without comments=None a "-1.#IND" would be read as -1.
        values = np.loadtxt(stream, comments=None, ndmin=2)
    except ValueError:  # ragged rows, glued numbers, lone CRs: the tokeniser knows or says where
        return None
    return np.asfortranarray(values) if values.shape[1] == columns else None


def _read_carefully(data: bytes, start: int, columns: int, locate: Locate) -> tuple[Array, list[str]]:
    numbers = array("d")
    complete, begun = 0, start  # numbers in complete frames; offset of the line on which the open frame began
    glued: list[int] = []
    wrapped: list[int] = []
    for line in _LINE.finditer(data, start):
        if len(numbers) == complete:
            begun = line.start()
        row = _numbers(line, glued, locate)
        open_before = len(numbers) - complete
        numbers.extend(row)
        held = len(numbers) - complete
        if held > columns:
            raise _wrong_length(
                begun, open_before or held, complete // columns, columns, open_before > 0, locate
            )
        if held == columns:
            complete += columns
            if open_before:
                wrapped.append(begun)
    if len(numbers) > complete:
        raise _cut_short(begun, len(numbers) - complete, complete // columns, columns, locate)
    if not numbers:
        raise InputError(
            locate(len(data)),
            "no frame follows",
            f"rows of {columns} numbers",
            "export the clip with its motion",
        )
    return np.asfortranarray(np.frombuffer(numbers).reshape(-1, columns)), _remarks(glued, wrapped, locate)


def _numbers(line: re.Match[bytes], glued: list[int], locate: Locate) -> list[float]:
    """The numbers on a line; offsets of words that glue several together are added to `glued`."""
    text = line.group()
    if not text.translate(None, _CLEAN):
        try:
            row = list(map(float, text.split()))
        except ValueError:
            pass  # a glued number, or none at all: word by word below
        else:
            if _in_range(row):
                return row
    row = []
    for word in _WORD.finditer(text):
        at = line.start() + word.start()
        values = decimals(word.group(), at, locate)
        row += values
        if len(values) > 1:
            glued.append(at)
    return row


def _wrong_length(begun: int, held: int, frame: int, columns: int, wraps: bool, locate: Locate) -> InputError:
    if wraps:
        found = f"frame {frame} begins here with {held} numbers and the next line doesn't complete it"
    else:
        found = f"frame {frame} has {held} numbers"
    return InputError(
        locate(begun),
        found,
        f"{columns} numbers, one for each channel",
        "mend the row or export the clip again",
    )


def _cut_short(begun: int, held: int, frame: int, columns: int, locate: Locate) -> InputError:
    return InputError(
        locate(begun),
        f"the file ends within frame {frame}, which has {held} numbers",
        f"{columns} numbers, one for each channel",
        "complete the last row or delete it",
    )


def _remarks(glued: list[int], wrapped: list[int], locate: Locate) -> list[str]:
    notes = []
    if glued:
        more = f", and {len(glued) - 1} more" if len(glued) > 1 else ""
        notes.append(f"{locate(glued[0])}: numbers run together; split before the sign{more}")
    if wrapped:
        notes.append(f"{locate(wrapped[0])}: {len(wrapped)} frames are wrapped over several lines")
    return notes


def token_spans(
    data: bytes, start: int, shape: tuple[int, int], wanted: Sequence[tuple[int, int]]
) -> list[Span]:
    """Byte spans of the numbers at (row, column) of a block that `read_block` has read with that shape.

    Lines are indexed once; only lines that hold a wanted number are tokenised. ValueError if the block isn't
    the one that was read.
    """
    rows, columns = shape
    starts, ends = _lines(data, start, columns)
    if len(starts) == rows:
        first = np.arange(rows) * columns
    else:  # wrapped rows: count the numbers on each line
        counts = [len(_NUMBER.findall(data, a, b)) for a, b in zip(starts, ends, strict=True)]
        first = np.concatenate([[0], np.cumsum(counts)])
        if first[-1] != rows * columns:
            raise ValueError("the block doesn't hold the numbers that were read from it")
    tokens: dict[int, list[Span]] = {}
    spans = []
    for row, column in wanted:
        if not (0 <= row < rows and 0 <= column < columns):
            raise ValueError(f"no number stands at row {row}, column {column}")
        number = row * columns + column
        line = int(np.searchsorted(first, number, side="right")) - 1
        if line not in tokens:
            tokens[line] = [
                match.span() for match in _NUMBER.finditer(data, int(starts[line]), int(ends[line]))
            ]
        spans.append(tokens[line][number - int(first[line])])
    return spans


def _lines(data: bytes, start: int, columns: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First byte, and one past the last, of every line from `start` on that isn't blank."""
    breaks = np.concatenate([[start - 1], *_breaks(data, start), [len(data)]]).astype(np.intp)
    starts, ends = breaks[:-1] + 1, breaks[1:]
    full = ends > starts
    starts, ends = starts[full], ends[full]
    # A line too short for a whole row may be nothing but spaces; looking at every line would cost too much.
    short = np.flatnonzero(ends - starts < 2 * columns - 1)
    blank = [i for i in short if _WORD.search(data, int(starts[i]), int(ends[i])) is None]
    return np.delete(starts, blank), np.delete(ends, blank)


def _breaks(data: bytes, start: int) -> Iterator[NDArray[np.intp]]:
    buffer = np.frombuffer(data, np.uint8)
    returns = b"\r" in data
    for i in range(start, len(data), WINDOW):
        part = buffer[i : i + WINDOW]
        yield i + np.flatnonzero((part == 10) | (part == 13) if returns else part == 10)

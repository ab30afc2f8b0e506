"""Decimal numbers in text, many at once, by numpy's operations on the bytes themselves.

Reading: eight digits are one 64-bit word, in which neighbours are added up pair by pair (known as SWAR [mem]); sign,
digits before the point and decimals give a whole number M and the value M / 10^d, exact to the last bit: a division of
two numbers that are exact is the float64 nearest to the quotient. Writing: the whole number M four digits at a time,
from a table.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.shot import Array

Bytes = NDArray[np.uint8]
Places = NDArray[np.intp]
Words = NDArray[np.uint64]

WINDOW = 1 << 18  # bytes looked at at once: what stays in the processor's cache costs least
FEW = 1 / 8  # of the numbers that may have exponents or more digits than 19
_MARGIN = 32  # blanks before a window: words may begin before the first number
_BLANKS = np.frombuffer(b"\t\n\r", np.uint8)
_TAB = 9
_NUMERIC = b"0123456789+-.eE"
_PLUS, _MINUS, _POINT = b"+-."
_TEN = np.array([10**k for k in range(20)], np.uint64)
_FOURTHS = np.uint64(0x000000FF000000FF)  # one byte of four
_EXACT = 1 << 53  # whole numbers up to here are float64
_LONG = np.finfo(np.longdouble).nmant >= 63  # whether a long double holds all 64 bits of M
_QUADS = np.frombuffer(b"".join(b"%04d" % n for n in range(10_000)), np.uint32)
_SPELLED = 2.0**52  # M below which it has the digits that printf would write


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Whole lines of a text, with blanks around, and the numbers in them as positions in `text`."""

    text: Bytes
    starts: Places  # (n,) of each number's first byte
    ends: Places  # (n,) one past its last

    def lines(self, starts: int | np.intp = _MARGIN, ends: int | np.intp = -1) -> bytes:
        """The bytes from one position to another, all of the lines if none is given."""
        return self.text[starts:ends].tobytes()

    def in_rows(self, columns: int) -> bool:
        """Whether each line has so many numbers, or none, and only blanks stand between them."""
        at = np.flatnonzero(self.text < 32)
        controls = self.text[at]
        if len(self.starts) % columns or not np.isin(controls, _BLANKS).all():
            return False
        breaks = at[controls != _TAB]
        begins = np.unique(np.searchsorted(self.starts, np.append(0, breaks)))
        return np.array_equal(begins[begins < len(self.starts)], np.arange(0, len(self.starts), columns))


def windows(data: bytes, start: int) -> Iterator[Window]:
    """The text from byte `start` on, in whole lines."""
    end = b"\n" if data.find(b"\n", start) >= 0 else b"\r"
    while start < len(data):
        last = len(data)
        if last - start > WINDOW:
            last = data.rfind(end, start, start + WINDOW) + 1 or data.find(end, start) + 1 or last
        text = np.frombuffer(b" " * _MARGIN + data[start:last] + b" ", np.uint8)
        inside = text > 32
        edges = np.flatnonzero(inside[1:] != inside[:-1]) + 1
        yield Window(text, edges[::2], edges[1::2])
        start = last


def values(window: Window) -> Array | None:
    """(n,) the window's numbers, None where it holds other words or mostly numbers that aren't plain decimals."""
    text, starts, ends = window.text, window.starts, window.ends
    point = _points(window)
    sign = text[starts]
    first = starts + ((sign == _MINUS) | (sign == _PLUS))
    whole, decimals = point - first, np.maximum(ends - point - 1, 0)
    eights = np.ndarray((len(text) - 7,), "<u8", text, 0, (1,))  # one begins at each byte
    m, plain = _eight(eights[point - 8], np.minimum(whole, 8))
    plain &= (whole <= 8) & (whole + decimals < len(_TEN)) & (whole + decimals > 0)
    most = int(decimals.max(initial=0))
    decimals = np.where(plain, decimals, 0)
    m *= _TEN[decimals]
    for k in range(0, min(most, len(_TEN) - 1), 8):
        part, good = _eight(eights[ends - 8 - k], np.clip(decimals - k, 0, 8))
        m += part * _TEN[k]
        plain &= good
    found = _quotients(m, decimals, plain)
    np.negative(found, out=found, where=sign == _MINUS)
    rest = np.flatnonzero(~plain)
    if len(rest) > FEW * len(starts):
        return None
    words = [text[a:b].tobytes() for a, b in zip(starts[rest], ends[rest], strict=True)]
    if b"".join(words).translate(None, _NUMERIC):  # float would take 1_0 and nan, too
        return None
    try:
        found[rest] = list(map(float, words))
    except ValueError:
        return None
    return found


def _points(window: Window) -> Places:
    """(n,) where each number's first point stands, or its end."""
    points = np.flatnonzero(window.text == _POINT)
    if len(points) == len(window.starts) and np.all((window.starts <= points) & (points < window.ends)):
        return points
    following = np.append(points, len(window.text))[np.searchsorted(points, window.starts)]
    return np.asarray(np.minimum(following, window.ends))


def _eight(words: Words, count: Places) -> tuple[Words, NDArray[np.bool_]]:
    """The numbers that the last `count` of eight characters say, and whether these are digits."""
    shift = (64 - 8 * count).astype(np.uint64)
    digits = (words ^ 0x3030303030303030) >> shift << shift  # what comes before counts as 0
    good = ((digits + 0x7676767676767676 | digits) & 0x8080808080808080) == 0
    digits = digits * 10 + (digits >> 8)  # pairs, in every other byte
    low, high = digits & _FOURTHS, digits >> 16 & _FOURTHS
    found = low * np.uint64(100 + (10**6 << 32)) + high * np.uint64(1 + (10**4 << 32)) >> np.uint64(32)
    return found, good


def _quotients(m: Words, decimals: Places, plain: NDArray[np.bool_]) -> Array:
    """(n,) the float64 nearest to m / 10^decimals; `plain` is cleared where that isn't known."""
    found = m / _TEN[decimals]
    long = np.flatnonzero(m > _EXACT)
    if not _LONG:
        plain[long] = False
        return found
    quotient = m[long].astype(np.longdouble) / _TEN[decimals[long]]
    nearest = quotient.astype(np.float64)
    found[long] = nearest
    # Rounded twice: a quotient that seems to lie half-way to the next number may lie on either side of there.
    off = np.abs((quotient - nearest).astype(np.float64))
    power = (nearest.view(np.int64) & 0x7FF0000000000000).view(
        np.float64
    )  # below one itself half-way is nearer
    plain[long[(off >= power * (2.0**-53 - 2.0**-62)) | (nearest == power)]] = False
    return found


def spelled(numbers: Array, places: int) -> Bytes:
    """(n, w) the numbers (n,) as text with that many decimals, never a minus zero; bytes that are 0 don't count."""
    scaled = np.rint(numbers * 10.0**places)
    m = np.abs(scaled)
    most = float(m.max(initial=0.0))
    if most >= _SPELLED:
        rounded = np.round(numbers, places) + 0.0
        lines = np.array([b"%.*f" % (places, number) for number in rounded.tolist()])
        return lines.view(np.uint8).reshape(len(numbers), -1)
    digits = _digits(m.astype(np.int64), max(len(f"{most:.0f}"), places + 1))
    before = digits.shape[1] - places
    for k in range(before - 1):  # no zeros in front
        digits[:, k] *= m >= 10.0 ** (places + before - 1 - k)
    minus = np.where(scaled < 0, np.uint8(_MINUS), np.uint8(0))
    point = np.full((len(m), 1 if places else 0), _POINT, np.uint8)
    return np.hstack([minus[:, None], digits[:, :before], point, digits[:, before:]])


def _digits(m: NDArray[np.int64], count: int) -> Bytes:
    """(n, d) the digits of whole numbers, zeros in front; `count` of them or up to three more."""
    quads = np.empty((len(m), -(-count // 4)), np.uint32)
    for k in range(quads.shape[1] - 1, -1, -1):
        rest = m // 10_000
        quads[:, k] = _QUADS[m - 10_000 * rest]
        m = rest
    return quads.view(np.uint8)

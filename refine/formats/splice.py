"""Replacing single numbers in the bytes of a text file, each spelled as the file spells it.

What isn't replaced stays identical to the byte: line ends, tabs, comments, the digits of every other number.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

Span = tuple[int, int]  # byte offsets into the source: first byte, and one past the last

# float64 carries no more than 17 significant digits; more would only print the rounding of the binary number.
MOST_MANTISSA_DECIMALS = 16

_NUMBER = re.compile(r"([+-]?)(\d*)(?:(\.)(\d*))?(?:([eE])([+-]?)(\d+))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a number stands in a shot.

    `field` is "value", "incoming_slope", "outgoing_slope", or "key" for the key's frame number. `frame` is in
    frames of the shot, as its keys or samples have it.
    """

    control: str
    channel: str
    frame: float
    field: str


def splice(data: bytes, edits: Sequence[tuple[Span, str]]) -> bytes:
    """`data` with each span replaced by its text (as UTF-8); everything else is identical to the byte.

    Edits come in any order; the same edit given twice counts once. ValueError where two edits overlap, where
    one span is given two texts, and where a span lies outside the data.
    """
    view = memoryview(data)
    parts: list[bytes | memoryview] = []
    end = 0
    last: tuple[Span, str] | None = None
    for edit in sorted(edits):
        (start, stop), text = edit
        if edit == last:
            continue
        if not 0 <= start <= stop <= len(data):
            raise ValueError(f"the span {start}:{stop} lies outside the {len(data)} bytes")
        if start < end or (last is not None and last[0] == (start, stop)):
            raise ValueError(f"two edits touch the span {start}:{stop}")
        parts += [view[end:start], text.encode()]
        end, last = stop, edit
    return b"".join([*parts, view[end:]])


def spell(old: str, value: float, least_decimals: int = 0) -> str:
    """`value` printed like the number `old`: its decimals, its exponent style, its leading plus.

    At least `least_decimals` decimals are printed, so that a hand-typed "3" can become "3.1416". A number
    with an exponent keeps the decimals of its mantissa, or gets more where fewer would be coarser than the
    last digit of `old` ("1e-05" becomes "1.234500e+01", never "1e+01"). A value that rounds to zero has no
    minus sign unless `old` is such a zero itself. What counts afterwards is `float(spell(...))`.

    ValueError when `old` isn't a decimal number or `value` isn't finite.
    """
    match = _NUMBER.fullmatch(old)
    if match is None or not (match[2] or match[4]):
        raise ValueError(f"{old!r} isn't a decimal number")
    if not math.isfinite(value):
        raise ValueError(f"{value} can't be written as a number")
    sign, whole, point, fraction, letter, _, _ = match.groups(default="")
    if letter:
        text = _with_exponent(match, value, least_decimals)
    else:
        text = f"{value:.{max(len(fraction), least_decimals)}f}"
        if not whole:
            text = re.sub(r"^(-?)0\.", r"\1.", text)
    if point and "." not in text:
        text += "."
    if text.startswith("-"):
        return text if float(text) != 0 or (sign == "-" and float(old) == 0) else text[1:]
    return "+" + text if sign == "+" else text


def _with_exponent(old: re.Match[str], value: float, least_decimals: int) -> str:
    """`value` with an exponent of the same letter, sign and width as that of the number matched."""
    _, _, point, fraction, letter, plus, digits = old.groups(default="")
    last_digit = int(plus + digits) - len(fraction)  # power of ten
    if least_decimals:
        last_digit = min(last_digit, -least_decimals)
    power = int(f"{value:.{MOST_MANTISSA_DECIMALS}e}".partition("e")[2])
    needed = min(power - last_digit, MOST_MANTISSA_DECIMALS) if value else 0
    mantissa, _, exponent = f"{value:.{max(len(fraction), needed)}e}".partition("e")
    if point and "." not in mantissa:
        mantissa += "."
    # "1e-05" comes from printf, which prints a plus too; "1e-5" from shortest-form printers, which don't.
    positive = "+" if plus == "+" or (plus == "-" and len(digits) > 1) else ""
    sign = "-" if exponent.startswith("-") else positive
    return f"{mantissa}{letter}{sign}{exponent[1:].lstrip('0').zfill(len(digits))}"

"""Plain SVG, no library: elements as text, scales and round numbers for axes.

Colours are those of Okabe and Ito's palette, which colour-blind viewers can tell apart; nothing is said by
colour alone. Numbers are written with two decimals, so the same picture always has the same bytes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

INK, SOFT, FAINT, PAPER = "#222222", "#666666", "#d8d8d8", "#ffffff"
GREY, BLUE, VERMILLION = "#7a7a7a", "#0072B2", "#D55E00"
TINT = "#f5f1e6"  # of the range that was asked for
FONT = "DejaVu Sans, Helvetica, Arial, sans-serif"
# XML 1.0 has no way to write these, not even escaped.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Attribute = str | float | int | None


def number(value: float) -> str:
    """Two decimals without trailing zeros. ValueError for NaN and infinities, which no viewer can draw."""
    if not math.isfinite(value):
        raise ValueError(f"{value} can't be drawn")
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def clean(text: str) -> str:
    """The text with what XML can't hold replaced."""
    return _NOT_XML.sub("\ufffd", text)


def _quoted(value: str) -> str:
    """An attribute's value; what XML would make a space of is spelled out. (`xml.sax` would load a web client.)"""
    spelled = {ord("\t"): "&#9;", ord("\n"): "&#10;", ord("\r"): "&#13;", ord('"'): "&quot;"}
    return f'"{escape(value, quote=False).translate(spelled)}"'


def tag(name: str, *children: str, **attributes: Attribute) -> str:
    """One element. `stroke_width` becomes stroke-width; None leaves an attribute out."""
    parts = [
        f" {key.rstrip('_').replace('_', '-')}="
        + _quoted(clean(value) if isinstance(value, str) else number(value))
        for key, value in attributes.items()
        if value is not None
    ]
    inside = "".join(children)
    return f"<{name}{''.join(parts)}>{inside}</{name}>" if inside else f"<{name}{''.join(parts)}/>"


def group(children: Iterable[str], **attributes: Attribute) -> str:
    return tag("g", *children, **attributes)


def text(x: float, y: float, words: str, size: float = 12, **attributes: Attribute) -> str:
    """One line of text; `y` is its base line."""
    attributes = {"fill": INK, "font_size": size, **attributes}
    return tag("text", escape(clean(words), quote=False), x=x, y=y, **attributes)


def haloed(x: float, y: float, words: str, size: float, halo: str = PAPER, **attributes: Attribute) -> str:
    """A line of text with the ground's colour around it, to be read over lines.

    Twice, for programs that don't know of an order in which to paint; read aloud it is once.
    """
    ground = {**attributes, "fill": halo, "stroke": halo, "stroke_width": 3, "aria_hidden": "true"}
    return text(x, y, words, size, **ground) + text(x, y, words, size, **attributes)


def line(a: Sequence[float], b: Sequence[float], **attributes: Attribute) -> str:
    return tag("line", x1=a[0], y1=a[1], x2=b[0], y2=b[1], **attributes)


def path(points: Iterable[Sequence[float]], **attributes: Attribute) -> str:
    """An open line through points."""
    steps = " ".join(f"{number(p[0])},{number(p[1])}" for p in points)
    return tag("polyline", points=steps, **{"fill": "none", "stroke_linejoin": "round", **attributes})


def circle(centre: Sequence[float], radius: float, **attributes: Attribute) -> str:
    return tag("circle", cx=centre[0], cy=centre[1], r=radius, **attributes)


def rectangle(x: float, y: float, width: float, height: float, **attributes: Attribute) -> str:
    return tag("rect", x=x, y=y, width=width, height=height, **attributes)


def arrow(a: Sequence[float], b: Sequence[float], colour: str, width: float = 1.6) -> str:
    """A line from a to b with a head at b; nothing where the two are nearly one."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = math.hypot(dx, dy)
    if length < 2:
        return ""
    ux, uy = dx / length, dy / length
    head = min(7.0, length * 0.6)
    foot = (b[0] - ux * head, b[1] - uy * head)
    sides = [(foot[0] - uy * head * s, foot[1] + ux * head * s) for s in (0.45, -0.45)]
    corners = " ".join(f"{number(x)},{number(y)}" for x, y in (b, *sides))
    return line(a, foot, stroke=colour, stroke_width=width) + tag("polygon", points=corners, fill=colour)


@dataclass(frozen=True, slots=True)
class Scale:
    """Straight map of [low, high] to [start, end] on the page."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    @property
    def unit(self) -> float:
        """Page length of one, with its sign."""
        return (self.end - self.start) / (self.high - self.low)


def spread(low: float, high: float, margin: float, least: float) -> tuple[float, float]:
    """The interval with a share of it free on both sides, at least `least` long."""
    room = max((high - low) * margin, (least - (high - low)) / 2)
    return low - room, high + room


def round_step(length: float, count: int) -> float:
    """The step of 1, 2 or 5 times a power of ten that cuts `length` into at most `count` parts."""
    rough = length / count
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= rough * (1 - 1e-9))


def round_values(low: float, high: float, count: int) -> list[float]:
    """Round numbers inside [low, high]."""
    step = round_step(high - low, count)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def document(width: float, height: float, title: str, children: Iterable[str]) -> str:
    """The whole picture on white paper; `title` is what screen readers say."""
    paper = rectangle(0, 0, width, height, fill=PAPER)
    named = tag("title", escape(clean(title), quote=False))
    return (
        tag(
            "svg",
            named,
            paper,
            "\n".join(children),
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {number(width)} {number(height)}",
            width=width,
            height=height,
            font_family=FONT,
        )
        + "\n"
    )

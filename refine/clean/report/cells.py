"""What the report's page is made of: elements, words, and the small bars of a table's cells."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from refine.review import svg
from refine.review.svg import PAPER

BAR, HIGH = 84.0, 12.0  # px, length and height of a bar


def element(name: str, inside: str, **attributes: str) -> str:
    """One element; `css` becomes class, data_of data-of. `inside` is HTML already, attributes are plain text."""
    names = {"css": "class"}
    said = "".join(
        f' {names.get(key, key.replace("_", "-"))}="{escape(svg.clean(value))}"'
        for key, value in attributes.items()
    )
    return f"<{name}{said}>{inside}</{name}>"


def safe(text: str) -> str:
    """Text as HTML: nothing in it is taken for markup."""
    return escape(svg.clean(text), quote=False)


def cell(title: str, bar: str, fact: str, more: str = "", css: str = "fact") -> str:
    """A cell with a bar, the fact that it shows, and something small below; a phone says its title beside it."""
    small = element("small", safe(more)) if more else ""
    return element("td", element("div", bar + safe(fact), css="pair") + small, css=css, data_of=title)


def drawn_bar(inside: Iterable[str], words: str, high: float = HIGH) -> str:
    """A picture of a bar's parts, with words for who doesn't see it."""
    title = svg.tag("title", safe(words))
    return svg.tag("svg", title, *inside, viewBox=f"0 0 {BAR:g} {high:g}", width=BAR, height=high, role="img")


def length(value: float, full: float) -> float:
    """px of a bar that is cut off at its full length."""
    return BAR * min(max(value / full, 0.0), 1.0)


def notch(value: float, full: float, y: float, high: float) -> str:
    """A gap near the end of a bar that is cut off: it goes on beyond its scale."""
    if value <= full:
        return ""
    corners = [(BAR - 12, y + high), (BAR - 8, y), (BAR - 5, y), (BAR - 9, y + high)]
    return svg.tag("polygon", points=" ".join(f"{x:g},{at:g}" for x, at in corners), fill=PAPER)

"""The trade-off between variants: how much unevenness each leaves for how large a move, drawn and in numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from refine.review import panel_arc, panel_frames, svg
from refine.review.panel_arc import Box
from refine.review.svg import BLUE, INK, SOFT, Scale

LETTER = 6.3  # width of a letter of size 11, more or less

Table = Sequence[
    Mapping[str, float]
]  # a row a variant: `left` (share of the unevenness), `largest_move` (px)


def shortened(words: str, room: float) -> str:
    most = max(int(room / LETTER), 6)
    return words if len(words) <= most else words[: most - 1] + "…"


def trade_off(
    names: Sequence[str], table: Table, knee: int | None, series: Sequence[int], box: Box
) -> list[str]:
    """Unevenness left (up) against the largest move (right), a mark for each variant, the knee ringed.

    The line joins those of the `series`, the strengths, in their order; others are ways of their own.
    """
    moves, left = [float(row["largest_move"]) for row in table], [100 * float(row["left"]) for row in table]
    x = Scale(0.0, max(*moves, 1.0) * 1.25, box.x, box.right)
    y = Scale(0.0, max(*left, 100.0) * 1.08, box.bottom, box.y)
    places = [(x(a), y(b)) for a, b in zip(moves, left, strict=True)]
    parts = [panel_arc.heading(box, "What more strength buys", "% of the unevenness left"), _axes(box, x, y)]
    if len(series) > 1:
        steps = [places[n] for n in series]
        parts.append(svg.path(steps, stroke=BLUE, stroke_width=1.2, opacity=0.6, class_="steps"))
    for n, place in enumerate(places):
        parts.append(svg.circle(place, 4.2, fill=BLUE, class_="variant", data_row=n))
        if n == knee:
            parts.append(svg.circle(place, 9, fill="none", stroke=INK, stroke_width=1.8, class_="knee"))
    return [svg.group([*parts, *_labels(names, places, knee)], class_="trade-off")]


def _axes(box: Box, x: Scale, y: Scale) -> str:
    """Px to the right, per cent up."""
    parts = [
        svg.line((box.x, box.bottom), (box.right, box.bottom), stroke=SOFT),
        panel_frames.values_axis(box, y, 5),
        svg.text(box.right, box.bottom + 32, "largest move, px", 11, fill=SOFT, text_anchor="end"),
    ]
    for value in svg.round_values(0.0, x.high, 6):
        place = x(value), box.bottom + 16
        parts.append(svg.line((x(value), box.bottom), (x(value), box.bottom + 4), stroke=SOFT))
        parts.append(svg.text(*place, f"{value:g}", 10.5, fill=SOFT, text_anchor="middle"))
    return "".join(parts)


def _labels(names: Sequence[str], places: Sequence[tuple[float, float]], knee: int | None) -> list[str]:
    """Names of the variants, the knee's first, each on the first side of its mark that is free."""
    parts, taken = [], [(x - 6, y - 6, x + 6, y + 6) for x, y in places]
    for n in sorted(range(len(names)), key=lambda n: n != knee):
        words = names[n] + (", knee" if n == knee else "")
        wide = LETTER * 1.1 * len(words)
        x, y = places[n]
        sides = [(x + 12, y + dy) for dy in (-9, 18, 34)] + [(x - 12 - wide, y + dy) for dy in (-9, 18, 34)]
        for left, base in sides:
            room = left, base - 10, left + wide, base + 2
            if not any(_cross(room, other) for other in taken):
                taken.append(room)
                bold = "bold" if n == knee else None
                parts.append(svg.text(left, base, words, 11, font_weight=bold))
                break
    return parts


def _cross(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def numbers(names: Sequence[str], table: Table, knee: int | None, box: Box) -> list[str]:
    """The same numbers to read off."""
    columns = (box.x, box.x + 250, box.x + 370)
    heads = ("variant", "unevenness left", "largest move")
    parts = [panel_arc.heading(box, "In numbers")]
    anchors = ("start", "end", "end")
    for x, words, anchor in zip(columns, heads, anchors, strict=True):
        parts.append(svg.text(x, box.y + 14, words, 11, fill=SOFT, text_anchor=anchor))
    for n, (name, row) in enumerate(zip(names, table, strict=True)):
        y = box.y + 36 + 20 * n
        cells = (shortened(name, 190), f"{100 * row['left']:.1f} %", f"{row['largest_move']:.2f} px")
        bold = "bold" if n == knee else None
        for x, words, anchor in zip(columns, cells, anchors, strict=True):
            parts.append(svg.text(x, y, words, 12, text_anchor=anchor, font_weight=bold))
        if n == knee:
            parts.append(svg.text(columns[2] + 14, y, "knee", 12, font_weight="bold"))
    return parts

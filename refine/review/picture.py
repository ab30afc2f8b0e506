"""Pictures of a change, as one SVG: the arc on screen, the spacing, the curves, and what has moved.

`suggestion_picture` shows one change, `comparison_picture` several strengths of it side by side. Both measure
through the shot's camera. Before and after lie on each other where nothing changed; the strip at the bottom
shows the difference alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from refine.pose import Point
from refine.review import panel_arc, panel_frames, panel_trade, svg
from refine.review.panel_arc import Box, Track
from refine.review.panel_trade import LETTER, Table
from refine.review.scene import (
    Pairs,
    Scene,
    changes_in_words,
    channel_of,
    moves_in_words,
    scene,
    unit_of,
    watched,
    whole_keys,
    with_after,
)
from refine.review.svg import BLUE, GREY, INK, SOFT, TINT, VERMILLION, Scale
from refine.shot import Shot

WIDTH, MARGIN = 1200.0, 28.0
ARC_WIDTH, ARC_LEAST, AXIS = 500.0, 420.0, 72.0
CURVE, SPACING, STRIP, GAP, LANE, LINE = 150.0, 120.0, 78.0, 42.0, 18.0, 19.0  # heights
MOST_CURVES, MOST_LANES, MOST_COLUMNS = 4, 4, 5


def suggestion_picture(
    before: Shot,
    after: Shot,
    frames: tuple[int, int],
    control: str,
    channels: Sequence[str],
    camera: str | None,
    title: str,
) -> str:
    """What changes in a range, as SVG text: arc, spacing, curves of the `channels` and the difference in px.

    `title` says why. Both shots have the same controls. Where the channels move nothing that can be seen only
    their curves are drawn. KeyError for an unknown control or channel, InputError for an unknown camera,
    ValueError for a range outside the shot.
    """
    seen = scene(before, after, frames, camera)
    old, new = (shot.control(control) for shot in (before, after))
    pairs = [(channel_of(old, name), channel_of(new, name)) for name in channels]
    point = watched(seen, control, channels)
    track = None if point is None else seen.track(point, whole_keys(channel for _, channel in pairs))
    remarks = [changes_in_words(before, pairs, control), moves_in_words(seen, control, track)]
    head, top = _head(title, remarks)
    body, bottom = _body(seen, control, pairs, track, top + 34)
    return svg.document(WIDTH, bottom + 40, title, [*head, *body, _legend(bottom + 22, frames)])


def _head(title: str, remarks: Sequence[str]) -> tuple[list[str], float]:
    """Title and remarks, wrapped, and where they end."""
    parts, y = [], 18.0
    for row in textwrap.wrap(title, 100) or [title]:
        y += LINE + 4
        parts.append(svg.text(MARGIN, y, row, 19, font_weight="bold"))
    y += 4
    for row in (row for remark in remarks for row in textwrap.wrap(remark, 150)):
        y += LINE
        parts.append(svg.text(MARGIN, y, row, 13.5, fill=SOFT))
    return parts, y


def _legend(y: float, frames: tuple[int, int]) -> str:
    """How to read the picture."""
    x = MARGIN
    return svg.group(
        [
            svg.line(
                (x, y - 4), (x + 34, y - 4), stroke=GREY, stroke_width=1.3, stroke_dasharray=panel_arc.DASH
            ),
            svg.circle((x + 17, y - 4), 3.6, fill=svg.PAPER, stroke=GREY),
            svg.text(x + 42, y, "before"),
            svg.line((x + 110, y - 4), (x + 144, y - 4), stroke=BLUE, stroke_width=1.8),
            svg.circle((x + 127, y - 4), 3.6, fill=BLUE),
            svg.text(x + 152, y, "after"),
            svg.arrow((x + 210, y - 4), (x + 240, y - 4), VERMILLION),
            svg.text(x + 248, y, "what moved"),
            svg.rectangle(x + 350, y - 11, 24, 13, fill=TINT, stroke=panel_frames.EDGE),
            svg.text(x + 382, y, f"the range, frames {frames[0]} to {frames[1]}"),
            svg.circle((x + 590, y - 4), 1.9, fill=BLUE),
            svg.text(x + 600, y, "a frame"),
            svg.circle((x + 675, y - 4), 4.2, fill=BLUE),
            svg.line((x + 661, y - 4), (x + 689, y - 4), stroke=INK, stroke_width=1.1),
            svg.text(x + 696, y, "a key, with the direction of its slope"),
        ],
        class_="legend",
    )


# --- one change ---


def _body(
    seen: Scene, control: str, pairs: Pairs, track: Track | None, top: float
) -> tuple[list[str], float]:
    """All panels from `top` down, and where they end: the arc left, what runs over frames right."""
    left = MARGIN + AXIS + (ARC_WIDTH if track is not None else 0)
    column = Box(left, top, WIDTH - MARGIN - 14 - left, 0)
    x = panel_frames.frame_scale(seen.posed.frames, column)
    parts, y = _lanes(seen, control, x, top)
    if track is not None:
        box = Box(left, y, column.width, SPACING)
        top_step = panel_frames.spacing_top([track])
        parts.append(panel_arc.heading(box, "Spacing", "px from frame to frame"))
        parts.append(panel_frames.spacing(track, box, x, top_step))
        y = box.bottom + GAP
    for old, new in pairs[:MOST_CURVES]:
        box = Box(left, y, column.width, CURVE)
        unit = unit_of(seen.before, old)
        parts.append(panel_arc.heading(box, f"{control}.{old.name}", unit))
        parts.append(panel_frames.curve(seen.before, old, new, box, x, seen.asked, unit))
        y = box.bottom + GAP
    if track is not None:
        box = Box(left, y, column.width, STRIP)
        parts.append(panel_arc.heading(box, "Moved by", f"px on screen, {track.name}"))
        parts.append(panel_frames.difference(track, box, x))
        y = box.bottom + GAP
    bottom = y - GAP
    parts.append(panel_frames.frame_numbers(Box(left, top, column.width, bottom - top), x))
    if track is not None:
        bottom = max(bottom, top + ARC_LEAST)
        parts += _arcs(seen, track, Box(MARGIN, top, ARC_WIDTH, bottom - top))
    return parts, bottom + 22


def _arcs(seen: Scene, track: Track, box: Box) -> list[str]:
    """The whole arc, and its worst part larger where there is room."""
    whole, close = panel_arc.whole_and_close(track, box)
    parts = [panel_arc.arc(track, whole), panel_arc.scale_bar(whole)]
    if close is None:
        return [
            panel_arc.heading(box, f"Arc of {track.name}", "as the camera sees it"),
            *parts,
            panel_arc.whole_screen(whole, seen.view.width, seen.view.height),
        ]
    times = f"{close.scale / whole.scale:.1f} times as large"
    return [
        panel_arc.heading(whole.box, f"Arc of {track.name}"),
        *parts,
        panel_arc.heading(close.box, f"around frame {track.frames[track.worst]:g}", times),
        panel_arc.arc(track, close),
        panel_arc.scale_bar(close),
        panel_arc.whole_screen(whole, seen.view.width, seen.view.height, close.box),
    ]


def _lanes(seen: Scene, control: str, x: Scale, top: float) -> tuple[list[str], float]:
    """What the artist marked and pinned on these frames, a line each, and where the panels below may begin."""
    shot = seen.before
    found = [
        (mark.frames, f"{mark.kind}{': ' + mark.note if mark.note else ''}")
        for mark in shot.marks
        if not mark.controls or control in mark.controls
    ]
    found += [
        (pin.frames, f"pinned{': ' + pin.channel if pin.channel else ''}")
        for pin in shot.pins
        if pin.control == control
    ]
    shown = [(f, words) for f, words in found if f[1] >= x.low and f[0] <= x.high][:MOST_LANES]
    parts = []
    for n, ((a, b), words) in enumerate(shown):
        parts += _lane(x, top - 12 + LANE * n, max(a, x.low), min(b, x.high), words)
    return parts, top + (LANE * len(shown) + 16 if shown else 0)


def _lane(x: Scale, y: float, a: float, b: float, words: str) -> list[str]:
    """A bracket over frames a to b with its words on the side that has more room."""
    start, end = max(x(a) - 3, x.start), min(x(b) + 3, x.end)
    bracket = svg.path([(start, y + 4), (start, y), (end, y), (end, y + 4)], stroke=INK, stroke_width=1.3)
    right, left = x.end - end - 6, start - x.start - 6
    after = right >= min(LETTER * len(words), left)
    fit = textwrap.shorten(words, max(int(max(right if after else left, 60) / LETTER), 8), placeholder=" ...")
    if after:
        return [bracket, svg.text(end + 6, y + 5, fit, 11)]
    return [bracket, svg.text(start - 6, y + 5, fit, 11, text_anchor="end")]


# --- several strengths ---


def comparison_picture(
    before: Shot,
    variants: Sequence[tuple[float | str, Shot]],
    frames: tuple[int, int],
    point: Point,
    camera: str | None,
    table: Table,
    knee: int | None = None,
) -> str:
    """Several variants of one change side by side, as SVG text, and the trade-off between them.

    A variant is a strength (or a name) and the shot that it leads to. Row i of the table belongs to variant i:
    `left` is the share of the unevenness that is left, `largest_move` in px. `knee` is the position of the
    variant where more strength stops paying. The path is that of `point`. All arcs have one scale, all spacings
    another. ValueError without variants or where the table has another length.
    """
    if not variants or len(variants) != len(table):
        raise ValueError(f"{len(variants)} variants, {len(table)} rows of the table")
    start = scene(before, before, frames, camera)
    scenes = [with_after(start, shot) for _, shot in variants]
    keys = whole_keys(channel for each in scenes for channel in each.changed_channels())
    tracks = [each.track(point, keys) for each in scenes]
    names = [_variant_name(label) for label, _ in variants]
    title = f"{point.control}, frames {frames[0]} to {frames[1]}: {len(variants)} variants side by side"
    seen = f"Measured at {tracks[0].name}, seen through {start.view.name}, "
    seen += f"{start.view.width} x {start.view.height} px. All arcs have one scale, all spacings another."
    head, top = _head(title, [seen, _knee_in_words(names, table, knee)])
    small, bottom = _small_multiples(tracks, names, table, knee, top + 34)
    series = [n for n, (label, _) in enumerate(variants) if not isinstance(label, str)]
    trade = panel_trade.trade_off(names, table, knee, series, Box(MARGIN + AXIS, bottom + 40, 460, 230))
    rows = panel_trade.numbers(names, table, knee, Box(MARGIN + AXIS + 540, bottom + 40, 500, 230))
    end = bottom + 40 + 230 + 44
    return svg.document(WIDTH, end + 40, title, [*head, *small, *trade, *rows, _legend(end + 20, frames)])


def idle_picture(frames: tuple[int, int], reason: str) -> str:
    """That no variant changes anything, and why, in words: there is nothing to draw."""
    title = f"frames {frames[0]} to {frames[1]}: nothing changes at any strength"
    head, end = _head(title, [reason])
    return svg.document(WIDTH, end + MARGIN, title, head)


def _variant_name(label: float | str) -> str:
    return label if isinstance(label, str) else f"strength {label:g}"


def _knee_in_words(names: Sequence[str], table: Table, knee: int | None) -> str:
    if knee is None:
        return "No knee: none of them pays clearly more than the others."
    row = table[knee]
    return (
        f"Knee at {names[knee]}: {100 * row['left']:.0f} % of the unevenness left for a move of "
        f"{row['largest_move']:.1f} px. Choosing stays yours."
    )


def _small_multiples(
    tracks: Sequence[Track],
    names: Sequence[str],
    table: Table,
    knee: int | None,
    top: float,
) -> tuple[list[str], float]:
    """An arc with its spacing below for each variant, in rows, and where they end."""
    columns = min(len(tracks), MOST_COLUMNS)
    pitch = (WIDTH - 2 * MARGIN - 30) / max(columns, 2)
    width, height = pitch - 22, 190.0
    shown = _moving(tracks)
    arcs = [path[shown] for track in tracks for path in (track.before, track.after)]
    step = panel_frames.spacing_top(tracks)
    parts: list[str] = []
    for n, (track, name, row) in enumerate(zip(tracks, names, table, strict=True)):
        x, y = MARGIN + 30 + pitch * (n % columns), top + 20 + (height + 170) * (n // columns)
        box, below = Box(x, y, width, height), Box(x, y + height + 14, width, 74)
        if n == knee:
            parts.append(_frame(Box(x - 8, y - 42, width + 16, height + 160)))
        parts.append(svg.text(x, y - 25, panel_trade.shortened(name, width - 40), 13, font_weight="bold"))
        words = f"moves {row['largest_move']:.1f} px, leaves {100 * row['left']:.0f} %"
        parts.append(svg.text(x, y - 9, panel_trade.shortened(words, width), 11, fill=SOFT))
        cut = panel_arc.crop(arcs, box)
        parts += [panel_arc.arc(track, cut, labels=False), panel_arc.scale_bar(cut)]
        over = panel_frames.frame_scale(track.frames, below)
        parts.append(panel_frames.spacing(track, below, over, step, axis=n % columns == 0))
        parts.append(panel_frames.frame_numbers(below, over, 5))
    rows = -(-len(tracks) // columns)
    return parts, top + (height + 170) * rows - 24


def _moving(tracks: Sequence[Track]) -> slice:
    """The frames on which any variant moves, two more on each side; all of them where none does."""
    most = np.max([track.moved for track in tracks], axis=0)
    moving = np.flatnonzero(most > max(panel_arc.SAME, 0.05 * float(most.max())))
    return slice(max(int(moving[0]) - 2, 0), int(moving[-1]) + 3) if len(moving) else slice(None)


def _frame(box: Box) -> str:
    """A heavier frame and a word: this is the knee."""
    rect = svg.rectangle(box.x, box.y, box.width, box.height, fill="none", stroke=INK, stroke_width=1.6, rx=5)
    label = svg.text(box.right - 8, box.y + 17, "knee", 11, font_weight="bold", text_anchor="end")
    return rect + label

"""A point's path on screen, and the panel that shows it as an arc with a mark at each frame.

What stood before is grey, thin and dashed with open marks; what is proposed is blue, solid and filled; what
changed carries a vermillion arrow. Both axes have the same scale, whose size in px is stated.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from refine.review import svg
from refine.review.svg import BLUE, FAINT, GREY, INK, SOFT, TINT, VERMILLION
from refine.shot import Array

DASH = "4 3"
SAME = 0.05  # px; less is drawn as unchanged
ROOMY = 0.4  # of the panel: an arc that fills less of it in one direction leaves room for a second view
NEAR = 4  # frames on each side of the worst one in the second view
CLOSER = 1.5  # times that the second view must be larger
LEAST_EXTENT = 8.0  # px of the screen that an arc's panel shows at least


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the page."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        return self.x + self.width

    @property
    def bottom(self) -> float:
        return self.y + self.height


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One point on screen over N whole frames, before and after, px; `asked` is the range that was asked for."""

    name: str
    frames: Array  # (N,)
    before: Array  # (N, 2)
    after: Array  # (N, 2)
    keys: tuple[int, ...]
    asked: tuple[int, int]

    @property
    def moved(self) -> Array:
        """(N,) px between before and after."""
        apart: Array = np.linalg.norm(self.after - self.before, axis=1)
        return apart

    @property
    def worst(self) -> int:
        """Position of the frame with the largest move."""
        return int(np.argmax(self.moved))

    def spacing(self, path: Array) -> Array:
        """(N - 1,) px from each frame to the next one."""
        steps: Array = np.linalg.norm(np.diff(path, axis=0), axis=1)
        return steps


@dataclass(frozen=True, slots=True)
class Crop:
    """The part of the screen that an arc's panel shows: page = origin + (px - corner) * scale."""

    corner: tuple[float, float]  # px
    size: tuple[float, float]  # px
    box: Box

    @property
    def scale(self) -> float:
        return self.box.width / self.size[0]

    def __call__(self, point: Sequence[float]) -> tuple[float, float]:
        return (
            self.box.x + (float(point[0]) - self.corner[0]) * self.scale,
            self.box.y + (float(point[1]) - self.corner[1]) * self.scale,
        )


def whole_and_close(track: Track, box: Box) -> tuple[Crop, Crop | None]:
    """The crop of the whole arc, and where the arc leaves much of the box empty one of its worst part beside it.

    A tall arc leaves room at its side, a flat one below. No second one where nothing moved or where it would show
    hardly more.
    """
    whole = crop((track.before, track.after), box)
    extent = np.ptp(np.concatenate([track.before, track.after]), axis=0) * whole.scale
    if track.moved.max() <= SAME or min(extent[0] / box.width, extent[1] / box.height) > ROOMY:
        return whole, None
    if extent[1] / box.height > extent[0] / box.width:
        first = Box(box.x, box.y, box.width * 0.36, box.height)
        second = Box(first.right + 12, box.y, box.width - first.width - 12, box.height)
    else:
        first = Box(box.x, box.y, box.width, box.height * 0.42)
        second = Box(box.x, first.bottom + 30, box.width, box.height - first.height - 30)
    whole = crop((track.before, track.after), first)
    near = slice(max(track.worst - NEAR, 0), track.worst + NEAR + 1)
    close = crop((track.before[near], track.after[near]), second)
    return (
        (whole, close)
        if close.scale > CLOSER * whole.scale
        else (crop((track.before, track.after), box), None)
    )


def crop(paths: Iterable[Array], box: Box, margin: float = 0.1) -> Crop:
    """The least part of the screen, in the shape of the box, that holds the paths (N, 2) with some room."""
    points = np.concatenate(list(paths))
    low, high = points.min(axis=0), points.max(axis=0)
    extent = np.maximum(high - low, LEAST_EXTENT / 2) * (1 + 2 * margin)
    width = float(max(extent[0], extent[1] * box.width / box.height, LEAST_EXTENT))
    size = width, width * box.height / box.width
    middle = (low + high) / 2
    return Crop((float(middle[0]) - size[0] / 2, float(middle[1]) - size[1] / 2), size, box)


def heading(box: Box, words: str, note: str = "") -> str:
    """A panel's name above its box, and a remark in smaller letters after it."""
    title = svg.text(box.x, box.y - 9, words, 13, font_weight="bold")
    return title + (svg.text(box.right, box.y - 9, note, 11, fill=SOFT, text_anchor="end") if note else "")


# --- the arc ---


def arc(track: Track, cut: Crop, labels: bool = True) -> str:
    """The path before and after, a tick at each frame, the keys larger, what moved joined by thin lines."""
    box = cut.box
    back = svg.rectangle(box.x, box.y, box.width, box.height, fill="#fbfbfb", stroke=FAINT)
    parts: list[str] = []
    parts += [_path(track, cut, track.before, "before"), _path(track, cut, track.after, "after")]
    parts += _moves(track, cut)
    parts += _marks(track, cut, track.before, "before") + _marks(track, cut, track.after, "after")
    if labels:
        parts += _frame_numbers(track, cut)
    inside = svg.tag(
        "svg",
        svg.group(parts, transform=f"translate({svg.number(-box.x)} {svg.number(-box.y)})"),
        x=box.x,
        y=box.y,
        width=box.width,
        height=box.height,
    )
    return svg.group(
        [back, inside],
        class_="arc",
        data_left=cut.corner[0],
        data_top=cut.corner[1],
        data_scale=f"{cut.scale:.9g}",
    )


def _path(track: Track, cut: Crop, path: Array, when: str) -> str:
    look: dict[str, svg.Attribute] = (
        {"stroke": GREY, "stroke_width": 1.3, "stroke_dasharray": DASH}
        if when == "before"
        else {"stroke": BLUE, "stroke_width": 1.8}
    )
    return svg.path([cut(p) for p in path], class_=f"path {when}", **look)


def _moves(track: Track, cut: Crop) -> list[str]:
    """A thin line from before to after at each frame that moved, an arrow at the one that moved most."""
    lines = []
    for n in np.flatnonzero(track.moved > SAME):
        a, b = cut(track.before[n]), cut(track.after[n])
        if n == track.worst:
            lines.append(svg.arrow(a, b, VERMILLION, 2.0))
        else:
            lines.append(svg.line(a, b, stroke=VERMILLION, stroke_width=0.7, opacity=0.75))
    return lines


def _marks(track: Track, cut: Crop, path: Array, when: str) -> list[str]:
    """A mark at each frame: small, larger at keys, fainter outside the range."""
    marks = []
    for n, frame in enumerate(track.frames):
        if when == "before" and track.moved[n] <= SAME:
            continue  # it would lie under the other one
        radius = 4.2 if int(frame) in track.keys else 1.9
        inside = track.asked[0] <= frame <= track.asked[1]
        look = {"fill": svg.PAPER, "stroke": GREY} if when == "before" else {"fill": BLUE, "stroke": BLUE}
        marks.append(
            svg.circle(
                cut(path[n]),
                radius,
                class_=f"frame {when}",
                data_frame=float(frame),
                opacity=None if inside else 0.45,
                **look,
            )
        )
    return marks


def _frame_numbers(track: Track, cut: Crop) -> list[str]:
    """The numbers of the keys beside the path, the worst frame's first, none over another."""
    wanted = [track.worst] if track.moved.max() > SAME else []
    shown = {int(frame): n for n, frame in enumerate(track.frames)}
    wanted += [shown[k] for k in track.keys if k in shown and shown[k] not in wanted]
    labels: list[str] = []
    taken: list[tuple[float, float]] = []
    for n in wanted:
        x, y = _beside(track, cut, n)
        if not (
            cut.box.x <= cut(track.after[n])[0] <= cut.box.right
            and cut.box.y <= cut(track.after[n])[1] <= cut.box.bottom
        ):
            continue
        if any(abs(x - u) < 24 and abs(y - v) < 13 for u, v in taken):
            continue
        taken.append((x, y))
        bold = "bold" if n == wanted[0] else None
        words = f"{track.frames[n]:g}"
        labels.append(svg.text(x, y + 4, words, 11, text_anchor="middle", font_weight=bold))
    return labels


def _beside(track: Track, cut: Crop, n: int) -> tuple[float, float]:
    """A place 17 from the path at frame n, on the side away from where it came from."""
    ahead, behind = track.after[min(n + 1, len(track.after) - 1)], track.after[max(n - 1, 0)]
    tangent = ahead - behind
    size = hypot(*tangent)
    normal = np.array([-tangent[1], tangent[0]]) / size if size > 1e-9 else np.array([0.0, -1.0])
    if normal @ (track.after[n] - track.before[n]) < 0:
        normal = -normal
    x, y = cut(track.after[n])
    box = cut.box
    x, y = x + 17 * normal[0], y + 17 * normal[1]
    return min(max(x, box.x + 12), box.right - 12), min(max(y, box.y + 9), box.bottom - 9)


def scale_bar(cut: Crop) -> str:
    """A bar of a round number of px in the lower left corner, so that sizes can be read."""
    length = svg.round_step(cut.size[0] * 0.3, 1)
    while length > cut.size[0] * 0.4:
        length /= 2
    x, y = cut.box.x + 12, cut.box.bottom - 12
    end = x + length * cut.scale
    bar = svg.path([(x, y - 4), (x, y), (end, y), (end, y - 4)], stroke=INK, stroke_width=1.2)
    return bar + svg.haloed(end + 6, y + 1, f"{length:g} px on screen", 11, fill=SOFT)


def whole_screen(cut: Crop, width: int, height: int, inside: Box | None = None) -> str:
    """A small picture of the whole image with the part that the crop shows, lower right in its box or another."""
    wide = 96.0
    tall = wide * height / width
    box = cut.box if inside is None else inside
    x, y = box.right - wide - 10, box.bottom - tall - 10
    to = wide / width
    a = [min(max(cut.corner[i], 0.0), (width, height)[i]) for i in (0, 1)]
    b = [min(max(cut.corner[i] + cut.size[i], 0.0), (width, height)[i]) for i in (0, 1)]
    frame = svg.rectangle(x, y, wide, tall, fill=svg.PAPER, stroke=SOFT, stroke_width=0.8)
    part = svg.rectangle(
        x + a[0] * to,
        y + a[1] * to,
        max((b[0] - a[0]) * to, 2.0),
        max((b[1] - a[1]) * to, 2.0),
        fill=TINT,
        stroke=INK,
        stroke_width=0.8,
    )
    return frame + part + svg.text(x, y - 4, f"{width} x {height} px", 9, fill=SOFT)

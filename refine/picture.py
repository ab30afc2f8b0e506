"""Pictures of a change, as one SVG: the arc on screen, the spacing, the curves, and what has moved.

`suggestion_picture` shows one change, `comparison_picture` several strengths of it side by side. Both measure
through the shot's camera. Before and after lie on each other where nothing changed; the strip at the bottom
shows the difference alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from refine import panels, svg
from refine.curve import sample
from refine.measure import carried, largest_moves, most_moved
from refine.panels import Box, Track
from refine.pose import Point, Pose, driven, pose, reposed, world_point
from refine.shot import Channel, Control, Shot
from refine.svg import BLUE, GREY, INK, SOFT, TINT, VERMILLION, Scale
from refine.view import View, project, view

WIDTH, MARGIN = 1200.0, 28.0
AROUND = 4  # frames shown before and after the range
FARTHER = (
    2.0  # times that a carried point must move farther than the control's own points to be shown instead
)
MOST_CURVES, MOST_CHANGES, MOST_LANES = 4, 3, 4
LINE = 19.0  # from one line of text to the next
CURVE, SPACING, STRIP, GAP = 150.0, 120.0, 78.0, 42.0  # heights
_LENGTH_UNITS = {1.0: "m", 0.1: "dm", 0.01: "cm", 0.001: "mm", 0.0254: "in", 0.3048: "ft"}


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """Two shots posed on the frames that a picture shows, seen through one camera."""

    before: Shot
    after: Shot
    posed: Pose
    changed: Pose
    view: View
    asked: tuple[int, int]

    def track(self, point: Point, keys: Iterable[int]) -> Track:
        old, new = (
            project(self.view, world_point(p, s, point))
            for p, s in ((self.posed, self.before), (self.changed, self.after))
        )
        shown = tuple(k for k in keys if self.posed.frames[0] <= k <= self.posed.frames[-1])
        return Track(_point_name(point), self.posed.frames, old, new, shown, self.asked)


def _scene(before: Shot, after: Shot, frames: tuple[int, int], camera: str | None) -> _Scene:
    """InputError for a camera that isn't there; ValueError for a range outside the shot."""
    first = max(frames[0] - AROUND, before.first_frame)
    last = min(frames[1] + AROUND, before.last_frame)
    if frames[0] > frames[1] or first > last:
        raise ValueError(
            f"frames {frames[0]}:{frames[1]} show nothing of {before.first_frame}:{before.last_frame}"
        )
    shown = np.arange(first, last + 1, dtype=float)
    posed = pose(before, shown)
    touched = [
        old.name
        for old, new in zip(before.controls, after.controls, strict=True)
        if old.channels != new.channels
    ]
    changed = reposed(posed, after, touched) if touched else posed
    return _Scene(before, after, posed, changed, view(before, posed, camera), frames)


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

    `title` says why. Both shots have the same controls. KeyError for an unknown control or channel, InputError
    for an unknown camera. Where the control moves nothing that can be seen only the curves are drawn.
    """
    scene = _scene(before, after, frames, camera)
    old, new = (shot.controls[shot.index(control)] for shot in (before, after))
    pairs = [(_channel(old, name), _channel(new, name)) for name in channels]
    keys = sorted({int(f) for _, c in pairs if c.keys is not None for f in c.keys.frames if f == int(f)})
    point = _point(scene, control, channels)
    track = None if point is None else scene.track(point, keys)
    lines = [*_changes(before, pairs, control), *_moves(scene, control, track)]
    head, top = _head(title, lines)
    body, bottom = _body(scene, old, pairs, track, top + 34)
    legend = _legend(bottom + 22, frames)
    return svg.document(WIDTH, bottom + 40, title, [*head, *body, legend])


def _channel(control: Control, name: str) -> Channel:
    channel = control.channel(name)
    if channel is None:
        raise KeyError(f"{control.name}.{name}")
    return channel


def _point(scene: _Scene, control: str, channels: Sequence[str]) -> Point | None:
    """Where the change shows: the point that the channels drive and that moves most.

    The control's own points come first, since their path is its doing alone; one that it carries is taken where
    it moves several times as far, as a hand by the turn of a chest. None where nothing is driven.
    """
    own = list(dict.fromkeys(p for name in channels for p in driven(scene.before, control, name)))
    every = carried(scene.before, control)
    if own or any(scene.before.controls[scene.before.index(control)].channels for _ in (1,) if not channels):
        best, most = _farthest(scene, own or every)
        other, farther = _farthest(scene, every)
        if most <= panels.SAME and farther <= panels.SAME:
            return _liveliest(scene, control, channels) or best
        return other if farther > FARTHER * most else best
    return None


def _farthest(scene: _Scene, points: Sequence[Point]) -> tuple[Point, float]:
    moves = [float(scene.track(point, ()).moved.max()) for point in points]
    k = int(np.argmax(moves))
    return points[k], moves[k]


def _liveliest(scene: _Scene, control: str, channels: Sequence[str]) -> Point | None:
    """Nothing moved: the point that the channels would move most."""
    found = [most_moved(scene.before, scene.posed, scene.view, control, name) for name in channels]
    return max(found, key=lambda pair: pair[1], default=(None, 0.0))[0]


def _point_name(point: Point) -> str:
    return point.control if not any(point.local) else f"tip of {point.control}"


# --- words ---


def _unit(shot: Shot, channel: Channel) -> str:
    if channel.unit != "unit":
        return channel.unit
    return _LENGTH_UNITS.get(shot.metres_per_unit, "units")


def _changes(shot: Shot, pairs: Sequence[tuple[Channel, Channel]], control: str) -> list[str]:
    """One line that names the changed numbers."""
    words = [change for old, new in pairs for change in _channel_changes(shot, old, new)]
    if not words:
        return [f"{control}: nothing changes."]
    more = f" and {len(words) - MOST_CHANGES} more" if len(words) > MOST_CHANGES else ""
    return [f"{control}: {'; '.join(words[:MOST_CHANGES])}{more}."]


def _channel_changes(shot: Shot, old: Channel, new: Channel) -> list[str]:
    unit = _unit(shot, old)
    if old.keys is None or new.keys is None:
        apart = np.abs(sample(new, shot, shot.frames) - sample(old, shot, shot.frames)).max(axis=1)
        n = int(np.argmax(apart))
        if apart[n] == 0:
            return []
        most = f"by {apart[n]:.3g} {unit}".rstrip()
        return [f"{old.name} on {np.count_nonzero(apart)} frames, most at {shot.frames[n]:g} {most}"]
    words = []
    for k, frame in enumerate(new.keys.frames):
        j = old.keys.index(float(frame))
        if j is None:
            words.append(f"{old.name}: the key at frame {frame:g} is new there")
        elif panels.differs(old.keys, j, new.keys, k):
            what = panels.change_in_words(old.keys, j, new.keys, k, unit)
            words.append(f"{old.name} at frame {frame:g} {what}".rstrip())
    return words


def _moves(scene: _Scene, control: str, track: Track | None) -> list[str]:
    """One line that says how far things move on screen."""
    seen = f"{scene.view.name}, {scene.view.width} x {scene.view.height} px"
    if track is None:
        return ["It moves nothing that a camera sees."]
    if track.moved.max() <= panels.SAME:
        return [f"On screen ({seen}) nothing moves."]
    line = f"On screen ({seen}) {track.name} moves up to {track.moved.max():.1f} px"
    line += f", at frame {track.frames[track.worst]:g}"
    names = dict.fromkeys(point.control for point in carried(scene.before, control))
    most = largest_moves(scene.before, scene.view, scene.posed, scene.changed, names)[0]
    if most.pixels > track.moved.max() + panels.SAME:
        line += (
            f"; of what it carries {most.control} moves most, {most.pixels:.1f} px at frame {most.frame:g}"
        )
    return [line + "."]


def _head(title: str, lines: Sequence[str]) -> tuple[list[str], float]:
    """Title and remarks, wrapped, and where they end."""
    parts, y = [], 18.0
    for row in textwrap.wrap(title, 104) or [title]:
        y += LINE + 4
        parts.append(svg.text(MARGIN, y, row, 19, font_weight="bold"))
    y += 4
    for row in (row for line in lines for row in textwrap.wrap(line, 150)):
        y += LINE
        parts.append(svg.text(MARGIN, y, row, 13.5, fill=SOFT))
    return parts, y


def _legend(y: float, frames: tuple[int, int]) -> str:
    """How to read the picture."""
    x = MARGIN
    parts = [
        svg.line((x, y - 4), (x + 34, y - 4), stroke=GREY, stroke_width=1.3, stroke_dasharray=panels.DASH),
        svg.circle((x + 17, y - 4), 3.6, fill=svg.PAPER, stroke=GREY),
        svg.text(x + 42, y, "before", 12),
        svg.line((x + 110, y - 4), (x + 144, y - 4), stroke=BLUE, stroke_width=1.8),
        svg.circle((x + 127, y - 4), 3.6, fill=BLUE),
        svg.text(x + 152, y, "after", 12),
        svg.arrow((x + 210, y - 4), (x + 240, y - 4), VERMILLION),
        svg.text(x + 248, y, "what moved", 12),
        svg.rectangle(x + 350, y - 11, 24, 13, fill=TINT, stroke="#e4ddc8"),
        svg.text(x + 382, y, f"the range, frames {frames[0]} to {frames[1]}", 12),
        svg.circle((x + 590, y - 4), 1.9, fill=BLUE),
        svg.text(x + 600, y, "a frame", 12),
        svg.circle((x + 675, y - 4), 4.2, fill=BLUE),
        svg.text(x + 687, y, "a key; a stroke shows its slope", 12),
    ]
    return svg.group(parts, class_="legend")


# --- the panels on the page ---


def _body(
    scene: _Scene,
    control: Control,
    pairs: Sequence[tuple[Channel, Channel]],
    track: Track | None,
    top: float,
) -> tuple[list[str], float]:
    """All panels from `top` down, and where they end: the arc left, what runs over frames right."""
    left = 600.0 if track is not None else MARGIN + 56
    width = WIDTH - MARGIN - 14 - left
    x = panels.frame_scale(scene.posed.frames, Box(left, 0, width, 0))
    parts, y = _lanes(scene, control.name, x, top)
    if track is not None:
        box = Box(left, y, width, SPACING)
        note = "px from frame to frame"
        parts += [
            panels.heading(box, "Spacing", note),
            panels.spacing(track, box, x, panels.spacing_top([track])),
        ]
        y = box.bottom + GAP
    for old, new in pairs[:MOST_CURVES]:
        box = Box(left, y, width, CURVE)
        unit = _unit(scene.before, old)
        note = "per cent of one" if False else (unit if unit else "")
        parts.append(panels.heading(box, f"{control.name}.{old.name}", note))
        parts.append(panels.curve(scene.before, old, new, box, x, scene.asked, unit))
        y = box.bottom + GAP
    if track is not None:
        box = Box(left, y, width, STRIP)
        parts += [
            panels.heading(box, "Moved by", f"px on screen, {track.name}"),
            panels.difference(track, box, x),
        ]
        y = box.bottom + GAP
    end = Box(left, top, width, y - GAP - top)
    parts.append(panels.frame_numbers(end, x))
    if track is not None:
        parts += _arc(scene, track, Box(MARGIN, top, 500.0, max(end.height, 420.0)))
        return parts, max(end.bottom, top + 420.0) + 22
    return parts, end.bottom + 22


def _arc(scene: _Scene, track: Track, box: Box) -> list[str]:
    cut = panels.crop((track.before, track.after), box)
    return [
        panels.heading(box, f"Arc of {track.name}", "as the camera sees it"),
        panels.arc(track, cut),
        panels.scale_bar(cut),
        panels.whole_screen(cut, scene.view.width, scene.view.height),
    ]


def _lanes(scene: _Scene, control: str, x: Scale, top: float) -> tuple[list[str], float]:
    """What the artist marked and pinned on these frames, a line each, and where the panels below may begin."""
    shot = scene.before
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
        y = top - 12 + 18 * n
        parts += _lane(x, y, max(a, x.low), min(b, x.high), words)
    return parts, top + (18 * len(shown) + 16 if shown else 0)


def _lane(x: Scale, y: float, a: float, b: float, words: str) -> list[str]:
    """A bracket over frames a to b with its words beside it, where there is room."""
    start, end = x(a) - 3, x(b) + 3
    bracket = svg.path([(start, y + 4), (start, y), (end, y), (end, y + 4)], stroke=INK, stroke_width=1.3)
    room_right, room_left = (x.end - end) / 6.2, (start - x.start) / 6.2
    if room_right >= min(len(words), 12) or room_right >= room_left:
        return [
            bracket,
            svg.text(end + 6, y + 5, textwrap.shorten(words, max(int(room_right), 8), placeholder="…"), 11),
        ]
    short = textwrap.shorten(words, max(int(room_left), 8), placeholder="…")
    return [bracket, svg.text(start - 6, y + 5, short, 11, text_anchor="end")]

"""Panels over frames: spacing, what has moved, and a channel's curve with its keys and slopes.

All of them share one axis of frames, so the eye can go straight down from one to the next. Looks are those of
`panel_arc`: grey, dashed and open before; blue, solid and filled after; vermillion what changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import hypot

import numpy as np

from refine.curve import reaches, sample
from refine.review import svg
from refine.review.panel_arc import DASH, SAME, Box, Track
from refine.review.svg import BLUE, GREY, INK, SOFT, TINT, VERMILLION, Scale
from refine.shot import Array, Channel, Keys, Segment, Shot

EDGE = "#e4ddc8"  # of the range, and of hair lines in it
LEAST_SPACING = 1.0  # px a frame at the top of a spacing panel at least
_ROUNDING = 1e-9  # relative
SLOPE_LENGTH = 15.0  # of the stroke that shows a key's slope, on the page
BULGE = 4 / 27  # of its segment by which a slope of 1 moves a cubic at most
FINE = 6  # points a frame on a keyed curve


def frame_scale(track_frames: Array, box: Box) -> Scale:
    """Frames to the right, half a frame of room at each end."""
    return Scale(float(track_frames[0]) - 0.5, float(track_frames[-1]) + 0.5, box.x, box.right)


def ground(box: Box, x: Scale, asked: tuple[int, int], keys: Sequence[int] = ()) -> str:
    """What lies under a panel over frames: the range that was asked for, and a hair line at each key."""
    a, b = max(asked[0] - 0.5, x.low), min(asked[1] + 0.5, x.high)
    parts = [svg.rectangle(x(a), box.y, x(b) - x(a), box.height, fill=TINT)]
    parts += [svg.line((x(k), box.y), (x(k), box.bottom), stroke=EDGE) for k in keys if x.low <= k <= x.high]
    return "".join([*parts, svg.line((box.x, box.bottom), (box.right, box.bottom), stroke=SOFT)])


def frame_numbers(box: Box, x: Scale, most: int = 12) -> str:
    """Frame numbers below a panel."""
    step = max(1, round(svg.round_step(x.high - x.low, most)))
    first = int(np.ceil(x.low / step)) * step
    parts = []
    for frame in range(first, int(np.floor(x.high)) + 1, step):
        parts.append(svg.line((x(frame), box.bottom), (x(frame), box.bottom + 4), stroke=SOFT))
        parts.append(svg.text(x(frame), box.bottom + 16, str(frame), 10.5, fill=SOFT, text_anchor="middle"))
    return "".join(parts)


def values_axis(box: Box, y: Scale, count: int = 4) -> str:
    """Round values at the left of a panel."""
    parts = []
    for value in svg.round_values(min(y.low, y.high), max(y.low, y.high), count):
        words = f"{value + 0.0:.6g}"
        parts.append(svg.line((box.x - 4, y(value)), (box.x, y(value)), stroke=SOFT))
        parts.append(svg.text(box.x - 7, y(value) + 4, words, 10.5, fill=SOFT, text_anchor="end"))
    return "".join(parts)


def spacing_top(tracks: Iterable[Track]) -> float:
    """A common top for spacing panels, px a frame."""
    steps = [t.spacing(p) for t in tracks for p in (t.before, t.after)]
    return max([LEAST_SPACING, *(float(s.max()) for s in steps if len(s))]) * 1.12


def spacing(track: Track, box: Box, x: Scale, top: float, axis: bool = True) -> str:
    """The way from each frame to the next: a bar after, an open mark before, drawn between the two frames."""
    y = Scale(0.0, top, box.bottom, box.y)
    parts = [ground(box, x, track.asked)]
    before, after = track.spacing(track.before), track.spacing(track.after)
    wide = min(abs(x.unit) * 0.42, 9.0)
    for n, (old, new) in enumerate(zip(before, after, strict=True)):
        at = x(float(track.frames[n]) + 0.5)
        parts.append(
            svg.rectangle(
                at - wide / 2,
                y(new),
                wide,
                box.bottom - y(new),
                fill=BLUE,
                class_="step after",
                data_frame=float(track.frames[n]),
            )
        )
        if abs(new - old) > SAME:
            parts.append(svg.line((at, y(old)), (at, y(new)), stroke=VERMILLION, stroke_width=1.0))
            parts.append(
                svg.circle(
                    (at, y(old)),
                    min(wide / 2 + 0.6, 3.2),
                    fill=svg.PAPER,
                    stroke=GREY,
                    stroke_width=1.3,
                    class_="step before",
                    data_frame=float(track.frames[n]),
                )
            )
    if axis:
        parts.append(values_axis(box, y))
    return svg.group(parts, class_="spacing")


def difference(track: Track, box: Box, x: Scale) -> str:
    """How far each frame has moved, px, with the largest named; a flat line says that nothing has."""
    moved = track.moved
    top = max(float(moved.max()) * 1.25, 1.0)
    y = Scale(0.0, top, box.bottom, box.y)
    parts = [ground(box, x, track.asked)]
    outline = [(x(float(f)), y(float(m))) for f, m in zip(track.frames, moved, strict=True)]
    corners = [(outline[0][0], box.bottom), *outline, (outline[-1][0], box.bottom)]
    parts.append(svg.path(corners, fill=VERMILLION, fill_opacity=0.18, stroke="none"))
    parts.append(svg.path(outline, stroke=VERMILLION, stroke_width=1.6, class_="difference"))
    if moved.max() > SAME:
        px, py = outline[track.worst]
        end = px > box.right - 130
        words = f"{moved.max():.1f} px at frame {track.frames[track.worst]:g}"
        place = px + (-8 if end else 8)
        parts.append(svg.circle((px, py), 3, fill=VERMILLION))
        anchor = "end" if end else "start"
        parts.append(svg.text(place, py + 2, words, 11, font_weight="bold", text_anchor=anchor))
    return svg.group([*parts, values_axis(box, y, 3)], class_="moved")


# --- curves ---


def curve(
    shot: Shot, before: Channel, after: Channel, box: Box, x: Scale, asked: tuple[int, int], unit: str
) -> str:
    """A channel before and after, with its keys and the direction of their slopes; what changed is named."""
    step = 1 if before.baked or after.baked else FINE
    first, last = np.ceil(x.low), np.floor(x.high)
    frames = np.linspace(first, last, int(last - first) * step + 1)
    old, new = sample(before, shot, frames), sample(after, shot, frames)
    low, high = spread_of(old, new)
    y = Scale(low, high, box.bottom, box.y)
    keys = [] if after.keys is None else [int(f) for f in after.keys.frames]
    parts = [ground(box, x, asked, keys)]
    for component in range(old.shape[1]):
        for values, look in ((old, (GREY, 1.3, DASH)), (new, (BLUE, 1.8, None))):
            points = [(x(float(f)), y(float(v))) for f, v in zip(frames, values[:, component], strict=True)]
            parts.append(svg.path(points, stroke=look[0], stroke_width=look[1], stroke_dasharray=look[2]))
        if old.shape[1] > 1:
            end = points[-1]
            parts.append(svg.text(end[0] + 5, end[1] + 4, "xyzw"[component], 11, fill=SOFT))
    if before.keys is not None and after.keys is not None:
        parts += _keys(before.keys, after.keys, x, y, box, unit)
    return svg.group([*parts, values_axis(box, y)], class_="curve")


def spread_of(old: Array, new: Array) -> tuple[float, float]:
    """The values that a curve's panel shows, with room for the keys' marks."""
    low, high = float(min(old.min(), new.min())), float(max(old.max(), new.max()))
    return svg.spread(low, high, 0.16, max(abs(low), abs(high), 1e-3) * 1e-3)


def _keys(old: Keys, new: Keys, x: Scale, y: Scale, box: Box, unit: str) -> list[str]:
    """Marks of all keys shown, what changed over what stayed, labels where they don't cover each other."""
    parts: list[str] = []
    changed: list[tuple[int, int]] = []
    for j, frame in enumerate(old.frames):
        if x.low <= frame <= x.high and new.index(float(frame)) is None:
            parts += _key_marks(old, j, x, y, "before")
    for k, frame in enumerate(new.frames):
        if not x.low <= frame <= x.high:
            continue
        at = old.index(float(frame))
        if at is not None and differs(old, at, new, k):
            parts += _key_marks(old, at, x, y, "before")
            parts += _changed(old, at, new, k, x, y)
            changed.append((at, k))
        parts += _key_marks(new, k, x, y, "after")
    labels: list[float] = []
    for j, k in sorted(changed, key=lambda pair: -size_of_change(old, pair[0], new, pair[1])):
        parts += _label(old, j, new, k, x, y, box, unit, labels)
    return parts


def differs(old: Keys, j: int, new: Keys, k: int) -> bool:
    return any(
        not np.array_equal(getattr(old, name)[j], getattr(new, name)[k])
        for name in ("values", "incoming", "outgoing")
    )


def size_of_change(old: Keys, j: int, new: Keys, k: int) -> float:
    """By how much a change of a key moves its curve, about: by its value, or by a slope what that bulges beside it."""
    moved = float(np.abs(new.values[k] - old.values[j]).max())
    beside = new.frames[max(k - 1, 0) : k + 2]
    sides = (new.incoming[k] - old.incoming[j], new.outgoing[k] - old.outgoing[j])
    turned = max(float(np.abs(side).max()) for side in sides)
    return max(moved, BULGE * turned * float(np.ptp(beside)) / max(len(beside) - 1, 1))


def _key_marks(keys: Keys, k: int, x: Scale, y: Scale, when: str) -> list[str]:
    """The key and a stroke in the direction of its slope on each side where a curve runs."""
    look: dict[str, svg.Attribute] = (
        {"stroke": GREY, "fill": svg.PAPER} if when == "before" else {"stroke": BLUE, "fill": BLUE}
    )
    into, out = reaches(keys)
    sides = []
    if k > 0 and keys.segment[k - 1] == Segment.CURVE and into[k] > 0:
        sides.append((-1.0, keys.incoming[k]))
    if k < len(keys) - 1 and keys.segment[k] == Segment.CURVE and out[k] > 0:
        sides.append((1.0, keys.outgoing[k]))
    marks = []
    for component in range(keys.values.shape[1]):
        at = x(float(keys.frames[k])), y(float(keys.values[k, component]))
        for sign, slope in sides:
            run, rise = x.unit, y.unit * float(slope[component])
            to = SLOPE_LENGTH * sign / hypot(run, rise)
            end = at[0] + run * to, at[1] + rise * to
            colour = GREY if when == "before" else INK
            marks.append(svg.line(at, end, stroke=colour, stroke_width=1.1))
        marks.append(svg.circle(at, 3.6, class_=f"key {when}", data_frame=float(keys.frames[k]), **look))
    return marks


def _changed(old: Keys, j: int, new: Keys, k: int, x: Scale, y: Scale) -> list[str]:
    """An arrow from the key's old place to its new one."""
    a = x(float(old.frames[j])), y(float(old.values[j, 0]))
    b = x(float(new.frames[k])), y(float(new.values[k, 0]))
    return [svg.arrow(a, b, VERMILLION, 1.8), svg.circle(b, 6.5, fill="none", stroke=VERMILLION)]


def _label(
    old: Keys, j: int, new: Keys, k: int, x: Scale, y: Scale, box: Box, unit: str, labels: list[float]
) -> list[str]:
    """What changed on a key in words, where no larger change has its own."""
    if new.values.shape[1] > 1:
        return []
    b = x(float(new.frames[k])), y(float(new.values[k, 0]))
    words = change_in_words(old, j, new, k, unit)
    width = 6.4 * len(words)
    end = b[0] + width + 12 > box.right
    # on the side of the key that the curve leaves free
    height = b[1] + (-9 if y.unit * float(new.outgoing[k, 0]) > 0 else 16)
    place = (b[0] - 11 if end else b[0] + 11), min(max(height, box.y + 11), box.bottom - 5)
    if any(abs(place[0] - other) <= width for other in labels):
        return []
    labels.append(place[0])
    anchor = "end" if end else "start"
    return [svg.haloed(*place, words, 11, TINT, font_weight="bold", text_anchor=anchor)]


def change_in_words(old: Keys, j: int, new: Keys, k: int, unit: str) -> str:
    """What changed on a key of one number: `+0.045 m`, `slope -8.4 to -0.37`."""
    words = []
    by = float(new.values[k, 0] - old.values[j, 0])
    if by != 0:
        words.append(f"{by:+.3g} {unit}".rstrip())
    if old.outgoing[j, 0] != new.outgoing[k, 0] or old.incoming[j, 0] != new.incoming[k, 0]:
        side = "outgoing" if old.outgoing[j, 0] != new.outgoing[k, 0] else "incoming"
        was, now = float(getattr(old, side)[j, 0]), float(getattr(new, side)[k, 0])
        rest = _ROUNDING * max(abs(was), abs(now))  # what a solver leaves where it means zero
        was, now = (0.0 if abs(slope) <= rest else slope for slope in (was, now))
        words.append(f"slope {was:.3g} to {now:.3g}")
    return ", ".join(words)

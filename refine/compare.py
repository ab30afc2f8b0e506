"""What-ifs side by side: one range, several strengths, measured at the same points of the screen.

The shot is posed and its habit learnt once; each strength is then a suggestion of its own, ready to be applied.
The knee of the trade-off is shown; choosing is the animator's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from refine.changes import differences
from refine.formats import Document
from refine.held import Locks
from refine.measure import Move, marked_points, unevenness, watched
from refine.pose import Point, Pose, reposed, world_point
from refine.pose_time import keyed, with_pose_moved, with_slopes_following
from refine.prepared import Prepared, Request, in_spelling, prepare
from refine.shot import Array, Control, Shot
from refine.suggest import suggest
from refine.suggestion import Suggestion, applied
from refine.text import aligned
from refine.view import View, project

SCHEMA = "motion-refine/comparison/1"
MOST_LINES = 6  # that say what was left alone


@dataclass(frozen=True, slots=True)
class Row:
    """One variant, measured: unevenness (of the spacing, px and share of the shot's own), moves, keys, accents.

    `accent_speed` is the share of the peak speed on screen that accents in the range keep; None without accents.
    `largest_change` is the largest change of a number, in `unit`.
    """

    name: str
    strength: float
    unevenness: float
    left: float
    move: Move
    largest_change: float
    unit: str
    keys: int
    accent_speed: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    rows: tuple[Row, ...]
    suggestions: tuple[Suggestion, ...]
    shots: tuple[Shot, ...]
    knee: int | None  # position of the row at the knee, None where there is none
    points: tuple[Point, ...]  # where all variants were measured
    view: View
    frames: tuple[int, int]

    @property
    def idle(self) -> Suggestion | None:
        """The strongest suggestion where no variant changes anything: what it gives as its reason holds for all."""
        if any(suggestion.changes for suggestion in self.suggestions):
            return None
        return max(self.suggestions, key=lambda suggestion: suggestion.strength)

    @property
    def left_alone(self) -> tuple[str, ...]:
        """Why some strengths leave a channel alone that others change, a line a channel."""
        kept = [suggestion for suggestion in self.suggestions if suggestion.strength > 0]
        changed = dict.fromkeys(f"{c.control}.{c.channel}: " for each in kept for c in each.changes)
        lines = []
        for channel in changed:
            why = [(s.strength, each) for s in kept for each in s.left_alone if each.startswith(channel)]
            if why:
                strengths = ", ".join(f"{strength:g}" for strength, _ in why)
                lines.append(f"Left alone at {strengths}: {why[-1][1]}")
        more = len(lines) - MOST_LINES
        return (*lines[:MOST_LINES], f"and {more} more channels") if more > 1 else tuple(lines)


def compare(
    document: Document, request: Request, strengths: Sequence[float], retime: bool = False
) -> Comparison:
    """All variants of a request, and with `retime` the best shifts of keys by a frame as well."""
    prepared = prepare(document.shot, request)
    shot = prepared.shot
    found = [suggest(shot, replace(request, strength=s), document, prepared) for s in strengths]
    names = [f"{s:g}" for s in strengths]
    if retime:
        for suggestion in retimings(document, request, prepared):
            found.append(suggestion)
            names.append(suggestion.reason)
    shots = [applied(shot, suggestion) for suggestion in found]
    points = _measured_at(shot, prepared, found, shots)
    rows = [
        _row(name, shot, prepared, suggestion, after, points)
        for name, suggestion, after in zip(names, found, shots, strict=True)
    ]
    return Comparison(
        tuple(rows),
        tuple(found),
        tuple(shots),
        knee(rows[: len(strengths)]),
        tuple(points),
        prepared.view,
        prepared.frames,
    )


def _measured_at(
    shot: Shot, prepared: Prepared, found: Sequence[Suggestion], shots: Sequence[Shot]
) -> list[Point]:
    """The points at which all variants are measured: where the strongest change shows, or what is most uneven."""
    most = max(range(len(found)), key=lambda n: found[n].effect.largest_move.pixels)
    changes = found[most].changes
    if not changes:
        every = [p for name in prepared.order for p in marked_points(shot.control(name))]
        return [max(every, key=lambda p: unevenness(shot, prepared.posed, prepared.view, (p,)).spacing)]
    after = reposed(prepared.posed, shots[most], {change.control for change in changes})
    return prepared.watched(shots[most], after, changes)


def _row(
    name: str, shot: Shot, prepared: Prepared, suggestion: Suggestion, after: Shot, points: Sequence[Point]
) -> Row:
    touched = list(dict.fromkeys(change.control for change in suggestion.changes))
    posed = reposed(prepared.posed, after, touched) if touched else prepared.posed
    before = unevenness(shot, prepared.posed, prepared.view, points).spacing
    now = unevenness(after, posed, prepared.view, points).spacing
    sizes = [float(np.linalg.norm(np.ravel(c.after) - np.ravel(c.before))) for c in suggestion.changes]
    # Slopes have another unit: they count only where nothing else changes.
    counted = {"value", "key"} & {c.field for c in suggestion.changes} or {"incoming_slope", "outgoing_slope"}
    values = [size if c.field in counted else 0.0 for size, c in zip(sizes, suggestion.changes, strict=True)]
    largest = int(np.argmax(values)) if values else -1
    return Row(
        name=name,
        strength=suggestion.strength,
        unevenness=now,
        left=now / before if before > 0 else 1.0,
        move=suggestion.effect.largest_move,
        largest_change=values[largest] if values else 0.0,
        unit=suggestion.changes[largest].unit if values else "",
        keys=len({(c.control, c.channel, c.frame) for c in suggestion.changes}),
        accent_speed=_accent_speed(shot, prepared, after, posed, points),
    )


def _accent_speed(
    shot: Shot, prepared: Prepared, after: Shot, posed: Pose, points: Sequence[Point]
) -> float | None:
    """Least share of peak speed kept within the accents marked in the range."""
    kept = []
    frames = prepared.posed.frames
    for mark in shot.marks:
        if mark.kind != "accent":
            continue
        inside = (frames >= mark.frames[0] - 1) & (frames <= mark.frames[1] + 1)
        if inside.sum() < 2:
            continue
        for point in points:
            old = _speed(project(prepared.view, world_point(prepared.posed, shot, point))[inside])
            new = _speed(project(prepared.view, world_point(posed, after, point))[inside])
            if old > 0:
                kept.append(new / old)
    return min(kept) if kept else None


def _speed(path: Array) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).max())


def knee(rows: Sequence[Row]) -> int | None:
    """The row farthest below the straight line from the first to the last: unevenness left against steps of strength.

    Where more strength stops paying. None for fewer than three rows, and where the strongest leaves hardly less
    than the weakest.
    """
    left = np.array([row.left for row in rows])
    if len(left) < 3 or left[0] - left.min() < 0.02:
        return None
    step = np.linspace(0.0, 1.0, len(left))
    below = (left[0] + step * (left[-1] - left[0]) - left) / (left[0] - left.min())
    return int(np.argmax(below)) if below.max() > 0.1 else None


# --- retiming ---

RETIMINGS = 3  # best shifts that are shown
WORTH = 0.95  # [judge] a shift counts when it leaves less than this share of the unevenness


def retimings(document: Document, request: Request, prepared: Prepared) -> list[Suggestion]:
    """The shifts of one key pose by one frame that leave the least unevenness, best first.

    All keys of a control on a frame move together, so a pose stays a pose, and slopes beside it follow. Pinned keys
    and those that move frames outside the range stay.
    """
    shot = prepared.shot
    locks = Locks(shot, (*shot.pins, *request.pins), prepared.frames)
    found: list[tuple[float, Shot, str]] = []
    for name in prepared.order:
        control = shot.control(name)
        for frame in _pose_frames(control, locks):
            for step in (-1, 1):
                shifted = with_pose_moved(shot, control, frame, step, locks)
                if shifted is not None:
                    shifted = with_slopes_following(shot, shifted, name, locks, prepared.book)
                    left = _left(shot, prepared, shifted, name)
                    words = f"{name}: the key pose at frame {frame:g} moved to {frame + step:g}"
                    found.append((left, shifted, words))
    best = sorted((each for each in found if each[0] < WORTH), key=lambda each: (each[0], each[2]))[
        :RETIMINGS
    ]
    return [_retimed(document, request, prepared, after, words) for _, after, words in best]


def _pose_frames(control: Control, locks: Locks) -> list[float]:
    frames = {float(f) for _, keys in keyed(control) for f in keys.frames[locks.searched(keys)]}
    return sorted(frames)


def _left(shot: Shot, prepared: Prepared, shifted: Shot, control: str) -> float:
    posed = reposed(prepared.posed, shifted, [control])
    channels = [channel.name for channel in shifted.control(control).channels]
    point = watched(shifted, prepared.view, prepared.posed, posed, control, channels)
    points = () if point is None else (point,)
    before = unevenness(shot, prepared.posed, prepared.view, points).spacing
    return unevenness(shifted, posed, prepared.view, points).spacing / before if before > 0 else 1.0


def _retimed(document: Document, request: Request, prepared: Prepared, after: Shot, words: str) -> Suggestion:
    changes = in_spelling(document, differences(prepared.shot, after))
    usable = float(prepared.frames[0]), float(prepared.frames[1])
    return prepared.suggestion(document, request, changes, words, usable)


def as_document(comparison: Comparison, files: Sequence[str]) -> dict[str, Any]:
    """The JSON form, described by refine/schemas/comparison.schema.json."""
    return {
        "schema": SCHEMA,
        "frames": list(comparison.frames),
        "camera": comparison.view.name,
        "measured_at": [point.control for point in comparison.points],
        "knee": comparison.knee,
        "reason": comparison.idle.reason if comparison.idle else "",
        "left_alone": list(comparison.left_alone),
        "variants": [
            {
                "name": row.name,
                "strength": row.strength,
                "unevenness": {"value": row.unevenness, "unit": "px"},
                "left": row.left,
                "largest_move": {
                    "value": row.move.pixels,
                    "unit": "px",
                    "control": row.move.control,
                    "frame": row.move.frame,
                },
                "largest_change": {"value": row.largest_change, "unit": row.unit},
                "keys_changed": row.keys,
                "accent_speed_kept": row.accent_speed,
                "suggestion": file,
            }
            for row, file in zip(comparison.rows, files or [""] * len(comparison.rows), strict=True)
        ],
    }


def table_lines(comparison: Comparison, length: str = "unit") -> list[str]:
    """The comparison as a person reads it; the knee has a word, not only a place.

    `length` is the name of the shot's length unit.
    """
    head = ("variant", "unevenness", "left", "largest move", "largest change", "keys", "accent speed", "")
    rows = [head]
    for n, row in enumerate(comparison.rows):
        move = (
            f"{row.move.pixels:.2f} px, {row.move.where}@{row.move.frame:g}" if row.move.control else "none"
        )
        accent = "-" if row.accent_speed is None else f"{100 * row.accent_speed:.0f} %"
        change = (
            f"{row.largest_change:.4g} {row.unit.replace('unit', length)}".rstrip() if row.keys else "none"
        )
        where = "knee" if n == comparison.knee else ""
        cells = (f"{row.unevenness:.3f} px", f"{100 * row.left:.0f} %", move, change, str(row.keys), accent)
        rows.append((row.name, *cells, where))
    idle, said = comparison.idle, comparison.left_alone
    words = [f"Nothing changes at any strength: {idle.reason}"] if idle else said
    return [*aligned(rows), *(["", *words] if words else [])]

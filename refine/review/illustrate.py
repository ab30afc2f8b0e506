"""Chooses what a picture shows: the control whose change is seen most, its changed channels, the frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from refine.changes import Change
from refine.compare import Comparison
from refine.diff import Difference
from refine.review.picture import comparison_picture, idle_picture, suggestion_picture
from refine.shot import Shot
from refine.suggestion import Suggestion

MOST_FRAMES = 240  # a picture of more frames shows nothing


def of_suggestion(
    before: Shot, after: Shot, suggestion: Suggestion, controls: Sequence[str], camera: str | None
) -> str:
    """A suggestion, or what was looked at where it changes nothing."""
    first = _shown(before, suggestion)
    if not suggestion.changes:
        name = controls[0] if controls else before.controls[0].name
        channels = [channel.name for channel in before.control(name).channels][:3]
        return suggestion_picture(before, after, first, name, channels, camera, _short(suggestion.reason))
    name = suggestion.effect.control
    title = _short(suggestion.reason)
    return suggestion_picture(
        before, _alone(before, after, name), first, name, _of(name, suggestion.changes), camera, title
    )


def _shown(shot: Shot, suggestion: Suggestion) -> tuple[int, int]:
    """The range, cut to the shot, and of a long one the part around the largest move."""
    a, b = max(suggestion.frames[0], shot.first_frame), min(suggestion.frames[1], shot.last_frame)
    if b - a <= MOST_FRAMES:
        return a, b
    centre = int(suggestion.effect.largest_move.frame)
    a = min(max(centre - MOST_FRAMES // 2, a), b - MOST_FRAMES)
    return a, a + MOST_FRAMES


def _alone(before: Shot, after: Shot, name: str) -> Shot:
    """The shot before with one control as it is after: what moves in the picture is that control's doing."""
    i = before.index(name)
    controls = (*before.controls[:i], after.control(name), *before.controls[i + 1 :])
    return replace(before, controls=controls)


def _short(reason: str) -> str:
    """The first of several reasons, and how many more there are."""
    first, *others = reason.split("; ")
    return f"{first}, and {len(others)} more" if others else first


def of_difference(before: Shot, after: Shot, found: Difference, title: str, camera: str | None) -> str | None:
    """What differs most between two shots; None where no number does or the rigs are different."""
    rigs = [[(c.name, [ch.name for ch in c.channels]) for c in shot.controls] for shot in (before, after)]
    if not found.changes or rigs[0] != rigs[1]:
        return None
    names = list(dict.fromkeys(change.control for change in found.changes))
    moves = {name: move.pixels for name, move in zip(names, found.moves, strict=False)}
    name = max(names, key=lambda each: moves.get(each, 0.0))
    frames = [change.frame for change in found.changes if change.control == name]
    first = max(int(np.floor(min(frames))) - 8, before.first_frame)
    last = min(int(np.ceil(max(frames))) + 8, before.last_frame, first + MOST_FRAMES)
    alone = _alone(before, after, name)
    return suggestion_picture(before, alone, (first, last), name, _of(name, found.changes), camera, title)


def of_comparison(before: Shot, comparison: Comparison, camera: str | None) -> str:
    """The strengths of a comparison side by side; where none changes anything, why."""
    if comparison.idle is not None:
        return idle_picture(comparison.frames, comparison.idle.reason)
    variants: list[tuple[float | str, Shot]] = []
    for row, suggestion, shot in zip(comparison.rows, comparison.suggestions, comparison.shots, strict=True):
        steady = row.name == f"{row.strength:g}"
        variants.append((row.strength if steady else _retimed(suggestion), shot))
    table = [
        {"left": row.left, "largest_move": row.move.pixels, "keys": float(row.keys)}
        for row in comparison.rows
    ]
    return comparison_picture(
        before, variants, comparison.frames, comparison.points[0], camera, table, comparison.knee
    )


def _retimed(suggestion: Suggestion) -> str:
    """A key pose that was moved, in few words: `hips 67 to 66`."""
    change = next(change for change in suggestion.changes if change.field == "key")
    return f"{change.control} {change.frame:g} to {change.result_place.frame:g}"


def _of(name: str, changes: Sequence[Change]) -> list[str]:
    return list(dict.fromkeys(change.channel for change in changes if change.control == name))

"""A suggestion: the changes for a range, what else could explain it, why, and with what effect.

Its JSON form is the contract with whoever reads it: `refine/schemas/suggestion.schema.json` describes it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from refine.changes import Change, as_json, made
from refine.errors import InputError
from refine.measure import Move, Wobble
from refine.shot import Shot
from refine.solve import Residual

SCHEMA = "motion-refine/suggestion/1"


@dataclass(frozen=True, slots=True)
class Candidate:
    """Another way to explain the range, with the changes that would undo it."""

    explains: str
    control: str
    channel: str
    frames: tuple[float, ...]
    probability: float
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Effect:
    """Unevenness of what the changed controls drive, before and after, and the largest move of anything."""

    before: Wobble
    after: Wobble
    largest_move: Move


@dataclass(frozen=True, slots=True)
class Suggestion:
    file: str
    sha256: str
    frames: tuple[int, int]
    usable: tuple[float, float] | None  # what lies within it may move; None where nothing may
    strength: float
    camera: str
    order: tuple[str, ...]
    changes: tuple[Change, ...]
    candidates: tuple[Candidate, ...]
    reason: str
    effect: Effect
    residuals: tuple[Residual, ...]
    notes: tuple[str, ...] = ()

    def text(self) -> str:
        """The suggestion file: JSON, one document, ending in a newline."""
        return json.dumps(document(self), indent=1, ensure_ascii=False) + "\n"


def applied(shot: Shot, suggestion: Suggestion) -> Shot:
    """The shot with the suggestion's changes made."""
    return made(shot, suggestion.changes)


def document(suggestion: Suggestion) -> dict[str, Any]:
    """The contract's form of a suggestion."""
    effect = suggestion.effect
    return {
        "schema": SCHEMA,
        "file": suggestion.file,
        "sha256": suggestion.sha256,
        "frames": list(suggestion.frames),
        "usable": None if suggestion.usable is None else list(suggestion.usable),
        "strength": suggestion.strength,
        "camera": suggestion.camera,
        "order": list(suggestion.order),
        "changes": [as_json(change) for change in suggestion.changes],
        "candidates": [
            {
                "explains": candidate.explains,
                "control": candidate.control,
                "channel": candidate.channel,
                "frames": list(candidate.frames),
                "probability": round(candidate.probability, 4),
                "changes": [as_json(change) for change in candidate.changes],
            }
            for candidate in suggestion.candidates
        ],
        "reason": suggestion.reason,
        "effect": {
            "before": _wobble(effect.before),
            "after": _wobble(effect.after),
            "largest_move": {
                "value": effect.largest_move.pixels,
                "unit": "px",
                "control": effect.largest_move.control,
                "frame": effect.largest_move.frame,
            },
        },
        "residuals": [
            {"source": r.source, "worst": r.worst, "bound": r.bound, "unit": r.unit}
            for r in suggestion.residuals
        ],
        "notes": list(suggestion.notes),
    }


def _wobble(wobble: Wobble) -> dict[str, float | str]:
    return {"arc": wobble.arc, "timing": wobble.timing, "spacing": wobble.spacing, "unit": "px"}


def read_changes(data: bytes, name: str) -> tuple[str, tuple[Change, ...]]:
    """(sha256 of the file it belongs to, changes) of a suggestion file. InputError."""
    try:
        plain = json.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise InputError(name, f"not a JSON document ({error})", "a suggestion file") from None
    if not isinstance(plain, dict) or plain.get("schema") != SCHEMA:
        found = plain.get("schema") if isinstance(plain, dict) else type(plain).__name__
        remedy = "make one with refine suggest -o"
        raise InputError(f"{name}: schema", f"{found!r}", f"{SCHEMA!r}", remedy)
    sha, changes = plain.get("sha256"), plain.get("changes")
    if not isinstance(sha, str) or not isinstance(changes, list):
        raise InputError(name, "no sha256 or no list of changes", "a whole suggestion file")
    return sha, tuple(_change(change, f"{name}: changes[{i}]") for i, change in enumerate(changes))


def _change(plain: Any, place: str) -> Change:
    if not isinstance(plain, Mapping):
        raise InputError(place, f"{type(plain).__name__}", "an object")
    control, channel, before_text, after_text, unit = (
        _text(plain.get(name), f"{place}.{name}")
        for name in ("control", "channel", "before_text", "after_text", "unit")
    )
    field = plain.get("field")
    if field not in ("value", "incoming_slope", "outgoing_slope", "key"):
        raise InputError(f"{place}.field", f"{field!r}", "value, incoming_slope, outgoing_slope or key")
    frame = plain.get("frame")
    if isinstance(frame, bool) or not isinstance(frame, int | float):
        raise InputError(f"{place}.frame", f"{frame!r}", "a number")
    before, after = (_number(plain.get(name), f"{place}.{name}") for name in ("before", "after"))
    return Change(control, channel, float(frame), field, before, after, before_text, after_text, unit)


def _text(value: Any, place: str) -> str:
    if not isinstance(value, str):
        raise InputError(place, f"{value!r}", "a text")
    return value


def _number(value: Any, place: str) -> float | tuple[float, ...]:
    several = isinstance(value, list)
    parts = value if several else [value]
    if len(parts) not in (1, 4) or any(isinstance(p, bool) or not isinstance(p, int | float) for p in parts):
        raise InputError(place, f"{value!r}", "a number, or a list of four")
    return tuple(float(p) for p in parts) if several else float(parts[0])

"""Findings as plain JSON members and back, and what makes a finished clip the same clip again."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, fields
from functools import cache
from importlib import metadata
from typing import Any

from refine.clean.findings import Findings, Moved, Span
from refine.clean.settings import Settings

Json = dict[str, Any]
DIGITS = 6  # significant ones: a machine whose last bits differ still writes the same report
_SPANS = ("filled", "left", "wraps", "spikes", "doubtful")


def plain(findings: Findings) -> Json:
    """The findings as JSON has them; ValueError for a number that isn't finite, which JSON can't say."""
    members = {field.name: getattr(findings, field.name) for field in fields(Findings)}
    spans = {name: [_plain_span(span) for span in members.pop(name)] for name in _SPANS}  # thousands
    moves = [asdict(moved) for moved in members.pop("largest")]
    found = {**spans, "largest": _plain(moves), **{name: _plain(value) for name, value in members.items()}}
    return {field.name: found[field.name] for field in fields(Findings)}


def _plain_span(span: Span) -> Json:
    first, last = span.frames
    return {"control": span.control, "frames": [int(first), int(last)], "what": span.what}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if value is None or isinstance(value, str):
        return value
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{number} isn't a number that JSON has")
    return (
        int(value) if isinstance(value, int) or hasattr(value, "bit_count") else float(f"{number:.{DIGITS}g}")
    )


def findings_of(document: Json) -> Findings:
    """The findings that `plain` wrote."""
    members = {field.name: document[field.name] for field in fields(Findings)}
    for name in _SPANS:
        members[name] = tuple(
            Span(span["control"], _pair(span["frames"]), span["what"]) for span in members[name]
        )
    members["largest"] = tuple(Moved(**moved) for moved in members["largest"])
    members["drift"] = _pair(members["drift"])
    members["flags"] = None if members["flags"] is None else _pair(members["flags"])
    members["flagged"] = tuple(members["flagged"])
    members["notes"] = tuple(members["notes"])
    return Findings(**members)


def _pair(values: Any) -> tuple[Any, Any]:
    first, second = values
    return first, second


def plain_settings(settings: Settings) -> Json:
    """The settings as JSON has them, amounts as `{value, unit}`."""
    return asdict(settings)


def digest(settings: Settings) -> str:
    """What decides about a clip's result besides the clip: the settings and the program's version."""
    text = json.dumps({"version": version(), **plain_settings(settings)}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def version() -> str:
    """The installed version of this program."""
    return metadata.version("motion-refine")

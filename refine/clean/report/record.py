"""Findings as plain JSON members and back, and what makes a finished clip the same clip again."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, fields
from functools import cache
from importlib import metadata
from typing import Any

from refine.clean.findings import Findings, Moved, Span
from refine.clean.settings import Settings

Json = dict[str, Any]
DIGITS = 6  # significant ones: a machine whose last bits differ still writes the same report
_SPANS = ("filled", "left", "wraps", "spikes")


def plain(findings: Findings) -> Json:
    """The findings as JSON has them; ValueError for a number that isn't finite, which JSON can't say."""
    document = {name: _plain(value) for name, value in asdict(findings).items()}
    json.dumps(document, allow_nan=False)
    return document


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if value is None or isinstance(value, str):
        return value
    number = float(value)
    return (
        int(value) if isinstance(value, int) or hasattr(value, "bit_count") else float(f"{number:.{DIGITS}g}")
    )


def findings_of(document: Json) -> Findings:
    """The findings that `plain` wrote."""
    members = {field.name: document[field.name] for field in fields(Findings)}
    for name in _SPANS:
        members[name] = tuple(Span(span["control"], _pair(span["frames"])) for span in members[name])
    members["largest"] = tuple(Moved(**moved) for moved in members["largest"])
    members["drift"] = _pair(members["drift"])
    members["flags"] = None if members["flags"] is None else _pair(members["flags"])
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

"""JSON text as a person would lay it out, so that what the tool writes can be read and edited by hand."""

from __future__ import annotations

import json

WIDTH = 110
ROW = 8  # numbers on a line


def laid_out(document: dict[str, object]) -> bytes:
    """JSON with what fits on one line, and the rest indented."""
    return (layout(document, 0) + "\n").encode()


def layout(value: object, depth: int) -> str:
    """A value, the text before it being indented by `depth` steps; numbers that don't fit come in rows."""
    if not isinstance(value, dict | list) or not value:
        return _flat(value)
    if isinstance(value, dict):
        if not any(isinstance(item, dict | list) for item in value.values()):
            return _flat(value)  # a key stays on its line however long, so that lines compare key by key
        parts = [f"{_flat(name)}: {layout(item, depth + 1)}" for name, item in value.items()]
    elif isinstance(value[0], float | int):
        parts = [_flat(value[i : i + ROW])[1:-1] for i in range(0, len(value), ROW)]
    else:
        parts = _plain_rows(value) or [layout(item, depth + 1) for item in value]
    start, end = "{}" if isinstance(value, dict) else "[]"
    room = WIDTH - 2 * depth - 2 * len(parts)
    if sum(map(len, parts)) <= room and not any("\n" in part for part in parts):
        return f"{start}{', '.join(parts)}{end}"
    indent = "  " * (depth + 1)
    return f"{start}\n{indent}" + f",\n{indent}".join(parts) + f"\n{indent[:-2]}{end}"


def _plain_rows(value: list[object]) -> list[str]:
    """The objects of a list, spelled all at once; nothing where one holds more than plain values."""
    if not isinstance(value[0], dict) or any(isinstance(item, dict | list) for item in value[0].values()):
        return []
    text = _flat(value)
    rows = text[1:-1].replace("}, {", "}\n{").split("\n")  # a line end inside a text is spelled otherwise
    plain = text.count("{") == text.count("}") == len(value) == len(rows) and text.count("[") == 1
    return rows if plain else []


def _flat(value: object) -> str:
    return _ENCODER.encode(value)


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)

"""JSON text as a person would lay it out, so that what the tool writes can be read and edited by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator

WIDTH = 110
ROW = 8  # numbers on a line


def laid_out(document: dict[str, object]) -> bytes:
    """JSON with what fits on one line, and the rest indented. Lists may be made as they are spelled, as iterators."""
    return b"%b\n" % layout(document, 0).encode()


def layout(value: object, depth: int) -> str:
    """A value, the text before it being indented by `depth` steps; numbers that don't fit come in rows."""
    if isinstance(value, Iterator):
        parts = [layout(item, depth + 1) for item in value]
        return _bracketed(parts, "[]", depth) if parts else "[]"
    if not isinstance(value, dict | list) or not value:
        return _flat(value)
    if isinstance(value, dict):
        if not any(isinstance(item, dict | list | Iterator) for item in value.values()):
            return _flat(value)  # a key stays on its line however long, so that lines compare key by key
        parts = [f"{_flat(name)}: {layout(item, depth + 1)}" for name, item in value.items()]
    elif isinstance(value[0], float | int):
        parts = [_flat(value[i : i + ROW])[1:-1] for i in range(0, len(value), ROW)]
    else:
        parts = _plain_rows(value) or [layout(item, depth + 1) for item in value]
    return _bracketed(parts, "{}" if isinstance(value, dict) else "[]", depth)


def _bracketed(parts: list[str], brackets: str, depth: int) -> str:
    """Parts on one line if they fit, else each on its own."""
    start, end = brackets[0], brackets[1]
    room = WIDTH - 2 * depth - 2 * len(parts)
    if sum(map(len, parts)) <= room and not any("\n" in part for part in parts):
        return f"{start}{', '.join(parts)}{end}"
    indent = "  " * (depth + 1)
    parts[0] = f"{start}\n{indent}{parts[0]}"  # joined in one go: the text may be as long as memory allows
    parts[-1] = f"{parts[-1]}\n{indent[:-2]}{end}"
    return f",\n{indent}".join(parts)


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

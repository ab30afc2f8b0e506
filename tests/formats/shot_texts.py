"""The schema of shot files, its example, and the example with one member changed."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema

from refine.formats import shot_file

SCHEMAS = Path(shot_file.__file__).parents[1] / "schemas"
SCHEMA = json.loads((SCHEMAS / "shot.schema.json").read_text("utf-8"))
EXAMPLE = SCHEMA["examples"][0]
VALID = jsonschema.Draft202012Validator(SCHEMA)
KEYS = "controls/0/channels/0/keys"


def as_bytes(value: object, **layout: object) -> bytes:
    return json.dumps(value, **layout).encode()  # type: ignore[arg-type]


def edited(path: str, value: object) -> dict[str, object]:
    """The example with the value at a dotted path replaced, or removed where it is Ellipsis."""
    whole = json.loads(json.dumps(EXAMPLE))
    node = whole
    *way, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    for step in way:
        node = node[step]
    if value is ...:
        del node[last]
    elif isinstance(node, list) and last == len(node):
        node.append(value)
    else:
        node[last] = value
    result: dict[str, object] = whole
    return result

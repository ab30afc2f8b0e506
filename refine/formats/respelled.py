"""The text of one key with other numbers in it: what is the same keeps its bytes, and so does what is one's own."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from refine.formats import LEAST_DECIMALS, respelled
from refine.formats import json_places as places_in
from refine.formats.key_rules import REACHES
from refine.formats.keys_table import SLOPES, fields_of
from refine.formats.shot_channels import KEY
from refine.formats.splice import Span
from refine.key_rows import Key
from refine.shot import Segment


def member_text(text: str, key: dict[str, Any]) -> str:
    """An object of the shot file with the members of a key as `written_key` gives them.

    Written anew where a quaternion's numbers or a reach that is gone don't fit into the old text.
    """
    if isinstance(key["value"], list) or any(
        name in json.loads(text) and name not in key for name in REACHES
    ):
        return json.dumps(key)
    both: dict[str, Any] = {side: key.get(side, key.get("slope")) for side in SLOPES}
    wanted: dict[str, Any] = {"corner": False, "segment": "curve"} | both | key
    edits: list[tuple[Span, str]] = []
    stated: set[str] = set()
    end = 1
    for name, start in places_in.members(text, 0):
        end = places_in.value_end(text, start)
        if name == "slope" and both[SLOPES[0]] != both[SLOPES[1]]:
            begin = text.rindex('"slope"', 0, start)
            colon = text[begin + len('"slope"') : start]
            sides = (f'"{side}"{colon}{_number(text[start:end], value)}' for side, value in both.items())
            edits.append(((begin, end), ", ".join(sides)))
        elif name in KEY:
            value = both[SLOPES[0]] if name == "slope" else wanted[name]
            edits.append(((start, end), _value(text[start:end], value)))
        stated |= set(SLOPES) if name == "slope" else {name}
    missing = {name: wanted[name] for name in (*SLOPES, *key) if name not in stated and name != "slope"}
    added = "".join(f", {json.dumps(name)}: {json.dumps(value)}" for name, value in missing.items())
    return _spliced(text, [*edits, ((end, end), added)])


def _value(old: str, value: float | bool | str) -> str:
    """A member's text, the same where it says the same."""
    if isinstance(value, bool | str):
        return json.dumps(value)
    return _number(old, value)


def _number(old: str, value: float) -> str:
    """A number's text: the same where it says the same, else spelled like it as far as its digits say all of it."""
    if float(old) == value:
        return old
    new = respelled(old, [value], LEAST_DECIMALS["shot"])
    return new if float(new) == value else repr(value)


def row_text(text: str, columns: Sequence[str], key: Key) -> str:
    """A line of a key table with the numbers and words of another key of one number."""
    wanted: dict[str, float | str | None] = {
        "value": key.value[0],
        "incoming_slope": key.incoming[0],
        "outgoing_slope": key.outgoing[0],
        "incoming_reach": key.incoming_reach,
        "outgoing_reach": key.outgoing_reach,
        "corner": "true" if key.corner else "",
        "segment": "" if key.segment == Segment.CURVE else key.segment.name.lower(),
    }
    edits = []
    for column, (old, span) in zip(columns, fields_of(text), strict=True):
        if column in wanted:
            edits.append((span, _field(column, old, wanted[column])))
    return _spliced(text, edits)


def _field(column: str, old: str, value: float | str | None) -> str:
    """A field's text, the same where it says the same; words that say the default stay out or are said in full."""
    if value is None:
        return ""
    if isinstance(value, str):
        default = {"segment": "curve", "corner": "false"}[column]
        return old if old.casefold() == (value or default) else value or (default if old else "")
    if not old:
        return repr(value).removesuffix(".0")
    return _number(old, value)


def _spliced(text: str, edits: Sequence[tuple[Span, str]]) -> str:
    for (start, end), new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text

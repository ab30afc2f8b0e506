"""A suggestion: the changes for a range, what else could explain it, why, and with what effect.

Its JSON form is the contract with whoever reads it: `refine/schemas/suggestion.schema.json` describes it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from refine.changes import Change, as_json, made, turned
from refine.errors import InputError
from refine.formats import numbers
from refine.formats.checked import LARGEST, UNIT_LENGTH, At, shown
from refine.formats.key_rules import components
from refine.formats.shot_channels import keys as read_keys
from refine.key_rows import key_at
from refine.measure import Move, Wobble
from refine.shot import QUATERNION, Shot
from refine.solve import Residual

SCHEMA = "motion-refine/suggestion/1"
_ONE = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_FOUR = rf"\[?\s*{_ONE}(?:\s*[,\s]\s*{_ONE}){{3}}\s*\]?"  # a JSON list, or four numbers with blanks between


@dataclass(frozen=True, slots=True)
class Candidate:
    """Another way to explain the range, with the changes that would undo it; no probability: a guess.

    `number` is what `--candidate` takes it by; it stays when another one has been taken.
    """

    number: int
    explains: str
    control: str
    channel: str
    frames: tuple[float, ...]
    probability: float | None
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Effect:
    """Unevenness of what the changed controls drive, before and after, and the largest move of anything.

    `control` is the changed control that causes the largest move; "" where nothing changes.
    """

    before: Wobble
    after: Wobble
    largest_move: Move
    control: str


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
    clash: tuple[str, ...] = ()  # pins, limits and marks that exclude every mend; () where something changes
    left_alone: tuple[str, ...] = ()  # `control.channel: ` and why a mend that was tried isn't taken

    def text(self) -> str:
        """The suggestion file: JSON, one document, ending in a newline."""
        return json_text(document(self)) + "\n"


def json_text(plain: dict[str, Any], encoding: str = "utf-8") -> str:
    """A JSON document with its letters as they are, or escaped where the encoding can't carry them.

    No encoding carries the bytes of a file name that aren't text.
    """
    text = json.dumps(plain, indent=1, ensure_ascii=False)
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return json.dumps(plain, indent=1)
    return text


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
                "number": candidate.number,
                "explains": candidate.explains,
                "control": candidate.control,
                "channel": candidate.channel,
                "frames": list(candidate.frames),
                "probability": None if candidate.probability is None else round(candidate.probability, 4),
                "changes": [as_json(change) for change in candidate.changes],
            }
            for candidate in suggestion.candidates
        ],
        "reason": suggestion.reason,
        "clash": list(suggestion.clash),
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
    except RecursionError:
        raise InputError(name, "lists or objects nested too deep", "a suggestion file") from None
    except ValueError as error:  # no JSON, no UTF-8, or an integer of more digits than Python reads
        raise InputError(name, f"not a JSON document ({error})", "a suggestion file") from None
    if not isinstance(plain, dict) or plain.get("schema") != SCHEMA:
        found = plain.get("schema") if isinstance(plain, dict) else type(plain).__name__
        remedy = "make one with refine suggest -o"
        raise InputError(f"{name}: schema", shown(found), f"{SCHEMA!r}", remedy)
    sha, changes = plain.get("sha256"), plain.get("changes")
    if not isinstance(sha, str) or not isinstance(changes, list):
        raise InputError(name, "no sha256 or no list of changes", "a whole suggestion file")
    found = tuple(_change(change, f"{name}: changes[{i}]") for i, change in enumerate(changes))
    known: dict[tuple[object, ...], int] = {}
    for i, change in enumerate(found):
        first = i if change.key is None else known.setdefault((change.place, change.taken), i)
        if first != i:
            raise InputError(f"{name}: changes[{i}]", f"the same key as in changes[{first}]", "each once")
    return sha, found


def _change(plain: Any, place: str) -> Change:
    if not isinstance(plain, Mapping):
        raise InputError(place, f"{type(plain).__name__}", "an object")
    control, channel, before_text, after_text, unit = (
        _text(plain.get(name), f"{place}.{name}")
        for name in ("control", "channel", "before_text", "after_text", "unit")
    )
    field = plain.get("field")
    if field not in ("value", "incoming_slope", "outgoing_slope", "key"):
        raise InputError(f"{place}.field", shown(field), "value, incoming_slope, outgoing_slope or key")
    if field == "key" and None in (plain.get("before"), plain.get("after")):
        return _whole(plain, place, control, channel, (before_text, after_text))
    count = 4 if channel == QUATERNION and field != "key" else 1
    (frame,) = _numbers(plain.get("frame"), f"{place}.frame", 1)
    before, after = (_numbers(plain.get(name), f"{place}.{name}", count) for name in ("before", "after"))
    for name, text, values in (("before", before_text, before), ("after", after_text, after)):
        if not _agree(_spelt(text, count), values, field):
            found = f"{shown(text)} isn't {name}, {', '.join(f'{value!r}' for value in values)}"
            raise InputError(f"{place}.{name}_text", found, "the same number, as the file spells it")
    by = turned(np.array(before), np.array(after)) if count == 4 and field == "value" else None
    old, new = (values if count == 4 else values[0] for values in (before, after))
    return Change(control, channel, frame, field, old, new, before_text, after_text, unit, by)


def _whole(
    plain: Mapping[str, Any], place: str, control: str, channel: str, texts: tuple[str, str]
) -> Change:
    """A key that is added, or one that is taken out: its frame, and the rest in `added` or `removed`."""
    taken = plain.get("after") is None
    side, word, text = ("before", "removed", texts[0]) if taken else ("after", "added", texts[1])
    (frame,), (there,) = (_numbers(plain.get(name), f"{place}.{name}", 1) for name in ("frame", side))
    if there != frame or not (text.strip() and _spelt(text, 1) in (None, (frame,))):
        raise InputError(f"{place}.{side}", f"{there:g}", f"{frame:g}, the frame of the key, and its text")
    given = plain.get(word)
    if not isinstance(given, Mapping):
        raise InputError(f"{place}.{word}", shown(given), "an object with value and slope")
    row = {name: part for name, part in given.items() if name != "line"}
    keys = read_keys([{**row, "frame": frame}], At(f"{place}.{word}"), components(channel), [])
    line = given.get("line")
    if line is not None and (type(line) is not int or line < 2):
        raise InputError(f"{place}.{word}.line", shown(line), "a line below the table's first")
    change = Change(control, channel, frame, "key", frame, frame, "", "", "frame")
    texts = (text, "") if taken else ("", text)
    return replace(
        change, before_text=texts[0], after_text=texts[1], key=key_at(keys, 0), taken=taken, line=line
    )


def _spelt(text: str, count: int) -> tuple[float, ...] | None:
    """The numbers of a spelling, None where it holds anything but that many numbers.

    The text goes into the file as it stands: nothing else may slip in with it.
    """
    return numbers(text) if re.fullmatch(_ONE if count == 1 else _FOUR, text, re.ASCII) else None


def _agree(spelt: tuple[float, ...] | None, values: tuple[float, ...], field: str) -> bool:
    """Whether a spelling says the same as the numbers beside it.

    A quaternion is of unit length in one and as the file has it in the other; its slopes are longer in one than
    in the other by a factor that isn't known here.
    """
    if spelt is None or len(spelt) == 1:
        return spelt == values
    if not all(abs(part) <= LARGEST for part in spelt):
        return False
    if field != "value":
        return True
    lengths = [float(np.linalg.norm(each)) for each in (spelt, values)]
    if min(lengths) < UNIT_LENGTH:
        return False
    return np.allclose(np.array(spelt) / lengths[0], np.array(values) / lengths[1], 0, 1e-6)


def _text(value: Any, place: str) -> str:
    if not isinstance(value, str) or any("\ud800" <= letter <= "\udfff" for letter in value):
        raise InputError(place, shown(value), "a text")
    return value


def _numbers(value: Any, place: str, count: int) -> tuple[float, ...]:
    """That many finite numbers; a single one isn't in a list."""
    parts = value if isinstance(value, list) else [value]
    wanted = isinstance(value, list) == (count > 1) and len(parts) == count
    if not wanted or any(isinstance(p, bool) or not isinstance(p, int | float) for p in parts):
        raise InputError(place, shown(value), "a number" if count == 1 else "a list of four numbers")
    if not all(abs(part) <= LARGEST for part in parts):  # neither NaN nor an infinity is
        raise InputError(place, shown(value), f"numbers from {-LARGEST:g} to {LARGEST:g}")
    return tuple(float(part) for part in parts)

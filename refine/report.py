"""What a person reads: who moved, where, from what to what, and what it does on screen.

Plain lines, aligned, grouped by control in solve order. Emphasis only where the terminal shows it and NO_COLOR
doesn't forbid it; nothing is said by emphasis alone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from refine.changes import Change
from refine.diff import Difference
from refine.key_rows import Key
from refine.shot import Array, Segment
from refine.suggestion import Candidate, Suggestion
from refine.text import BOLD, PLAIN, aligned, printable

_FIELDS = {"value": "value", "incoming_slope": "slope in", "outgoing_slope": "slope out", "key": "key to"}
MOST_DIGITS, SAID_DIGITS = 9, 7  # significant: more than MOST were computed, and the JSON has them all
DUST = 1e-12  # of any unit: what is left of a zero that was computed
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
SEVERAL = r"; (?=\S+-[0-9a-f]{4}: )"  # before the id of the next flag, in a reason of several
_KINDS = {
    "values": "value",
    "slopes": "slope",
    "keys moved in time": "key moved in time",
    "new keys": "new key",
    "keys taken out": "key taken out",
}
_SHOWN = 12  # changed samples of a baked channel that are listed before they are summed up


def strong(text: str) -> str:
    """The text in bold, unless NO_COLOR is set; click strips it where the output is no terminal."""
    return text if os.environ.get("NO_COLOR") else f"{BOLD}{printable(text)}{PLAIN}"


def change_lines(changes: Sequence[Change], length: str = "unit") -> list[str]:
    """One block a control, one line a number; the two slopes of a smooth key take one line.

    `length` is the name of the shot's length unit.
    """
    lines: list[str] = []
    changes = [replace(change, unit=change.unit.replace("unit", length)) for change in changes]
    for control, group in groupby(changes, key=lambda change: change.control):
        lines.append(strong(control))
        for channel, rows in groupby(group, key=lambda change: change.channel):
            lines.append(f"  {channel}")
            lines += _channel_lines(list(rows))
    return lines


def _channel_lines(changes: list[Change]) -> list[str]:
    merged = _merged(changes)
    if len(merged) > _SHOWN:
        return _summed(merged)
    return [f"    {line}" for line in aligned([_row(label, change) for label, change in merged])]


def _merged(changes: list[Change]) -> list[tuple[str, Change]]:
    """Labels and changes, equal changes of both slopes of a key as one."""
    found: list[tuple[str, Change]] = []
    for change in changes:
        if found and change.field == "outgoing_slope":
            last = found[-1][1]
            same = last.field == "incoming_slope" and last.frame == change.frame
            if same and (last.before, last.after) == (change.before, change.after):
                found[-1] = ("slope", last)
                continue
        found.append((_FIELDS[change.field], change))
    return found


def _row(label: str, change: Change) -> tuple[str, ...]:
    if change.key is not None:
        word = "key taken out" if change.taken else "new key"
        value, *slopes = (" ".join(f"{n:g}" for n in numbers) for numbers in _numbers_of(change.key))
        after = {Segment.HOLD: ", then held", Segment.LINE: ", then a line", Segment.CURVE: ""}[
            change.key.segment
        ]
        slope = f"slope {' and '.join(slopes)} a frame{after}"
        return (f"frame {change.frame:g}", word, "", "", value, slope)
    apart = _apart(change)
    if change.turn is not None:
        by = f"turned {np.linalg.norm(change.turn):.3f} deg"
    else:
        by = f"{apart[0]:+.4g}" if len(apart) == 1 else f"by {np.linalg.norm(apart):.4g}"
    unit = change.unit if change.turn is None else ""
    return (
        f"frame {change.frame:g}",
        label,
        spoken(change.before_text),
        "->",
        spoken(change.after_text),
        f"{by} {unit}".rstrip(),
    )


def _numbers_of(key: Key) -> list[tuple[float, ...]]:
    """Value and slopes, one slope where both are the same."""
    return [key.value, key.incoming, *([key.outgoing] if key.outgoing != key.incoming else [])]


def _apart(change: Change) -> Array:
    return np.ravel(change.after) - np.ravel(change.before)


def _summed(merged: list[tuple[str, Change]]) -> list[str]:
    """Each kind of change on a line: how many, where, and the largest of those that are measured."""
    lines = []
    for kind in _KINDS:
        changes = [change for _, change in merged if _kind(change) == kind]
        if not changes:
            continue
        frames = [change.frame for change in changes]
        many = f"{len(changes)} {kind if len(changes) > 1 else _KINDS[kind]}"
        line = f"    {many} from frame {min(frames):g} to {max(frames):g}"
        if changes[0].key is None:
            sizes = [float(np.linalg.norm(_apart(change))) for change in changes]
            worst = changes[int(np.argmax(sizes))]
            change = f"{spoken(worst.before_text)} -> {spoken(worst.after_text)}"
            line += f", the largest at frame {worst.frame:g}: {change} ({max(sizes):.4g} {worst.unit})"
        lines.append(line.rstrip())
    lines[-1] += "; --json lists them all"
    return lines


def _kind(change: Change) -> str:
    if change.key is not None:
        return "keys taken out" if change.taken else "new keys"
    if change.field == "key":
        return "keys moved in time"
    return "values" if change.field == "value" else "slopes"


def spoken(text: str) -> str:
    """A file's number, or a quaternion's four, as it is spelled there; of more than MOST_DIGITS those that count."""
    return _NUMBER.sub(lambda found: _short(found[0]), text)


def _short(number: str) -> str:
    if 0 < abs(float(number)) < DUST:
        return "0"
    digits = re.sub(r"[eE].*|\D", "", number).lstrip("0")
    return number if len(digits) <= MOST_DIGITS else f"{float(number):.{SAID_DIGITS}g}"


def suggestion_lines(suggestion: Suggestion, length: str = "unit") -> list[str]:
    """A suggestion as a person reads it: why, what, with what effect, and what else there is."""
    reasons = re.split(SEVERAL, suggestion.reason)
    lines = [f"Why: {reasons[0]}", *(f"     {reason}" for reason in reasons[1:])]
    if suggestion.changes:
        lines += ["", *change_lines(suggestion.changes, length), "", *_effect_lines(suggestion)]
    if suggestion.candidates and not suggestion.changes:
        lines += ["", "Candidates, likeliest first:"]
    elif suggestion.candidates:
        lines += ["", "Not changed, but possible:"]
    lines += [f"  {c.number}  {_candidate(c)}" for c in suggestion.candidates]
    return lines


def _candidate(candidate: Candidate) -> str:
    """What it explains, how likely it is, and what it would change."""
    first = candidate.changes[0]
    change = f"{spoken(first.before_text)} -> {spoken(first.after_text)}"
    size = change if len(_merged(list(candidate.changes))) == 1 else _numbers(len(candidate.changes))
    if candidate.probability is None:
        return f"{candidate.explains}  ({size})"
    likely = candidate.probability
    return (
        f"{candidate.explains}  ({100 * likely:.0f} % likely, {size})"
        if likely >= 0.005
        else (f"{candidate.explains}  (under 1 % likely, {size})")
    )


def _numbers(count: int) -> str:
    return f"{count} number{'s' * (count != 1)}"


def _effect_lines(suggestion: Suggestion) -> list[str]:
    effect, move = suggestion.effect, suggestion.effect.largest_move
    lines = [
        f"On screen ({suggestion.camera}): {move.where} moves most, {move.pixels:.2f} px at frame {move.frame:g}."
        if move.pixels > 0
        else f"On screen ({suggestion.camera}): nothing that the camera sees moves."
    ]
    if move.pixels > 0:
        old, new = effect.before, effect.after
        lines.append(
            f"There the spacing speeds up and down by {old.spacing:.1f} -> {new.spacing:.1f} px in all; the arc is "
            f"off by {old.arc:.2f} -> {new.arc:.2f} px, the timing by {old.timing:.2f} -> {new.timing:.2f} px."
        )
    if suggestion.usable is not None:
        lines.append(f"Free to move were frames {suggestion.usable[0]:g} to {suggestion.usable[1]:g}.")
    return lines


def left_lines(left: Sequence[tuple[Change, str]]) -> list[str]:
    """What couldn't be changed, and why."""
    return [f"left: {c.control}.{c.channel}@{c.frame:g} {_FIELDS[c.field]}: {reason}" for c, reason in left]


def already_lines(already: Sequence[Change]) -> list[str]:
    """What needed no change, one line a channel."""
    lines = []
    for (control, channel), group in groupby(already, key=lambda change: (change.control, change.channel)):
        frames = [change.frame for change in group]
        span = f"{min(frames):g}" + (f" to {max(frames):g}" if min(frames) < max(frames) else "")
        lines.append(f"already so: {control}.{channel}@{span}, {_numbers(len(frames))}")
    return lines


def difference_lines(found: Difference, length: str = "unit") -> list[str]:
    """A difference as a person reads it."""
    lines = [*found.others]
    if found.changes:
        lines += [*([""] if lines else []), *change_lines(found.changes, length)]
    if found.moves:
        lines += ["", f"On screen ({found.camera}):"]
        for name, move in zip(found.moved, found.moves, strict=True):
            what = f"{move.where} by {move.pixels:.2f} px at frame {move.frame:g}"
            lines.append(f"  the change of {name} moves {what if move.pixels > 0 else 'nothing'}")
    return lines or ["no difference"]

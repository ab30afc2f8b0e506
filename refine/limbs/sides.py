"""Left and right: which control is the partner of which, by name and by where both stand at rest."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np

from refine.shot import Control

SIDES = (("left", "right"), ("Left", "Right"), ("LEFT", "RIGHT"))
LETTERS = (("l", "r"), ("L", "R"))  # beside a dot, an underscore, a hyphen, a capital or the end of the name
MIRRORED = 0.1  # of the distance from what carries both: how far rest places may be from mirrored [judge]


def partners(controls: Sequence[Control]) -> dict[str, str]:
    """For each control with a partner on the other side its partner's name."""
    by_name = {control.name: control for control in controls}
    found = {}
    for control in controls:
        for name in _other_names(control.name):
            if name in by_name and _mirrored(control, by_name[name]):
                found[control.name] = name
                break
    return found


def _other_names(name: str) -> Iterator[str]:
    for pair in SIDES:
        for one, other in (pair, pair[::-1]):
            if one in name:
                yield name.replace(one, other, 1)
    for pair in LETTERS:
        for one, other in (pair, pair[::-1]):
            yield from (re.sub(p, other, name, count=1) for p in _letter(one) if re.search(p, name))


def _letter(side: str) -> tuple[str, ...]:
    """Patterns of a letter for a side: after a mark at the end or before another mark, or in front of the name."""
    ends = rf"(?<=[._\-: ]){side}(?=$|[._\-: \d])"
    front = rf"^{side}(?=[._\- ])" if side.islower() else rf"^{side}(?=[._\- A-Z])"
    return ends, front


def _mirrored(one: Control, other: Control) -> bool:
    a, b = (np.array(c.rest_translation) + np.array(c.pivot) for c in (one, other))
    return bool(np.all(np.abs(np.abs(a) - np.abs(b)) <= MIRRORED * max(np.linalg.norm(a), np.linalg.norm(b))))

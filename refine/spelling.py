"""Changes as a file spells them: its own decimals, its own text of the keys that go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from refine.changes import Change
from refine.formats import Document, numbers, respelled, spellings
from refine.formats.checked import UNIT_LENGTH
from refine.key_rows import Key
from refine.shot import QUATERNION

ADDED_DECIMALS = 4  # of the value and the slopes of a key that is added


def spelled(changes: Sequence[Change], document: Document, least_decimals: int) -> list[Change]:
    """The changes as the file will spell them; what its own decimals can't show is left out."""
    whole = iter(_keys_spelled([change for change in changes if change.key is not None], document))
    rest = iter(_numbers_spelled([c for c in changes if c.key is None], document, least_decimals))
    found = (next(rest) if change.key is None else next(whole) for change in changes)
    return [change for change in found if change is not None]


def _numbers_spelled(
    changes: Sequence[Change], document: Document, least_decimals: int
) -> list[Change | None]:
    texts = spellings(document, [change.place for change in changes])
    lengths = _stated_lengths(changes, document)
    found: list[Change | None] = []
    for change, text, length in zip(changes, texts, lengths, strict=True):
        values = (np.ravel(change.after) * length).tolist()
        whole = change.field == "key" and float(values[0]).is_integer()  # people write 12, not 12.0000
        after = f"{values[0]:.0f}" if whole else respelled(text, values, least_decimals)
        value = tuple(part / length for part in numbers(after))
        exact = value[0] if len(value) == 1 else value
        shown = numbers(after) != numbers(text)
        found.append(replace(change, before_text=text, after_text=after, after=exact) if shown else None)
    return found


def _keys_spelled(changes: Sequence[Change], document: Document) -> list[Change]:
    """Whole keys with the text that they have, or will have in the place of another key, in the file."""
    if not changes:
        return []
    from refine.formats import grown

    gone = [change for change in changes if change.taken]
    cuts = grown.cuts(document, [change.place for change in gone])
    at = {change.place: (change.key, cut) for change, cut in zip(gone, cuts, strict=True)}
    found = []
    for change in changes:
        there, cut = at.get(change.place, (None, None))
        if change.taken and cut is not None:
            change = replace(change, before_text=grown.text_of(document, cut), line=cut.line)
        elif change.key is not None:
            key = _rounded(change.key, there)
            change = replace(change, key=key)
            if cut is not None:
                text = grown.rewritten(document, cut, change.place, key)
                change = replace(change, after_text=text, line=cut.line)
        found.append(change)
    return found


def _rounded(key: Key, before: Key | None) -> Key:
    """An added key to the digits that it will have in the file; what it has from the one before it keeps all."""

    def parts(new: tuple[float, ...], old: tuple[float, ...] | None) -> tuple[float, ...]:
        return new if new == old else tuple(round(part, ADDED_DECIMALS) for part in new)

    olds = (None,) * 3 if before is None else (before.value, before.incoming, before.outgoing)
    value, incoming, outgoing = (
        parts(key.value, olds[0]),
        parts(key.incoming, olds[1]),
        parts(key.outgoing, olds[2]),
    )
    if (
        key.incoming == key.outgoing and key.incoming in olds[1:]
    ):  # one slope, which the key before had on one side
        incoming = outgoing = key.incoming
    return replace(key, value=value, incoming=incoming, outgoing=outgoing)


def _stated_lengths(changes: Sequence[Change], document: Document) -> list[float]:
    """The length of the quaternion that the file states at each change's key or sample; 1 for other channels.

    A reader brings it to 1, and its slopes by the same factor. The file keeps its length, so that slopes which
    nobody changes mean the same as before.
    """
    turns = [n for n, change in enumerate(changes) if change.channel == QUATERNION and change.field != "key"]
    texts = spellings(document, [replace(changes[n].place, field="value") for n in turns])
    lengths = [1.0] * len(changes)
    for n, text in zip(turns, texts, strict=True):
        length = float(np.linalg.norm(numbers(text)))
        lengths[n] = length if abs(length - 1) > UNIT_LENGTH else 1.0
    return lengths

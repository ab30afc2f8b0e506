"""Whole keys that are put into a file, or taken out of it: the bytes of each, with what separates it from the others.

In a shot file a key goes with the comma before it (the first ones of a channel with the comma after them), in a table
with the line end before it. What was cut is put back as it was, so an undo gives back the same bytes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from refine.errors import InputError
from refine.formats import Document, keys_table, shot_file
from refine.formats import json_places as places_in
from refine.formats.keys_table import key_line
from refine.formats.places import channel_of, key_of, spot
from refine.formats.respelled import member_text, row_text
from refine.formats.shot_channels import written_key
from refine.formats.splice import Place, Span
from refine.key_rows import Key

Name = tuple[str, str]  # control and channel
_ENDS = re.compile(rb"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Put:
    """A key to be put in: with its text as it was cut (and the line that it had in a table), or anew."""

    place: Place
    key: Key
    text: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Cut:
    """A key's own bytes, and those that go with it; its line in a table, from 1."""

    own: Span
    whole: Span
    line: int | None


def cuts(document: Document, places: Sequence[Place]) -> list[Cut]:
    """The bytes of whole keys, which are to be taken out together. InputError."""
    wanted: dict[Name, set[int]] = {}
    for place in places:
        wanted.setdefault((place.control, place.channel), set()).add(_position(document, place))
    rows = _rows(document, list(wanted))
    lines = _lines(document) if document.format == "table" else []
    at = {start: n for n, (start, _) in enumerate(lines)}
    found = {(name, k): _cut(rows[name], lines, at, k, gone) for name, gone in wanted.items() for k in gone}
    return [found[(place.control, place.channel), _position(document, place)] for place in places]


def _position(document: Document, place: Place) -> int:
    return key_of(channel_of(document.shot, place)[0], place)


def _cut(rows: Sequence[Span], lines: Sequence[Span], at: Mapping[int, int], k: int, gone: set[int]) -> Cut:
    own = rows[k]
    if lines:
        n = at[own[0]]
        return Cut(own, (lines[n - 1][1], own[1]), n + 1)
    if all(before in gone for before in range(k)):  # nothing stays before it
        return Cut(own, (own[0], rows[k + 1][0] if k + 1 < len(rows) else own[1]), None)
    return Cut(own, (rows[k - 1][1], own[1]), None)


def text_of(document: Document, cut: Cut) -> str:
    return document.data[slice(*cut.whole)].decode()


def rewritten(document: Document, cut: Cut, place: Place, key: Key) -> str:
    """The text of a key that is cut, with the numbers and words of another one where those differ."""
    own = document.data[slice(*cut.own)].decode()
    before, after = document.data[cut.whole[0] : cut.own[0]], document.data[cut.own[1] : cut.whole[1]]
    if document.format == "table":
        columns = keys_table.columns_of(document.data, document.shot)
        own = row_text(own, columns, key) if len(key.value) == 1 else _written(document, place, key)
    else:
        own = member_text(own, written_key(place.frame, key))
    return before.decode() + own + after.decode()


def _written(document: Document, place: Place, key: Key) -> str:
    """A key's own text, anew."""
    if document.format == "table":
        return key_line(document.data, document.shot, place, key)
    if document.format != "shot":
        raise InputError(spot(place), "a format without keys", "a shot file or a key table")
    return json.dumps(written_key(place.frame, key))


def edits(
    document: Document, gone: Sequence[Place], puts: Sequence[Put], moved: Mapping[Place, float]
) -> list[tuple[Span, str]]:
    """What takes some keys out of a file and puts others in; `moved` says where other keys go at the same time.

    Of each channel at least one key has to stay.
    """
    cut = dict(zip(gone, cuts(document, gone), strict=True))
    texts: dict[int, str] = {}
    names = list(dict.fromkeys((put.place.control, put.place.channel) for put in puts))
    replaced = {put.place for put in puts if document.format == "table"}  # its line stays a place to go by
    gone_rows = {each.own for place, each in cut.items() if place not in replaced}
    rows = _staying(document, names, gone_rows, moved)
    lines, lined = _free_lines(document, gone_rows, puts), 0
    for put in sorted(puts, key=lambda put: (put.line or 0, put.place.frame)):
        own = rows[put.place.control, put.place.channel]
        k = int(np.searchsorted([frame for frame, _ in own], put.place.frame)) - 1
        spans = [span for _, span in own]
        if document.format == "table":
            same = cut.get(put.place)
            at, text = _line(document, spans, k, put)
            if same is not None:
                at = same.whole[0]
            elif put.line is not None:
                at = _at_line(lines, put.line - lined, spans, k, at)
                lined += 1
        else:
            at, text = _element(document, spans, k, put)
        texts[at] = texts.get(at, "") + text
    return [*((each.whole, "") for each in cut.values()), *(((at, at), text) for at, text in texts.items())]


def _staying(
    document: Document, names: Sequence[Name], gone: set[Span], moved: Mapping[Place, float]
) -> dict[Name, list[tuple[float, Span]]]:
    """Of some channels the keys that stay: the frame that each will have, and its bytes."""
    found = {}
    for name, spans in _rows(document, names).items():
        keys = channel_of(document.shot, Place(*name, 0.0, "key"))[0].keys
        assert keys is not None
        places = [Place(*name, frame, "key") for frame in keys.frames.tolist()]
        rows = [(moved.get(place, place.frame), span) for place, span in zip(places, spans, strict=True)]
        found[name] = [row for row in rows if row[1] not in gone]
    return found


def _element(document: Document, rows: Sequence[Span], k: int, put: Put) -> tuple[int, str]:
    """Where a key goes in a shot file, after the k-th one that stays or before all (-1), and its text with a comma.

    InputError where the text that it comes with is anything but one key: no more may slip in with it.
    """
    text = put.text or _written(document, put.place, put.key)
    start = text.find("{")
    end = places_in.value_end(text, start) if start >= 0 else 0
    around = text[:start] + text[end:]
    if not end or around.replace(",", "", 1).strip(" \t\r\n"):
        raise _no_key(put)
    blank = around.replace(",", "", 1) if put.text else _blank(document, rows, k)
    return (
        (rows[k][1], f",{blank}{text[start:end]}") if k >= 0 else (rows[0][0], f"{text[start:end]},{blank}")
    )


def _no_key(put: Put) -> InputError:
    return InputError(f"{spot(put.place)}: its text", "more than one key, or none", "just the key's own text")


def _line(document: Document, rows: Sequence[Span], k: int, put: Put) -> tuple[int, str]:
    """Where a key goes in a table, and its line with the line end before it. InputError as for elements."""
    before = rows[k][1] if k >= 0 else max(end for _, end in _lines(document) if end < rows[0][0])
    if put.text:
        data = put.text.encode()
        own = _ENDS.match(data)
        if own is None or len(_ENDS.findall(data)) > 1:
            raise _no_key(put)
        if own[0] in _ENDS.findall(document.data):
            return before, put.text
        return before, _end_near(document, before) + data[own.end() :].decode()  # it comes from another file
    return before, _end_near(document, before) + _written(document, put.place, put.key)


def _end_near(document: Document, at: int) -> str:
    """The line end that follows in a table, or else its first one."""
    end = _ENDS.search(document.data, at) or _ENDS.search(document.data)
    assert end is not None  # the header's, at least
    return end[0].decode()


def _blank(document: Document, rows: Sequence[Span], k: int) -> str:
    """What stands between two keys of a list: as before the k-th one, or a blank."""
    start = end = rows[max(k, 0)][0]
    while document.data[start - 1 : start] in (b" ", b"\t", b"\r", b"\n"):
        start -= 1
    return document.data[start:end].decode() or " "


# --- where keys stand ----------------------------------------------------------------------------------------


def _rows(document: Document, names: Sequence[Name]) -> dict[Name, list[Span]]:
    """The bytes of each key of some channels: an object, or a line without its end."""
    if not names:
        return {}
    if document.format == "table":
        lines = keys_table.lines_of(document.data, document.shot, set(names))
        return {name: [(line.start, line.start + len(line.text)) for line in lines[name]] for name in names}
    if document.format != "shot":
        raise InputError(".".join(names[0]), "a format without keys", "a shot file or a key table")
    text, top = places_in.byte_text(document.data)
    starts = shot_file.control_starts(text, top, document.shot)
    return {name: _objects(document, text, starts, name) for name in names}


def _objects(document: Document, text: str, starts: Mapping[str, int], name: Name) -> list[Span]:
    control, channel = name
    _, position = channel_of(document.shot, Place(control, channel, 0.0, "key"))
    if control not in starts:
        raise InputError(".".join(name), "it stands in the side file", "keys of the shot's file")
    channels = places_in.member(text, starts[control], "channels")
    assert channels is not None
    keys = places_in.member(text, next(islice(places_in.elements(text, channels), position, None)), "keys")
    assert keys is not None
    return [(start, places_in.value_end(text, start)) for start in places_in.elements(text, keys)]


def _lines(document: Document) -> list[Span]:
    """Every line of a table, empty ones and comments too, without its end."""
    ends = [match.span() for match in _ENDS.finditer(document.data)]
    return list(zip([0, *(b for _, b in ends)], [*(a for a, _ in ends), len(document.data)], strict=True))


def _free_lines(document: Document, gone: set[Span], puts: Sequence[Put]) -> list[Span]:
    """The lines that stay, where keys are to go back to lines of their own."""
    if document.format != "table" or all(put.line is None for put in puts):
        return []
    return [line for line in _lines(document) if line not in gone]


def _at_line(lines: Sequence[Span], line: int, rows: Sequence[Span], k: int, otherwise: int) -> int:
    """The end of the line before the one on which a key stood, if that lies between its neighbours' lines."""
    at = lines[line - 2][1] if 2 <= line <= len(lines) + 1 else -1
    low = rows[k][1] if k >= 0 else 0
    high = rows[k + 1][0] if k + 1 < len(rows) else len(lines) and lines[-1][1]
    return at if low <= at <= high else otherwise

"""Keys that are put into a file, and taken out again: the text of each, with what separates it from the key before.

Taking out cuts from the end of the key before to the end of the key itself, which is just what was put in.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import islice

from refine.errors import InputError
from refine.formats import Document, keys_table, shot_file
from refine.formats import json_places as places_in
from refine.formats.places import channel_of, key_of, spot
from refine.formats.splice import Place, Span

Numbers = tuple[float, float]  # value and slope


def put_in(document: Document, keys: Sequence[tuple[Place, Numbers]]) -> list[tuple[Span, str]]:
    """Where the new keys go, and their text; a gap between two keys takes all of its keys at once. InputError."""
    texts: dict[int, str] = {}
    for place, numbers in sorted(keys, key=lambda key: key[0].frame):
        at, text = (
            _shot(document, place, numbers) if document.format == "shot" else _table(document, place, numbers)
        )
        texts[at] = texts.get(at, "") + text
    return [((at, at), text) for at, text in texts.items()]


def taken_out(document: Document, places: Sequence[Place]) -> list[Span]:
    """The bytes of keys, each with what separates it from the key before. InputError."""
    found = []
    for place in places:
        channel, _ = channel_of(document.shot, place)
        k = key_of(channel, place)
        if k == 0:
            raise InputError(
                spot(place), "it is the channel's first key", "a key that was put in after another one"
            )
        ends = [_end(document, place, n) for n in (k - 1, k)]
        found.append((ends[0], ends[1]))
    return found


def _end(document: Document, place: Place, k: int) -> int:
    if document.format == "shot":
        text, starts = _elements(document, place)
        return places_in.value_end(text, starts[k])
    line = keys_table.lines_of(document.data, document.shot, (place.control, place.channel))[k]
    return line.start + len(line.text)


def _before(document: Document, place: Place) -> int:
    """Which key comes last before a place. InputError where none does."""
    channel, _ = channel_of(document.shot, place)
    frames: list[float] = [] if channel.keys is None else channel.keys.frames.tolist()
    if not frames or frames[0] >= place.frame:
        raise InputError(spot(place), "no key comes before it", "a frame after the channel's first key")
    return sum(frame < place.frame for frame in frames) - 1


def _elements(document: Document, place: Place) -> tuple[str, list[int]]:
    """The file's text and where each key of a channel starts in it."""
    text, top = places_in.byte_text(document.data)
    _, position = channel_of(document.shot, place)
    start = shot_file.control_starts(text, top, document.shot).get(place.control)
    if start is None:
        raise InputError(spot(place), "it stands in the side file", "keys of the shot's file")
    channels = places_in.member(text, start, "channels")
    assert channels is not None
    keys = places_in.member(text, next(islice(places_in.elements(text, channels), position, None)), "keys")
    assert keys is not None
    return text, list(places_in.elements(text, keys))


def _shot(document: Document, place: Place, numbers: Numbers) -> tuple[int, str]:
    text, starts = _elements(document, place)
    k = _before(document, place)
    start = starts[k]
    blank = text[text.rindex("[" if k == 0 else ",", 0, start) + 1 : start]
    value, slope = numbers
    key = json.dumps({"frame": place.frame, "value": value, "slope": slope})
    return places_in.value_end(text, start), f",{blank or ' '}{key}"


def _table(document: Document, place: Place, numbers: Numbers) -> tuple[int, str]:
    if document.format != "table":
        raise InputError(spot(place), "a format without keys", "a shot file or a key table")
    k = _before(document, place)
    line = keys_table.lines_of(document.data, document.shot, (place.control, place.channel))[k]
    at = line.start + len(line.text)
    rest = document.data[at : at + 2]
    end = "\r\n" if rest == b"\r\n" else "\r" if rest[:1] == b"\r" else "\n"
    text = keys_table.key_line(document.data, document.shot, place, numbers)
    return at, end + text

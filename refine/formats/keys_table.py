"""The key table, `*.keys.csv`: one line a key, for people who come from a spreadsheet or a small script.

The first line that isn't a comment names the columns, in any order: control, channel, frame and value must
be there; incoming_slope, outgoing_slope, incoming_reach, outgoing_reach, corner and segment may be. An empty
field is one that isn't given: the segment is then a curve, a reach a third of its segment, and a slope an
error where a curve runs on its side. A quaternion's value and slopes are four numbers XYZW, spaces between.
Lines that start with # are comments. Channels may be mixed, but the frames of each must rise.

The rig, the frame rate and all that isn't a key stand in the side file.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from refine.errors import InputError
from refine.formats.checked import LARGEST, At, as_choice, as_name, listed, name_of, nearest, shown
from refine.formats.json_places import BOM, decode
from refine.formats.key_rules import SEGMENTS, check_frames, components, settle_slopes, unit_length
from refine.formats.places import channel_of, key_of, spot
from refine.formats.shot_channels import channel_name
from refine.formats.splice import Place, Span
from refine.key_rows import Key, of_rows
from refine.shot import QUATERNION, ROTATIONS, Array, Channel, Control, Keys, Segment, Shot, make_keys

ENDING = ".keys.csv"
REQUIRED = ("control", "channel", "frame", "value")
SLOPES = ("incoming_slope", "outgoing_slope")
COLUMNS = (*REQUIRED, *SLOPES, "incoming_reach", "outgoing_reach", "corner", "segment")
# A table says no frame rate; this one is assumed, with a note, until the side file gives one.
FPS = 24.0
NO_FRAME_RATE = "a key table says no frame rate: 24 frames a second taken; say fps in the side file"
BLANKS = " \t"
CORNER = {"": None, "true": True, "false": False}

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_LINE = re.compile(r"[^\r\n]+|\r\n|\r|\n")
_FIELD = re.compile(r'(?:[ \t]*"((?:[^"]|"")*)"[ \t]*|([^",]*))(,|$)')


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the table that is neither empty nor a comment: its number from 1, its offset and its text."""

    number: int
    start: int
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """A line's fields by column, unquoted; what isn't given is empty."""

    at: At
    fields: dict[str, str]

    def text(self, column: str) -> str:
        return self.fields.get(column, "")

    def place(self, column: str) -> At:
        return At(self.at.file, f"{self.at.path}, column {column}")


def read(data: bytes, name: str) -> Shot:
    """The shot in the bytes of a key table, from its first key to its last one. Raises InputError."""
    groups: dict[str, dict[str, list[Row]]] = defaultdict(lambda: defaultdict(list))
    for row in _rows(decode(data, name), name):
        control = as_name(row.text("control"), row.place("control"))
        channel = channel_name(row.text("channel"), row.place("channel"))
        groups[control][channel].append(row)
    if not groups:
        raise InputError(name, "the table has no keys", "at least one line below the header")
    notes = [f"{name}: {NO_FRAME_RATE}"]
    controls = tuple(_control(control, channels, notes) for control, channels in groups.items())
    frames = [c.keys.frames for control in controls for c in control.channels if c.keys is not None]
    return Shot(
        name=name_of(name, ENDING),
        fps=FPS,
        first_frame=math.floor(min(f[0] for f in frames)),
        last_frame=math.ceil(max(f[-1] for f in frames)),
        controls=controls,
        notes=tuple(notes),
    )


def _lines(text: str) -> Iterator[Line]:
    """The lines that count. Any line end is one: CRLF, LF or a lone CR."""
    number = 1
    for match in _LINE.finditer(text):
        if match[0] in ("\r\n", "\n", "\r"):
            number += 1
        elif match[0].strip(BLANKS) and not match[0].lstrip(BLANKS).startswith("#"):
            yield Line(number, match.start(), match[0])


def _fields(line: Line, file: str) -> list[tuple[str, Span]]:
    """The fields of a line, unquoted, and where each stands in it (inside its quotes)."""
    if '"' not in line.text:
        return _plain_fields(line.text)
    fields: list[tuple[str, Span]] = []
    at, comma = 0, ","
    while comma:
        match = _FIELD.match(line.text, at)
        if match is None:
            found = "a quote isn't closed, or stands inside a field"
            raise InputError(f"{file}: line {line.number}", found, 'fields in "quotes" with "" for a quote')
        if match[1] is not None:
            fields.append((match[1].replace('""', '"'), match.span(1)))
        else:
            fields.append(_stripped(match[2], at))
        at, comma = match.end(), match[3]
    return fields


def _plain_fields(text: str) -> list[tuple[str, Span]]:
    fields: list[tuple[str, Span]] = []
    start = 0
    for part in text.split(","):
        fields.append(_stripped(part, start))
        start += len(part) + 1
    return fields


def _stripped(part: str, start: int) -> tuple[str, Span]:
    """A field without ASCII blanks around it; others may be bytes of longer UTF-8 characters."""
    field = part.strip(BLANKS)
    begin = start + len(part) - len(part.lstrip(BLANKS))
    return field, (begin, begin + len(field))


def _header(line: Line, file: str) -> list[str]:
    """The columns in the order of the file."""
    at = At(file, f"line {line.number}")
    if "," not in line.text and (";" in line.text or "\t" in line.text):
        raise at.error("the columns aren't separated by commas", "commas", "export the table with commas")
    names = [field.casefold() for field, _ in _fields(line, file)]
    for name in names:
        if name not in COLUMNS:
            raise at.error(f"unknown column {shown(name)}", listed(COLUMNS), nearest(name, COLUMNS))
        if names.count(name) > 1:
            raise at.error(f"column {shown(name)} stands twice", "each column once")
    missing = [name for name in REQUIRED if name not in names]
    if missing:
        raise at.error(f"no column {listed(missing)}", f"a header with {listed(REQUIRED)}")
    return names


def _rows(text: str, file: str) -> Iterator[Row]:
    lines = _lines(text)
    header = next(lines, None)
    if header is None:
        raise InputError(file, "the file is empty", f"a header line with {listed(REQUIRED)}")
    columns = _header(header, file)
    for line in lines:
        if '"' in line.text:
            fields = [field for field, _ in _fields(line, file)]
        else:
            fields = [field.strip(BLANKS) for field in line.text.split(",")]
        at = At(file, f"line {line.number}")
        if len(fields) != len(columns):
            remedy = "quote names that hold commas; a decimal comma must be a point"
            raise at.error(f"{len(fields)} fields", f"{len(columns)}, as the header has", remedy)
        yield Row(at, dict(zip(columns, fields, strict=True)))


def _control(name: str, channels: dict[str, list[Row]], notes: list[str]) -> Control:
    euler = next((channel for channel in channels if channel in ROTATIONS), None)
    if QUATERNION in channels and euler is not None:
        place = channels[euler][0].place("channel")
        raise place.error(f"{shown(name)} has both {QUATERNION} and {euler}", "a quaternion or Euler angles")
    return Control(
        name, channels=tuple(Channel(c, keys=_keys(c, rows, notes)) for c, rows in channels.items())
    )


def _keys(channel: str, rows: Sequence[Row], notes: list[str]) -> Keys:
    """The keys of one channel from its lines."""
    width = components(channel)
    place = _placer(rows)
    frames = _column(rows, "frame", 1)[:, 0]
    check_frames(frames, place("frame"))
    values = _column(rows, "value", width)
    kinds = [as_choice(row.text("segment") or "curve", row.place("segment"), tuple(SEGMENTS)) for row in rows]
    segment = np.array([SEGMENTS[kind] for kind in kinds], np.int8)
    sides = [_column(rows, side, width, optional=True) for side in SLOPES]
    corner = [_corner(row) for row in rows]
    incoming, outgoing, corners = settle_slopes(sides[0], sides[1], corner, segment, lambda k: rows[k].at)
    if width == 4:
        values, scale = unit_length(values, place("value"), rows[0].at, notes)
        incoming, outgoing = incoming * scale, outgoing * scale
    into, out = _reach(rows, "incoming_reach"), _reach(rows, "outgoing_reach")
    return make_keys(frames, values, incoming, outgoing, into, out, corners, segment)


def _placer(rows: Sequence[Row]) -> Callable[[str], Callable[[int], At]]:
    return lambda column: lambda k: rows[k].place(column)


def _corner(row: Row) -> bool | None:
    text = row.text("corner").casefold()
    if text not in CORNER:
        raise row.place("corner").error(f"found {shown(row.text('corner'))}", "true, false or nothing")
    return CORNER[text]


def _column(rows: Sequence[Row], column: str, width: int, optional: bool = False) -> Array:
    """(K, width) numbers of a column, NaN where an optional one is empty."""
    numbers: list[list[float]] = []
    for row in rows:
        text = row.text(column)
        numbers.append([math.nan] * width if optional and not text else _numbers(row, column, text, width))
    return np.array(numbers, float)


def _numbers(row: Row, column: str, text: str, width: int) -> list[float]:
    words = text.split()
    if len(words) != width or not all(_NUMBER.fullmatch(word) for word in words):
        allowed = (
            "a number with a decimal point" if width == 1 else f"{width} numbers with spaces between them"
        )
        raise row.place(column).error(f"found {shown(text)}" if text else "it is empty", allowed)
    numbers = [float(word) for word in words]
    if not all(abs(number) <= LARGEST for number in numbers):
        raise row.place(column).error(f"found {shown(text)}", f"{-LARGEST:g} to {LARGEST:g}")
    return numbers


def _reach(rows: Sequence[Row], column: str) -> Array:
    reach = _column(rows, column, 1, optional=True)[:, 0]
    for k in np.flatnonzero(reach < 0):
        raise rows[int(k)].place(column).error(f"found {reach[k]:g}", "0 or more frames")
    return reach


def spans(data: bytes, shot: Shot, places: Sequence[Place]) -> list[Span]:
    """Byte span of the number at each place; a quaternion is its four numbers.

    `data` are the bytes that `shot` was read from. InputError where the file doesn't state what is asked for.
    """
    columns, keys = _lines_by_channel(data, shot, {(place.control, place.channel) for place in places})
    return [_span(shot, keys, columns, place) for place in places]


def _lines_by_channel(
    data: bytes, shot: Shot, wanted: set[tuple[str, str]]
) -> tuple[list[str], dict[tuple[str, str], list[Line]]]:
    """The columns, and the lines of the keys of each wanted channel."""
    text = data.decode("latin-1")  # one character a byte: commas, quotes and line ends are ASCII
    lines = _lines(" " * len(BOM) + text[len(BOM) :] if text.startswith(BOM) else text)
    columns = _header(next(lines), shot.name)
    keys: dict[tuple[str, str], list[Line]] = defaultdict(list)
    for line in lines:
        fields = [field.encode("latin-1").decode() for field, _ in _fields(line, shot.name)[: len(columns)]]
        name = fields[columns.index("control")], fields[columns.index("channel")]
        if name in wanted:
            keys[name].append(line)
    return columns, keys


def lines_of(data: bytes, shot: Shot, channels: set[tuple[str, str]]) -> dict[tuple[str, str], list[Line]]:
    """The lines of the keys of some channels, named by control and channel."""
    return _lines_by_channel(data, shot, channels)[1]


def columns_of(data: bytes, shot: Shot) -> list[str]:
    """The columns in the order of the file."""
    return _lines_by_channel(data, shot, set())[0]


def fields_of(text: str) -> list[tuple[str, Span]]:
    """The fields of a line, unquoted, and where each stands in it (inside its quotes)."""
    return _fields(Line(1, 0, text), "")


def key_line(data: bytes, shot: Shot, place: Place, key: Key) -> str:
    """A line for a new key, in the table's own columns. InputError where one is missing."""
    columns = columns_of(data, shot)
    given = next(_written_keys(place.control, place.channel, of_rows([place.frame], [key]))).split(",")
    names = _quoted(place.control), _quoted(place.channel)
    fields = dict(zip(COLUMNS, (*names, *given[-(len(COLUMNS) - 2) :]), strict=True))
    for column, field in fields.items():
        if field and column not in columns:
            raise InputError(spot(place), "the table has no column for it", column, "add it first")
    return ",".join(fields.get(column, "") for column in columns)


def _span(shot: Shot, keys: dict[tuple[str, str], list[Line]], columns: Sequence[str], place: Place) -> Span:
    channel, _ = channel_of(shot, place)
    line = keys[place.control, place.channel][key_of(channel, place)]
    column = "frame" if place.field == "key" else place.field
    field, (start, end) = "", (0, 0)
    if column in columns:
        field, (start, end) = _fields(line, shot.name)[columns.index(column)]
    if not field:
        raise InputError(spot(place), "the table doesn't state it", remedy=f"fill in {column} first")
    return line.start + start, line.start + end


def write(shot: Shot) -> bytes:
    """The keys of the shot as a new table; the rest of the shot belongs into the side file.

    InputError where a channel is baked: a table holds keys, and cameras stand in the side file with theirs.
    """
    lines = [",".join(COLUMNS)]
    for control in shot.controls:
        for channel in control.channels:
            if channel.keys is None:
                remedy = "write a shot file, *.shot.json"
                raise InputError(
                    f"{control.name}.{channel.name}", "a baked channel", "a key table holds keys", remedy
                )
            lines += _written_keys(control.name, channel.name, channel.keys)
    return ("\n".join(lines) + "\n").encode()


def _written_keys(control: str, channel: str, keys: Keys) -> Iterator[str]:
    """A line for each key."""
    names = _quoted(control), _quoted(channel)
    for k in range(len(keys)):
        reach = [
            ("" if math.isnan(r) else _text([r])) for r in (keys.incoming_reach[k], keys.outgoing_reach[k])
        ]
        numbers = [
            _text(row) for row in (keys.frames[k : k + 1], keys.values[k], keys.incoming[k], keys.outgoing[k])
        ]
        corner = "true" if keys.corner[k] else ""
        kind = Segment(int(keys.segment[k]))
        segment = "" if kind == Segment.CURVE else kind.name.lower()
        yield ",".join((*names, *numbers, *reach, corner, segment))


def _text(numbers: Sequence[float] | Array) -> str:
    """Numbers with all their digits, whole ones without a point."""
    return " ".join(repr(float(n)).removesuffix(".0") for n in numbers)


def _quoted(name: str) -> str:
    """A name as a field: in quotes where it would be read as something else without them."""
    if name != name.strip(BLANKS) or any(c in name for c in '",#'):
        return '"' + name.replace('"', '""') + '"'
    return name

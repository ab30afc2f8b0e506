"""JSON text with its traps taken out, and the byte spans of its values.

`parse` refuses what json alone lets pass: a member given twice, text that isn't UTF-8. The rest walks over
JSON text value by value; what isn't asked for is skipped by the C scanner, so finding a few numbers in a long
file costs little more than reading it once.
"""

from __future__ import annotations

import codecs
import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from typing import NoReturn

from refine.errors import InputError
from refine.formats.checked import At, NotJson, shown

Span = tuple[int, int]

_BLANK = re.compile(r"[ \t\r\n]*")
_SKIP = json.JSONDecoder()
BOM = "\xef\xbb\xbf"
_OTHER_BOMS = (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


class _RepeatedMember(Exception):
    """Left the scanner at an object with the same member twice."""


Members = dict[str, object]


def _decoder(fold: Callable[[Members], Members] | None) -> json.JSONDecoder:
    def unique(pairs: list[tuple[str, object]]) -> Members:
        members = dict(pairs)
        if len(members) != len(pairs):
            raise _RepeatedMember
        return fold(members) if fold is not None and "keys" in members else members

    return json.JSONDecoder(object_pairs_hook=unique, parse_constant=NotJson)


def decode(data: bytes, name: str) -> str:
    """UTF-8 text, with or without a byte order mark."""
    if data.startswith(_OTHER_BOMS):
        raise InputError(name, "the text is UTF-16 or UTF-32", "UTF-8", "save it as UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{data[error.start]:02x} isn't UTF-8"
        raise InputError(f"{name}: line {line}", found, "UTF-8", "save it as UTF-8") from None


def parse(data: bytes, name: str, fold: Callable[[Members], Members] | None = None) -> object:
    """The value of a JSON text. NaN and infinities come as `NotJson`. Raises InputError.

    `fold` is given each object that has keys, as soon as it is read, and may make less of it.
    """
    text = decode(data, name)
    if not text or text.isspace():
        raise InputError(name, "the file is empty", "a JSON document")
    try:
        return _scan(_decoder(fold), text, name)
    except _RepeatedMember:
        _scan(
            _SKIP, text, name
        )  # what is wrong with the rest of the text comes first: the walk needs sound text
        raise _repeated(text, name) from None


def _scan(decoder: json.JSONDecoder, text: str, name: str) -> object:
    try:
        return decoder.decode(text)
    except json.JSONDecodeError as error:
        _syntax_error(error, text, name)
    except RecursionError:
        raise InputError(name, "objects or lists are nested too deeply", "a few levels") from None
    except ValueError:  # int() refuses thousands of digits
        raise InputError(name, "a number of thousands of digits", "numbers up to 1e12") from None


def _syntax_error(error: json.JSONDecodeError, text: str, name: str) -> NoReturn:
    unfinished = error.pos >= len(text.rstrip()) or error.msg.startswith("Unterminated string")
    found = "the file ends in the middle of a value" if unfinished else f"no JSON: {error.msg}"
    remedy = "it may have been cut off: copy or export it again" if unfinished else ""
    raise InputError(
        f"{name}: line {error.lineno}, column {error.colno}", found, "a JSON document", remedy
    ) from None


def _repeated(text: str, file: str) -> InputError:
    """The error for the first object that has a member twice, found by walking over the text."""
    todo = [(At(file), skip_blank(text, 0))]
    while todo:
        at, start = todo.pop()
        if text[start] == "{":
            found = list(members(text, start))
            counts = Counter(name for name, _ in found)
            if len(counts) < len(found):
                twice = counts.most_common(1)[0][0]
                return at.error(
                    f"member {shown(twice)} stands twice", "each member once", "remove one of them"
                )
            inner = [(at.member(name), value) for name, value in found]
        else:
            inner = [(at.item(i), value) for i, value in enumerate(elements(text, start))]
        todo += [(place, value) for place, value in reversed(inner) if text[value] in "[{"]
    raise AssertionError("the scanner found a repeated member that the walk doesn't")


def check_constants(data: bytes, name: str) -> None:
    """Raise InputError where NaN or an infinity stands in a member that no check has looked at."""
    if b"NaN" in data or b"Infinity" in data:
        try:
            json.JSONDecoder(parse_constant=_refuse_constant).decode(decode(data, name))
        except _Constant as found:
            raise InputError(name, f"{found} stands in a member of your own", "numbers of JSON") from None


class _Constant(Exception):
    """Left the scanner at NaN or an infinity."""


def _refuse_constant(text: str) -> NoReturn:
    raise _Constant(text)


def byte_text(data: bytes) -> tuple[str, int]:
    """The bytes as text of one character each, and where the top value starts.

    Structure and numbers of JSON are ASCII, and bytes of longer UTF-8 characters never look like ASCII, so
    an offset in this text is an offset in the bytes. Names outside ASCII come garbled: don't compare them.
    """
    text = data.decode("latin-1")
    return text, skip_blank(text, len(BOM) if text.startswith(BOM) else 0)


def skip_blank(text: str, start: int) -> int:
    match = _BLANK.match(text, start)
    assert match is not None
    return match.end()


def value_end(text: str, start: int) -> int:
    """One past the last character of the value that starts at `start`."""
    return _SKIP.raw_decode(text, start)[1]


def members(text: str, start: int) -> Iterator[tuple[str, int]]:
    """(name, start of the value) of each member of the object that starts at `start`."""
    at = skip_blank(text, start + 1)
    while text[at] == '"':
        name, at = _SKIP.raw_decode(text, at)
        at = skip_blank(text, skip_blank(text, at) + 1)  # over the colon
        yield name, at
        at = skip_blank(text, value_end(text, at))
        if text[at] == "}":
            return
        at = skip_blank(text, at + 1)  # over the comma


def elements(text: str, start: int) -> Iterator[int]:
    """Start of each element of the list that starts at `start`."""
    at = skip_blank(text, start + 1)
    while text[at] != "]":
        yield at
        at = skip_blank(text, value_end(text, at))
        if text[at] == ",":
            at = skip_blank(text, at + 1)


def member(text: str, start: int, name: str) -> int | None:
    """Start of the value of one member of the object at `start`, or None."""
    return next((value for known, value in members(text, start) if known == name), None)


def last_end(text: str, start: int) -> int:
    """One past the last value of the object or list at `start`; past its bracket if it is empty."""
    values = (
        [value for _, value in members(text, start)] if text[start] == "{" else list(elements(text, start))
    )
    return value_end(text, values[-1]) if values else start + 1


def text_member(text: str, start: int, name: str) -> str:
    """A member that is text, of an object in `byte_text`, with its characters outside ASCII restored."""
    value = member(text, start, name)
    assert value is not None
    return str(json.loads(text[value : value_end(text, value)].encode("latin-1")))


def number_spans(text: str, start: int, width: int) -> list[Span]:
    """Spans of all elements of a list of numbers (width 1) or of lists of numbers, in one sweep."""
    pattern = r"[^\s,\[\]]+" if width == 1 else r"\[[^\[\]]*\]"
    return [
        match.span() for match in re.compile(pattern).finditer(text, start + 1, value_end(text, start) - 1)
    ]

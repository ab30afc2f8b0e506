"""One check for each kind of JSON value, each with a message that names the place.

Every function takes a parsed value and where it stands, and returns it typed or raises `InputError`. Nothing
is converted silently: true is not a number and "3" isn't either.
"""

from __future__ import annotations

import difflib
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from refine.errors import InputError

# Squares and products of numbers this large stay far from the end of float64: no later step overflows.
LARGEST = 1e12
# Longer than a week at 10 frames a second; a claim beyond it is a typing error or an attack on the memory.
MOST_FRAMES = 10_000_000
FPS = (0.1, 10_000.0)
# Farther than this from unit length a quaternion was hardly rounded: the user is told that it was normalised.
NOTED_LENGTH = 1e-3
# Nearer than this it is left as it stands: what was normalised once doesn't creep when it is read again.
UNIT_LENGTH = 1e-9
# The work of comparing names grows with the product of their lengths.
LONGEST_GUESS = 100
OWN_PREFIX = "x_"

_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class At:
    """Where a value stands: the file and the path inside it."""

    file: str
    path: str = ""

    def __str__(self) -> str:
        return f"{self.file}: {self.path}" if self.path else self.file

    def member(self, name: str) -> At:
        return At(self.file, f"{self.path}.{name}" if self.path else name)

    def item(self, index: int) -> At:
        return At(self.file, f"{self.path}[{index}]")

    def error(self, found: str, allowed: str = "", remedy: str = "") -> InputError:
        return InputError(str(self), found, allowed, remedy)


@dataclass(frozen=True, slots=True)
class NotJson:
    """NaN, Infinity or -Infinity as spelled in the file: no JSON number, so it fails every check of one."""

    text: str


def shown(value: object) -> str:
    """A value as a short piece of one line."""
    if isinstance(value, NotJson):
        return value.text
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, str):
        return repr(value if len(value) <= 40 else value[:37] + "...")
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > LARGEST:
        return "an integer beyond the largest number"
    return json.dumps(value)


def listed(names: Iterable[str], most: int = 12) -> str:
    """Names for a message, the first few of them."""
    names = list(names)
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(shown(name) for name in names[:most]) + rest if names else "none"


def nearest(name: str, known: Sequence[str]) -> str:
    """The remedy for a misspelt name, or nothing when none is like it."""
    match = difflib.get_close_matches(name[:LONGEST_GUESS], known, n=1, cutoff=0.5)
    return f"did you mean {shown(match[0])}?" if match else ""


def as_object(value: object, at: At, known: Sequence[str]) -> dict[str, object]:
    """An object of which every member is known, or starts with x_ and is the user's own."""
    if not isinstance(value, dict):
        raise at.error(f"found {shown(value)}", "an object { }")
    for name in value:
        if name not in known and not name.startswith(OWN_PREFIX):
            remedy = nearest(name, known) or f"a member of your own starts with {OWN_PREFIX}"
            raise at.error(f"unknown member {shown(name)}", listed(known, 20), remedy)
    return value


def as_list(value: object, at: At, what: str = "a list [ ]") -> list[object]:
    if not isinstance(value, list):
        raise at.error(f"found {shown(value)}", what)
    return value


def required(members: dict[str, object], name: str, at: At) -> object:
    if name not in members:
        raise at.error(f"member {shown(name)} is missing")
    return members[name]


def as_number(value: object, at: At, lower: float = -LARGEST, upper: float = LARGEST) -> float:
    """A finite number between the bounds, both included."""
    if type(value) is not float and type(value) is not int:
        raise at.error(f"found {shown(value)}", "a number")
    if isinstance(value, float) and not math.isfinite(value):
        raise at.error("found a number too large for 64 bits", f"{lower:g} to {upper:g}")
    if not lower <= value <= upper:
        raise at.error(f"found {shown(value)}", f"{lower:g} to {upper:g}")
    return float(value)


def as_positive(value: object, at: At, upper: float = LARGEST) -> float:
    number = as_number(value, at, upper=upper)
    if number <= 0:
        raise at.error(f"found {number:g}", "a number greater than 0")
    return number


def as_truth(value: object, at: At) -> bool:
    if not isinstance(value, bool):
        raise at.error(f"found {shown(value)}", "true or false")
    return value


def as_whole(value: object, at: At, lower: int, upper: int) -> int:
    number = as_number(value, at, lower, upper)
    if not number.is_integer():
        raise at.error(f"found {number:g}", "a whole number")
    return int(number)


def as_frame(value: object, at: At) -> float:
    return as_number(value, at, -MOST_FRAMES, MOST_FRAMES)


def as_range(value: object, at: At) -> tuple[float, float]:
    """Frames [first, last], both included."""
    ends = as_list(value, at, "two frames [first, last]")
    if len(ends) != 2:
        raise at.error(f"found {shown(value)}", "two frames [first, last]")
    first, last = (as_frame(end, at.item(i)) for i, end in enumerate(ends))
    if last < first:
        raise at.error(f"the last frame {last:g} lies before the first one {first:g}")
    return first, last


def as_frames(value: object, at: At) -> tuple[int, int]:
    """Whole frames [first, last] of a shot."""
    first, last = as_range(value, at)
    for i, frame in enumerate((first, last)):
        if not frame.is_integer():
            raise at.item(i).error(f"found {frame:g}", "a whole frame")
    if last - first >= MOST_FRAMES:
        raise at.error(f"{last - first + 1:.0f} frames", f"at most {MOST_FRAMES}", "split the shot")
    return int(first), int(last)


def as_text(value: object, at: At) -> str:
    if not isinstance(value, str):
        raise at.error(f"found {shown(value)}", "text")
    if found := _UNPRINTABLE.search(value):
        raise at.error(
            f"found the character U+{ord(found[0]):04X}", "text on one line without control characters"
        )
    return value


def as_name(value: object, at: At) -> str:
    name = as_text(value, at)
    if not name.strip():
        raise at.error("found an empty name", "a name of at least one letter")
    return name


def name_of(file: str, ending: str) -> str:
    """The name of a shot whose file states none: the file's without its ending, as far as it can stand in one.

    A file may be called anything, bytes that are no text and line ends included; a name is written and read again.
    """
    stem = file[: -len(ending)] if file.casefold().endswith(ending) else file
    return _UNPRINTABLE.sub("_", stem).strip() or "shot"


def as_choice(value: object, at: At, choices: Sequence[str]) -> str:
    if not isinstance(value, str) or value not in choices:
        remedy = nearest(value, choices) if isinstance(value, str) else ""
        raise at.error(f"found {shown(value)}", listed(choices), remedy)
    return value


def as_known(value: object, at: At, known: Sequence[str], what: str) -> str:
    """The name of something that exists."""
    name = as_text(value, at)
    if name not in known:
        raise at.error(f"there is no {what} {shown(name)}", listed(known), nearest(name, known))
    return name


def as_numbers(value: object, at: At, count: int) -> tuple[float, ...]:
    what = f"a list of {count} numbers"
    items = as_list(value, at, what)
    if len(items) != count:
        raise at.error(f"found {shown(value)}", what)
    return tuple(as_number(item, at.item(i)) for i, item in enumerate(items))


def as_vector(value: object, at: At) -> tuple[float, float, float]:
    x, y, z = as_numbers(value, at, 3)
    return x, y, z


def as_quaternion(value: object, at: At, notes: list[str]) -> tuple[float, float, float, float]:
    """XYZW of unit length: normalised, with a note where the file was far from it."""
    x, y, z, w = as_numbers(value, at, 4)
    length = math.hypot(x, y, z, w)
    if length < UNIT_LENGTH:
        raise at.error(
            "a quaternion of length 0",
            "four numbers XYZW, together of length 1",
            "no rotation is [0, 0, 0, 1]",
        )
    if abs(length - 1) > NOTED_LENGTH:
        notes.append(f"{at}: the quaternion's length is {length:.4g}; normalised")
    if abs(length - 1) <= UNIT_LENGTH:
        return x, y, z, w
    return x / length, y / length, z / length, w / length

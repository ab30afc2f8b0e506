"""The hierarchy of a BVH file and the two lines above its rows, token by token.

What can be read in one way only is read with a note; the rest is an InputError with its line. Joints are kept
on a list of open ones rather than by recursion, so nesting has no limit, and no count in the file is believed
before its things have been seen.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal

from refine.errors import InputError
from refine.formats.checked import FPS
from refine.formats.number_blocks import decimals, line_of, shown
from refine.shot import AXES

Vector = tuple[float, float, float]

DEFAULT_RATE = 30.0  # frames a second where the file doesn't say; a stated choice, told in the notes
WHOLE_RATES = (1, 2, 5, 10, 12, 15, 20, 24, 25, 30, 48, 50, 60, 72, 75, 90, 100, 120, 144, 150, 200, 240, 250)
EXACT = 1e-12  # relative; nearer than this to a whole rate, a time says that rate whatever its digits
BROADCAST_RATES = tuple(rate * 1000 / 1001 for rate in (24, 30, 48, 60, 120))

CHANNELS = {f"{axis}position": f"translation.{axis}" for axis in AXES} | {
    f"{axis}rotation": f"rotation.{axis}" for axis in AXES
}
_ALLOWED_CHANNELS = "Xposition Yposition Zposition Xrotation Yrotation Zrotation"
_ALLOWED_WORDS = "ROOT, JOINT, End Site, OFFSET, CHANNELS, { } and MOTION"

_TOKEN = re.compile(rb"[{}]|[^\s{}]+")
_NAME = re.compile(rb"[ \t]*([^\r\n{]*)")
_LINE_OF_MOTION = re.compile(rb"\s*(frames|frame[ \t]*time)[ \t]*:?[ \t]*(\S*)", re.IGNORECASE)
_COUNT = re.compile(rb"\d{1,9}")
_WIDE = (b"\xff\xfe", b"\xfe\xff")  # byte order marks of UTF-16
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_BOM = b"\xef\xbb\xbf"


@dataclass(slots=True)
class Joint:
    """A joint as the file says it; `channels` in the file's order, by the shot's names."""

    name: str
    parent: int | None
    at: int  # byte offset of its keyword
    offset: Vector | None = None
    channels: tuple[str, ...] | None = None
    tip: Vector | None = None

    @property
    def order(self) -> str:
        """Euler order: the rotation channels as listed, then the axes that have none (their angle is 0)."""
        given = [name[-1] for name in self.channels or () if name.startswith("rotation.")]
        return "".join([*given, *(axis for axis in AXES if axis not in given)])


@dataclass(frozen=True, slots=True)
class Header:
    """Joints in the file's order, parents first; `start` is the byte at which the rows begin."""

    joints: tuple[Joint, ...]
    fps: float
    claimed: int | None  # what the Frames line says
    claimed_at: int  # byte offset at which it says so
    start: int
    notes: tuple[str, ...]


@dataclass(slots=True)
class Scanner:
    """Where the reader stands in the file, and what it has to say so far."""

    data: bytes
    name: str
    position: int = 0
    at: int = 0  # offset of the last token
    notes: dict[str, tuple[str, int]] = field(default_factory=dict)

    def place(self, offset: int) -> str:
        return f"{self.name}: line {line_of(self.data, offset)}"

    def note(self, kind: str, text: str) -> None:
        """Remember a remark; of each kind the first is told with its line, and how many more there are."""
        first, count = self.notes.get(kind) or (f"{self.place(self.at)}: {text}", 0)
        self.notes[kind] = first, count + 1

    def told(self) -> tuple[str, ...]:
        return tuple(text if n == 1 else f"{text} (and {n - 1} more)" for text, n in self.notes.values())

    def peek(self) -> bytes | None:
        match = _TOKEN.search(self.data, self.position)
        return match.group() if match else None

    def next(self, wanted: str) -> bytes:
        match = _TOKEN.search(self.data, self.position)
        if match is None:
            self.at = len(self.data)
            raise self.error("the file ends here", wanted, "export the file again: it is cut short")
        self.at, self.position = match.span()
        return match.group()

    def expect(self, token: bytes, wanted: str) -> None:
        found = self.next(wanted)
        if found != token:
            raise self.error(f"found {shown(found)}", wanted)

    def error(
        self, found: str, allowed: str, remedy: str = "mend this line or export the file again"
    ) -> InputError:
        return InputError(self.place(self.at), found, allowed, remedy)

    def vector(self) -> Vector:
        values: list[float] = []
        while len(values) < 3:
            word = self.next("three numbers after OFFSET")
            split = decimals(word, self.at, self.place)
            if len(split) > 1:
                self.note("glued", "numbers run together; split before the sign")
            values += split
        if len(values) > 3:
            raise self.error(f"{len(values)} numbers after OFFSET", "three")
        return values[0], values[1], values[2]

    def rest_of_line(self) -> str:
        """The rest of the line, up to a brace: names may hold spaces, colons and dots."""
        match = _NAME.match(self.data, self.position)
        assert match is not None  # the pattern matches nothing at all, too
        self.position = match.end()
        raw = match[1].strip()
        try:
            return raw.decode()
        except UnicodeDecodeError:
            self.note("latin", f"the name {shown(raw)} isn't UTF-8; read as Latin-1")
            return raw.decode("latin-1")


def parse(data: bytes, name: str) -> Header:
    """The header of a BVH file, or an InputError; `name` stands in the places of errors and notes."""
    scanner = Scanner(data, name)
    if data.startswith(_WIDE):
        raise scanner.error("the file is UTF-16", "UTF-8 or Latin-1", "save it as UTF-8")
    if data.startswith(_BOM):
        scanner.position = scanner.at = len(_BOM)
    if scanner.peek() is None:
        raise InputError(name, "the file is empty", "a BVH file: HIERARCHY, then MOTION", "export it again")
    joints = _hierarchy(scanner)
    _check(joints, scanner)
    fps, claimed, claimed_at = _motion(scanner)
    return Header(tuple(joints), fps, claimed, claimed_at, scanner.position, scanner.told())


def _hierarchy(scanner: Scanner) -> list[Joint]:
    """The joints, up to and with the word MOTION."""
    joints: list[Joint] = []
    opened: list[int] = []
    first = scanner.peek() or b""
    if first.lower() == b"hierarchy":
        scanner.next("HIERARCHY")
    elif first.lower() == b"root":
        scanner.note("hierarchy", "the word HIERARCHY is missing")
    else:
        scanner.next("HIERARCHY")
        raise scanner.error(f"the file begins with {shown(first)}", "the word HIERARCHY", "give a BVH file")
    while True:
        found = scanner.next(_ALLOWED_WORDS)
        word = found.lower()
        if word == b"motion" and not opened:
            return joints
        if word == b"root" and not opened:
            opened.append(_begin(scanner, joints, None))
        elif word == b"joint" and opened:
            opened.append(_begin(scanner, joints, opened[-1]))
        elif word == b"}" and opened:
            opened.pop()
        elif opened and word in _PARTS:
            _PARTS[word](scanner, joints[opened[-1]])
        else:
            within = f"within {joints[opened[-1]].name!r}" if opened else "outside of all joints"
            raise scanner.error(f"found {shown(found)} {within}", _ALLOWED_WORDS + ", each in its place")


def _begin(scanner: Scanner, joints: list[Joint], parent: int | None) -> int:
    at = scanner.at
    name = scanner.rest_of_line()
    if not name:
        raise scanner.error("the joint has no name", "a name on the line of ROOT or JOINT", "name it")
    if _CONTROL.search(name):
        raise scanner.error(
            f"unprintable characters in the name {name[:40]!r}", "printable ones", "rename the joint"
        )
    scanner.expect(b"{", "a { after the name of a joint")
    joints.append(Joint(name, parent, at))
    return len(joints) - 1


def _offset(scanner: Scanner, joint: Joint) -> None:
    if joint.offset is not None:
        raise scanner.error(f"a second OFFSET of {joint.name!r}", "one", "delete one of them")
    joint.offset = scanner.vector()


def _channels(scanner: Scanner, joint: Joint) -> None:
    if joint.channels is not None:
        raise scanner.error(f"a second CHANNELS of {joint.name!r}", "one", "delete one of them")
    word = scanner.next("a count after CHANNELS")
    if not _COUNT.fullmatch(word):
        raise scanner.error(f"found {shown(word)} after CHANNELS", "a count from 0 to 6")
    names: list[str] = []
    for _ in range(int(word)):
        channel = scanner.next(_ALLOWED_CHANNELS)
        name = CHANNELS.get(channel.lower().decode("latin-1"))
        if name is None:
            raise scanner.error(
                f"found {shown(channel)}, channel {len(names) + 1} of {int(word)}", _ALLOWED_CHANNELS
            )
        if name in names:
            raise scanner.error(
                f"{shown(channel)} twice in {joint.name!r}", "each channel once", "delete one of them"
            )
        names.append(name)
    following = scanner.peek() or b""
    if following.lower().decode("latin-1") in CHANNELS:
        raise scanner.error(
            f"more channels than the {int(word)} announced", "as many as CHANNELS says", "mend the count"
        )
    joint.channels = tuple(names)


def _end_site(scanner: Scanner, joint: Joint) -> None:
    scanner.rest_of_line()  # "Site", and a name that nothing refers to
    keyword = scanner.at
    scanner.expect(b"{", "a { after End Site")
    tip: Vector | None = None
    while (word := scanner.next("OFFSET or } in an End Site")) != b"}":
        if word.lower() != b"offset" or tip is not None:
            raise scanner.error(f"found {shown(word)} in an End Site", "one OFFSET")
        tip = scanner.vector()
    if joint.tip is not None:
        scanner.at = keyword
        scanner.note("end site", f"{joint.name!r} has a second End Site, left out")
    else:
        joint.tip = tip


_PARTS = {b"offset": _offset, b"channels": _channels, b"end": _end_site, b"endsite": _end_site}


def _check(joints: list[Joint], scanner: Scanner) -> None:
    """Names once each, channels at all; a missing OFFSET is zero and noted."""
    seen: dict[str, int] = {}
    for joint in joints:
        scanner.at = joint.at
        if joint.name in seen:
            first = line_of(scanner.data, seen[joint.name])
            raise scanner.error(
                f"the name {joint.name!r} again, first on line {first}", "each once", "rename one"
            )
        seen[joint.name] = joint.at
        if joint.offset is None:
            scanner.note("offset", f"{joint.name!r} has no OFFSET; taken as 0 0 0")
            joint.offset = (0.0, 0.0, 0.0)
    scanner.at = scanner.position
    if not any(joint.channels for joint in joints):
        raise scanner.error(
            "the hierarchy has no channels", "CHANNELS in at least one joint", "export it with motion"
        )


def _motion(scanner: Scanner) -> tuple[float, int | None, int]:
    """Frames a second, claimed count of frames and its place, from the lines below MOTION in either order."""
    found: dict[str, bytes] = {}
    fps, claimed, claimed_at = DEFAULT_RATE, None, scanner.position
    while match := _LINE_OF_MOTION.match(scanner.data, scanner.position):
        scanner.at, scanner.position = match.span(2)
        keyword = "Frames" if match[1].lower() == b"frames" else "Frame Time"
        word = match[2]
        if keyword in found:
            raise scanner.error(f"{keyword} again", "once", "delete one of them")
        found[keyword] = word
        if keyword == "Frames":
            claimed, claimed_at = int(word) if _COUNT.fullmatch(word) else None, scanner.at
        elif word:
            fps = _rate(scanner, word)
    scanner.at = claimed_at
    if not found.get("Frame Time"):
        scanner.note("rate", f"Frame Time is missing; {DEFAULT_RATE:g} frames a second taken")
    if claimed is None:
        scanner.note("frames", "Frames is missing or isn't a count; the rows counted instead")
    return fps, claimed, claimed_at


def _rate(scanner: Scanner, word: bytes) -> float:
    values = decimals(word, scanner.at, scanner.place)
    lowest, highest = FPS
    if len(values) != 1 or not 1 / highest <= values[0] <= 1 / lowest:
        raise scanner.error(
            f"Frame Time is {shown(word)}",
            f"seconds from {1 / highest:g} to {1 / lowest:g}, such as 0.0333333",
            "put the time of one frame there",
        )
    return snapped_rate(word.decode())


def snapped_rate(word: str) -> float:
    """Frames a second from the text of a time in seconds: a common rate if it may mean that, else 1 / time.

    The text may be rounded or cut off, so it means times from half a unit of its last digit below it to a
    whole unit above. A whole rate goes before a broadcast one where both fit: 0.0417 is 24, not 23.976.
    """
    time = float(word)
    unit = 10.0 ** int(Decimal(word).as_tuple().exponent)
    whole = round(1 / time)
    for rates in ((whole,), WHOLE_RATES, BROADCAST_RATES):
        slack = EXACT * time if rates == (whole,) else unit
        near = [rate for rate in rates if rate and -slack / 2 <= 1 / rate - time <= slack]
        if near:
            return float(min(near, key=lambda rate: abs(rate - 1 / time)))
    if whole and -unit / 2 <= 1 / whole - time <= unit:
        return float(whole)
    return float(f"{1 / time:.12g}")

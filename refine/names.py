"""What a person names on the command line: controls, channels, frames, pins.

Names may hold dots, colons and spaces, so nothing is split blindly: the longest known name wins.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

from refine.errors import InputError
from refine.shot import Pin, Shot

_FRAMES = re.compile(r"(-?\d{1,12})(?::(-?\d{1,12}))?", re.ASCII)
_KEY = re.compile(r"-?\d{1,12}\.\d+", re.ASCII)
AS_SHOWN = 1e-3  # frames that a key may be off the number that it is shown by


@dataclass(frozen=True, slots=True)
class Selector:
    """CONTROL[.CHANNEL][@A[:B]]; what is None matches everything. A key between frames is named by its own one."""

    control: str
    channel: str | None
    frames: tuple[float, float] | None

    def matches(self, control: str, channel: str, frame: float) -> bool:
        inside = self.frames is None or self.frames[0] - AS_SHOWN <= frame <= self.frames[1] + AS_SHOWN
        return control == self.control and self.channel in (None, channel) and inside


def selector(text: str, channels: Iterable[tuple[str, str]], option: str, between: bool = False) -> Selector:
    """Reads CONTROL[.CHANNEL][@A[:B]] against known (control, channel) pairs; A may lie `between` frames.

    InputError names near misses.
    """
    known = sorted({*channels}, key=lambda pair: (len(pair[0]), len(pair[1])), reverse=True)
    for control, channel in known:
        for name, which in ((f"{control}.{channel}", channel), (control, None)):
            if text == name:
                return Selector(control, which, None)
            rest = text[len(name) + 1 :]
            if text.startswith(f"{name}@") and _FRAMES.fullmatch(rest):
                return Selector(control, which, frames(rest, f"{option} {text}"))
            if text.startswith(f"{name}@") and between and _KEY.fullmatch(rest):
                return Selector(control, which, (float(rest), float(rest)))
    names = {control for control, _ in known}
    for control, channel in known:
        for name in (f"{control}.{channel}", control):
            if text.startswith(f"{name}@"):
                found = f"{text[len(name) + 1 :]!r} isn't a frame or a range of frames"
                raise InputError(f"{option} {text}", found, "@A or @A:B, whole frames")
    owner = max((n for n in names if text.startswith(f"{n}.")), key=len, default=None)
    if owner is not None:
        allowed = [f"{owner}.{channel}" for control, channel in known if control == owner]
        raise InputError(f"{option} {text}", "no such channel", ", ".join(sorted(allowed)))
    raise unknown_control(text.split("@")[0], names, f"{option} {text}")


def unknown_control(name: str, names: Iterable[str], place: str) -> InputError:
    """The error for a control that isn't there, with the nearest names."""
    every = sorted(names)
    near = difflib.get_close_matches(name, every, 3, 0.5) or every[:8]
    more = "" if len(near) == len(every) else f" (nearest of {len(every)})"
    return InputError(place, f"no control {name!r}", ", ".join(near) + more, "refine show lists them")


def frames(text: str, place: str) -> tuple[int, int]:
    """A:B or A, whole frames, both ends included. InputError."""
    match = _FRAMES.fullmatch(text.strip())
    if match is None:
        raise InputError(place, f"{text!r} isn't a range of frames", "A:B, whole frames, both included")
    first, last = int(match[1]), int(match[2] or match[1])
    if first > last:
        raise InputError(place, f"the range {text} ends before it starts", "A:B with A <= B")
    return first, last


def channel_names(shot: Shot) -> list[tuple[str, str]]:
    """(control, channel) of all channels; a control without any counts with an empty one."""
    return [(c.name, ch.name) for c in shot.controls for ch in c.channels] + [
        (c.name, "") for c in shot.controls if not c.channels
    ]


def controls(texts: Sequence[str], shot: Shot) -> tuple[str, ...]:
    """Names from repeated or comma-separated options, in the order given, each once."""
    names = {control.name for control in shot.controls}
    return tuple(dict.fromkeys(name for text in texts for name in _split(text, names)))


def _split(text: str, names: Collection[str]) -> Iterator[str]:
    """The names in a list with commas, the longest first: a name may hold commas itself. InputError."""
    parts = text.split(",")
    while parts:
        for count in range(len(parts), 0, -1):
            whole = ",".join(parts[:count])
            name = whole if whole in names else whole.strip()
            if name in names:
                yield name
                parts = parts[count:]
                break
        else:
            raise unknown_control(parts[0].strip(), names, f"--controls {text}")


def pin(text: str, shot: Shot) -> Pin:
    """CONTROL[.CHANNEL]@FRAME[:FRAME]."""
    chosen = selector(text, channel_names(shot), "--pin")
    if chosen.frames is None:
        raise InputError(f"--pin {text}", "no frame", "CONTROL[.CHANNEL]@FRAME or @FRAME:FRAME")
    first, last = chosen.frames
    if not (shot.first_frame <= first and last <= shot.last_frame):
        raise InputError(
            f"--pin {text}", "outside the shot", f"frames {shot.first_frame} to {shot.last_frame}"
        )
    return Pin(chosen.control, chosen.channel or None, (float(first), float(last)))

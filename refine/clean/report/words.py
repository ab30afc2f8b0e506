"""Words that the report's forms share: counts, amounts, and places, of which several joints may have one in common."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from refine.clean.findings import Moved, Span
from refine.text import counted, short


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames, first and last, on which the same was found in one or several joints."""

    frames: tuple[int, int]
    spans: tuple[Span, ...]

    def __len__(self) -> int:
        return self.frames[1] - self.frames[0] + 1

    @property
    def who(self) -> str:
        """The joint and its channels, the joint alone, or how many joints."""
        if len(self.spans) == 1:
            return f"{self.spans[0].control} {self.spans[0].what}".rstrip()
        names = joints(self.spans)
        return names[0] if len(names) == 1 else counted(len(names), "joint")


def stretches(spans: Iterable[Span]) -> list[Stretch]:
    """Each stretch of frames once, in the order of the frames: a dropout of the whole body is one gap."""
    found: dict[tuple[int, int], list[Span]] = {}
    for span in spans:
        found.setdefault(span.frames, []).append(span)
    return [Stretch(frames, tuple(found[frames])) for frames in sorted(found)]


def joints(spans: Iterable[Span]) -> list[str]:
    """The names of the joints, each once."""
    return list(dict.fromkeys(span.control for span in spans))


def spot(stretch: Stretch) -> str:
    """Who, and on which frames."""
    a, b = stretch.frames
    return f"{stretch.who} at frame {a}" if a == b else f"{stretch.who} at frames {a}:{b}"


def spoken_gaps(spans: Sequence[Span], fate: str) -> str:
    """How many gaps there are, what became of them, and where the longest is."""
    found = stretches(spans)
    longest = max(found, key=len)
    which = "the longest " if len(found) > 1 else ""
    return f"{counted(len(found), 'gap')} {fate}, {which}{counted(len(longest), 'frame')} in {spot(longest)}"


def spoken_doubts(spans: Sequence[Span]) -> str:
    """How many samples look like spikes and were left in, and where the first is."""
    found = stretches(spans)
    which = "first " if len(found) > 1 else ""
    return f"{counted(len(found), 'jump')} there and back left in, {which}{spot(found[0])}"


def spoken_flips(spans: Sequence[Span]) -> str:
    """Joints in which angles flip: in a bad joint thousands of frames do, which would drown all other numbers."""
    return f"angle flips in {counted(len(joints(spans)), 'joint')}"


def spoken_flags(warnings: int, errors: int) -> str:
    """What `check` still finds, errors first; "" for nothing."""
    parts = [counted(errors, "error")] if errors else []
    parts += [counted(warnings, "warning")] if warnings else []
    return " and ".join(parts)


def spoken_move(move: Moved) -> str:
    where = f" of {move.control} at frame {move.frame}" if move.control else ""
    return f"{short(move.value)} {move.unit}{where}"

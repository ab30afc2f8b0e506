"""What a cleaning says while it runs, on stderr: a line for each clip and how long the rest will take.

Work is counted in bytes of input, which are as frames times channels: a clip of ten minutes isn't one of ten seconds,
and a hundred joints take longer than ten. What was taken over from an earlier run took no time and counts for none.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

Say = Callable[[str], None]
ENOUGH = 3.0  # s of work before a guess is made: the first moments load libraries


@dataclass(slots=True)
class Progress:
    """How far the work is. `say` prints a line; `clock` gives seconds."""

    clips: int
    bytes: int
    say: Say
    clock: Callable[[], float] = time.monotonic
    done: int = 0  # clips
    worked: int = 0  # bytes of clips that were worked on in this run
    skipped: int = 0  # bytes of clips that were not
    begun: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        self.begun = self.clock()

    def clip(self, place: str, size: int, words: str, worked: bool = True) -> None:
        """A clip is finished, of this size in bytes, with this result in words."""
        self.done += 1
        self.worked += size if worked else 0
        self.skipped += 0 if worked else size
        count = f"{self.done:>{len(str(self.clips))}}/{self.clips}"
        left = self.left()
        self.say(f"{count}  {place}  {words}" + (f"  ({left})" if left else ""))

    def left(self) -> str:
        """How long the rest will take at the speed so far, in words; nothing where it can't be known or all is done."""
        took, rest = self.clock() - self.begun, self.bytes - self.worked - self.skipped
        if took < ENOUGH or not self.worked or rest <= 0:
            return ""
        return f"about {spoken(took * rest / self.worked)} left"


def spoken(seconds: float) -> str:
    """A time in the unit that fits, no more exact than a guess is."""
    if seconds < 55:
        return f"{max(5, 5 * round(seconds / 5))} s"
    minutes = seconds / 60
    if minutes < 90:
        return f"{max(1, round(minutes))} min"
    return f"{minutes / 60:.1f} h"

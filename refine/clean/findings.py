"""What cleaning a clip found and changed: plain numbers, the same however the work was shared out."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Span:
    """Frames of a control, first and last, and which of its channels: rotation, translation or one by its name."""

    control: str
    frames: tuple[int, int]
    what: str = ""

    @property
    def length(self) -> int:
        """Frames, both ends included."""
        return self.frames[1] - self.frames[0] + 1


@dataclass(frozen=True, slots=True)
class Moved:
    """How far something was moved, and where: a size in mm, px, or degrees, of a control at a frame."""

    value: float
    unit: str
    control: str
    frame: int


@dataclass(frozen=True, slots=True)
class Findings:
    """One clip: what was found in it, what was changed, and what a person should look at.

    `noise` is the median over the joints that move, `coloured` how strongly the noise of neighbouring frames is alike
    (0 white, towards 1 slow). `kept_speed` is the peak speed after over before at the accent that lost most.
    `drift` are mm a second that planted points move, before and after.
    """

    frames: int
    fps: float
    joints: int
    lead_in: int = 0  # frames before the motion begins: a rest pose, left as it is
    filled: tuple[Span, ...] = ()
    left: tuple[Span, ...] = ()  # gaps too long to be filled unasked
    wraps: tuple[Span, ...] = ()
    spikes: tuple[Span, ...] = ()
    doubtful: tuple[Span, ...] = ()  # samples that look like spikes and were left in: they may be motion
    noise: float = 0.0  # deg
    noisiest: str = ""  # the joint with the most noise
    noisiest_noise: float = 0.0  # deg
    coloured: float = 0.0
    keep_below: float = 0.0  # Hz, median over the joints that were smoothed
    largest: tuple[Moved, ...] = ()  # the largest move in mm, in px and in degrees
    contacts: int = 0
    drift: tuple[float, float] = (0.0, 0.0)
    kept_speed: float = 1.0
    slowest_accent: str = ""  # control and frame of that accent
    keys: int = 0  # with reduction, over all channels
    keys_per_second: float = 0.0
    flags: tuple[int, int] | None = (
        None  # warnings and errors that `check` finds afterwards, if it was asked to look
    )
    flagged: tuple[str, ...] = ()  # the first of those in the words of `check`, errors first
    set_aside: str = ""  # why the clip isn't changed; "" where it is
    notes: tuple[str, ...] = field(default=())

"""What may move and what may not: pins, marks, limits and the borders of the range, for each channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.cure import Held
from refine.shot import Array, Channel, Keys, Mark, Pin, Shot

# What "meant" has to say, if anything, to hold keys or samples that are searched: the faults that are mended there.
MEANT_KEYS = ("", "moved key", "stray slope", "zigzag")
MEANT_SAMPLES = ("", "jitter", "spike")
MEANT_POSES = ("off-frame key",)  # beside those of keys: that a pose stands where it does


@dataclass(frozen=True, slots=True)
class Locks:
    """The shot's pins (with those of the command line), its marks, and the range A:B, both included."""

    shot: Shot
    pins: tuple[Pin, ...]
    frames: tuple[int, int]

    def _pins(self, control: str, channel: str) -> list[Pin]:
        return [pin for pin in self.pins if pin.control == control and pin.channel in (None, channel)]

    def _marks(self, control: str, kinds: tuple[str, ...]) -> list[Mark]:
        return [m for m in self.shot.marks if m.kind in kinds and (not m.controls or control in m.controls)]

    def influence(self, keys: Keys) -> tuple[Array, Array]:
        """(K,) first and last frame that each key moves, cut to the shot."""
        before = np.concatenate([[self.shot.first_frame], keys.frames[:-1]])
        after = np.concatenate([keys.frames[1:], [self.shot.last_frame]])
        return np.minimum(before, keys.frames), np.maximum(after, keys.frames)

    def searched(self, keys: Keys) -> NDArray[np.bool_]:
        """(K,) keys that stand in the range."""
        return (keys.frames >= self.frames[0]) & (keys.frames <= self.frames[1])

    def blocked(self, control: str, channel: str, keys: Keys) -> dict[int, str]:
        """Why each key in the range that may not move may not."""
        first, last = self.influence(keys)
        reasons: dict[int, str] = {}
        pins = self._pins(control, channel)
        accents = self._marks(control, ("accent", "contact", "meant"))
        for k in np.flatnonzero(self.searched(keys)).tolist():
            frame = keys.frames[k]
            if first[k] < self.frames[0] or last[k] > self.frames[1]:
                reasons[k] = (
                    f"it moves frames {first[k]:g}:{last[k]:g}, more than the range: widen it to that"
                )
            for mark in accents:
                if mark.frames[0] <= frame <= mark.frames[1] and self._holds(control, mark):
                    reasons[k] = f"{mark.kind} marked at {_frames(mark.frames)}"
            for pin in pins:
                if self._freezes(pin, frame, first[k], last[k], _no_row_holds(pin, keys)):
                    reasons[k] = f"pinned by {pin}"
        return reasons

    def _holds(self, control: str, mark: Mark) -> bool:
        """Whether a mark holds the keys on its frames.

        A contact that spans all of the range says nothing about one of them: what a foot does in its stance may be off.
        """
        if mark.kind == "contact":
            return not (mark.frames[0] <= self.frames[0] and mark.frames[1] >= self.frames[1])
        return mark.kind == "accent" or mark in meant(self.shot, control, MEANT_KEYS)

    @staticmethod
    def _freezes(pin: Pin, frame: float, first: float, last: float, whole: bool) -> bool:
        """A pin on a key or pose holds that key; one on a range, or `whole`, all that its segments touch."""
        a, b = pin.frames
        return (a < last and b > first) if pin.is_range or whole else abs(frame - a) < 1e-6

    def disturbs_accent(self, control: str, first: float, last: float) -> bool:
        """Whether a change between two frames would reach into a marked accent of the control, or what is meant."""
        kept = (*self._marks(control, ("accent",)), *meant(self.shot, control, MEANT_KEYS))
        return any(first < mark.frames[1] and last > mark.frames[0] for mark in kept)

    def usable(self, keys: Keys, blocked: dict[int, str]) -> tuple[float, float] | None:
        """The frames that a suggestion may move, None where all keys are blocked."""
        first, last = self.influence(keys)
        free = [k for k in np.flatnonzero(self.searched(keys)).tolist() if k not in blocked]
        return (float(first[free].min()), float(last[free].max())) if free else None

    def held(self, control: str, channel: Channel, frames: Array) -> Held:
        """The equality rows and limits of a channel on some frames.

        A pinned key needs no row, since it isn't free; a pin where no key stands holds the value there.
        """
        pins: list[tuple[str, tuple[float, ...]]] = []
        for pin in self._pins(control, channel.name):
            at = frames[(frames >= pin.frames[0]) & (frames <= pin.frames[1])]
            keyed = (
                channel.keys is not None
                and not pin.is_range
                and channel.keys.index(pin.frames[0]) is not None
            )
            if len(at) and not keyed:
                pins.append((f"pin {pin}", tuple(at.tolist())))
        return Held(tuple(pins), channel.limits)

    def kept_samples(self, control: str) -> list[tuple[str, tuple[float, float]]]:
        """Accents of a control, with their names: on baked channels their samples stay as they are."""
        return [(f"accent {_frames(mark.frames)}", mark.frames) for mark in self._marks(control, ("accent",))]

    def meant_samples(self, control: str) -> list[tuple[str, tuple[float, float]]]:
        """The same of what was meant on the control's baked channels."""
        return [(f"meant {_frames(m.frames)}", m.frames) for m in meant(self.shot, control, MEANT_SAMPLES)]

    def breaks(self, control: str, frames: Array) -> Array:
        """(N,) 0 where motion may break (a contact's ends, an accent, a cut), 1 elsewhere."""
        weight = np.ones(len(frames))
        for mark in self._marks(control, ("contact", "accent", "cut")):
            inside = (frames >= mark.frames[0]) & (frames <= mark.frames[1])
            if mark.kind == "contact":
                inside = np.isin(frames, mark.frames)
            weight[inside] = 0.0
        return weight


def meant(shot: Shot, control: str, notes: tuple[str, ...]) -> list[Mark]:
    """The marks that say of a control that it was meant, with one of some notes."""
    return [
        mark
        for mark in shot.marks
        if mark.kind == "meant" and mark.note in notes and (not mark.controls or control in mark.controls)
    ]


def _no_row_holds(pin: Pin, keys: Keys) -> bool:
    """Whether a pin without a key can't be held by a row: rows are on whole frames and on single numbers."""
    frame = pin.frames[0]
    return keys.index(frame) is None and (frame != round(frame) or keys.values.shape[1] > 1)


def _frames(frames: tuple[float, float]) -> str:
    return f"{frames[0]:g}" if frames[0] == frames[1] else f"{frames[0]:g}:{frames[1]:g}"

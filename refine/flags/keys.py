"""Faults of the keys themselves: what breaks the shot's own habit, keys too near each other, steps, limits.

A slope is judged by the habit of the shot (`habit`), and the fewest edits that explain the break name the cause
(`cause`): the flag stands at the key that is off, not at the neighbours whose slopes give it away.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from refine.breaks import Break, backing, breaks
from refine.cause import Explanation, Suspect
from refine.curve import sample
from refine.flags import on_frames, strayed, unheld
from refine.flags.flag import Cause, Flag, twin
from refine.flags.on_frames import DOUBLED, OFF
from refine.flags.stage import Stage, kept, runs
from refine.flags.unheld import LEFTOVER
from refine.habit import moving
from refine.key_rows import content
from refine.shot import ROTATIONS, Array, Channel, Keys, Segment, Shot

FAULTS = {"value": "moved key", "value and slope": "moved key", "slope": "stray slope", "zigzag": "zigzag"}
NEAR = 3  # keys to each side of a strange one that may be its cause


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    for name in stage.order:
        for channel in stage.control(name).channels:
            if channel.keys is not None:
                yield from _habit_flags(stage, name, channel)
                yield from _doubled(stage, name, channel)
                yield from _steps(stage, name, channel)
            yield from _limits(stage, name, channel)


def found_again(stage: Stage, flag: Flag) -> bool:
    """Whether what the keys of a channel told still stands in a changed shot; no other control is looked at."""
    channel = stage.control(flag.cause.control).channel(flag.cause.channel or "")
    assert channel is not None
    look = {LEFTOVER: _steps, DOUBLED: _doubled, OFF: _doubled}.get(flag.fault, _habit_flags)
    return twin(flag, list(look(stage, flag.cause.control, channel))) is not None


@kept
def _known(stage: Stage) -> dict[str, dict[str, tuple[Break, ...]]]:
    """The breaks of the controls that were asked for so far, by channel."""
    return {}


def habit_breaks(stage: Stage, name: str, channel: str) -> tuple[Break, ...]:
    """The likeliest causes of the slopes that break the habit, one after the other until none is left.

    They are told of the settled keys of a channel, each on the frame that it was set for.
    """
    known = _known(stage)
    if name not in known:
        likely = stage.thresholds["moved key"]["likely"]
        found = _breaks(stage, name, likely)
        known[name] = {each: tuple(b for b in found[each] if b.chance >= likely) for each in found}
    return known[name].get(channel, ())


def _breaks(stage: Stage, name: str, likely: float) -> dict[str, tuple[Break, ...]]:
    """The breaks of each channel of a control, looked at by itself and then in the light of the others."""
    if stage.book.shot_habit.fitted:
        return {}
    book = stage.book
    strange = [c for c in stage.control(name).channels if moving(c) and book.strange(name, c.name)]
    looks = {
        c.name: (strayed.settled(stage, name, c.keys), _look(stage, name, c.name)) for c in strange if c.keys
    }
    alone = {each: look.breaks(keys, likely) for each, (keys, look) in looks.items()}
    found = dict(alone)
    for each, (keys, look) in looks.items():
        backed = backing(keys, (alone[other] for other in alone if other != each))
        if backed.any():
            found[each] = replace(look, backed=backed).breaks(keys, likely)
    return found


@lru_cache(maxsize=32)
def _told(shares: bytes, tight: float, loose: float) -> dict[tuple[object, ...], tuple[Break, ...]]:
    """The breaks that were told by a shot's habit so far, by all else they depend on. The last habits are kept."""
    return {}


@dataclass(frozen=True, eq=False)
class _Look:
    """What the search for causes sees of a channel, for any state of its keys."""

    stage: Stage
    control: str
    channel: str
    pixels: float  # that a unit of the channel moves on screen
    backed: Array | float = 0.0

    def __call__(self, keys: Keys) -> Suspect | None:
        stage, book = self.stage, self.stage.book
        strange = book.strange_frames(self.control, self.channel, keys)
        if not len(strange):
            return None
        searched = np.zeros(len(keys), np.bool_)
        for k in np.searchsorted(keys.frames, strange):
            searched[max(k - NEAR, 0) : k + NEAR + 1] = True
        searched &= (keys.frames >= stage.frames[0]) & (keys.frames <= stage.frames[-1])
        rules, predict = book.rules(keys), book.prediction(keys)
        habit = book.habit(self.control, self.channel)
        return Suspect(keys, rules, habit, predict, True, searched, {}, lambda: self.pixels, self.backed)

    def breaks(self, keys: Keys, likely: float) -> tuple[Break, ...]:
        """What breaks the habit. What didn't change since an earlier look isn't searched again."""
        stage, book = self.stage, self.stage.book
        own, strange = book.habit(self.control, self.channel), book.strange_frames(self.control, self.channel)
        arrays = own.shares.tobytes(), strange.tobytes(), np.asarray(self.backed).tobytes(), content(keys)
        case = *arrays, self.pixels, stage.range, stage.shot.loop, likely
        told = _told(book.shot_habit.shares.tobytes(), own.tight, own.loose)
        if case not in told:
            told[case] = tuple(breaks(keys, self, likely=likely))
        return told[case]


def _look(stage: Stage, name: str, channel: str) -> _Look:
    return _Look(stage, name, channel, stage.most_moved(name, channel)[1])


def _habit_flags(stage: Stage, name: str, channel: Channel) -> Iterator[Flag]:
    """Flags for the breaks that the camera sees."""
    found = habit_breaks(stage, name, channel.name)
    if not found:
        return
    point, pixels = stage.most_moved(name, channel.name)
    seen = None if point is None else stage.counts(point)
    sharp = stage.frames[stage.marked(name, "accent", "cut")]
    assert channel.keys is not None
    own = channel.keys.frames[stage.book.settled(channel.keys).at]
    for each in found:
        frames, best = each.before.frames, each.explanation
        if np.isin(np.rint(each.frames), sharp).all():
            continue  # kept sharp on purpose
        if seen is None or _shows(stage, seen, frames, best):
            flag = _habit_flag(stage, name, channel, (frames, own), best, pixels)
            if flag is not None:
                yield flag


def _shows(stage: Stage, seen: NDArray[np.bool_], frames: Array, best: Explanation) -> bool:
    """Whether the camera sees the point that moves most on any frame that the explained keys move."""
    low, high = frames[max(min(best.keys) - 1, 0)], frames[min(max(best.keys) + 1, len(frames) - 1)]
    return bool(seen[(stage.frames >= low) & (stage.frames <= high)].any())


def _habit_flag(
    stage: Stage,
    name: str,
    channel: Channel,
    key_frames: tuple[Array, Array],
    best: Explanation,
    pixels: float,
) -> Flag | None:
    """The flag for an explanation, None where it can't be seen. Keys have frames they were set for, and their own."""
    frames, own = key_frames
    fault = FAULTS[best.kind]
    threshold = stage.thresholds[fault]
    amount = pixels * best.displacement(frames)
    severity = threshold.severity(amount)
    if severity is None:
        return None
    at = tuple(float(own[k]) for k in best.keys)
    first, last = max(min(best.keys) - 1, 0), min(max(best.keys) + 1, len(own) - 1)
    where = int(np.floor(own[first])), int(np.ceil(own[last]))
    keys = ", ".join(f"{frame:g}" for frame in at)
    message = {
        "moved key": f"the key at {keys} is off by {amount:.1f} px: the slopes beside it were made for another value",
        "stray slope": f"the slope at {keys} moves the curve by {amount:.1f} px from where the shot's habit would",
        "zigzag": f"the keys at {keys} go to and fro by {amount:.1f} px",
    }[fault]
    ratio = threshold.ratio(amount) * stage.attention(name)
    cause = Cause(name, channel.name, at)
    remedy = (
        "put the key back to where its neighbours' slopes point"
        if fault != "stray slope"
        else "set the slope anew"
    )
    return Flag(fault, name, channel.name, where, severity, amount, "px", cause, message, remedy, ratio)


def _doubled(stage: Stage, name: str, channel: Channel) -> Iterator[Flag]:
    """Keys nearer to each other than half a frame, off their frame, or a copy of the one beside them."""
    assert channel.keys is not None
    threshold = stage.thresholds["doubled key"]
    frames = channel.keys.frames
    for k in np.flatnonzero(np.diff(frames) <= threshold.warn):
        a, b = frames[k : k + 2].tolist()
        severity = threshold.severity(b - a)
        if severity is not None and stage.frames[0] <= a <= stage.frames[-1]:
            message = f"keys at {a:g} and {b:g}, {b - a:.3g} frames apart"
            cause = Cause(name, channel.name, (a, b))
            where = int(np.floor(a)), int(np.ceil(b))
            yield Flag(
                "doubled key",
                name,
                channel.name,
                where,
                severity,
                b - a,
                "frames",
                cause,
                message,
                "keep one of them",
            )
    yield from on_frames.copies(stage, name, channel)
    yield from strayed.find(stage, name, channel)
    off = np.abs(frames - np.rint(frames))
    for k in np.flatnonzero(off > threshold["off"]):
        if stage.frames[0] <= frames[k] <= stage.frames[-1]:
            cause, where = (
                Cause(name, channel.name, (float(frames[k]),)),
                (int(frames[k]), int(np.ceil(frames[k]))),
            )
            message, remedy = f"a key at {frames[k]:g}, between two frames", "put it on a whole frame"
            yield Flag(
                "off-frame key",
                name,
                channel.name,
                where,
                "note",
                float(off[k]),
                "frames",
                cause,
                message,
                remedy,
            )


def _steps(stage: Stage, name: str, channel: Channel) -> Iterator[Flag]:
    """A held segment among curves that ends in a jump: left over from blocking."""
    keys = channel.keys
    assert keys is not None
    curves = np.count_nonzero(keys.segment[:-1] == Segment.CURVE)
    held = np.flatnonzero(keys.segment[:-1] == Segment.HOLD)
    if not len(held) or len(keys) < 5 or curves < 0.7 * (len(keys) - 1) or keys.values.shape[1] > 1:
        return
    spacing = np.abs(np.diff(keys.values[:, 0])) / np.diff(keys.frames)
    usual = float(np.median(spacing[keys.segment[:-1] == Segment.CURVE]))
    threshold = stage.thresholds["leftover step"]
    for k in held:
        jump = abs(float(keys.values[k + 1, 0] - keys.values[k, 0]))
        times = jump / usual if usual > 0 else 0.0
        severity = threshold.severity(times)
        exempt = stage.marked(name, "cut", "hold", "contact")
        position = int(np.clip(keys.frames[k + 1] - stage.frames[0], 0, len(stage.frames) - 1))
        if (
            severity is not None
            and not exempt[position]
            and stage.frames[0] <= keys.frames[k + 1] <= stage.frames[-1]
        ):
            where = int(keys.frames[k]), int(keys.frames[k + 1])
            message = f"held from {where[0]} and jumps at {where[1]} by {times:.0f} times the usual spacing"
            cause = Cause(name, channel.name, (float(keys.frames[k]),))
            remedy = "let a curve follow the key"
            yield Flag(
                "leftover step",
                name,
                channel.name,
                where,
                severity,
                times,
                threshold.unit,
                cause,
                message,
                remedy,
            )


def _limits(stage: Stage, name: str, channel: Channel) -> Iterator[Flag]:
    """A channel past the limits that the rig states, longer than two frames (shorter is a cartoon's break)."""
    limits = channel.limits
    if limits is None or channel.name not in ROTATIONS:
        return
    values = sample(channel, stage.shot, stage.frames)[:, 0]
    past = np.maximum(values - limits.upper, limits.lower - values)
    threshold = stage.thresholds["past limit"]
    for a, b in runs(past >= threshold.warn):
        if b - a < 2:
            continue
        worst = float(past[a : b + 1].max())
        severity = threshold.severity(worst)
        assert severity is not None
        where = int(stage.frames[a]), int(stage.frames[b])
        message = f"{worst:.1f} deg past its limit"
        yield Flag(
            "past limit",
            name,
            channel.name,
            where,
            severity,
            worst,
            "deg",
            # Each excursion is a finding of its own: one that may not move mustn't hide behind one that may.
            Cause(name, channel.name, (float(where[0]), float(where[1]))),
            message,
            "keep it within the limit and let the parent turn the rest",
            threshold.ratio(worst) * stage.attention(name),
        )


def _on_frame(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shot with a key, or the pose that strayed with it, on its frame. NoSolution where that isn't possible."""
    frame = flag.cause.frames[0]
    if abs(frame - round(frame)) > stage.thresholds[DOUBLED]["off"]:
        yield from on_frames.snapped(stage, flag)
    elif (shot := strayed.put_back(stage, flag)) is not None:
        yield shot


TRIES = on_frames.TRIES | unheld.TRIES | {OFF: _on_frame}
OF_KEYS = (*TRIES, *dict.fromkeys(FAULTS.values()))  # what a channel's own keys tell

"""Mends of keys that stand between frames: of several within half a frame one is left, and one off its frame is put on.
A copy of a key on a frame beside it is taken out, where slopes tell that it is one (`copies`).

What is left stands on a whole frame. A key off its frame gets back what the slopes around say that it had there
(`settled`). Where they don't tell it gets what the curve behind it has there, as a key that went along its curve
left that side as it was; then what differs least from what is seen. Of several the slopes are those by which the curve
differs least from what it was, by least squares. A corner has a slope for each side. What a whole frame shows may move
by no more than a key may be off, unless slopes tell clearly: more is for a person. A slope by the shot's rule comes
next, for where the fitted one would break the habit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from refine.curve import INCOMING, OUTGOING, evaluate, sample, sample_matrix, unknowns, with_unknowns
from refine.errors import NoSolution
from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage
from refine.key_rows import key_at, only, with_keys, without
from refine.pinned import pinned_keys
from refine.settled import APART, along_curve, common_frame, own_frame, unmoved
from refine.shot import Array, Channel, Keys, Segment, Shot
from refine.slope_rules import contexts

DOUBLED, OFF = "doubled key", "off-frame key"
UNSEEN = 0.01  # [judge] of its range, that a channel which moves nothing on screen may change by
DUST = 1e-6  # of a slope, that a fit is no better known than
FINE = 4  # samples a frame on which curves are compared


def channel_of(stage: Stage, flag: Flag) -> Channel:
    """The keyed channel that a flag is about."""
    channel = None if flag.channel is None else stage.control(flag.control).channel(flag.channel)
    assert channel is not None
    assert channel.keys is not None
    return channel


def moved(stage: Stage, name: str, old: Channel, new: Channel) -> tuple[float, str]:
    """How far what whole frames show moves, in px and of what a key may be off, and in words."""
    frames = stage.shot.frames
    apart = sample(new, stage.shot, frames) - sample(old, stage.shot, frames)
    most = float(np.linalg.norm(apart, axis=1).max())
    pixels = stage.most_moved(name, old.name)[1]
    if pixels > 0:
        return most * pixels / stage.thresholds["moved key"].warn, f"{most * pixels:.1f} px"
    span = float(np.ptp(sample(old, stage.shot, frames), axis=0).max())
    return most / max(UNSEEN * span, 1e-12), f"{most:.3g} {old.unit}".rstrip()


def _unmoved(stage: Stage, flag: Flag, channel: Channel, tried: Sequence[Keys]) -> tuple[list[Shot], str]:
    """The shots with those keys by which nothing moves too far, in their order, and how far the last one moves it."""
    found, words = [], ""
    for keys in tried:
        after = replace(channel, keys=keys)
        ratio, words = moved(stage, flag.control, channel, after)
        if ratio <= 1:
            found.append(stage.shot.with_channel(flag.control, after))
    return found, words


def ruled(stage: Stage, flag: Flag, keys: Keys, k: int, nearest: bool = False) -> Keys:
    """The keys of a flag's channel, the k-th with the slope of a rule; a corner as it is.

    The rule is the one that the habit follows most, or the one whose slope is `nearest` to what the key has.
    """
    assert flag.channel is not None
    if keys.corner[k] or len(keys) < 3:
        return keys
    slopes = stage.book.rules(keys).slopes(keys.values)[:, k]
    habit = stage.book.habit(flag.control, flag.channel)
    rule = habit.rule(int(contexts(keys.values)[k]))
    if nearest:
        rule = int(np.argmin(np.linalg.norm(slopes - keys.outgoing[k], axis=1)))
    incoming, outgoing = keys.incoming.copy(), keys.outgoing.copy()
    incoming[k] = outgoing[k] = slopes[rule]
    return keys.changed(incoming=incoming, outgoing=outgoing)


# --- one key of several ------------------------------------------------------------------------------------


def copied(stage: Stage, keys: Keys) -> list[int]:
    """Which keys are a copy of the one beside them, as slopes tell: those that were fitted to a motion tell nothing."""
    return [] if stage.book.shot_habit.fitted else stage.book.settled(keys).copies(keys)


def copies(stage: Stage, name: str, channel: Channel) -> Iterator[Flag]:
    """Flags for keys that are a copy of the one a frame beside them. A mark may say that it is meant."""
    keys = channel.keys
    assert keys is not None
    meant = stage.frames[stage.marked(name, "accent", "cut", "hold")]
    for k in copied(stage, keys):
        before, frame, after = keys.frames[k - 1 : k + 2].tolist()
        one = before if frame - before < after - frame else after
        if not stage.frames[0] <= frame <= stage.frames[-1] or np.isin(frame, meant):
            continue
        ratio, words = moved(stage, name, channel, replace(channel, keys=without(keys, k)))
        yield Flag(
            DOUBLED,
            name,
            channel.name,
            (int(np.floor(before)), int(np.ceil(after))),
            "warn" if ratio >= 1 else "note",
            abs(frame - one),
            "frames",
            Cause(name, channel.name, (frame,)),
            f"the key at {frame:g} is a copy of that at {one:g}: it moves the curve by {words}, and the slopes "
            "around were made without it",
            "take the copy out",
            ratio * stage.attention(name),
        )


def single(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shot with one key where several mean one pose. NoSolution where they may be meant."""
    channel = channel_of(stage, flag)
    keys = channel.keys
    assert keys is not None
    low, high = min(flag.cause.frames), max(flag.cause.frames)
    copy = next((k for k in copied(stage, keys) if low <= keys.frames[k] <= high), None)
    if copy is not None:
        if not pinned_keys(stage.locks.pins, flag.control, channel.name, keys)[copy]:
            yield stage.shot.with_channel(flag.control, replace(channel, keys=without(keys, copy)))
        return
    first, last = _together(keys, flag.cause.frames, stage.thresholds[DOUBLED].warn)
    if (
        first == last
        or pinned_keys(stage.locks.pins, flag.control, channel.name, keys)[first : last + 1].any()
    ):
        return
    a, b = keys.frames[[first, last]].tolist()
    if b - a >= APART:
        raise NoSolution(f"keys stand on parts of frames from {a:g} to {b:g}: that may be meant")
    frame = common_frame(keys.frames[first : last + 1], stage.thresholds[DOUBLED]["off"])
    _check_room(stage, np.delete(keys.frames, np.arange(first, last + 1)), frame, a, b)
    fitted, bent = (_merged(keys, first, last, frame, corner) for corner in (False, True))
    found, words = _unmoved(stage, flag, channel, [fitted, ruled(stage, flag, fitted, first, nearest=True)])
    if not found:
        found, words = _unmoved(stage, flag, channel, [bent])
    if not found:
        raise NoSolution(
            f"one key for those from {a:g} to {b:g} would move it by {words}: a step may be meant"
        )
    yield from found


def _together(keys: Keys, frames: tuple[float, ...], near: float) -> tuple[int, int]:
    """First and last of the keys of which each is so near to the next, around some frames."""
    inside = np.flatnonzero((keys.frames >= min(frames) - 1e-6) & (keys.frames <= max(frames) + 1e-6))
    if not len(inside):
        return 0, 0
    first, last = int(inside[0]), int(inside[-1])
    while first > 0 and keys.frames[first] - keys.frames[first - 1] <= near:
        first -= 1
    while last + 1 < len(keys) and keys.frames[last + 1] - keys.frames[last] <= near:
        last += 1
    return first, last


def _check_room(stage: Stage, others: Array, frame: float, low: float, high: float) -> None:
    """NoSolution where a key stands near a whole frame, or between it and where the key or keys stand now."""
    least, most = min(low, frame), max(high, frame)
    near = stage.thresholds[DOUBLED].warn
    taken = others[(others >= least - near) & (others <= most + near)]
    taken = taken[(np.abs(taken - frame) <= near) | ((taken > least) & (taken < most))]
    if len(taken):
        raise NoSolution(f"frame {frame:g} is taken: a key stands at {taken[0]:g}")


def _merged(keys: Keys, first: int, last: int, frame: float, corner: bool) -> Keys:
    """The keys with one in place of some, which comes as the first came and goes as the last goes."""
    a, b = key_at(keys, first), key_at(keys, last)
    bent = corner or bool(keys.corner[first : last + 1].any())
    value = tuple(_on_curve(keys, frame).tolist())
    row = replace(b, value=value, incoming=a.incoming, incoming_reach=a.incoming_reach, corner=bent)
    if not bent:  # start from the slope of the key on the frame: what fits already stays as it is written
        on = keys.index(frame)
        slope = (b if on is None else key_at(keys, on)).outgoing
        row = replace(row, incoming=slope, outgoing=slope)
    gone = np.isin(np.arange(len(keys)), np.arange(first, last + 1))
    merged = with_keys(only(keys, ~gone), [frame], [row])
    left = _between(keys, first - 1, first, high=frame)
    right = _between(keys, last, last + 1, low=frame)
    if not bent:
        return _fitted(keys, merged, first, np.concatenate([left, right]), (INCOMING, OUTGOING))
    merged = _fitted(keys, merged, first, left, (INCOMING,))
    return _fitted(keys, merged, first, right, (OUTGOING,))


# --- one key off its frame ---------------------------------------------------------------------------------


def snapped(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shot with a key moved along its curve to the nearest whole frame. NoSolution where that isn't possible."""
    channel = channel_of(stage, flag)
    keys = channel.keys
    assert keys is not None
    k = keys.index(flag.cause.frames[0])
    if k is None or pinned_keys(stage.locks.pins, flag.control, channel.name, keys)[k]:
        return
    frame = own_frame(keys, k)
    here = float(keys.frames[k])
    _check_room(stage, np.delete(keys.frames, k), frame, here, here)
    if stage.book.settled(keys).retimed:
        raise NoSolution("the channel was retimed as a whole, and its slopes are right as they are")
    after, (as_set, told) = _shifted(keys, k, frame), _as_set(stage, flag, keys, k)
    tried = [*as_set, *(() if keys.corner[k] else _others(stage, flag, keys, after, k)), after]
    found, words = _unmoved(stage, flag, channel, tried[told:])
    if told:
        found = [stage.shot.with_channel(flag.control, replace(channel, keys=as_set[0])), *found]
    if not found:
        raise NoSolution(f"no key on frame {frame:g} keeps the curve: it would move by {words}")
    yield from found


def _as_set(stage: Stage, flag: Flag, keys: Keys, k: int) -> tuple[list[Keys], bool]:
    """The moved key as it may have been set, the likeliest first, and whether the slopes around are clear about that.

    By these, where they follow rules; then as it was if it went along its curve, of which the side behind it is left.
    """
    free = stage.book.habit(flag.control, flag.channel or "").fitted
    settled = unmoved(keys) if free else stage.book.settled(keys)
    at = np.flatnonzero(settled.touched & (settled.at == k))
    found = [each for each in (along_curve(keys, k),) if each is not None]
    if not len(at):
        return found, False
    fields = {name: getattr(keys, name).copy() for name in ("frames", "values", "incoming", "outgoing")}
    for name, array in fields.items():
        array[k] = getattr(settled.keys, name)[at[0]]
    return [keys.changed(**fields), *found], bool(settled.told[at[0]])


def _others(stage: Stage, flag: Flag, old: Keys, new: Keys, k: int) -> list[Keys]:
    """The moved key with the slope that misses both sides alike, and with that of the rule that is nearest."""
    return [_levelled(old, new, k), ruled(stage, flag, new, k, nearest=True)]


def _shifted(keys: Keys, k: int, frame: float) -> Keys:
    frames, values = keys.frames.copy(), keys.values.copy()
    left, right = _between(keys, k - 1, k, high=frame), _between(keys, k, k + 1, low=frame)
    values[k] = _on_curve(keys, frame)
    kept, other = (left, right) if frame < frames[k] else (right, left)
    frames[k] = frame
    new = keys.changed(frames=frames, values=values)
    if keys.corner[k]:
        return _fitted(keys, _fitted(keys, new, k, left, (INCOMING,)), k, right, (OUTGOING,))
    return _fitted(keys, new, k, kept if len(kept) else other, (INCOMING, OUTGOING))


def _levelled(old: Keys, new: Keys, k: int) -> Keys:
    """The moved key with the slope that misses the curve equally little on both of its sides."""
    both = _between(old, k - 1, k, high=new.frames[k]), _between(old, k, k + 1, low=new.frames[k])
    return _fitted(old, new, k, np.concatenate(both), (INCOMING, OUTGOING))


# --- fitting -----------------------------------------------------------------------------------------------


def _on_curve(keys: Keys, frame: float) -> Array:
    """(D,) what the curve has on a frame; a quaternion of unit length."""
    value: Array = evaluate(keys, np.array([frame]))[0]
    return value if len(value) == 1 else np.asarray(value / np.linalg.norm(value))


def _between(keys: Keys, a: int, b: int, low: float = -np.inf, high: float = np.inf) -> Array:
    """Frames of the curve from key a to key b, cut to some; none where that is no curve."""
    if a < 0 or b >= len(keys) or keys.segment[a] != Segment.CURVE:
        return np.zeros(0)
    low, high = max(float(keys.frames[a]), low), min(float(keys.frames[b]), high)
    return np.linspace(low, high, FINE * max(int(np.ceil(high - low)), 2) + 1) if low < high else np.zeros(0)


def _fitted(old: Keys, new: Keys, k: int, at: Array, sides: tuple[int, ...]) -> Keys:
    """The new keys, the k-th with that slope (one on all `sides`) by which they differ least from the old at frames."""
    if not len(at):
        return new
    basis = np.zeros((3 * len(new), 1))
    basis[[3 * k + side for side in sides]] = 1.0
    column = (sample_matrix(new, at) @ basis)[:, 0]
    size = float(column @ column)
    if size <= 1e-18:
        return new
    start = unknowns(new)
    start[[3 * k + side for side in sides]] = new.outgoing[k] if OUTGOING in sides else new.incoming[k]
    by = column @ (evaluate(old, at) - sample_matrix(new, at) @ start) / size
    if np.all(np.abs(by) <= DUST * np.abs(start[3 * k + sides[0]])):
        by = np.zeros_like(by)
    return with_unknowns(new, start + basis * by)


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {DOUBLED: single, OFF: snapped}

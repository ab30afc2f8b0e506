"""Angles that jump by whole turns, Euler triples that flip, quaternions that change sign: the turn goes the long way.

Each is the same orientation written in another way: whole turns; the triple (a + 180, 180 - b, c + 180), whose b is
the middle factor of the order; the quaternion with all its signs changed. A jump is flagged only where one of these
takes it away and where the neighbouring motion says that it wasn't meant: a spin that the artist keyed has slopes
of its own, or goes on steadily, or starts and ends at rest. The mend writes all that follows the other way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from refine.flags.flag import Cause, Flag
from refine.flags.spins import (
    SHORT,
    STEADY,
    ends_say_so,
    saw_says_so,
    sawn_off,
    slopes_say_so,
    steady,
    steady_keys,
    turning_points_say_so,
)
from refine.flags.stage import Stage
from refine.flags.unwrap import TURN, Wrap, rewritten, straight_values, within_pins
from refine.rotation import euler_matrix
from refine.shot import QUATERNION, ROTATIONS, Array, Channel, Control, Keys, Segment, Shot
from refine.slope_rules import EXTREME, ZERO

FAULT = "angle wrap"
BETTER = 1 / 3  # share of the steps that another triple may leave [judge]


def find(stage: Stage) -> Iterator[Flag]:
    """All angle wraps, in no order; those of a baked control in one flag, as a recording saws all its angles off."""
    for name in stage.order:
        found = wraps(stage, name)
        baked = any(channel.baked for channel in stage.control(name).channels)
        for group in [found] if baked and found else [[wrap] for wrap in found]:
            yield _flag(stage, name, group)


def _flag(stage: Stage, name: str, group: list[Wrap]) -> Flag:
    """The flag of one jump, or of all those of a baked control: at the largest one, from the first to the last."""
    threshold = stage.thresholds[FAULT]
    worst = max(group, key=lambda wrap: wrap.amount)
    severity = threshold.severity(max(worst.amount, threshold.warn))
    assert severity is not None
    where = int(np.floor(min(w.a for w in group))), int(np.ceil(max(w.b for w in group)))
    more = len(group) - 1
    others = f"; {more} more such jump{'s' * (more > 1)} from {where[0]} to {where[1]}" if more else ""
    message = f"{worst.worst} jumps by {worst.amount:.0f} deg at {worst.b:g}, yet the pose doesn't{others}"
    remedy = "write what follows the other way: the pose on every key stays"
    cause = Cause(name, worst.worst, (worst.a, worst.b))
    ratio = threshold.ratio(worst.amount) * stage.attention(name)
    return Flag(FAULT, name, worst.worst, where, severity, worst.amount, "deg", cause, message, remedy, ratio)


def wraps(stage: Stage, name: str) -> list[Wrap]:
    """The jumps of one control in the frames that the stage looks at, without those in a marked accent."""
    control = stage.control(name)
    quaternion = control.channel(QUATERNION)
    if quaternion is not None:
        found = _flipped_signs(stage, quaternion)
    else:
        turned = [channel for channel in control.channels if channel.name in ROTATIONS]
        baked = [channel for channel in turned if channel.samples is not None]
        keyed = [channel for channel in turned if channel.keys is not None and len(channel.keys) > 1]
        found = _in_samples(stage, control, baked) if baked else []
        triples = _in_triples(stage, control, keyed) if len(keyed) == 3 else []
        taken = {(wrap.a, wrap.b) for wrap in triples}
        turns = [w for c in keyed for w in _in_keys(stage, name, c) if (w.a, w.b) not in taken]
        found += triples + turns
    return [wrap for wrap in found if _looked_at(stage, name, wrap)]


def _looked_at(stage: Stage, name: str, wrap: Wrap) -> bool:
    if wrap.b <= stage.frames[0] or wrap.a >= stage.frames[-1]:
        return False
    accents = (m for m in stage.shot.marks if m.kind == "accent" and (not m.controls or name in m.controls))
    return not any(m.frames[0] < wrap.b and m.frames[1] > wrap.a for m in accents)


# --- the same orientation, written otherwise -------------------------------------------------------------------


def shortest(before: Array, after: Array, order: str, triple: bool) -> tuple[Array, Array]:
    """Sign and offset (3,) that bring the angles `after` (3,) nearest to `before`, in degrees about x, y, z.

    Whole turns, and where `triple` says that all three angles are there also the other triple.
    """
    best = np.ones(3), -TURN * np.round((after - before) / TURN)
    if not triple:
        return best
    sign, offset = np.ones(3), np.full(3, TURN / 2)
    sign["xyz".index(order[1])] = -1.0
    offset = offset - TURN * np.round((sign * after + offset - before) / TURN)
    rest = [float(np.abs(s * after + o - before).sum()) for s, o in (best, (sign, offset))]
    return (sign, offset) if rest[1] < BETTER * rest[0] else best


def _wrap(
    a: float, b: float, names: list[str], axes: list[int], undo: tuple[Array, Array], step: Array
) -> Wrap:
    sign, offset = undo
    worst = max(range(len(axes)), key=lambda i: abs(step[axes[i]]))
    used = [i for i, axis in enumerate(axes) if sign[axis] != 1.0 or offset[axis] != 0.0]
    return Wrap(
        float(a),
        float(b),
        tuple(names[i] for i in used),
        tuple(float(sign[axes[i]]) for i in used),
        tuple(float(offset[axes[i]]) for i in used),
        names[worst],
        float(abs(step[axes[worst]])),
    )


def _turned(order: str, before: Array, after: Array) -> float:
    """Degrees of the rotation between two triples of angles."""
    one, other = euler_matrix(np.deg2rad(np.stack([before, after])), order)
    return float(np.rad2deg(np.arccos(np.clip((np.trace(one.T @ other) - 1) / 2, -1.0, 1.0))))


# --- baked angles ----------------------------------------------------------------------------------------------


def _in_samples(stage: Stage, control: Control, channels: list[Channel]) -> list[Wrap]:
    axes = [ROTATIONS.index(channel.name) for channel in channels]
    count = max(len(c.samples) for c in channels if c.samples is not None)
    values = np.zeros((count, 3))
    for axis, channel in zip(axes, channels, strict=True):
        assert channel.samples is not None
        values[:, axis] = channel.samples[:, 0]
    steps, threshold, found = np.diff(values, axis=0), stage.thresholds[FAULT], []
    for i in np.flatnonzero(np.abs(steps).max(axis=1, initial=0.0) > threshold["euler"]).tolist():
        sign, offset = shortest(values[i], values[i + 1], control.order, len(axes) == 3)
        largest = float(np.abs(steps[i]).max())
        rest = float(np.abs(sign * values[i + 1] + offset - values[i]).max())
        still = _turned(control.order, values[i], values[i + 1]) < threshold["rotation"]
        wrapped = rest <= SHORT if largest > threshold.warn else still and rest <= BETTER * largest
        if wrapped and not steady(steps, i):
            a = stage.shot.first_frame + i
            names = [channel.name for channel in channels]
            found.append(_wrap(a, a + 1, names, axes, (sign, offset), steps[i]))
    return found


# --- keyed angles ----------------------------------------------------------------------------------------------


def _in_triples(stage: Stage, control: Control, channels: list[Channel]) -> list[Wrap]:
    """Flips of all three angles between two keys that stand on the same frames in each."""
    axes = [ROTATIONS.index(channel.name) for channel in channels]
    tables = [channel.keys for channel in channels if channel.keys is not None]
    first, threshold, found = tables[axes.index("xyz".index(control.order[0]))], stage.thresholds[FAULT], []
    for k in np.flatnonzero(np.abs(np.diff(first.values[:, 0])) > threshold["euler"]).tolist():
        a, b = first.frames[k], first.frames[k + 1]
        at = [table.index(a) for table in tables]
        if any(j is None or table.index(b) != j + 1 for j, table in zip(at, tables, strict=True)):
            continue
        j = [i for i in at if i is not None]
        ends = np.zeros((2, 3))
        for i, axis, table in zip(j, axes, tables, strict=True):
            ends[:, axis] = table.values[i : i + 2, 0]
        sign, offset = shortest(ends[0], ends[1], control.order, True)
        rest = float(np.abs(sign * ends[1] + offset - ends[0]).max())
        held = all(table.segment[i] == Segment.HOLD for i, table in zip(j, tables, strict=True))
        parts = list(zip(j, sign[axes], offset[axes], tables, strict=True))
        if not held and np.any(sign < 0) and rest <= SHORT and _bent(parts):
            names = [channel.name for channel in channels]
            found.append(_wrap(a, b, names, axes, (sign, offset), ends[1] - ends[0]))
    return found


def _bent(parts: list[tuple[int, float, float, Keys]]) -> bool:
    """Whether slopes and steps agree far better once what follows is written the other way, over all angles."""
    as_it_is, undone = 0.0, 0.0
    for k, sign, offset, keys in parts:
        run, (v, w) = keys.frames[k + 1] - keys.frames[k], keys.values[k : k + 2, 0]
        out, into = run * keys.outgoing[k, 0], run * keys.incoming[k + 1, 0]
        as_it_is += abs(out - (w - v)) + abs(into - (w - v))
        undone += abs(out - (sign * w + offset - v)) + abs(sign * into - (sign * w + offset - v))
    return undone <= BETTER * as_it_is


def _in_keys(stage: Stage, name: str, channel: Channel) -> list[Wrap]:
    """Whole turns between two keys of one angle."""
    keys = channel.keys
    assert keys is not None
    values = keys.values[:, 0]
    step = np.diff(values)
    likely = (np.abs(step) > stage.thresholds[FAULT].warn) & (keys.segment[:-1] != Segment.HOLD)
    if not likely.any():
        return []
    straight = straight_values(values, likely)
    turns = np.round(step / TURN)
    jumps = [k for k in np.flatnonzero(likely).tolist() if not steady_keys(keys, k)]
    rests = (step - TURN * turns).tolist()
    jointed = stage.control(name).parent is not None
    zero = stage.book.habit(name, channel.name).rule(EXTREME) == ZERO
    sure = [
        k
        for k in jumps
        if slopes_say_so(keys, straight, k)
        or ends_say_so(keys, rests[k], k)
        or (jointed and saw_says_so(keys, rests[k], k))
        or (zero and turning_points_say_so(keys, straight, k))
    ]
    found = jumps if sure and sawn_off(values) else sure
    return [
        Wrap(*frames, (channel.name,), (1.0,), (-TURN * float(turns[k]),), channel.name, abs(float(step[k])))
        for k in found
        for frames in [(float(keys.frames[k]), float(keys.frames[k + 1]))]
    ]


# --- quaternions -----------------------------------------------------------------------------------------------


def _flipped_signs(stage: Stage, channel: Channel) -> list[Wrap]:
    keys = channel.keys
    values = keys.values if keys is not None else channel.samples
    assert values is not None
    frames = keys.frames if keys is not None else stage.shot.first_frame + np.arange(len(values), dtype=float)
    dot = np.sum(values[1:] * values[:-1], axis=1)
    amount = TURN - 2 * np.rad2deg(np.arccos(np.clip(-dot, -1.0, 1.0)))  # the long way, where dot is negative
    flipped = (dot < 0) & (amount >= TURN - SHORT)
    if keys is not None:
        flipped &= keys.segment[:-1] == Segment.CURVE  # lines take the short way, holds take none
    found = []
    for k in np.flatnonzero(flipped).tolist():
        if keys is None or not _long_way_meant(keys, k):
            span = float(frames[k]), float(frames[k + 1])
            found.append(Wrap(*span, (QUATERNION,), (-1.0,), (0.0,), QUATERNION, float(amount[k])))
    return found


def _long_way_meant(keys: Keys, k: int) -> bool:
    """Whether the slopes on both sides of a change of sign follow the long way."""
    run = keys.frames[k + 1] - keys.frames[k]
    out, into = run * keys.outgoing[k], run * keys.incoming[k + 1]
    far, near = keys.values[k + 1] - keys.values[k], -keys.values[k + 1] - keys.values[k]
    misses = [np.linalg.norm(out - far) + np.linalg.norm(into - far)]
    misses.append(np.linalg.norm(out - near) + np.linalg.norm(-into - near))
    return bool(misses[0] < STEADY * misses[1])


# --- the mend --------------------------------------------------------------------------------------------------


def unwrapped(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with what follows the jump written the other way, or what precedes it where a pin holds the rest."""
    name = flag.control
    if any(channel.baked for channel in stage.control(name).channels):
        pinned = {pin.frames[0] for pin in stage.locks.pins if pin.control == name}
        tried = (_all_unwrapped(stage, name, kept) for kept in (-np.inf, np.inf, *sorted(pinned)))
        return next((shot for shot in tried if within_pins(stage, name, shot)), None)
    found = wraps(stage, name)
    own = next((w for w in found if (w.a, w.b) == flag.cause.frames and w.worst == flag.channel), None)
    if own is None:
        return None
    group = _of_one_saw(stage, name, own, found)
    both = (_one_by_one(stage, name, each, after) for each, after in ((group, True), (group[::-1], False)))
    return next((shot for shot in both if within_pins(stage, name, shot)), None)


def _of_one_saw(stage: Stage, name: str, own: Wrap, found: list[Wrap]) -> list[Wrap]:
    """All jumps of an angle that was sawn off, in time: where one is gone nothing tells of the others any more."""
    channel = stage.control(name).channel(own.worst)
    keys = None if channel is None else channel.keys
    if keys is None or len(own.channels) > 1 or keys.values.shape[1] > 1 or not sawn_off(keys.values[:, 0]):
        return _there_and_back(own, found)
    return sorted((wrap for wrap in found if wrap.channels == own.channels), key=lambda wrap: wrap.a)


def _there_and_back(own: Wrap, found: list[Wrap]) -> list[Wrap]:
    """A jump, and the one back at the next key or the one before, as of one key that is written the other way."""
    alike = (w for w in found if w.channels == own.channels and w.sign == own.sign)
    beside = (w for w in alike if own.b == w.a or own.a == w.b)
    back = next((w for w in beside if np.allclose(np.add(w.offset, own.offset), 0.0)), None)
    return [own] if back is None else sorted((own, back), key=lambda wrap: wrap.a)


def _one_by_one(stage: Stage, name: str, group: list[Wrap], after: bool) -> Shot:
    for wrap in group:
        stage = replace(stage, shot=rewritten(stage, name, wrap, after))
    return stage.shot


def _all_unwrapped(stage: Stage, name: str, kept: float) -> Shot:
    """The shot with every jump of a baked control taken away, seen from a frame that is kept as it is.

    Between a jump and the one back only what lies between them changes in the end, or what lies around them.
    """
    now = stage
    for _ in range(len(stage.frames)):
        left = sorted(wraps(now, name), key=lambda wrap: wrap.a)
        if not left:
            break
        after = next((wrap for wrap in left if wrap.b > kept), None)
        now = replace(now, shot=rewritten(now, name, after or left[-1], after is not None))
    return now.shot


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {FAULT: unwrapped}

"""Angles that jump by whole turns, Euler triples that flip, quaternions that change sign: the turn goes the long way.

Each is the same orientation written in another way: whole turns; the triple (a + 180, 180 - b, c + 180), whose b is
the middle factor of the order; the quaternion with all its signs changed. A jump is flagged only where one of these
takes it away and where the neighbouring motion says that it wasn't meant: a spin that the artist keyed has slopes
of its own, or goes on steadily, or starts and ends at rest. The mend writes all that follows the other way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage
from refine.flags.unwrap import TURN, Wrap, rewritten, straight_values
from refine.rotation import euler_matrix
from refine.shot import QUATERNION, ROTATIONS, Array, Channel, Control, Keys, Segment, Shot

FAULT = "angle wrap"
SHORT = 90.0  # deg left of a step from which only slopes can say which way was meant [judge]
STEADY = 0.5  # share of a spin's speed from which the segment beside it is the same spin [judge]
BETTER = 1 / 3  # share of the steps that another triple may leave [judge]
LIKE = 0.25  # how nearly a slope fits a rule, of the rule's slope [judge]
FASTER = 3.0  # times that a wrapped segment may be faster than those beside it [judge]


def find(stage: Stage) -> Iterator[Flag]:
    """All angle wraps, in no order."""
    for name in stage.order:
        for wrap in wraps(stage, name):
            severity = stage.thresholds[FAULT].severity(max(wrap.amount, stage.thresholds[FAULT].warn))
            assert severity is not None
            where = int(np.floor(wrap.a)), int(np.ceil(wrap.b))
            message = f"{wrap.worst} jumps by {wrap.amount:.0f} deg"
            remedy = "write what follows the other way: the pose on every key stays"
            cause = Cause(name, wrap.worst, (wrap.a, wrap.b))
            ratio = stage.thresholds[FAULT].ratio(wrap.amount) * stage.attention(name)
            yield Flag(
                FAULT, name, wrap.worst, where, severity, wrap.amount, "deg", cause, message, remedy, ratio
            )


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
        if wrapped and not _steady(steps, i):
            a = stage.shot.first_frame + i
            names = [channel.name for channel in channels]
            found.append(_wrap(a, a + 1, names, axes, (sign, offset), steps[i]))
    return found


def _steady(steps: Array, i: int) -> bool:
    """Whether the step beside the largest one of a row goes on at its speed."""
    axis = int(np.argmax(np.abs(steps[i])))
    beside = steps[[j for j in (i - 1, i + 1) if 0 <= j < len(steps)], axis]
    return bool(np.any(beside * np.sign(steps[i, axis]) >= STEADY * abs(steps[i, axis])))


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
        if not held and np.any(sign < 0) and rest <= threshold["euler"] and _bent(parts):
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
    found = []
    for k in np.flatnonzero(likely).tolist():
        if _steady_keys(keys, k):
            continue
        turns = float(np.round(step[k] / TURN))
        if _slopes_say_so(stage, keys, straight, k) or _ends_say_so(keys, float(step[k]) - TURN * turns, k):
            a, b, offset = float(keys.frames[k]), float(keys.frames[k + 1]), -TURN * turns
            found.append(Wrap(a, b, (channel.name,), (1.0,), (offset,), channel.name, abs(float(step[k]))))
    return found


def _speeds(keys: Keys) -> Array:
    return np.asarray(np.diff(keys.values[:, 0]) / np.diff(keys.frames))


def _steady_keys(keys: Keys, k: int) -> bool:
    return _steady(_speeds(keys)[:, None], k)


def _slopes_say_so(stage: Stage, keys: Keys, straight: Array, k: int) -> bool:
    """Whether the slopes at both ends were made for the values without the jump, one at least not for those with it.

    A flat slope fits both and says nothing: a spin between two rests has two of them.
    """
    rules = stage.book.rules(keys)
    as_it_is, undone = (
        np.stack([m @ v for m in (rules.natural, rules.chord)]) for v in (keys.values[:, 0], straight)
    )
    against = 0
    for slope, key in ((keys.outgoing[k, 0], k), (keys.incoming[k + 1, 0], k + 1)):
        fits = [
            bool(np.any(np.abs(slope - r[:, key]) <= LIKE * np.abs(r[:, key]))) for r in (as_it_is, undone)
        ]
        flat = abs(slope) * (keys.frames[k + 1] - keys.frames[k]) < LIKE
        if not flat and not fits[1]:
            return False
        against += not flat and not fits[0]
    return against > 0


def _ends_say_so(keys: Keys, rest: float, k: int) -> bool:
    """Whether the angle leaves one end of a turn and comes in at the other, as sawn-off angles do.

    Then both values lie within -180 to 180, or 0 to 360 and so on, and the motion beside it goes on the same way.
    """
    low, high = sorted(keys.values[k : k + 2, 0].tolist())
    start = TURN / 2 * np.floor(low / (TURN / 2))
    speeds = _speeds(keys)
    beside = [speeds[j] for j in (k - 1, k + 1) if 0 <= j < len(speeds)]
    through = bool(beside) and abs(rest) <= SHORT and all(speed * rest > 0 for speed in beside)
    quick = max((abs(speed) for speed in beside), default=0.0)
    return bool(
        high <= start + TURN
        and through
        and abs(rest) <= FASTER * quick * (keys.frames[k + 1] - keys.frames[k])
    )


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
    for wrap in wraps(stage, flag.control):
        if (wrap.a, wrap.b) == flag.cause.frames and wrap.worst == flag.channel:
            return rewritten(stage, flag.control, wrap, True) or rewritten(stage, flag.control, wrap, False)
    return None


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {FAULT: unwrapped}

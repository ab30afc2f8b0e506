"""The seam of a shot that loops: the frame after the last one is the first one again.

Keyed channels are judged by their curves: value and slope where the first frame begins and where the last one ends,
one frame later. Baked ones have no sample there: the first is compared with where the last four lead, and the last
with where the first four come from; the nearer one is the gap, since a corner is none. Where that is usual in the shot,
the first is compared with the cubic through two on each side, which a corner breaks as well, and must break it more
than anything in the rest of the shot does. A root that travels ends elsewhere, and whole turns end where they began.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from refine.curve import evaluate
from refine.flags.flag import Cause, Flag, Severity
from refine.flags.stage import Stage
from refine.limbs.planting import minimum_jerk
from refine.measure import most_moved
from refine.pinned import concerning, pinned_keys, within
from refine.rotation import continuous
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    TRANSLATIONS,
    Array,
    Channel,
    Control,
    Keys,
    Segment,
    Shot,
    frozen,
)

FAULT = "loop seam"
TURN = 360.0  # deg
INSTANT = 1e-4  # frames over which a slope is taken at the seam
TRAVELS = 0.5  # of the range: a root that ends as far from where it began goes somewhere [judge]
BACK = 1.0  # s over which a baked channel is led back at its end [judge]
# A baked gap is more than so many times what so many % of the channel's own steps are within, or the seam breaks more
# than anything else in the shot [judge, on an open clip made to loop].
STEPS = 3.0, 90.0
BREAKS = 1.0, 100.0
LEAD = 4  # frames that lead across a baked seam, to either side: as many as a cubic has numbers


@dataclass(frozen=True, slots=True, eq=False)
class Seam:
    """What a channel lacks at the end of its last frame: value (D,) and slope (D,) of the first minus the last.

    `speed` is the larger of the two speeds, `turns` what the last value has more than the gap says.
    """

    gap: Array
    jump: Array
    speed: float
    slope: Array
    value: Array


def find(stage: Stage) -> Iterator[Flag]:
    """The channels that don't close; nothing where the shot doesn't loop or only a part of it is looked at."""
    shot = stage.shot
    if not shot.loop or stage.asked != (shot.first_frame, shot.last_frame) or len(stage.frames) < 2:
        return
    for name in stage.order:
        control = stage.control(name)
        for channel in control.channels:
            flag = _flag(stage, control, channel)
            if flag is not None:
                yield flag


def _flag(stage: Stage, control: Control, channel: Channel) -> Flag | None:
    seam = _seam(stage.shot, control, channel)
    if seam is None:
        return None
    pixels = most_moved(stage.shot, stage.posed, stage.view, control.name, channel.name)[1]
    gap, jump = (pixels * float(np.linalg.norm(amount)) for amount in (seam.gap, seam.jump))
    threshold = stage.thresholds[FAULT]
    severity: Severity | None = threshold.severity(gap)
    amount, message = gap, f"the first frame is {gap:.1f} px from where the last one leads"
    share = float(np.linalg.norm(seam.jump)) / seam.speed if seam.speed > 0 else 0.0
    if severity is None and share > threshold["speed"] and jump > threshold.warn:
        severity = "error" if share > threshold["speed_error"] else "warn"
        amount, message = jump, f"its speed changes by {100 * share:.0f} % at the seam, {jump:.1f} px a frame"
    if severity is None:
        return None
    last = _last(channel.keys) if channel.keys is not None else float(stage.shot.last_frame)
    where = stage.shot.first_frame, stage.shot.last_frame
    cause = Cause(control.name, channel.name, (last,))
    remedy = f"give the key at {last:g} the value and the slope of the first one"
    if channel.keys is None:
        remedy = "lead its end back to where the first frame continues it"
    if channel.keys is not None and last < stage.shot.last_frame + 1:
        remedy = f"set a key at {stage.shot.last_frame + 1} with the value and the slope of the first one"
    ratio = threshold.ratio(amount) * stage.attention(control.name)
    return Flag(
        FAULT, control.name, channel.name, where, severity, amount, "px", cause, message, remedy, ratio
    )


def _last(keys: Keys) -> float:
    return float(keys.frames[-1])


def _seam(shot: Shot, control: Control, channel: Channel) -> Seam | None:
    """None where the channel holds still, or where a baked one doesn't break the seam more than elsewhere."""
    found = _keyed_seam(shot, channel.keys) if channel.keys is not None else _baked_seam(channel)
    if found is None:
        return None
    gap = found.gap
    if channel.name in ROTATIONS:
        gap = gap - TURN * np.round(gap / TURN)
    travels = control.parent is None and channel.name in TRANSLATIONS
    if travels and np.linalg.norm(gap) > TRAVELS * _extent(channel):
        gap = np.zeros_like(gap)
    if channel.name == QUATERNION and np.linalg.norm(found.value + found.gap) > 0:
        gap = _nearer_sign(found)
    return replace(found, gap=gap)


def _nearer_sign(seam: Seam) -> Array:
    """The gap of a quaternion: both signs are the same orientation."""
    first = seam.value + seam.gap
    return min((first - seam.value, -first - seam.value), key=lambda gap: float(np.linalg.norm(gap)))


def _extent(channel: Channel) -> float:
    values = channel.samples if channel.keys is None else channel.keys.values
    assert values is not None
    return float(np.linalg.norm(np.ptp(values, axis=0)))


def _keyed_seam(shot: Shot, keys: Keys) -> Seam | None:
    start, end = float(shot.first_frame), shot.last_frame + 1.0
    if len(keys) < 2 or not np.ptp(evaluate(keys, shot.frames), axis=0).any():
        return None
    at = evaluate(keys, np.array([start, start + INSTANT, end - INSTANT, end]))
    out, into = (at[1] - at[0]) / INSTANT, (at[3] - at[2]) / INSTANT
    if keys.segment[max(int(np.searchsorted(keys.frames, end)) - 1, 0)] == Segment.HOLD:
        return Seam(at[0] - at[3], np.zeros_like(out), 0.0, out, at[3])  # stepped: speed means nothing
    speed = max(float(np.linalg.norm(out)), float(np.linalg.norm(into)))
    return Seam(at[0] - at[3], out - into, speed, out, at[3])


def _baked_seam(channel: Channel) -> Seam | None:
    samples = channel.samples
    assert samples is not None
    if len(samples) < 2 * LEAD:
        return None
    ring = continuous(channel, np.concatenate([samples, samples[:LEAD]]))[-2 * LEAD :]
    across, values = ring[2:-1], continuous(channel, samples)
    for measure, seam, (times, share) in ((_step, ring, STEPS), (_break, across, BREAKS)):
        gap = measure(seam)[0]
        if np.linalg.norm(gap) > times * np.percentile(np.linalg.norm(measure(values), axis=1), share):
            return Seam(gap, np.zeros_like(gap), 0.0, np.zeros_like(gap), ring[LEAD - 1])
    return None


def _step(values: Array) -> Array:
    """(N - 7, D): how far each value is from where the cubic through the four before it leads, or the value before
    it from where the cubic through the four after it comes from, whichever is less: a corner is no step.
    """
    leads = np.diff(values, 4, axis=0)
    ahead, back = leads[:-3], -leads[3:]
    nearer = np.linalg.norm(ahead, axis=1) <= np.linalg.norm(back, axis=1)
    return np.where(nearer[:, None], ahead, back)


def _break(values: Array) -> Array:
    """(N - 4, D): twice how far each value is from the cubic through two on each side, half way across a gap."""
    return np.asarray(np.diff(values, 4, axis=0) / 3)


# --- the mend --------------------------------------------------------------------------------------------------


def closed(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with value and slope of the last key equal to the first one's; the first is changed where the last
    may not be. A baked channel is led back over its last second.

    None where there is no key on the frame after the last one, or both are held.
    """
    assert flag.channel is not None
    shot, control = stage.shot, stage.control(flag.control)
    channel = control.channel(flag.channel)
    if channel is None or channel.keys is None:
        return None if channel is None else _led_back(stage, flag.control, channel)
    keys = channel.keys
    first, last = keys.index(shot.first_frame), keys.index(shot.last_frame + 1.0)
    seam = _seam(shot, control, channel)
    if first is None or last is None or seam is None:
        return None
    held = pinned_keys(stage.locks.pins, flag.control, flag.channel, keys)
    for k, value, slope in (
        (last, keys.values[last] + seam.gap, keys.outgoing[first]),
        (first, keys.values[first] - seam.gap, keys.incoming[last]),
    ):
        new = replace(channel, keys=_set(keys, k, value, slope))
        if not held[k] and not _accented(shot, flag.control, float(keys.frames[k])) and within(channel, new):
            return shot.with_channel(flag.control, new)
    return None


def _led_back(stage: Stage, name: str, channel: Channel) -> Shot | None:
    """The shot with the end of a baked channel led back to where the first frame continues it, as a minimum-jerk move.

    None where the seam isn't a gap of one number, and where a pin, a mark or a limit holds what would move.
    """
    seam, samples = _seam(stage.shot, stage.control(name), channel), channel.samples
    if seam is None or samples is None or samples.shape[1] > 1:
        return None
    count = min(max(round(BACK * stage.shot.fps), 1), len(samples) // 2)
    low, high = len(samples) - count + stage.shot.first_frame, stage.shot.last_frame
    pins = concerning(stage.locks.pins, name, channel.name)
    pinned = any(low - 1 < pin.frames[1] and pin.frames[0] < high + 1 for pin in pins)
    if pinned or stage.marked(name, "accent", "contact", "hold")[-count:].any():
        return None
    share = minimum_jerk(
        np.arange(1, count + 1) / (count + 0.5)
    )  # the seam is half a frame after the last sample
    led = samples.copy()
    led[-count:] += share[:, None] * seam.gap
    new = replace(channel, samples=frozen(led))
    return stage.shot.with_channel(name, new) if within(channel, new) else None


def _set(keys: Keys, k: int, value: Array, slope: Array) -> Keys:
    """The keys with value and both slopes of one set."""
    values, incoming, outgoing = keys.values.copy(), keys.incoming.copy(), keys.outgoing.copy()
    values[k], incoming[k], outgoing[k] = value, slope, slope
    return keys.changed(values=values, incoming=incoming, outgoing=outgoing)


def _accented(shot: Shot, control: str, frame: float) -> bool:
    marks = (m for m in shot.marks if m.kind == "accent" and (not m.controls or control in m.controls))
    return any(m.frames[0] <= frame <= m.frames[1] for m in marks)


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {FAULT: closed}

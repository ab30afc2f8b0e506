"""The same orientation written in another way from a key or sample on, so that a jump of the numbers is gone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.flags.stage import Stage
from refine.pinned import concerning, pinned_keys, reaches, within
from refine.shot import Array, Channel, Keys, Shot, frozen
from refine.slope_rules import EXTREME, FOLLOWS, INSIDE, ZERO, contexts

TURN = 360.0


@dataclass(frozen=True, slots=True, eq=False)
class Wrap:
    """A jump from frame `a` to frame `b`: from b on, value -> sign * value + offset undoes it in `channels`."""

    a: float
    b: float
    channels: tuple[str, ...]
    sign: tuple[float, ...]
    offset: tuple[float, ...]
    worst: str  # the channel that jumps most
    amount: float  # deg


def straight_values(values: Array, likely: NDArray[np.bool_]) -> Array:
    """Values without the whole turns of these steps."""
    turns = np.where(likely, np.round(np.diff(values) / TURN), 0.0)
    return np.asarray(values - TURN * np.concatenate([[0.0], np.cumsum(turns)]))


def rewritten(stage: Stage, name: str, wrap: Wrap, after: bool) -> Shot:
    """The shot with what follows a jump written the other way, or what precedes it; pins have no say here."""
    shot = stage.shot
    for channel_name, sign, offset in zip(wrap.channels, wrap.sign, wrap.offset, strict=True):
        channel = stage.control(name).channel(channel_name)
        assert channel is not None
        add = offset if after else -sign * offset
        new = _baked(shot, channel, wrap, sign, add, after) if channel.keys is None else None
        shot = shot.with_channel(name, new or _keyed(stage, name, channel, wrap, (sign, add), after))
    return shot


def within_pins(stage: Stage, name: str, after: Shot) -> bool:
    """Whether no pinned key, sample or curve of a control differs in a changed shot, and no limit is broken."""
    new = after.controls[stage.control_at[name]].channels
    return not any(
        _touches_pins(stage, name, channel, changed) or not within(channel, changed)
        for channel, changed in zip(stage.control(name).channels, new, strict=True)
    )


def _touches_pins(stage: Stage, name: str, old: Channel, new: Channel) -> bool:
    """Whether a pin holds a sample that differs, or something that a key which differs moves."""
    if old.samples is not None and new.samples is not None:
        moved = stage.shot.first_frame + np.flatnonzero(np.any(old.samples != new.samples, axis=1))
        held = [pin.frames for pin in concerning(stage.locks.pins, name, old.name)]
        return any(bool(np.any((moved > a - 1) & (moved < b + 1))) for a, b in held)
    assert old.keys is not None
    assert new.keys is not None
    apart = [getattr(old.keys, n) != getattr(new.keys, n) for n in ("values", "incoming", "outgoing")]
    moved = np.flatnonzero(np.any(np.concatenate(apart, axis=1), axis=1))
    frames = np.concatenate([[-np.inf], old.keys.frames, [np.inf]])
    return bool(len(moved)) and reaches(
        stage.locks.pins, name, old.name, float(frames[moved[0]]), float(frames[moved[-1] + 2])
    )


def _baked(shot: Shot, channel: Channel, wrap: Wrap, sign: float, offset: float, after: bool) -> Channel:
    assert channel.samples is not None
    frames = shot.first_frame + np.arange(len(channel.samples))
    moved = frames >= wrap.b if after else frames <= wrap.a
    samples = np.where(moved[:, None], sign * channel.samples + offset, channel.samples)
    return replace(channel, samples=frozen(samples))


def _keyed(
    stage: Stage, name: str, channel: Channel, wrap: Wrap, write: tuple[float, float], after: bool
) -> Channel:
    keys = channel.keys
    assert keys is not None
    moved = (keys.frames >= wrap.b if after else keys.frames <= wrap.a)[:, None]
    sign, offset = write
    new = keys.changed(
        values=np.where(moved, sign * keys.values + offset, keys.values),
        incoming=np.where(moved, sign * keys.incoming, keys.incoming),
        outgoing=np.where(moved, sign * keys.outgoing, keys.outgoing),
    )
    if sign == 1.0:
        new = _resloped(stage, name, channel.name, keys, new, wrap)
    return replace(channel, keys=new)


def _resloped(stage: Stage, name: str, channel: str, old: Keys, new: Keys, wrap: Wrap) -> Keys:
    """The keys with those slopes set anew that a rule had made for the values with the jump in them."""
    rules, habit = stage.book.rules(old), stage.book.habit(name, channel)
    values, slope = old.values[:, 0], new.outgoing[:, 0].copy()
    straight = straight_values(values, np.abs(np.diff(values)) > TURN / 2)[:, None]
    was, now, ideal = (rules.slopes(each)[..., 0] for each in (old.values, new.values, straight))
    fits = [np.abs(slope - by_rule) <= FOLLOWS * np.abs(by_rule) for by_rule in (was, now, ideal)]
    anew = fits[0].any(axis=0) & ~fits[1].any(axis=0) & ~fits[2].any(axis=0)
    slope = np.where(anew, np.take_along_axis(now, np.argmax(fits[0], axis=0)[None], 0)[0], slope)
    turning = contexts(old.values) == EXTREME
    turning &= (contexts(new.values) == INSIDE) & (slope == 0) & (habit.rule(EXTREME) == ZERO)
    turning &= (old.frames >= wrap.a) & (old.frames <= wrap.b)
    inside = rules.slopes(new.values)[habit.rule(INSIDE), :, 0]
    slope, anew = np.where(turning, inside, slope), anew | turning
    anew &= rules.ruled & ~pinned_keys(stage.locks.pins, name, channel, old)
    slopes = np.where(anew, slope, new.outgoing[:, 0])[:, None]
    return new.changed(outgoing=slopes, incoming=np.where(anew[:, None], slopes, new.incoming))

"""The mend of a leftover step: a curve where the motion was held, its slopes by the shot's habit.

Both keys keep their values and become smooth. Each keeps the slope that is seen on its other side, where the habit
explains it with a curve on both; else it takes the slope of the rule that the habit follows most, if that moves what
is seen beside the step by less than a key may be off. A step that may be meant stays: a switch, something attached,
a mark, another channel that steps on the same frame, or motion that rests before or after it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from refine.curve import evaluate
from refine.errors import NoSolution
from refine.flags.flag import Flag
from refine.flags.on_frames import channel_of, moved, ruled
from refine.flags.stage import Stage
from refine.pinned import pinned_keys
from refine.shot import ROTATIONS, TRANSLATIONS, Channel, Keys, Segment, Shot
from refine.slope_rules import contexts, deviations, units

LEFTOVER = "leftover step"
TELLS = ("cut", "hold", "contact", "accent")  # marks that say that a step may be meant
MOVES = 0.1  # [judge] of the usual spacing, from which a segment beside the step moves
SAME = 0.5  # frames within which two steps are on the same frame


def curved(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shot with a curve in place of the held segment. NoSolution where the step may be meant."""
    channel = channel_of(stage, flag)
    keys = channel.keys
    assert keys is not None
    k = keys.index(flag.cause.frames[0])
    if k is None or k + 1 >= len(keys) or keys.segment[k] != Segment.HOLD:
        return
    why = _meant(stage, flag, channel, keys, k)
    if why:
        raise NoSolution(f"the step may be meant: {why}")
    if pinned_keys(stage.locks.pins, flag.control, channel.name, keys)[k : k + 2].any():
        return
    after = _smooth(keys, k)
    for end in (k, k + 1):
        after = _by_habit(stage, flag, channel, after, end)
    yield stage.shot.with_channel(flag.control, replace(channel, keys=after))


def _smooth(keys: Keys, k: int) -> Keys:
    """The keys with a curve from the k-th to the next, each of which has the slope of its other side."""
    segment, corner = keys.segment.copy(), keys.corner.copy()
    incoming, outgoing = keys.incoming.copy(), keys.outgoing.copy()
    segment[k] = Segment.CURVE
    corner[k : k + 2] = False
    outgoing[k], incoming[k + 1] = incoming[k], outgoing[k + 1]
    return keys.changed(segment=segment, corner=corner, incoming=incoming, outgoing=outgoing)  # type: ignore[arg-type]


def _by_habit(stage: Stage, flag: Flag, channel: Channel, keys: Keys, k: int) -> Keys:
    """The keys, one with the slope of the likeliest rule where the habit doesn't explain the one that it has."""
    habit, rule = stage.book.habit(flag.control, channel.name), stage.book.rules(keys)
    context = contexts(keys.values)
    cost = habit.costs(deviations(rule, keys.values, keys.outgoing, units(keys)[1]), context)
    if cost[k] <= habit.unexplained:
        return keys
    new = ruled(stage, flag, keys, k)
    before, after = (replace(channel, keys=_still_held(channel, each)) for each in (keys, new))
    return new if moved(stage, flag.control, before, after)[0] <= 1 else keys


def _still_held(channel: Channel, keys: Keys) -> Keys:
    """The keys with their segments as they were: what is seen beside the step."""
    assert channel.keys is not None
    return replace(keys, segment=channel.keys.segment)


# --- whether it is meant -----------------------------------------------------------------------------------


def _meant(stage: Stage, flag: Flag, channel: Channel, keys: Keys, k: int) -> str:
    """What says that a step is meant; empty where nothing does."""
    control = stage.control(flag.control)
    if channel.name not in (*TRANSLATIONS, *ROTATIONS):
        return f"{channel.name} may be a switch"
    if any(link.kind != "aim" for link in control.links):
        return f"{control.name} is attached"
    a, b = keys.frames[k : k + 2].tolist()
    held = (stage.frames >= np.floor(a)) & (stage.frames <= np.ceil(b))
    for kind in TELLS:
        if stage.marked(control.name, kind)[held].any():
            return f"a {kind} is marked there"
    others = [other for other in _steps_at(stage.shot, b) if other != f"{control.name}.{channel.name}"]
    if others:
        return f"{others[0]} steps on the same frame"
    usual = float(np.median(np.abs(np.diff(keys.values[:, 0])) / np.diff(keys.frames)))
    if not all(_moves(keys, side, MOVES * usual) for side in (k - 1, k + 1)):
        return "nothing moves before it, or after it"
    return ""


def _steps_at(shot: Shot, frame: float) -> Iterator[str]:
    """The channels of which a held segment ends on a frame with a step."""
    for control in shot.controls:
        for channel in control.channels:
            keys = channel.keys
            if keys is None or len(keys) < 2:
                continue
            ends = (keys.segment[:-1] == Segment.HOLD) & (np.abs(keys.frames[1:] - frame) < SAME)
            if np.any(keys.values[1:][ends] != keys.values[:-1][ends]):
                yield f"{control.name}.{channel.name}"


def _moves(keys: Keys, k: int, least: float) -> bool:
    """Whether the segment after a key is there, isn't held, and covers so much a frame."""
    if k < 0 or k + 1 >= len(keys) or keys.segment[k] == Segment.HOLD:
        return False
    a, b = keys.frames[k : k + 2].tolist()
    return bool(np.ptp(evaluate(keys, np.linspace(a, b, 9))) >= least * (b - a) > 0)


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {LEFTOVER: curved}

"""The mend of what was never animated: a little of the motion of what carries it, some frames later.

A channel gets keys of its own where the carrier's channel of the same name has them, later by the part's lag (the
response of its mass, `refine.body`; a finger's where the part isn't known), from the value that it has:

    x(f + lag) = x(first) + gain (carrier(f) - carrier(first))

Slopes follow the rule that the carrier's follow. Keys are added, so it is done only where a person asks for it by the
flag's id; gain is [judge].
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.body.masses import ROWS, Body
from refine.flags.coverage import STILL
from refine.flags.flag import Flag
from refine.flags.stage import Stage
from refine.key_rows import smooth, with_keys
from refine.pinned import concerning, within
from refine.shot import ROTATIONS, Array, Channel, Keys, Shot
from refine.slope_rules import FOLLOWS, rules

GAINS = (0.15, 0.3, 0.6)  # of the carrier's motion, the least that is enough [judge]
SHOWS = 2.0  # deg that it then turns at least: what moves less is as good as still [judge]


def carried_along(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a control follows what carries it, the least motion first; none that pins or limits forbid."""
    control = stage.control(flag.control)
    turns = [c for c in control.channels if c.name in ROTATIONS and c.keys is not None and len(c.keys) == 1]
    held = [pin for c in turns for pin in concerning(stage.locks.pins, control.name, c.name)]
    if held or len(turns) < sum(c.name in ROTATIONS for c in control.channels):
        return
    leaders = _leaders(stage, control.parent)
    for gain in GAINS:
        shot, most = stage.shot, 0.0
        for channel in turns:
            leader = leaders.get(channel.name)
            grown = (
                None if leader is None else _grown(stage, channel, leader, gain, _lag(stage, control.name))
            )
            if grown is not None and grown.keys is not None and within(channel, grown):
                shot = shot.with_channel(control.name, grown)
                most = max(most, float(np.ptp(grown.keys.values)))
        if most >= SHOWS:
            yield shot


def _leaders(stage: Stage, parent: str | None) -> dict[str, Keys]:
    """Of each rotation the keys of the nearest carrier that turns by it."""
    found: dict[str, Keys] = {}
    while parent is not None:
        control = stage.control(parent)
        for channel in control.channels:
            moves = channel.keys is not None and len(channel.keys) > 1 and np.ptp(channel.keys.values) > 0
            if channel.name in ROTATIONS and moves and channel.keys is not None:
                found.setdefault(channel.name, channel.keys)
        parent = control.parent
    return found


def _lag(stage: Stage, name: str) -> int:
    """Frames by which a part follows slow motion, one at least."""
    response = Body(stage.shot).response(name) or ROWS["finger"].response
    assert response is not None
    return max(round(response.lag * stage.shot.fps), 1)


def _grown(stage: Stage, channel: Channel, leader: Keys, gain: float, lag: int) -> Channel | None:
    """The channel with the leader's keys but the first, later and smaller; None where none falls before the end."""
    assert channel.keys is not None
    own, frames = channel.keys, np.rint(leader.frames) + lag
    inside = (
        (frames > own.frames[0]) & (frames <= stage.shot.last_frame) & np.append(False, np.diff(frames) > 0)
    )
    if not inside.any():
        return None
    values = own.values[0, 0] + gain * (leader.values[inside, 0] - leader.values[0, 0])
    grown = with_keys(own, frames[inside].tolist(), [smooth(value, 0.0) for value in values.tolist()])
    first = int(np.flatnonzero(inside)[0]) - 1
    slopes = _slopes(leader, grown, np.append(first, np.flatnonzero(inside)), gain)
    return replace(channel, keys=grown.changed(incoming=slopes, outgoing=slopes))


def _slopes(leader: Keys, grown: Keys, at: NDArray[np.intp], gain: float) -> Array:
    """(K, 1) slopes of new keys: by the rule that the leader's key (`at`) follows, else the leader's, smaller."""
    before, own = rules(leader).slopes(leader.values)[..., 0], leader.outgoing[:, 0]
    fits = (np.abs(own - before) <= FOLLOWS * np.abs(before))[:, at]
    new = rules(grown).slopes(grown.values)[..., 0]
    by_rule = np.take_along_axis(new, np.argmax(fits, axis=0)[None], 0)[0]
    return np.where(fits.any(axis=0), by_rule, gain * own[at])[:, None]


ASKED = (STILL,)
TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {STILL: carried_along}

"""The mend of a frozen hold: what moved last drifts on by 1 to 3 % of that move, ever slower, until the next one.

Of keyed channels the keys from the start of the hold to its end move, in value and slope; of baked ones the samples,
and the drift dies away in the move that follows. What is planted, and what carries something planted, stays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from refine.flags import still
from refine.flags.flag import Flag
from refine.flags.stage import Stage
from refine.flags.standing import standing
from refine.limbs.planting import minimum_jerk
from refine.pinned import concerning, pinned_keys, within
from refine.rig import descendants
from refine.shot import ROTATIONS, TRANSLATIONS, Array, Channel, Keys, Segment, Shot, frozen

FROZEN = "frozen hold"
SHARES = (0.01, 0.02, 0.03)  # of the last move [judge]
ENDS = (
    0.0,
    0.5,
)  # of its first speed that a drift has at its end: most stand there, or go over into the next move
FEW = (1, 2, 4, 8, 16)  # controls that drift, the one that moved most first
EDGE = 1.0  # frames by which a key may stand beside a hold's end
SAME = 1e-3  # of the last move, within which values are those of a hold
DYING = 1 / 3  # s in which a baked drift dies away after the hold [judge]
BACK = 1.0  # s before a hold in which its last move is looked for [judge]


def living(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a hold drifts on and is frozen no more, those that move least first."""
    frames = float(flag.frames[0]), float(flag.frames[1])
    moves = sorted(_moves(stage, flag.control, frames), key=lambda move: -move.size)
    names = list(dict.fromkeys(move.control for move in moves))
    for count in sorted({min(few, len(names)) for few in (*FEW, len(names)) if names}):
        for share, end in product(SHARES, ENDS):
            after = stage.shot
            for move in moves:
                if move.control in names[:count]:
                    after = _drifting(after, move, share, end, frames)
            if not _frozen(replace(stage, shot=after), flag):
                yield after


def _frozen(stage: Stage, flag: Flag) -> bool:
    found = (f for f in still.find(stage) if f.fault == FROZEN and f.control == flag.control)
    return any(f.frames[0] <= flag.frames[1] and flag.frames[0] <= f.frames[1] for f in found)


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """The last move of a channel before a hold: by how much, and its keys from the hold's start to its end."""

    control: str
    channel: str
    by: float
    keys: tuple[int, int] | None  # None where it is baked

    @property
    def size(self) -> float:
        """deg; a move along an axis comes after every turn, since it carries more."""
        return abs(self.by) if self.channel in ROTATIONS else 0.0


def _moves(stage: Stage, root: str, frames: tuple[float, float]) -> Iterator[Move]:
    """The last moves of a figure's controls that carry nothing planted and that pins leave free in a hold."""
    planted = {
        c.control for c in standing(stage).contacts if c.frames[0] <= frames[1] and frames[0] <= c.frames[-1]
    }
    at = (stage.frames >= frames[0]) & (stage.frames <= frames[1])
    for name in (root, *descendants(stage.shot, root)):
        carried = (name, *descendants(stage.shot, name))
        if planted & set(carried) or any(stage.marked(n, "contact", "hold")[at].any() for n in carried):
            continue
        for channel in stage.control(name).channels:
            if channel.name in (*ROTATIONS, *TRANSLATIONS):
                move = (_keyed if channel.keys is not None else _baked)(stage, name, channel, frames)
                if move is not None:
                    yield move


def _keyed(stage: Stage, name: str, channel: Channel, frames: tuple[float, float]) -> Move | None:
    keys = channel.keys
    assert keys is not None
    first = int(np.searchsorted(keys.frames, frames[0] + EDGE + SAME)) - 1
    last = int(np.searchsorted(keys.frames, frames[1] - EDGE - SAME))
    if first < 1 or not first < last < len(keys) or np.any(keys.segment[first:last] != Segment.CURVE):
        return None
    values = keys.values[:, 0]
    recent = keys.frames[: first + 1] >= frames[0] - BACK * stage.shot.fps
    by = _last_move(values[: first + 1][recent])
    if by == 0 or np.ptp(values[first : last + 1]) > SAME * abs(by):
        return None
    held = pinned_keys(stage.locks.pins, name, channel.name, keys)[first : last + 1]
    return None if held.any() else Move(name, channel.name, by, (first, last))


def _last_move(values: Array) -> float:
    """How large the last values' move is, its sign that of their last step: a settling after it counts with it."""
    steps = np.diff(values)
    return float(np.sign(steps[-1]) * np.ptp(values)) if len(steps) else 0.0


def _baked(stage: Stage, name: str, channel: Channel, frames: tuple[float, float]) -> Move | None:
    assert channel.samples is not None
    span, back = _touched(stage.shot, frames), round(BACK * stage.shot.fps)
    before = channel.samples[max(span[0] - back, 0) : span[0] + 1, 0]
    held = [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
    there = np.arange(*span) + stage.shot.first_frame
    pinned = any(np.any((there > a - 1) & (there < b + 1)) for a, b in held)
    by = _last_move(before[np.append(np.diff(before) != 0, True)])
    return None if pinned or by == 0 else Move(name, channel.name, by, None)


def _touched(shot: Shot, frames: tuple[float, float]) -> tuple[int, int]:
    """First and one past the last position of the samples that a drift moves."""
    dying = round(DYING * shot.fps)
    return int(frames[0]) - shot.first_frame, min(
        int(frames[1]) + dying, shot.last_frame
    ) + 1 - shot.first_frame


def _drifting(shot: Shot, move: Move, share: float, end: float, frames: tuple[float, float]) -> Shot:
    channel = shot.channel(move.control, move.channel)
    if channel.keys is not None and move.keys is not None:
        new = replace(channel, keys=_drifting_keys(channel.keys, move.keys, share * move.by, end))
    else:
        assert channel.samples is not None
        samples = channel.samples.copy()
        first, past = _touched(shot, frames)
        time = np.arange(first, past, dtype=np.float64) + shot.first_frame - frames[0]
        length = frames[1] - frames[0]
        rest = 1.0 - minimum_jerk((time - length) / (DYING * shot.fps))
        samples[first:past, 0] += share * move.by * _eased(time / length, end)[0] * rest
        new = replace(channel, samples=frozen(samples))
    return shot.with_channel(move.control, new) if within(channel, new) else shot


def _eased(u: Array, end: float) -> tuple[Array, Array]:
    """0 to 1 and its slope, slowing down evenly to `end` times the first speed: ((2 u - (1 - end) u^2) / (1 + end)."""
    u, away = np.clip(u, 0.0, 1.0), 1.0 - end
    return (2.0 * u - away * u**2) / (1.0 + end), 2.0 * (1.0 - away * u) / (1.0 + end)


def _drifting_keys(keys: Keys, at: tuple[int, int], by: float, end: float) -> Keys:
    inside = np.arange(at[0], at[1] + 1)
    start, length = keys.frames[at[0]], keys.frames[at[1]] - keys.frames[at[0]]
    place, rate = _eased((keys.frames[inside] - start) / length, end)
    slope = by * rate / length
    values, into, out = keys.values.copy(), keys.incoming.copy(), keys.outgoing.copy()
    values[inside, 0] += by * place
    corner: NDArray[np.bool_] = keys.corner[inside]
    into[inside, 0] += np.where(corner & (inside == at[0]), 0.0, slope)
    out[inside, 0] += np.where(corner & (inside == at[1]), 0.0, slope)
    return keys.changed(values=values, incoming=into, outgoing=out)


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {FROZEN: living}

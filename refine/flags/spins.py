"""Whether a jump of an angle was meant: what the slopes at its ends, the motion beside it and its ends say."""

from __future__ import annotations

import numpy as np

from refine.flags.unwrap import TURN
from refine.shot import Array, Keys
from refine.slope_rules import EXTREME, INSIDE, contexts, slopes_by_rule

SHORT = 90.0  # deg left of a step from which only slopes can say which way was meant [judge]
STEADY = 0.5  # share of a spin's speed from which the segment beside it is the same spin [judge]
LIKE = 0.25  # how nearly a slope fits a rule, of the rule's slope [judge]
FASTER = 3.0  # times that a wrapped segment may be faster than those beside it [judge]


def sawn_off(values: Array) -> bool:
    """Whether all values of an angle lie within -180 to 180, or 0 to 360 and so on: one wrap speaks for its others."""
    return bool(values.max() <= TURN / 2 * np.floor(values.min() / (TURN / 2)) + TURN)


def turning_points_say_so(keys: Keys, straight: Array, k: int) -> bool:
    """Whether both ends are flat as only turning points are, in a channel that keeps those flat.

    With the jump in it the motion goes straight through both, without it they are where it turns back.
    """
    ends = np.array([k, k + 1])
    undone, as_it_is = (contexts(values[:, None])[ends] for values in (straight, keys.values[:, 0]))
    flat = (keys.outgoing[ends, 0] == 0) & (keys.incoming[ends, 0] == 0)
    return bool(flat.all() and np.all(undone == EXTREME) and np.all(as_it_is == INSIDE))


def steady(steps: Array, i: int) -> bool:
    """Whether the step beside the largest one of a row goes on at its speed."""
    axis = int(np.argmax(np.abs(steps[i])))
    beside = steps[[j for j in (i - 1, i + 1) if 0 <= j < len(steps)], axis]
    return bool(np.any(beside * np.sign(steps[i, axis]) >= STEADY * abs(steps[i, axis])))


def speeds(keys: Keys) -> Array:
    return np.asarray(np.diff(keys.values[:, 0]) / np.diff(keys.frames))


def steady_keys(keys: Keys, k: int) -> bool:
    return steady(speeds(keys)[:, None], k)


def slopes_say_so(keys: Keys, straight: Array, k: int) -> bool:
    """Whether the slopes at both ends were made for the values without the jump, one at least not for those with it.

    A flat slope fits both and says nothing: a spin between two rests has two of them.
    """
    by_rule = np.stack(slopes_by_rule(keys, np.stack([keys.values[:, 0], straight], axis=1)))
    as_it_is, undone = by_rule[..., 0], by_rule[..., 1]
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


def saw_says_so(keys: Keys, rest: float, k: int) -> bool:
    """Whether a joint's angle crosses 180 deg as a converter saws it off, whichever way the motion beside it goes.

    All of the channel lies within -180 to 180 or whole turns from there, a little is left of the jump, which is no
    faster than what is beside it, while the jump itself is. Of what hangs on nothing this says nothing: a figure may
    well spin from rest to rest, a joint can't.
    """
    values = keys.values[:, 0]
    half_turns = np.floor(values.min() / (TURN / 2))
    every = np.abs(speeds(keys))
    quick = FASTER * max((float(every[j]) for j in (k - 1, k + 1) if 0 <= j < len(every)), default=0.0)
    run = float(keys.frames[k + 1] - keys.frames[k])
    return bool(
        half_turns % 2 == 1
        and sawn_off(values)
        and 0 < abs(rest) <= min(SHORT, quick * run)
        and every[k] > quick
    )


def ends_say_so(keys: Keys, rest: float, k: int) -> bool:
    """Whether the angle leaves one end of a turn and comes in at the other, as sawn-off angles do.

    Then both values lie within -180 to 180, or 0 to 360 and so on, and the motion beside it goes on the same way.
    """
    low, high = sorted(keys.values[k : k + 2, 0].tolist())
    start = TURN / 2 * np.floor(low / (TURN / 2))
    every = speeds(keys)
    beside = [every[j] for j in (k - 1, k + 1) if 0 <= j < len(every)]
    through = bool(beside) and abs(rest) <= SHORT and all(speed * rest > 0 for speed in beside)
    quick = max((abs(speed) for speed in beside), default=0.0)
    return bool(
        high <= start + TURN
        and through
        and abs(rest) <= FASTER * quick * (keys.frames[k + 1] - keys.frames[k])
    )

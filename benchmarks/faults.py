"""One fault of known place and size injected into a keyed shot, and how much of it a cure gives back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from benchmarks.corpus import channel_unit, figure_height, rules_of, screen_move, slopes_by
from refine.curve import evaluate, sample
from refine.shot import Array, Channel, Control, Keys, Shot

Kind = Literal["value", "value_reslope", "slope", "zigzag"]

KINDS: tuple[Kind, ...] = get_args(Kind)
SIZES = (0.1, 0.2, 0.4)

ALIVE_RANGE = 2.0  # deg, or % of the figure's height: a channel moving less around a key isn't faulted
NEARBY = 12  # frames to each side over which the local range is taken
VISIBLE = 2.0  # px: a fault moves some point on screen by this at least
DRAWS = 400  # places tried for a fault that can be seen
HERMITE_BULGE = 4 / 27  # largest value of u (1 - u)^2: what a unit slope lifts a unit segment by


@dataclass(frozen=True)
class Fault:
    """The truth about one injected fault: `keys` are positions, `frames` where they stand, in order."""

    kind: Kind
    control: str
    channel: str
    keys: tuple[int, ...]
    frames: tuple[int, ...]
    size: float  # of the local range
    flagged: tuple[int, int]  # the range of frames that an artist would hand over


def injected(shot: Shot, seed: int, kind: Kind, size: float) -> tuple[Shot, Fault]:
    """The shot with one fault that is seen (2 px or more on screen), and the truth about it.

    R is the local range, that of the channel over 12 frames to each side of the key. All follow the sign
    drawn. value: one key's value moved by size R, all slopes kept. value_reslope: the same, then the slopes
    of the key and its two neighbours set anew by the rules they followed. slope: one key's slope turned so
    that the curve is moved by size R / 2 at most, on the longer of its two segments. zigzag: 3 to 5 keys in a
    row moved by alternating signs, each by size R / 2 times 0.7 to 1.3, slopes kept.
    """
    rng = np.random.default_rng([seed, KINDS.index(kind), round(1000 * size)])
    height = figure_height(shot)
    for control, channel, k in _places(shot, rng):
        count = int(rng.integers(3, 6)) if kind == "zigzag" else 1
        at = np.arange(k, k + count)
        assert channel.keys is not None
        if at[-1] > len(channel.keys) - 3:
            continue
        span = local_range(channel.keys, float(channel.keys.frames[at].mean()))
        if span < ALIVE_RANGE * channel_unit(channel, height):
            continue
        keys = _spoilt(channel.keys, at, kind, size * span, rng)
        faulty = shot.with_channel(control.name, replace(channel, keys=keys))
        a, b = keys.frames[at[0] - 1], keys.frames[at[-1] + 1]
        if screen_move(faulty, shot, np.arange(a, b + 1)) < VISIBLE:
            continue
        places = tuple(int(f) for f in keys.frames[at])
        flagged = _flagged(shot, keys, at, rng)
        return faulty, Fault(kind, control.name, channel.name, tuple(map(int, at)), places, size, flagged)
    raise ValueError(f"{shot.name}: no place for a visible {kind} of {size:g} in {DRAWS} draws")


def _places(shot: Shot, rng: np.random.Generator) -> Iterator[tuple[Control, Channel, int]]:
    """Random keyed channels and keys with two neighbours on each side."""
    keyed = [(c, ch) for c in shot.controls for ch in c.channels if ch.keys is not None and len(ch.keys) > 8]
    for _ in range(DRAWS if keyed else 0):
        control, channel = keyed[rng.integers(len(keyed))]
        assert channel.keys is not None
        yield control, channel, int(rng.integers(2, len(channel.keys) - 2))


def local_range(keys: Keys, frame: float) -> float:
    """Range of the curve's values over 12 frames to each side of a frame, in the channel's unit."""
    around = np.arange(np.floor(frame) - NEARBY, np.ceil(frame) + NEARBY + 1)
    return float(np.ptp(evaluate(keys, around)))


def _spoilt(keys: Keys, at: NDArray[np.intp], kind: Kind, amount: float, rng: np.random.Generator) -> Keys:
    """The keys with the fault; `amount` is size times the local range."""
    sign = 1.0 if rng.random() < 0.5 else -1.0
    if kind == "slope":
        longest = float(np.diff(keys.frames)[at[0] - 1 : at[0] + 1].max())
        slopes = keys.incoming.copy()
        slopes[at] += sign * amount / 2 / (HERMITE_BULGE * longest)
        return keys.changed(incoming=slopes, outgoing=slopes)
    values = keys.values.copy()
    if kind == "zigzag":
        values[at, 0] += sign * (-1.0) ** at * rng.uniform(0.7, 1.3, len(at)) * amount / 2
        return keys.changed(values=values)
    values[at] += sign * amount
    return keys.changed(values=values) if kind == "value" else _resloped(keys, values, at[0])


def _resloped(keys: Keys, values: Array, k: np.intp) -> Keys:
    """New values, with the slopes of key k and its neighbours set by the rules that they followed before."""
    rules = rules_of(keys)
    slopes = keys.incoming.copy()
    for j in range(int(k) - 1, int(k) + 2):
        old = slopes_by(rules[j], keys.frames, keys.values[:, 0])[j]
        new = slopes_by(rules[j], keys.frames, values[:, 0])[j]
        # An artist's own adjustment of the slope is kept as the share it was of the rule's.
        slopes[j] = new * (keys.incoming[j] / old if abs(old) > 1e-9 else 1.0)
    return keys.changed(values=values, incoming=slopes, outgoing=slopes)


def _flagged(shot: Shot, keys: Keys, at: NDArray[np.intp], rng: np.random.Generator) -> tuple[int, int]:
    """Two neighbours to each side of the faulty keys, and up to 6 frames more at each end."""
    slack = rng.integers(0, 7, 2)
    a, b = int(keys.frames[at[0] - 2]) - int(slack[0]), int(keys.frames[at[-1] + 2]) + int(slack[1])
    return max(a, shot.first_frame), min(b, shot.last_frame)


def curve_of(shot: Shot, control: str, channel: str) -> Array:
    """(N,) values of a channel on the shot's frames."""
    found = shot.control(control).channel(channel)
    if found is None:
        raise KeyError(f"{control}.{channel}")
    return sample(found, shot, shot.frames)[:, 0]


def recovery(clean: Shot, faulty: Shot, fixed: Shot, fault: Fault) -> float:
    """1 - |fixed - clean| / |faulty - clean| over the channel's frames: 1 cured, 0 as before, < 0 worse."""
    truth, bad, new = (curve_of(shot, fault.control, fault.channel) for shot in (clean, faulty, fixed))
    return float(1.0 - np.linalg.norm(new - truth) / np.linalg.norm(bad - truth))

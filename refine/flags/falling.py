"""The mend of a false flight: the body falls with g between leaving the ground and landing, both where they are.

How long the flight lasts stays, so its height gives way. With T the time and s = 0 at its start,

    y(s) = straight line from start to end + g s (T - s) / 2,   D2 y = -g

and along the ground the body goes evenly. Only as much of the difference is taken as brings both back within the
slack of their thresholds. It is put on the translations of the control that leads the body: on the keys inside the
flight and the slopes of those that begin and end it, fitted to the frames, or on the samples.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample_matrix
from refine.flags import flight
from refine.flags.flag import Flag
from refine.flags.flight import FAULT, Figure
from refine.flags.retime import followed
from refine.flags.stage import Stage, runs
from refine.flags.translated import in_translations, translations
from refine.limbs.limb import GRAVITY
from refine.pinned import concerning, pinned_keys, within
from refine.shot import Array, Channel, Keys, Shot, frozen

SLACK = 0.5  # of the thresholds, that a mend may leave [judge]
RIDGE = 1e-3  # weight of leaving a key's numbers alone, against a frame's place
STILL = 1e-9  # m: no move
BESIDE = 2  # keys before and after a flight whose slopes still follow: farther a natural spline hands on 0.27^3 of it


def parabolic(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a flight follows gravity, as little of the change as it takes first, then all of it."""
    for figure in flight.figures(stage):
        if figure.hips == flag.control:
            flown = flight.in_the_air(stage, figure)
            for a, b in [] if flown is None else runs(flown[1]):
                if stage.frames[a] <= flag.frames[1] and flag.frames[0] <= stage.frames[b]:
                    assert flown is not None
                    yield from _flights(stage, flag, figure, flown[0][a : b + 1], (a, b))


def _flights(stage: Stage, flag: Flag, figure: Figure, place: Array, at: tuple[int, int]) -> Iterator[Shot]:
    threshold, up = stage.thresholds[FAULT], "xyz".index(stage.shot.up)
    measured = flight.off(place, stage.shot.fps, up, flight.window(stage, figure, at))
    if measured is None:
        return
    fallen, level = abs(measured[0] - 1.0), measured[1]
    seconds = np.arange(len(place)) / stage.shot.fps
    whole = _ideal(seconds, place, up) - place
    for slack in (SLACK, 0.0):
        share = np.full(3, max(1.0 - slack * threshold["speed"] / level, 0.0) if level > 0 else 0.0)
        share[up] = max(1.0 - slack * threshold.warn / fallen, 0.0) if fallen > 0 else 0.0
        after = _moved(stage, figure, whole * share / stage.shot.metres_per_unit, at)
        if after is not None and not _falsely(replace(stage, shot=after), flag):
            yield after


def _ideal(seconds: Array, place: Array, up: int) -> Array:
    """(n, 3) m: evenly from the first place to the last, and up and down as g asks in that time."""
    end = seconds[-1]
    line: Array = place[:1] + (place[-1:] - place[:1]) * (seconds / end)[:, None]
    line[:, up] += 0.5 * GRAVITY * seconds * (end - seconds)
    return line


def _falsely(stage: Stage, flag: Flag) -> bool:
    found = (f for f in flight.find(stage) if f.control == flag.control)
    return any(f.frames[0] <= flag.frames[1] and flag.frames[0] <= f.frames[1] for f in found)


def _moved(stage: Stage, figure: Figure, by: Array, at: tuple[int, int]) -> Shot | None:
    """The shot with what leads the body moved by (n, 3) shot units in the world; None where nothing free does."""
    for name in dict.fromkeys((figure.root, figure.hips)):
        channels = translations(stage, name)
        if channels:
            asked = in_translations(stage, name, by, at[0])
            shot = stage.shot
            for channel, wanted in zip(channels, asked.T, strict=True):
                new = channel if np.abs(wanted).max() < STILL else _led(stage, name, channel, wanted, at)
                if new is None or not within(channel, new):
                    return None
                shot = shot.with_channel(name, new)
            return shot
    return None


def _led(stage: Stage, name: str, channel: Channel, wanted: Array, at: tuple[int, int]) -> Channel | None:
    frames = stage.frames[at[0] : at[1] + 1]
    if channel.samples is not None:
        held = [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
        moved = frames[np.abs(wanted) > STILL]
        if any(np.any((moved > a - 1) & (moved < b + 1)) for a, b in held):
            return None
        samples = channel.samples.copy()
        samples[frames.astype(np.intp) - stage.shot.first_frame, 0] += wanted
        return replace(channel, samples=frozen(samples))
    assert channel.keys is not None
    if np.any(
        pinned_keys(stage.locks.pins, name, channel.name, channel.keys) & _leading(channel.keys, frames)
    ):
        return None
    return replace(channel, keys=_fitted(channel.keys, frames, wanted))


def _leading(keys: Keys, frames: Array) -> NDArray[np.bool_]:
    """(K,) keys of a flight: those inside it, and the ones that begin and end it."""
    first = int(np.searchsorted(keys.frames, frames[0], "right")) - 1
    last = int(np.searchsorted(keys.frames, frames[-1]))
    k = np.arange(len(keys))
    return np.asarray((k >= first) & (k <= last))


def _fitted(keys: Keys, frames: Array, wanted: Array) -> Keys:
    """The keys with values inside the flight changed so as to move by `wanted`, slopes following.

    A slope that followed a rule goes on following it; the others of the flight are fitted with the values.
    """
    dense = sample_matrix(keys, frames).dense()
    leading = np.flatnonzero(_leading(keys, frames)).tolist()
    inside = [k for k in leading if frames[0] < keys.frames[k] < frames[-1]]
    by_rule, follows = followed(keys)
    by_rule[: max(leading[0] - BESIDE, 0)] = by_rule[leading[-1] + BESIDE + 1 :] = 0.0
    bent = [k for k in leading if not follows[k] and not keys.corner[k]]
    slopes = dense[:, 1::3] + dense[:, 2::3]
    columns = [dense[:, 3 * k] + slopes @ by_rule[:, k] for k in inside] + [slopes[:, k] for k in bent]
    if not columns:
        return keys
    matrix = np.stack(columns, axis=1)
    ridge = RIDGE * np.diag(np.maximum(np.linalg.norm(matrix, axis=0), STILL))
    x = np.linalg.lstsq(np.vstack([matrix, ridge]), np.append(wanted, np.zeros(len(columns))), rcond=None)[0]
    values, into, out = keys.values.copy(), keys.incoming.copy(), keys.outgoing.copy()
    values[inside, 0] += x[: len(inside)]
    turned = by_rule[:, inside] @ x[: len(inside)]
    turned[bent] += x[len(inside) :]
    into[:, 0] += turned
    out[:, 0] += turned
    return keys.changed(values=values, incoming=into, outgoing=out)


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {FAULT: parabolic}

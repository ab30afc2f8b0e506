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

from refine.flags import flight
from refine.flags.flag import Flag
from refine.flags.flight import FAULT, Figure
from refine.flags.led import led
from refine.flags.stage import Stage, runs
from refine.flags.translated import in_translations, translations
from refine.limbs.limb import GRAVITY
from refine.shot import Array, Shot

SLACK = 0.5  # of the thresholds, that a mend may leave [judge]


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
                new = led(stage, name, channel, wanted, at[0])
                if new is None:
                    return None
                shot = shot.with_channel(name, new)
            return shot
    return None


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {FAULT: parabolic}

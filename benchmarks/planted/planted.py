"""What a planted fault is: its truth, its size by the catalogue, and the rows that the scoreboard is made of.

A row is one fault of the catalogue in keyed or in baked shots. It has a base (a sound shot for a clip and a seed), a
planter (the shot with one fault, and the truth about it) and a measure (how large the fault is in a shot, in the
catalogue's own unit). "warn" is 1.5 times the catalogue's warning, "error" 1.5 times its error; where less is worse
a 1.5th of it. The numbers stand here, not in the tool's table: a changed threshold doesn't change the test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal, Protocol

import numpy as np

from benchmarks.corpus import screen_points
from refine.curve import evaluate
from refine.measure import most_moved
from refine.pose import Point, pose, world_point
from refine.shot import Array, Channel, Control, Keys, Shot, frozen, make_keys
from refine.view import project, view, visible

Size = Literal["warn", "error"]
Medium = Literal["keyed", "baked"]
SIZES: tuple[Size, ...] = ("warn", "error")
TIMES = 1.5  # of the threshold, that a planted fault has
DRAWS = 400  # places tried
NEAR = 12  # frames from the ends without a fault
CLOSE = 0.02  # share of the wanted size by which a planted one may miss it
DOUBLINGS, STEPS = 8, 40  # of the guess, and of bisection
WELL = 0.5  # of a channel's greatest effect that it has where a fault is planted
FEW = 12  # frames between those looked at for that


@dataclass(frozen=True, slots=True)
class Scale:
    """The catalogue's warning and error in its unit; where the error is below the warning, less is worse."""

    warn: float
    error: float
    unit: str

    @property
    def less(self) -> bool:
        return self.error < self.warn

    def of(self, size: Size) -> float:
        """The size to plant."""
        bound = self.warn if size == "warn" else self.error
        return bound / TIMES if self.less else bound * TIMES

    def sound(self, amount: float) -> bool:
        return amount > self.warn if self.less else amount < self.warn


# By the tool's names. [judge] or [pub] as the catalogue says.
CATALOGUE: dict[str, Scale] = {
    "uneven spacing": Scale(1.5, 4.0, "px"),
    "kinked arc": Scale(1.0, 2.5, "px"),
    "stray slope": Scale(1.0, 4.0, "px"),
    "moved key": Scale(1.0, 8.0, "px"),
    "zigzag": Scale(1.0, 8.0, "px"),
    "spike": Scale(1.5, 6.0, "px"),
    "jitter": Scale(0.4, 1.0, "px"),
    "dead stop": Scale(1.0, 4.0, "px"),
    "too much overshoot": Scale(2.0, 4.0, "times"),
    "sliding contact": Scale(5.0, 20.0, "mm"),
    "through floor": Scale(2.0, 10.0, "mm"),
    "straight limb pop": Scale(4.0, 8.0, "deg/frame2"),
    "angle wrap": Scale(60.0, 180.0, "deg"),  # 60 where the rotation itself hardly moves
    "gaze off target": Scale(2.0, 5.0, "deg"),
    "eyes diverge": Scale(2.0, 4.5, "deg"),
    "never animated": Scale(2.0, 40.0, "deg"),  # the catalogue names no error: ours
    "twinned sides": Scale(0.8, 0.95, "share"),
    "frozen hold": Scale(0.25, 0.05, "px"),
    "missing overlap": Scale(0.5, 0.1, "frames"),
    "loop seam": Scale(0.5, 2.0, "px"),
    "dropout": Scale(3.0, 8.0, "frames"),
    "doubled key": Scale(0.5, 0.1, "frames"),
    "off-frame key": Scale(0.01, 0.2, "frames"),
    "past limit": Scale(2.0, 10.0, "deg"),
    "changed bone length": Scale(0.01, 0.03, "of its length"),
    "leftover step": Scale(5.0, 15.0, "median spacings"),
    "false flight": Scale(0.15, 0.3, "of g"),
    "attachment pop": Scale(1.0, 4.0, "px"),
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What was planted, and what counts as finding it.

    `faults` are the flags that count as found, the row's own first. `controls` and `channels` count as the cause (no
    channel: any), and of keys only `keys` (none: any). It shows on `frames`. `size` is in the catalogue's unit.
    `least` is the severity from which a flag counts: "note" for what the catalogue itself calls no more.
    """

    faults: tuple[str, ...]
    controls: tuple[str, ...]
    channels: tuple[str, ...]
    frames: tuple[int, int]
    size: float
    keys: tuple[float, ...] = ()
    point: Point | None = None  # where it is measured
    way: str = ""
    least: Literal["note", "warn"] = "warn"
    sound: Shot | None = None  # the shot without the fault, where that isn't the one it was planted into

    @property
    def fault(self) -> str:
        return self.faults[0]

    @property
    def control(self) -> str:
        return self.controls[0]


Planted = tuple[Shot, Truth] | None


class Planter(Protocol):
    """Plants one fault into a sound shot; None where the shot has no place for it. The seed decides all."""

    def __call__(self, shot: Shot, seed: int, size: Size) -> Planted: ...


Measure = Callable[[Shot, Shot, Truth], float]  # of a shot, the sound one beside it and the truth


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the scoreboard.

    `banded`: what is asked of a mend is that its measure is sound again, since no one shot is the right answer.
    """

    fault: str
    medium: Medium
    base: Callable[[str, int], Shot]
    plant: Planter
    measure: Measure
    banded: bool = False
    uses_clip: bool = True

    @property
    def name(self) -> str:
        return f"{self.fault}, {self.medium}"

    @property
    def scale(self) -> Scale:
        return CATALOGUE[self.fault]


# --- what planters share -----------------------------------------------------------------------------------


def rng_of(seed: int, fault: str, size: Size) -> np.random.Generator:
    """A stream of its own for each fault and size."""
    return np.random.default_rng([seed, *fault.encode(), SIZES.index(size)])


def _alone(shot: Shot, name: str) -> Shot:
    """The shot with only a control and what carries it: posing the rest takes most of the time."""
    parents = {control.name: control.parent for control in shot.controls}
    keep: set[str] = set()
    for each in (name, *(camera.control.parent for camera in shot.cameras)):
        while each is not None:
            keep.add(each)
            each = parents[each]
    return replace(shot, controls=tuple(control for control in shot.controls if control.name in keep))


def path(shot: Shot, point: Point, frames: Array) -> Array:
    """(N, 2) px of a point through the shot's first camera."""
    shot = _alone(shot, point.control)
    posed = pose(shot, frames)
    return project(view(shot, posed), world_point(posed, shot, point))


def seen(shot: Shot, point: Point, frames: Array) -> bool:
    """Whether a point is in the image on all of some frames."""
    shot = _alone(shot, point.control)
    posed = pose(shot, frames)
    return bool(visible(view(shot, posed), world_point(posed, shot, point)).all())


def apart(one: Shot, other: Shot) -> float:
    """px between all points of two shots, root mean square over points and frames."""
    frames = one.frames
    away = screen_points(one, frames) - screen_points(other, frames)
    return float(np.sqrt(np.mean(np.sum(away**2, axis=-1))))


def shown_at(shot: Shot, control: str, channel: str, frame: float) -> tuple[Point | None, float]:
    """The point that a channel moves most on a frame, and px a unit."""
    posed = pose(shot, np.array([frame]))
    return most_moved(shot, posed, view(shot, posed), control, channel)


def shows_well(shot: Shot, control: str, channel: str, pixels: float) -> bool:
    """Whether a channel moves what it moves by at least half of what it does anywhere in the shot."""
    posed = pose(shot, shot.frames[::FEW])
    return pixels >= WELL * most_moved(shot, posed, view(shot, posed), control, channel)[1]


def with_samples(shot: Shot, control: str, channel: Channel, first: int, by: Array) -> Shot:
    """The shot with `by` added to the samples of a baked channel from a frame on."""
    assert channel.samples is not None
    samples, n = channel.samples.copy(), first - shot.first_frame
    samples[n : n + len(by), 0] += by
    return shot.with_channel(control, replace(channel, samples=frozen(samples)))


def with_shape(shot: Shot, control: str, channel: Channel, first: int, shape: Array, amount: float) -> Shot:
    """The shot with so much of a shape added to a baked channel from a frame on."""
    return with_samples(shot, control, channel, first, amount * shape)


def with_value(shot: Shot, control: str, channel: Channel, k: int, by: float) -> Shot:
    """The shot with one key's value moved, its slopes kept."""
    assert channel.keys is not None
    values = channel.keys.values.copy()
    values[k] += by
    return shot.with_channel(control, replace(channel, keys=channel.keys.changed(values=values)))


def inserted(keys: Keys, frames: Array) -> Keys:
    """Keys (of one number) with further ones on the curve, which stays as it was where reaches are thirds."""
    every = np.union1d(keys.frames, frames)
    tiny = 1e-5
    values = evaluate(keys, every)[:, 0]
    into = (values - evaluate(keys, every - tiny)[:, 0]) / tiny
    out = (evaluate(keys, every + tiny)[:, 0] - values) / tiny
    for k, frame in enumerate(every):
        own = keys.index(float(frame))
        if own is not None:
            into[k], out[k] = keys.incoming[own, 0], keys.outgoing[own, 0]
        else:
            into[k] = out[k] = (into[k] + out[k]) / 2
    return make_keys(every, values, into, out)


def drawn(shot: Shot, rng: np.random.Generator, keyed: bool) -> Iterator[tuple[Control, Channel, int]]:
    """Random channels that move: with a key that has two neighbours on each side, or with a frame off the ends."""
    alive = [
        (c, ch)
        for c in shot.controls
        for ch in c.channels
        if (ch.keys is not None and len(ch.keys) > 8 if keyed else _samples_move(ch))
    ]
    for _ in range(DRAWS if alive else 0):
        control, channel = alive[int(rng.integers(len(alive)))]
        if keyed:
            assert channel.keys is not None
            yield control, channel, int(rng.integers(2, len(channel.keys) - 2))
        else:
            yield control, channel, int(rng.integers(shot.first_frame + NEAR, shot.last_frame - NEAR))


def _samples_move(channel: Channel) -> bool:
    return channel.samples is not None and float(np.ptp(channel.samples)) > 0


def sized(
    make: Callable[[float], Shot],
    measure: Callable[[Shot], float],
    wanted: float,
    guess: float,
    sign: float = 1.0,
) -> Shot | None:
    """The shot whose measure is as wanted, by the amount it is made with, found by bisection; None where none is.

    `guess` is about the amount, above 0; `sign` is put before it.
    """
    low, high = 0.0, guess
    rising = measure(make(0.0)) < wanted
    for _ in range(DOUBLINGS):
        if (measure(make(sign * high)) >= wanted) == rising:
            break
        low, high = high, 2 * high
    else:
        return None
    for _ in range(STEPS):
        middle = (low + high) / 2
        found = make(sign * middle)
        amount = measure(found)
        if abs(amount - wanted) <= CLOSE * wanted:
            return found
        low, high = (middle, high) if (amount < wanted) == rising else (low, middle)
    return None


def sized_to(
    make: Callable[[float], Shot],
    measure: Callable[..., float],
    clean: Shot,
    truth: Truth,
    pixels: float,
    sign: float = 1.0,
) -> Planted:
    """What is planted by an amount that is seen as the truth says; `pixels` are about those of an amount of 1."""
    measured = partial(measure, clean=clean, truth=truth)
    found = sized(make, measured, truth.size, truth.size / pixels, sign)
    return None if found is None else (found, truth)

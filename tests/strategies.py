"""Hypothesis strategies for valid shots: all that a shot may hold, small enough to be read by eye."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import strategies as st

from refine.shot import (
    QUATERNION,
    ROTATIONS,
    SCALES,
    TRANSLATIONS,
    Array,
    Camera,
    Channel,
    Control,
    Gaze,
    Keys,
    Limits,
    Link,
    Mark,
    Pin,
    Segment,
    Shot,
    frozen,
    make_keys,
)

LETTERS = "abZ09.:_- ,;#\"'\\/é影ß"


def names() -> st.SearchStrategy[str]:
    """Names with dots, colons, spaces, quotes and letters outside ASCII."""
    return st.text(LETTERS, min_size=1, max_size=8).filter(lambda name: bool(name.strip()))


def numbers(bound: float = 1e6) -> st.SearchStrategy[float]:
    return st.floats(-bound, bound) | st.integers(-90, 90).map(float)


def vectors() -> st.SearchStrategy[Any]:
    return st.tuples(numbers(), numbers(), numbers())


def frames() -> st.SearchStrategy[float]:
    """Whole frames and quarters of them."""
    return st.integers(-400, 1600).map(lambda quarter: quarter / 4)


def ranges() -> st.SearchStrategy[Any]:
    return st.tuples(frames(), frames()).map(lambda pair: tuple(sorted(pair)))


@st.composite
def quaternions(draw: st.DrawFn) -> tuple[float, float, float, float]:
    four = st.lists(st.floats(-1, 1), min_size=4, max_size=4)
    raw = np.array(draw(four.filter(lambda q: bool(np.linalg.norm(q) > 0.1))))
    x, y, z, w = (raw / np.linalg.norm(raw)).tolist()
    return x, y, z, w


def values(name: str) -> st.SearchStrategy[Any]:
    return quaternions() if name == QUATERNION else st.tuples(numbers())


@st.composite
def keys(draw: st.DrawFn, name: str = "rotation.x", most: int = 5) -> Keys:
    """Keys with corners, reaches and all kinds of segments; a key that is no corner has equal slopes."""
    at = sorted(draw(st.sets(frames(), min_size=1, max_size=most)))
    count, width = len(at), 4 if name == QUATERNION else 1
    slope = st.lists(numbers(), min_size=width, max_size=width)
    corner = draw(st.lists(st.booleans(), min_size=count, max_size=count))
    incoming = [draw(slope) for _ in at]
    outgoing = [draw(slope) if is_corner else same for is_corner, same in zip(corner, incoming, strict=True)]
    reach = st.lists(st.just(np.nan) | st.floats(0, 100), min_size=count, max_size=count)
    return make_keys(
        at,
        [draw(values(name)) for _ in at],
        incoming,
        outgoing,
        draw(reach),
        draw(reach),
        corner,
        draw(st.lists(st.sampled_from(list(Segment)), min_size=count, max_size=count)),
    )


@st.composite
def samples(draw: st.DrawFn, name: str, count: int) -> Array:
    baked: Array = frozen([draw(values(name)) for _ in range(count)])
    return baked


@st.composite
def bounds(draw: st.DrawFn) -> Limits:
    lower, upper = sorted(draw(st.tuples(numbers(), numbers())))
    part = draw(st.integers(0, 7))
    return Limits(
        lower if part & 1 else -np.inf,
        upper if part & 2 else np.inf,
        draw(st.floats(0, 1e6)) if part & 4 else np.inf,
    )


@st.composite
def channels(draw: st.DrawFn, count: int, baked: bool, least: int = 0) -> tuple[Channel, ...]:
    """Channels of one control: Euler angles or a quaternion, never both; custom ones beside them."""
    turning = draw(st.sampled_from([ROTATIONS, (QUATERNION,)]))
    known = st.sampled_from([*TRANSLATIONS, *turning, *SCALES, "vertical_angle", "lid open", "ns:curl.2"])
    made: list[Channel] = []
    for name in draw(st.lists(known, min_size=least, max_size=3, unique=True)):
        limits = draw(st.none() | bounds())
        if baked and draw(st.booleans()):
            made.append(Channel(name, samples=draw(samples(name, count)), limits=limits))
        else:
            made.append(Channel(name, keys=draw(keys(name)), limits=limits))
    return tuple(made)


@st.composite
def controls(draw: st.DrawFn, name: str, parents: list[str], count: int, baked: bool, least: int) -> Control:
    plain = Control(name)
    others = [other for other in parents if other != name]
    link = st.builds(
        Link, st.sampled_from(["aim", "attachment", "constraint"]), st.sampled_from(others or [""])
    )
    return Control(
        name,
        parent=draw(st.none() | st.sampled_from(others)) if others else None,
        part=draw(st.none() | st.just("hand")),
        rest_translation=draw(st.just(plain.rest_translation) | vectors()),
        rest_rotation=draw(st.just(plain.rest_rotation) | quaternions()),
        pivot=draw(st.just(plain.pivot) | vectors()),
        order=draw(st.sampled_from(["xyz", "zxy", "yzx"])),
        tip=draw(st.none() | vectors()),
        mass=draw(st.none() | st.floats(0, 1)),
        links=tuple(draw(st.lists(link, max_size=2))) if others else (),
        channels=draw(channels(count, baked, least)),
    )


@st.composite
def cameras(draw: st.DrawFn, name: str, parents: list[str], count: int) -> Camera:
    control = draw(controls(name, parents, count, True, 0))
    width, height = draw(st.integers(1, 8000)), draw(st.integers(1, 8000))
    aspect = draw(st.just(width / height) | st.floats(0.1, 10))
    return Camera(control, draw(st.floats(1, 170)), width, height, aspect)


@st.composite
def pins(draw: st.DrawFn, rig: list[Control]) -> Pin:
    control = draw(st.sampled_from(rig))
    names = [channel.name for channel in control.channels]
    channel = draw(st.none() | st.sampled_from(names)) if names else None
    return Pin(control.name, channel, draw(ranges() | frames().map(lambda frame: (frame, frame))))


@st.composite
def gazes(draw: st.DrawFn, known: list[str]) -> Gaze:
    looking = draw(st.sampled_from(known))
    others = [name for name in known if name != looking]
    at_another = bool(others) and draw(st.booleans())
    if at_another:
        return Gaze(looking, draw(ranges()), target=draw(st.sampled_from(others)))
    return Gaze(looking, draw(ranges()), point=draw(vectors()))


@st.composite
def shots(draw: st.DrawFn, baked: bool = True, least_channels: int = 0) -> Shot:
    """Any valid shot. Parents come before or after their children in the list.

    A key table carries only shots without baked channels in which each control has a channel:
    `shots(baked=False, least_channels=1)`.
    """
    first = draw(st.integers(-100, 1000))
    count = draw(st.integers(1, 6))
    known = draw(st.lists(names(), min_size=1, max_size=5, unique=True))
    split = draw(st.integers(1, len(known)))
    rig_names = known[:split]
    rig = [
        draw(controls(name, rig_names[:i], count, baked, least_channels)) for i, name in enumerate(rig_names)
    ]
    rig = draw(st.permutations(rig))
    mark = st.builds(
        Mark,
        st.sampled_from(["contact", "accent", "cut", "hold", "meant"]),
        ranges(),
        st.lists(st.sampled_from(rig_names), max_size=2, unique=True).map(tuple),
        st.sampled_from(["", "heel, then toe"]),
    )
    return Shot(
        name=draw(names()),
        fps=draw(st.sampled_from([24.0, 29.97, 120.0]) | st.floats(0.5, 1000)),
        first_frame=first,
        last_frame=first + count - 1,
        controls=tuple(rig),
        cameras=tuple(draw(cameras(name, rig_names, count)) for name in known[split:]),
        marks=tuple(draw(st.lists(mark, max_size=2))),
        pins=tuple(draw(st.lists(pins(rig), max_size=3))),
        gazes=tuple(draw(st.lists(gazes(rig_names), max_size=2))),
        up=draw(st.sampled_from(["y", "z"])),
        metres_per_unit=draw(st.sampled_from([1.0, 0.01, 0.0254])),
        loop=draw(st.booleans()),
    )

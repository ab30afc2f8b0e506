"""The shot: the document that everything else reads, as frozen dataclasses.

Values stand here as the animator wrote them: angles in degrees, lengths in the shot's own unit, slopes per
frame. `pose` turns degrees into radians; nothing here computes. Arrays are read-only, so a shot can be shared
freely and a changed shot is a new one (`dataclasses.replace`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

AXES = ("x", "y", "z")
TRANSLATIONS = tuple(f"translation.{axis}" for axis in AXES)
ROTATIONS = tuple(f"rotation.{axis}" for axis in AXES)
SCALES = tuple(f"scale.{axis}" for axis in AXES)
QUATERNION = "rotation"


class Segment(IntEnum):
    """How the curve runs from a key to the next one."""

    HOLD = 0
    LINE = 1
    CURVE = 2


def frozen(values: object, dtype: type[np.generic] = np.float64) -> Any:
    """A read-only array of its own (of `dtype`), so that no caller can change a shot behind its back."""
    array = np.array(values, dtype=dtype)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Keys:
    """The K keys of a channel with D components (1, or 4 for a quaternion), frames strictly increasing.

    Slopes are per frame. A reach is in frames, from the key towards its neighbour; NaN means the default, one
    third of the segment. `corner[k]` says that the two slopes of key k differ on purpose: a key that isn't a
    corner has one slope. `segment[k]` is the kind of segment that follows key k.
    """

    frames: Array  # (K,)
    values: Array  # (K, D)
    incoming: Array  # (K, D)
    outgoing: Array  # (K, D)
    incoming_reach: Array  # (K,)
    outgoing_reach: Array  # (K,)
    corner: NDArray[np.bool_]  # (K,)
    segment: NDArray[np.int8]  # (K,)

    def __len__(self) -> int:
        return len(self.frames)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Keys):
            return NotImplemented
        return all(
            np.array_equal(getattr(self, name), getattr(other, name), equal_nan=name.endswith("reach"))
            for name in self.__slots__
        )

    __hash__ = None  # type: ignore[assignment]

    def index(self, frame: float) -> int | None:
        """The key that stands on `frame` (within 1e-6 frames), or None."""
        k = int(np.searchsorted(self.frames, frame - 1e-6))
        return k if k < len(self) and abs(self.frames[k] - frame) <= 1e-6 else None

    def changed(self, **fields: Array) -> Keys:
        """These keys with some arrays replaced, each frozen again."""
        return replace(
            self, **{name: frozen(array, getattr(self, name).dtype.type) for name, array in fields.items()}
        )


def make_keys(
    frames: object,
    values: object,
    incoming: object,
    outgoing: object | None = None,
    incoming_reach: object | None = None,
    outgoing_reach: object | None = None,
    corner: object | None = None,
    segment: object | None = None,
) -> Keys:
    """Keys from anything array-like; (K,) values and slopes become (K, 1); what is left out is the default."""
    f = np.asarray(frames, float)
    v = np.asarray(values, float).reshape(len(f), -1)
    into = np.asarray(incoming, float).reshape(v.shape)
    out = into if outgoing is None else np.asarray(outgoing, float).reshape(v.shape)
    unset = np.full(len(f), np.nan)
    return Keys(
        frames=frozen(f),
        values=frozen(v),
        incoming=frozen(into),
        outgoing=frozen(out),
        incoming_reach=frozen(unset if incoming_reach is None else incoming_reach),
        outgoing_reach=frozen(unset if outgoing_reach is None else outgoing_reach),
        corner=frozen(np.any(into != out, axis=1) if corner is None else corner, np.bool_),
        segment=frozen(np.full(len(f), Segment.CURVE) if segment is None else segment, np.int8),
    )


@dataclass(frozen=True, slots=True)
class Limits:
    """What a channel may do, in its own unit: lowest and highest value, greatest change per frame."""

    lower: float = -np.inf
    upper: float = np.inf
    rate: float = np.inf


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One animated number of a control (or a quaternion of four): keyed, or baked with a sample a frame."""

    name: str
    keys: Keys | None = None
    samples: Array | None = None  # (N, D), the first at the shot's first frame
    limits: Limits | None = None

    @property
    def unit(self) -> Literal["deg", "unit", ""]:
        """Degrees for Euler rotations, the shot's length unit for translations, nothing for the rest."""
        if self.name in ROTATIONS:
            return "deg"
        return "unit" if self.name in TRANSLATIONS else ""

    @property
    def baked(self) -> bool:
        return self.samples is not None

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Channel):
            return NotImplemented
        same = self.name == other.name and self.keys == other.keys and self.limits == other.limits
        if self.samples is None or other.samples is None:
            return same and self.samples is other.samples
        return same and np.array_equal(self.samples, other.samples)

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class Link:
    """A dependency that isn't parenthood: this control reads another one, so it is solved after it."""

    kind: Literal["aim", "attachment", "constraint"]
    to: str


@dataclass(frozen=True, slots=True)
class Control:
    """Something on the rig that an animator moves.

    world = parent * rest * translation * rotation * scale, the last two about `pivot`. `order` is the Euler
    order: its factors are multiplied left to right ("zxy" is Rz Rx Ry), column vectors. `tip` is the end of a
    control without children, in its own space. `mass` is the share of the body that it carries (0 to 1).
    """

    name: str
    parent: str | None = None
    part: str | None = None
    rest_translation: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rest_rotation: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 1.0)  # quaternion XYZW
    pivot: tuple[float, float, float] = (0.0, 0.0, 0.0)
    order: str = "xyz"
    tip: tuple[float, float, float] | None = None
    mass: float | None = None
    links: tuple[Link, ...] = ()
    channels: tuple[Channel, ...] = ()

    def channel(self, name: str) -> Channel | None:
        return next((channel for channel in self.channels if channel.name == name), None)


@dataclass(frozen=True, slots=True)
class Camera:
    """A control with a lens. It looks along its own -Z, +Y up; pixel (0, 0) is the top left corner.

    `vertical_angle` is the full vertical angle of view in degrees; a custom channel of that name on `control`
    animates it. `aspect` is the width of the view over its height.
    """

    control: Control
    vertical_angle: float
    width: int  # px, delivery size
    height: int
    aspect: float

    @property
    def name(self) -> str:
        return self.control.name


@dataclass(frozen=True, slots=True)
class Mark:
    """A range with a meaning. No controls: all of them. "meant": leave the fault in `note`, or all, as they are."""

    kind: Literal["contact", "accent", "cut", "hold", "meant"]
    frames: tuple[float, float]
    controls: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Pin:
    """What the artist locked.

    With a channel and one frame: that key (frame, value, slopes, reaches), or the value where no key stands.
    Without a channel, one frame: the pose, the values of all the control's channels there. Two frames: every
    sample between them.
    """

    control: str
    channel: str | None
    frames: tuple[float, float]

    @property
    def is_range(self) -> bool:
        return self.frames[0] != self.frames[1]

    def __str__(self) -> str:
        a, b = self.frames
        where = f"{a:g}:{b:g}" if self.is_range else f"{a:g}"
        return f"{self.control}{'.' + self.channel if self.channel else ''}@{where}"


@dataclass(frozen=True, slots=True)
class Gaze:
    """A control looks at another control or at a fixed point in the world during a range."""

    control: str
    frames: tuple[float, float]
    target: str | None = None
    point: tuple[float, float, float] | None = None


_LENGTHS = {1.0: "m", 0.1: "dm", 0.01: "cm", 0.001: "mm", 0.0254: "in", 0.3048: "ft"}


@dataclass(frozen=True, slots=True)
class Shot:
    """The whole document. Frames `first_frame` to `last_frame`, both included.

    `loop` says that it runs in circles: the frame after the last one is the first one.
    """

    name: str
    fps: float
    first_frame: int
    last_frame: int
    controls: tuple[Control, ...]
    cameras: tuple[Camera, ...] = ()
    marks: tuple[Mark, ...] = ()
    pins: tuple[Pin, ...] = ()
    gazes: tuple[Gaze, ...] = ()
    up: Literal["y", "z"] = "y"
    metres_per_unit: float = 1.0
    loop: bool = False
    notes: tuple[str, ...] = field(default=(), compare=False)  # what the reader had to say
    unit_stated: bool = field(default=False, compare=False)  # whether the file said how long a unit is

    @property
    def frames(self) -> Array:
        return np.arange(self.first_frame, self.last_frame + 1, dtype=float)

    @property
    def length_unit(self) -> str:
        """The length unit's name for people, "unit" where the file doesn't say how long it is."""
        return _LENGTHS.get(self.metres_per_unit, "unit") if self.unit_stated else "unit"

    def index(self, name: str) -> int:
        """Position of a control by name; KeyError when there is none."""
        for i, control in enumerate(self.controls):
            if control.name == name:
                return i
        raise KeyError(name)

    def control(self, name: str) -> Control:
        """A control by its name; KeyError when there is none."""
        return self.controls[self.index(name)]

    def channel(self, control: str, name: str) -> Channel:
        """A channel of a control; KeyError when there is none."""
        channel = self.control(control).channel(name)
        if channel is None:
            raise KeyError(f"{control}.{name}")
        return channel

    def with_channel(self, control: str, channel: Channel) -> Shot:
        """This shot with one channel of one control replaced."""
        i = self.index(control)
        old = self.controls[i]
        channels = tuple(channel if c.name == channel.name else c for c in old.channels)
        return replace(
            self, controls=(*self.controls[:i], replace(old, channels=channels), *self.controls[i + 1 :])
        )

"""The baked channels of a shot as rows of one array, grouped by what they say together: a turn, a place, a number."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from refine.rotation import EULER_ORDERS, euler_quaternion, signs
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Array, Channel, Control, Shot, frozen

Kind = Literal["angles", "quaternion", "place", "number"]


@dataclass(frozen=True, slots=True)
class Group:
    """Channels of a control that are measured together: what hits one of them hits all.

    `rows` are their rows, in the order of `names`. Angles stand in the sequence in which they are multiplied.
    """

    control: str
    kind: Kind
    order: str  # of the Euler angles
    names: tuple[str, ...]  # of the channels; a quaternion's one name has four rows
    rows: tuple[int, ...]

    @property
    def what(self) -> str:
        """The channels in a word."""
        words = {"angles": "rotation", "quaternion": "rotation", "place": "translation"}
        return words.get(self.kind, self.names[0])

    @property
    def triple(self) -> bool:
        """Whether all three angles are there, so that a turn can be written in two ways."""
        return self.kind == "angles" and len(self.names) == 3 and self.order in EULER_ORDERS


@dataclass(frozen=True, eq=False)
class Tracks:
    """Samples (rows, N) of all baked channels, in the shot's own units, and how the rows belong together."""

    values: Array
    groups: tuple[Group, ...]
    fps: float

    def __len__(self) -> int:
        return int(self.values.shape[1])

    def part(self, first: int) -> Tracks:
        """The samples from a position on."""
        return replace(self, values=self.values[:, first:])

    def of(self, group: Group) -> Array:
        """(k, N) the rows of a group."""
        return self.values[list(group.rows)]


def tracks(shot: Shot) -> Tracks:
    """The baked channels of a shot; keyed ones are no captured motion and stay as they are."""
    rows: list[Array] = []
    groups = []
    for control in shot.controls:
        for kind, channels in _kinds(control):
            first = len(rows)
            for channel in channels:
                assert channel.samples is not None
                rows.extend(channel.samples.T)
            names = tuple(channel.name for channel in channels)
            groups.append(Group(control.name, kind, control.order, names, tuple(range(first, len(rows)))))
    values = np.array(rows) if rows else np.empty((0, len(shot.frames)))
    return Tracks(values, tuple(groups), shot.fps)


def _kinds(control: Control) -> list[tuple[Kind, list[Channel]]]:
    baked = [channel for channel in control.channels if channel.baked]
    by_name = {channel.name: channel for channel in baked}
    angles = [by_name.pop(n) for n in (f"rotation.{axis}" for axis in control.order) if n in by_name]
    places = [by_name.pop(n) for n in TRANSLATIONS if n in by_name]
    turn = [by_name.pop(QUATERNION)] if QUATERNION in by_name else []
    rest: list[tuple[Kind, list[Channel]]] = [("number", [channel]) for channel in by_name.values()]
    parts: list[tuple[Kind, list[Channel]]] = [("place", places), ("angles", angles), ("quaternion", turn)]
    return [(kind, channels) for kind, channels in (*parts, *rest) if channels]


def with_tracks(shot: Shot, changed: Tracks) -> Shot:
    """The shot with the samples of the tracks; channels that didn't change stay the very same objects."""
    samples: dict[tuple[str, str], Array] = {}
    for group in changed.groups:
        width = len(group.rows) // len(group.names)
        for i, name in enumerate(group.names):
            rows = list(group.rows[i * width : (i + 1) * width])
            samples[group.control, name] = changed.values[rows].T
    controls = []
    for control in shot.controls:
        channels = []
        for channel in control.channels:
            new = samples.get((control.name, channel.name))
            if new is not None and not np.array_equal(new, channel.samples):  # type: ignore[arg-type]
                channel = replace(channel, samples=frozen(new))
            channels.append(channel)
        controls.append(replace(control, channels=tuple(channels)))
    return replace(shot, controls=tuple(controls))


def quaternions(group: Group, values: Array) -> Array:
    """(N, 4) unit quaternions of a group of angles (k, N) or of a quaternion (4, N), signs continuous."""
    if group.kind == "quaternion":
        q = values.T / np.linalg.norm(values, axis=0)[:, None]
    else:
        angles = np.zeros((3, values.shape[1]))
        for name, row in zip(group.names, values, strict=True):
            angles[ROTATIONS.index(name)] = np.deg2rad(row)
        q = euler_quaternion(angles.T, group.order)
    return np.asarray(q * signs(q)[:, None])

"""A new BVH file from any shot whose controls only move and turn.

What BVH has no place for stays out (marks, pins, cameras, limits: the side file carries those) or, where
leaving it out would change what is seen, is refused. Numbers have all their digits, so nothing is lost.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from refine.curve import sample
from refine.errors import InputError
from refine.formats.euler import euler_angles
from refine.rotation import euler_matrix, quaternion_matrix
from refine.shot import AXES, QUATERNION, ROTATIONS, SCALES, TRANSLATIONS, Array, Channel, Control, Shot

NO_TURN = (0.0, 0.0, 0.0, 1.0)
MOST_INDENT = 32  # so that a very deep hierarchy doesn't grow with the square of its depth


@dataclass(frozen=True, slots=True)
class _Spoken:
    """A control in BVH's words: OFFSET, the channels' names, and their values (N, channels)."""

    offset: tuple[float, ...]
    names: tuple[str, ...]
    values: Array


def write(shot: Shot) -> bytes:
    """The shot as a BVH file; keyed channels are baked on every frame, the first one becoming frame 0.

    Quaternions, rest rotations and pivots are turned into angles in the control's order and positions.
    InputError for channels other than translation and rotation (a scale that stays 1 is left out), for names
    that the format can't say, and for a shot without channels.
    """
    _check(shot)
    lines = ["HIERARCHY"]
    blocks: list[Array] = []
    for control, depth in _walk(shot):
        indent = "\t" * min(depth, MOST_INDENT)
        if control is None:
            lines.append(indent + "}")
            continue
        spoken = _speak(control, shot)
        blocks.append(spoken.values)
        lines += _joint_lines(control, spoken, indent)
    if not any(block.shape[1] for block in blocks):
        raise InputError(shot.name, "the shot has no channels", "at least one, for BVH", "write a .shot.json")
    lines += ["MOTION", f"Frames: {len(shot.frames)}", f"Frame Time: {_digits(1 / shot.fps)}"]
    lines += [" ".join(map(_digits, row)) for row in np.concatenate(blocks, axis=1).tolist()]
    return ("\n".join(lines) + "\n").encode()


def _joint_lines(control: Control, spoken: _Spoken, indent: str) -> list[str]:
    lines = [
        f"{indent}{'ROOT' if control.parent is None else 'JOINT'} {control.name}",
        indent + "{",
        f"{indent}\tOFFSET {_vector(spoken.offset)}",
    ]
    if spoken.names:
        lines.append(f"{indent}\tCHANNELS {len(spoken.names)} {' '.join(spoken.names)}")
    if control.tip is not None:
        lines += [
            f"{indent}\tEnd Site",
            indent + "\t{",
            f"{indent}\t\tOFFSET {_vector(control.tip)}",
            indent + "\t}",
        ]
    return lines


def _walk(shot: Shot) -> Iterator[tuple[Control | None, int]]:
    """Controls with their depth, each followed by what hangs on it, and None where a control is closed."""
    below: dict[str | None, list[Control]] = {}
    for control in reversed(shot.controls):
        below.setdefault(control.parent, []).append(control)
    todo: list[tuple[Control | None, int]] = [(root, 0) for root in below.get(None, [])]
    while todo:
        current, depth = todo.pop()
        yield current, depth
        if current is not None:
            todo.append((None, depth))
            todo += [(child, depth + 1) for child in below.get(current.name, [])]


def _check(shot: Shot) -> None:
    for control in shot.controls:
        name = control.name
        if not name or name != name.strip() or set(name) & set("{}\r\n"):
            raise InputError(
                repr(name),
                "BVH can't say this name",
                "no line ends, braces or spaces at its ends",
                "rename it",
            )
        for channel in control.channels:
            if channel.name in SCALES and np.all(sample(channel, shot, shot.frames) == 1):
                continue
            if channel.name not in (*TRANSLATIONS, *ROTATIONS, QUATERNION):
                raise InputError(
                    f"{name}.{channel.name}",
                    "BVH has no place for this channel",
                    "translation and rotation",
                    "write a .shot.json, or delete the channel",
                )


def _speak(control: Control, shot: Shot) -> _Spoken:
    moved = {
        axis: channel for axis in AXES if (channel := control.channel(f"translation.{axis}")) is not None
    }
    turned = {
        axis: channel
        for axis in control.order
        if (channel := control.channel(f"rotation.{axis}")) is not None
    }
    if control.channel(QUATERNION) or control.rest_rotation != NO_TURN or any(control.pivot):
        return _converted(control, shot, moved, turned)
    columns = [
        sample(channel, shot, shot.frames)[:, 0] + control.rest_translation[AXES.index(axis)]
        for axis, channel in moved.items()
    ]
    columns += [sample(channel, shot, shot.frames)[:, 0] for channel in turned.values()]
    names = (*(f"{axis.upper()}position" for axis in moved), *(f"{axis.upper()}rotation" for axis in turned))
    return _Spoken(control.rest_translation, names, _table(columns, shot))


def _table(columns: list[Array], shot: Shot) -> Array:
    return np.stack(columns, axis=1) if columns else np.empty((len(shot.frames), 0))


def _converted(
    control: Control, shot: Shot, moved: dict[str, Channel], turned: dict[str, Channel]
) -> _Spoken:
    """World = parent * rest * translation * rotation about the pivot, as one position and three angles.

    Those are rest + Q (t + p - R p) and the angles of Q R, with Q the rest rotation, t the translation, R the
    rotation and p the pivot.
    """
    frames, pivot = shot.frames, np.array(control.pivot)
    rest = quaternion_matrix(np.array(control.rest_rotation))
    quaternion = control.channel(QUATERNION)
    if quaternion is not None:
        rotation = quaternion_matrix(sample(quaternion, shot, frames))
    else:
        rotation = euler_matrix(np.deg2rad(_vectors(turned, shot)), control.order)
    angles = np.rad2deg(euler_angles(rest @ rotation, control.order))
    position = (_vectors(moved, shot) + pivot - rotation @ pivot) @ rest.T + control.rest_translation
    rotations = [angles[:, AXES.index(axis)] for axis in control.order]
    names = tuple(f"{axis.upper()}rotation" for axis in control.order)
    if not moved and not pivot.any():
        return _Spoken(tuple(position[0].tolist()), names, _table(rotations, shot))
    positions = tuple(f"{axis.upper()}position" for axis in AXES)
    return _Spoken(control.rest_translation, positions + names, _table([*position.T, *rotations], shot))


def _vectors(channels: dict[str, Channel], shot: Shot) -> Array:
    """(N, 3) of the channels of three axes, 0 where there is none."""
    values = np.zeros((len(shot.frames), 3))
    for axis, channel in channels.items():
        values[:, AXES.index(axis)] = sample(channel, shot, shot.frames)[:, 0]
    return values


def _vector(values: tuple[float, ...]) -> str:
    return " ".join(map(_digits, values))


def _digits(value: float) -> str:
    """The shortest number that reads back as this one, without an exponent, which some readers don't know."""
    text = repr(float(value))
    return text if "e" not in text else np.format_float_positional(value, trim="0")

"""BVH, the plain-text interchange of captured motion: a hierarchy of joints, then a row of numbers a frame.

Joints become controls and every number a sample of a baked channel; the first row is frame 0. Rotations are
in degrees, and their order is that of the rotation channels in the file: "Zrotation Xrotation Yrotation" is
Rz Rx Ry for column vectors. The file says neither the length unit nor the up axis: metres per unit stay 1 and
up stays y, which the notes say.

A position channel *replaces* its component of OFFSET, in the root and in any other joint: the rest
translation is 0 along the axes that have one. So does bvhio 1.5.4, axis by axis ("given as overwrite"), and
pybvh 0.9.0 leaves a root's OFFSET out of the world positions. Common practice agrees for inner joints, where
exporters write the whole local translation; for a root some readers add the two, which is the same where the
OFFSET is zero, as it nearly always is. Where both are there and not zero, a note says what was done.
"""

from __future__ import annotations

from collections.abc import Sequence

from refine.errors import InputError
from refine.formats.bvh_header import Header, Joint, Vector, parse
from refine.formats.bvh_write import write
from refine.formats.checked import name_of
from refine.formats.number_blocks import line_of, read_block, token_spans
from refine.formats.splice import Place, Span
from refine.shot import AXES, Array, Channel, Control, Shot

__all__ = ["read", "spans", "write"]

ENDING = ".bvh"
ASSUMED = ", 1 unit as 1 metre"  # in the notes: who finds another unit takes it out again


def read(data: bytes, name: str) -> Shot:
    """The shot that a BVH file holds; `name` is the file's, for errors ("walk.bvh: line 812") and the shot.

    Every channel is a read-only column of one (frames, channels) array. InputError, with the line, for what
    can't be read or can be read in two ways; what was settled by a stated rule is in the shot's notes.
    """

    def locate(offset: int) -> str:
        return f"{name}: line {line_of(data, offset)}"

    header = parse(data, name)
    width = sum(len(joint.channels or ()) for joint in header.joints)
    values, remarks = read_block(data, header.start, width, locate)
    values.setflags(write=False)
    notes = [*header.notes, *_replaced_offsets(header, locate(header.joints[0].at)), *remarks]
    if header.claimed is not None and header.claimed != len(values):
        notes.append(
            f"{locate(header.claimed_at)}: Frames says {header.claimed}, but {len(values)} rows follow; "
            "the rows were taken"
        )
    notes.append(f"{name}: BVH states no length unit and no up axis; up is taken as y{ASSUMED}")
    return Shot(
        name=name_of(name, ENDING),
        fps=header.fps,
        first_frame=0,
        last_frame=len(values) - 1,
        controls=_controls(header, values),
        notes=tuple(notes),
    )


def _controls(header: Header, values: Array) -> tuple[Control, ...]:
    controls = []
    column = 0
    for joint in header.joints:
        names = joint.channels or ()
        channels = tuple(
            Channel(channel, samples=values[:, column + i : column + i + 1])
            for i, channel in enumerate(names)
        )
        column += len(names)
        controls.append(
            Control(
                name=joint.name,
                parent=None if joint.parent is None else header.joints[joint.parent].name,
                rest_translation=_rest(joint),
                order=joint.order,
                tip=joint.tip,
                channels=channels,
            )
        )
    return tuple(controls)


def _rest(joint: Joint) -> Vector:
    """OFFSET, but 0 along the axes of which a position channel replaces it."""
    x, y, z = (
        0.0 if f"translation.{axis}" in (joint.channels or ()) else value
        for axis, value in zip(AXES, joint.offset or (0.0, 0.0, 0.0), strict=True)
    )
    return x, y, z


def _replaced_offsets(header: Header, place: str) -> list[str]:
    """A note if position channels replace an OFFSET that isn't zero."""
    names = [repr(joint.name) for joint in header.joints if joint.offset != _rest(joint)]
    if not names:
        return []
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    return [f"{place}: position channels replace the OFFSET of {', '.join(names[:5])}{more}"]


def spans(data: bytes, shot: Shot, places: Sequence[Place]) -> list[Span]:
    """The byte span of the number at each place, in the order asked, in the file that the shot was read from.

    InputError for a place that the file doesn't have, and for a file that isn't the one that was read.
    """
    header = parse(data, shot.name + ENDING)
    columns: dict[tuple[str, str], int] = {}
    for joint in header.joints:
        for channel in joint.channels or ():
            columns[joint.name, channel] = len(columns)
    rows = shot.last_frame - shot.first_frame + 1
    wanted = [(_row(place, shot), _column(place, columns)) for place in places]
    try:
        return token_spans(data, header.start, (rows, len(columns)), wanted)
    except ValueError as error:
        raise InputError(
            shot.name + ENDING, str(error), "the file that was read", "read the file again"
        ) from error


def _row(place: Place, shot: Shot) -> int:
    row = place.frame - shot.first_frame
    if place.field != "value" or row != int(row) or not shot.first_frame <= place.frame <= shot.last_frame:
        raise InputError(
            f"{place.control}.{place.channel}@{place.frame:g}",
            f"BVH has no {place.field} there",
            f"values on whole frames from {shot.first_frame} to {shot.last_frame}",
        )
    return int(row)


def _column(place: Place, columns: dict[tuple[str, str], int]) -> int:
    column = columns.get((place.control, place.channel))
    if column is None:
        known = [channel for control, channel in columns if control == place.control]
        raise InputError(
            f"{place.control}.{place.channel}",
            "the file has no such channel",
            ", ".join(known) if known else "controls of the file",
        )
    return column

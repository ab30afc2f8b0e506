"""The shot file, `*.shot.json`: the document that carries everything a shot holds.

Its members are described one by one in `refine/schemas/shot.schema.json`, with an example; this module reads
it without that schema, since each of its own checks names the place and the remedy.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice
from typing import Any

from refine.errors import InputError
from refine.formats import json_places as places_in
from refine.formats.checked import (
    FPS,
    At,
    as_choice,
    as_frames,
    as_name,
    as_number,
    as_object,
    as_positive,
    as_truth,
    name_of,
    required,
    shown,
)
from refine.formats.json_layout import laid_out
from refine.formats.places import channel_of, key_of, sample_of, spot
from refine.formats.shot_channels import channels, folded, written_channel
from refine.formats.shot_fields import (
    LENS,
    RIG,
    Json,
    check_cycles,
    check_references,
    check_unique,
    each,
    gaze,
    lens,
    mark,
    pin,
    rig_fields,
    written_gaze,
    written_lens,
    written_mark,
    written_pin,
    written_rig,
)
from refine.formats.splice import Place, Span
from refine.shot import Camera, Channel, Control, Shot

SCHEMA = "motion-refine/shot/1"
ENDING = ".shot.json"
CONTROL = ("name", *RIG, "channels")
SHOT = (
    "schema",
    "name",
    "fps",
    "frames",
    "up",
    "metres_per_unit",
    "loop",
    "controls",
    "cameras",
    "marks",
    "pins",
    "gazes",
)
_MEMBER = {"key": ("frame",), "value": ("value",)} | {
    side: (side, "slope") for side in ("incoming_slope", "outgoing_slope")
}


def read(data: bytes, name: str) -> Shot:
    """The shot in the bytes of a shot file; `name` is the file's, for messages. Raises InputError."""
    at = At(name)
    members = as_object(places_in.parse(data, name, folded), at, SHOT)
    check_schema(members, at, SCHEMA)
    frames = as_frames(required(members, "frames", at), at.member("frames"))
    notes: list[str] = []
    controls = each(
        required(members, "controls", at),
        at.member("controls"),
        lambda item, place: control(item, place, frames, notes),
    )
    if not controls:
        raise at.member("controls").error("the shot has no controls", "at least one control")
    _check_controls(controls, at)
    shot = Shot(
        name=as_name(members["name"], at.member("name")) if "name" in members else name_of(name, ENDING),
        fps=frame_rate(required(members, "fps", at), at.member("fps")),
        first_frame=frames[0],
        last_frame=frames[1],
        controls=controls,
        **scale_fields(members, at),
    )
    cameras = each(
        members.get("cameras", []),
        at.member("cameras"),
        lambda item, place: camera(item, place, frames, notes),
    )
    shot = replace(shot, cameras=cameras, **annotation_fields(members, at, controls))
    check_cameras(cameras, at.member("cameras"), controls)
    places_in.check_constants(data, name)
    return replace(shot, notes=tuple(notes))


def check_schema(members: Json, at: At, schema: str) -> None:
    found = required(members, "schema", at)
    if found != schema:
        raise at.member("schema").error(f"found {shown(found)}", shown(schema))


def frame_rate(value: object, at: At) -> float:
    if as_number(value, at) <= 0:
        raise at.error(f"found {shown(value)}", "more than 0 frames a second")
    return as_number(value, at, *FPS)


SHORTEST = 1e-9  # m that a length unit may measure; below that arithmetic loses its way


def scale_fields(members: Json, at: At) -> dict[str, Any]:
    """Arguments of `Shot` for the up axis, the length unit and whether it loops, where they are given."""
    fields: dict[str, Any] = {}
    if "up" in members:
        fields["up"] = as_choice(members["up"], at.member("up"), ("y", "z"))
    if "metres_per_unit" in members:
        where = at.member("metres_per_unit")
        metres = as_positive(members["metres_per_unit"], where)
        if not SHORTEST <= metres <= 1 / SHORTEST:
            raise where.error(f"found {metres:g}", f"{SHORTEST:g} to {1 / SHORTEST:g} m")
        fields["metres_per_unit"] = metres
        fields["unit_stated"] = True
    if "loop" in members:
        fields["loop"] = as_truth(members["loop"], at.member("loop"))
    return fields


def annotation_fields(members: Json, at: At, controls: Sequence[Control]) -> dict[str, Any]:
    """Arguments of `Shot` for marks, pins and gazes."""
    return {
        "marks": each(
            members.get("marks", []), at.member("marks"), lambda item, place: mark(item, place, controls)
        ),
        "pins": each(
            members.get("pins", []), at.member("pins"), lambda item, place: pin(item, place, controls)
        ),
        "gazes": each(
            members.get("gazes", []), at.member("gazes"), lambda item, place: gaze(item, place, controls)
        ),
    }


def control(value: object, at: At, frames: tuple[int, int], notes: list[str]) -> Control:
    return _control(as_object(value, at, CONTROL), at, frames, notes)


def _control(members: Json, at: At, frames: tuple[int, int], notes: list[str]) -> Control:
    name = as_name(required(members, "name", at), at.member("name"))
    own = channels(members.get("channels", []), at.member("channels"), frames, notes)
    return Control(name, channels=own, **rig_fields(members, at, notes))


def camera(value: object, at: At, frames: tuple[int, int], notes: list[str]) -> Camera:
    members = as_object(value, at, (*CONTROL, *LENS))
    return Camera(_control(members, at, frames, notes), *lens(members, at))


def _check_controls(controls: Sequence[Control], at: At) -> None:
    where = [at.member("controls").item(i) for i in range(len(controls))]
    check_unique(
        ((c.name, place.member("name")) for c, place in zip(controls, where, strict=True)), "control"
    )
    places = {c.name: place for c, place in zip(controls, where, strict=True)}
    check_references(controls, places, controls)
    check_cycles(controls, places, at)


def check_cameras(cameras: Sequence[Camera], at: At, controls: Sequence[Control]) -> None:
    """Raise InputError where a camera of this list has the name of another thing or names an unknown one."""
    taken = {c.name: At(at.file, f"controls[{i}]") for i, c in enumerate(controls)}
    for i, found in enumerate(cameras):
        if found.name in taken:
            place = at.item(i).member("name")
            raise place.error(
                f"the name {shown(found.name)} is taken by {taken[found.name].path}", "names used once"
            )
        taken[found.name] = at.item(i)
    check_references([c.control for c in cameras], taken, controls)


def spans(data: bytes, shot: Shot, places: Sequence[Place]) -> list[Span]:
    """Byte span of the number at each place; a single "slope" is both slopes, a quaternion is its whole list.

    `data` are the bytes that `shot` was read from. InputError where the file doesn't state what is asked for.
    """
    text, top = places_in.byte_text(data)
    wanted: dict[tuple[str, str], list[Place]] = defaultdict(list)
    for place in places:
        wanted[place.control, place.channel].append(place)
    starts = control_starts(text, top, shot)
    found: dict[Place, Span] = {}
    for (control, _), group in wanted.items():
        channel, position = channel_of(shot, group[0])
        if control not in starts:
            remedy = "edit it there"
            raise InputError(
                spot(group[0]), "it stands in the side file", "numbers of the shot's file", remedy
            )
        channels_start = places_in.member(text, starts[control], "channels")
        assert channels_start is not None
        start = next(islice(places_in.elements(text, channels_start), position, None))
        found |= (
            _sample_spans(text, start, channel, shot, group)
            if channel.baked
            else _key_spans(text, start, channel, group)
        )
    return [found[place] for place in places]


def control_starts(text: str, top: int, shot: Shot) -> dict[str, int]:
    """Where the object of each control and of each camera of the file starts.

    A side file may have replaced or added cameras: those are not here, and their numbers can't be spliced.
    """
    starts: dict[str, int] = {}
    for kind, start in places_in.members(text, top):
        if kind == "controls":
            names = [control.name for control in shot.controls]
            starts |= zip(names, places_in.elements(text, start), strict=True)
        elif kind == "cameras":
            for at in places_in.elements(text, start):
                starts[places_in.text_member(text, at, "name")] = at
    return starts


def _key_spans(text: str, start: int, channel: Channel, group: Sequence[Place]) -> dict[Place, Span]:
    """Spans of places on keys of the channel object that starts at `start`, in one pass over its keys."""
    keys_start = places_in.member(text, start, "keys")
    assert keys_start is not None
    wanted: dict[int, list[Place]] = defaultdict(list)
    for place in group:
        wanted[key_of(channel, place)].append(place)
    found: dict[Place, Span] = {}
    for k, key in enumerate(islice(places_in.elements(text, keys_start), max(wanted) + 1)):
        if k not in wanted:
            continue
        members = dict(places_in.members(text, key))
        for place in wanted[k]:
            value = next((members[name] for name in _MEMBER[place.field] if name in members), None)
            if value is None:
                raise InputError(
                    spot(place), "the file doesn't state it", remedy="write it into the key first"
                )
            found[place] = value, places_in.value_end(text, value)
    return found


def _sample_spans(
    text: str, start: int, channel: Channel, shot: Shot, group: Sequence[Place]
) -> dict[Place, Span]:
    samples_start = places_in.member(text, start, "samples")
    assert samples_start is not None
    assert channel.samples is not None
    numbers = places_in.number_spans(text, samples_start, channel.samples.shape[1])
    return {place: numbers[sample_of(channel, shot, place)] for place in group}


def write(shot: Shot) -> bytes:
    """The shot as a new file: a line for each key, numbers with all their digits."""
    members: Json = {
        "schema": SCHEMA,
        "name": shot.name,
        "fps": shot.fps,
        "frames": [shot.first_frame, shot.last_frame],
        "up": shot.up,
        "metres_per_unit": shot.metres_per_unit,
        "loop": shot.loop,
        "controls": map(_written_control, shot.controls),  # one after the other: keys are many
        "cameras": [written_camera(camera) for camera in shot.cameras],
        "marks": [written_mark(mark) for mark in shot.marks],
        "pins": [written_pin(pin) for pin in shot.pins],
        "gazes": [written_gaze(gaze) for gaze in shot.gazes],
    }
    optional = ("loop", "cameras", "marks", "pins", "gazes")
    return laid_out({name: value for name, value in members.items() if value or name not in optional})


def _written_control(control: Control) -> Json:
    channels = [written_channel(channel) for channel in control.channels]
    return {"name": control.name} | written_rig(control) | ({"channels": channels} if channels else {})


def written_camera(camera: Camera) -> Json:
    control = _written_control(camera.control)
    own = control.pop("channels", None)
    return control | written_lens(camera) | ({"channels": own} if own else {})

"""The side file, `NAME.marks.json`: what the format of a shot can't carry, beside the file of that NAME.

What the side file states wins over the shot's own file, field by field: the frame rate, the frames, the up
axis, the unit, whether it loops, and the rig fields of a control. Limits replace those of the same channel.
Pins, marks and gazes come after the shot's own ones; one that is there already isn't taken twice. Cameras are
added. A control that the shot doesn't have is an error, and so is a camera that it has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from refine.formats import json_places
from refine.formats.checked import At, as_frames, as_known, as_object, required, shown
from refine.formats.json_layout import laid_out, layout
from refine.formats.key_rules import check_sample_count
from refine.formats.keys_table import NO_FRAME_RATE
from refine.formats.shot_fields import (
    RIG,
    Json,
    check_cycles,
    check_references,
    check_unique,
    each,
    limits,
    rig_fields,
    written_gaze,
    written_limits,
    written_mark,
    written_pin,
    written_rig,
)
from refine.formats.shot_file import (
    annotation_fields,
    camera,
    check_cameras,
    check_schema,
    frame_rate,
    scale_fields,
    written_camera,
)
from refine.formats.splice import splice
from refine.shot import Channel, Control, Limits, Mark, Pin, Shot

SCHEMA = "motion-refine/marks/1"
ENDING = ".marks.json"
SIDE = (
    "schema",
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
CONTROL = ("name", *RIG, "limits")


@dataclass(frozen=True, slots=True)
class _Override:
    """What a side file says about one control."""

    name: str
    rig: dict[str, Any]
    limits: dict[str, Limits]


def merged(shot: Shot, data: bytes, name: str) -> Shot:
    """The shot with what its side file of this name adds and overrides. Raises InputError."""
    at = At(name)
    members = as_object(json_places.parse(data, name), at, SIDE)
    check_schema(members, at, SCHEMA)
    notes = list(shot.notes)
    shot = replace(shot, **scale_fields(members, at))
    if "fps" in members:
        shot = replace(shot, fps=frame_rate(members["fps"], at.member("fps")))
        notes = [note for note in notes if not note.endswith(NO_FRAME_RATE)]
    if "frames" in members:
        shot = _with_frames(shot, members["frames"], at.member("frames"))
    shot = _with_controls(shot, members, at, notes)
    shot = _with_cameras(shot, members, at, notes)
    for kind, found in annotation_fields(members, at, shot.controls).items():
        own = getattr(shot, kind)
        shot = replace(shot, **{kind: own + tuple(item for item in dict.fromkeys(found) if item not in own)})
    json_places.check_constants(data, name)
    return replace(shot, notes=tuple(notes))


def _with_frames(shot: Shot, value: object, at: At) -> Shot:
    """The shot with other first and last frames; baked channels keep their samples, whose count must fit."""
    first, last = as_frames(value, at)
    for control in (*shot.controls, *(own.control for own in shot.cameras)):
        for channel in control.channels:
            if channel.samples is not None:
                check_sample_count(len(channel.samples), (first, last), at)
    return replace(shot, first_frame=first, last_frame=last)


def _with_controls(shot: Shot, members: Json, at: At, notes: list[str]) -> Shot:
    place = at.member("controls")
    found = each(members.get("controls", []), place, lambda item, where: _override(item, where, shot, notes))
    check_unique(((o.name, place.item(i).member("name")) for i, o in enumerate(found)), "control")
    overrides = {override.name: override for override in found}
    controls = tuple(_overridden(control, overrides.get(control.name)) for control in shot.controls)
    places = {override.name: place.item(i) for i, override in enumerate(found)}
    check_references(controls, places, controls)
    check_cycles(controls, places, at)
    return replace(shot, controls=controls)


def _override(value: object, at: At, shot: Shot, notes: list[str]) -> _Override:
    members = as_object(value, at, CONTROL)
    known = {control.name: control for control in shot.controls}
    name = as_known(required(members, "name", at), at.member("name"), list(known), "control")
    place = at.member("limits")
    channels = [channel.name for channel in known[name].channels]
    bounds: dict[str, Limits] = {}
    given = members.get("limits", {})
    for channel, value in as_object(given, place, list(given) if isinstance(given, dict) else ()).items():
        as_known(channel, place, channels, f"channel of {shown(name)}")
        bounds[channel] = limits(value, place.member(channel))
    return _Override(name, rig_fields(members, at, notes), bounds)


def _overridden(control: Control, override: _Override | None) -> Control:
    if override is None:
        return control
    channels = tuple(_limited(channel, override.limits) for channel in control.channels)
    return replace(control, channels=channels, **override.rig)


def _limited(channel: Channel, bounds: dict[str, Limits]) -> Channel:
    return replace(channel, limits=bounds[channel.name]) if channel.name in bounds else channel


def _with_cameras(shot: Shot, members: Json, at: At, notes: list[str]) -> Shot:
    """The shot with the side file's cameras after its own.

    None may have the name of one in the shot's file: an edit could not say which of the two it means.
    """
    frames = shot.first_frame, shot.last_frame
    place = at.member("cameras")
    found = each(members.get("cameras", []), place, lambda item, where: camera(item, where, frames, notes))
    check_cameras(found, place, shot.controls)
    own = [old.name for old in shot.cameras]
    for i, new in enumerate(found):
        if new.name in own:
            allowed = "names of new cameras"
            raise (
                place.item(i).member("name").error(f"the shot's file has a camera {shown(new.name)}", allowed)
            )
    return replace(shot, cameras=(*shot.cameras, *found))


def write(shot: Shot) -> bytes:
    """A side file with all of the shot that isn't keys or samples of its controls."""
    controls = [written for control in shot.controls if len(written := _written_control(control)) > 1]
    members: Json = {
        "schema": SCHEMA,
        "fps": shot.fps,
        "frames": [shot.first_frame, shot.last_frame],
        "up": shot.up,
        "metres_per_unit": shot.metres_per_unit,
        "loop": shot.loop,
    }
    lists: Json = {
        "controls": controls,
        "cameras": [written_camera(own) for own in shot.cameras],
        "marks": [written_mark(mark) for mark in shot.marks],
        "pins": [written_pin(pin) for pin in shot.pins],
        "gazes": [written_gaze(gaze) for gaze in shot.gazes],
    }
    return laid_out(members | {name: value for name, value in lists.items() if value})


def _written_control(control: Control) -> Json:
    bounds = {c.name: written_limits(c.limits) for c in control.channels if c.limits is not None}
    return {"name": control.name} | written_rig(control) | ({"limits": bounds} if bounds else {})


def with_additions(data: bytes | None, pins: Sequence[Pin] = (), marks: Sequence[Mark] = ()) -> bytes:
    """The bytes of a side file (None: there is none yet) with pins and marks added behind its own.

    What stands there stays identical to the byte; an addition that stands there already isn't repeated.
    `data` must have been read before: see `merged`.
    """
    data = laid_out({"schema": SCHEMA}) if data is None else data
    data = _with_elements(data, "pins", [written_pin(pin) for pin in pins])
    return _with_elements(data, "marks", [written_mark(mark) for mark in marks])


def _with_elements(data: bytes, name: str, new: list[Json]) -> bytes:
    """The JSON text with elements added to the list of that name at its top, which may not be there yet."""
    top = json_places.parse(data, ENDING)
    assert isinstance(top, dict)
    known = top.get(name, [])
    new = [item for i, item in enumerate(new) if item not in known and item not in new[:i]]
    if not new:
        return data
    text, start = json_places.byte_text(data)
    lines = ",\n    ".join(layout(item, 2) for item in new)
    where = json_places.member(text, start, name)
    if where is None:
        end = json_places.last_end(text, start)
        return splice(data, [((end, end), f',\n  "{name}": [\n    {lines}\n  ]')])
    end = json_places.last_end(text, where)
    if known:
        return splice(data, [((end, end), f",\n    {lines}")])
    return splice(data, [((where, json_places.value_end(text, where)), f"[\n    {lines}\n  ]")])

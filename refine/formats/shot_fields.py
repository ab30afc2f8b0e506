"""Rig, cameras, pins, marks and gazes as JSON objects: shared by the shot file and the side file.

Each reader takes a parsed object and where it stands; each writer returns the object that reads the same.
Whether the names that they mention exist is checked against the controls given.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

from refine.formats.checked import (
    LARGEST,
    At,
    as_choice,
    as_frame,
    as_known,
    as_list,
    as_name,
    as_number,
    as_object,
    as_positive,
    as_quaternion,
    as_range,
    as_text,
    as_vector,
    as_whole,
    listed,
    required,
    shown,
)
from refine.shot import Camera, Control, Gaze, Limits, Link, Mark, Pin

Json = dict[str, object]
T = TypeVar("T")

RIG = ("parent", "part", "rest", "pivot", "order", "tip", "mass", "links")
NARROWEST = 1e-3  # deg: no lens is so long
SEES = f"{NARROWEST:g} or more and less than 180 degrees"
LENS = ("vertical_angle", "lens", "width", "height", "aspect")
LINKS = ("aim", "attachment", "constraint")
MARKS = ("contact", "accent", "cut", "hold", "meant")
ORDERS = ("xyz", "xzy", "yxz", "yzx", "zxy", "zyx")
MOST_PIXELS = 100_000


def each(value: object, at: At, read: Callable[[object, At], T]) -> tuple[T, ...]:
    """`read` applied to each element of a list."""
    return tuple(read(item, at.item(i)) for i, item in enumerate(as_list(value, at)))


def rig_fields(members: Json, at: At, notes: list[str]) -> dict[str, Any]:
    """Arguments of `Control` for the members of `RIG` that are given; names aren't looked up yet."""
    readers: dict[str, Callable[[object, At], object]] = {
        "parent": lambda value, place: None if value is None else as_name(value, place),
        "part": as_text,
        "pivot": as_vector,
        "order": lambda value, place: as_choice(value, place, ORDERS),
        "tip": as_vector,
        "mass": lambda value, place: as_number(value, place, 0, 1),
        "links": lambda value, place: each(value, place, _link),
    }
    fields = {name: read(members[name], at.member(name)) for name, read in readers.items() if name in members}
    if "rest" in members:
        place = at.member("rest")
        rest = as_object(members["rest"], place, ("translation", "rotation"))
        if "translation" in rest:
            fields["rest_translation"] = as_vector(rest["translation"], place.member("translation"))
        if "rotation" in rest:
            fields["rest_rotation"] = as_quaternion(rest["rotation"], place.member("rotation"), notes)
    return fields


def _link(value: object, at: At) -> Link:
    link = as_object(value, at, ("kind", "to"))
    kind: Any = as_choice(required(link, "kind", at), at.member("kind"), LINKS)
    return Link(kind, as_name(required(link, "to", at), at.member("to")))


def check_references(controls: Sequence[Control], places: Mapping[str, At], known: Sequence[Control]) -> None:
    """Raise InputError where a control names a parent or link that isn't among the `known` controls.

    `places` says where each control stands; one that isn't in it was checked before.
    """
    names = [control.name for control in known]
    for control in controls:
        at = places.get(control.name)
        if at is None:
            continue
        if control.parent is not None:
            as_known(control.parent, at.member("parent"), names, "control")
        for i, link in enumerate(control.links):
            place = at.member("links").item(i).member("to")
            as_known(link.to, place, names, "control")
            if link.to == control.name:
                raise place.error("the control links to itself", "another control")


def check_cycles(controls: Sequence[Control], places: Mapping[str, At], file: At) -> None:
    """Raise InputError naming the cycle where a control is its own ancestor. Parents exist."""
    parents = {control.name: control.parent for control in controls}
    sound: set[str] = set()
    for start in parents:
        path: dict[str, None] = {}
        name: str | None = start
        while name is not None and name not in sound:
            if name in path:
                cycle = list(path)[list(path).index(name) :]
                at = next((places[known] for known in cycle if known in places), file)
                ring = listed([*cycle, name]).replace(", ", " -> ")
                raise at.member("parent").error(f"the parents run in a circle: {ring}", "a tree of controls")
            path[name] = None
            name = parents[name]
        sound.update(path)


def check_unique(names: Iterable[tuple[str, At]], what: str) -> None:
    """Raise InputError at the second of two equal names."""
    first: dict[str, At] = {}
    for name, at in names:
        if name in first:
            raise at.error(
                f"a second {what} is named {shown(name)} (the first: {first[name].path})", "names used once"
            )
        first[name] = at


def limits(value: object, at: At) -> Limits:
    members = as_object(value, at, ("lower", "upper", "rate"))
    bound: dict[str, float] = {
        name: as_number(members[name], at.member(name)) for name in ("lower", "upper") if name in members
    }
    if "rate" in members:
        bound["rate"] = as_number(members["rate"], at.member("rate"), 0)
    found = Limits(**bound)
    if found.upper < found.lower:
        raise at.error(f"upper {found.upper:g} is less than lower {found.lower:g}")
    return found


def lens(members: Json, at: At) -> tuple[float, int, int, float]:
    """(vertical angle of view in degrees, width, height in pixels, aspect) of a camera."""
    width = as_whole(required(members, "width", at), at.member("width"), 1, MOST_PIXELS)
    height = as_whole(required(members, "height", at), at.member("height"), 1, MOST_PIXELS)
    aspect = as_positive(members["aspect"], at.member("aspect")) if "aspect" in members else width / height
    if ("vertical_angle" in members) == ("lens" in members):
        raise at.error("one of vertical_angle and lens must be given", "exactly one of the two")
    if "lens" in members:
        return _angle_of_lens(members["lens"], at.member("lens")), width, height, aspect
    place = at.member("vertical_angle")
    angle = as_positive(members["vertical_angle"], place)
    if not NARROWEST <= angle < 180:
        raise place.error(f"found {angle:g}", SEES)
    return angle, width, height, aspect


def _angle_of_lens(value: object, at: At) -> float:
    """The angle that a sensor of this height sees at this focal length, 2 atan(h / 2f), in degrees."""
    members = as_object(value, at, ("focal_length", "sensor_height"))
    focal = as_positive(required(members, "focal_length", at), at.member("focal_length"))
    sensor = as_positive(required(members, "sensor_height", at), at.member("sensor_height"))
    angle = math.degrees(2 * math.atan(sensor / (2 * focal)))
    if not NARROWEST <= angle < 180:
        raise at.error(f"an angle of view of {angle:g} degrees", SEES)
    return angle


def pin(value: object, at: At, controls: Sequence[Control]) -> Pin:
    members = as_object(value, at, ("control", "channel", "frame", "frames"))
    name = as_known(
        required(members, "control", at), at.member("control"), [c.name for c in controls], "control"
    )
    channel = None
    if "channel" in members:
        control = next(c for c in controls if c.name == name)
        channels = [c.name for c in control.channels]
        channel = as_known(members["channel"], at.member("channel"), channels, f"channel of {shown(name)}")
    if ("frame" in members) == ("frames" in members):
        raise at.error("one of frame and frames must be given", "exactly one of the two")
    if "frames" in members:
        return Pin(name, channel, as_range(members["frames"], at.member("frames")))
    frame = as_frame(members["frame"], at.member("frame"))
    return Pin(name, channel, (frame, frame))


def mark(value: object, at: At, controls: Sequence[Control]) -> Mark:
    members = as_object(value, at, ("kind", "frames", "controls", "note"))
    kind: Any = as_choice(required(members, "kind", at), at.member("kind"), MARKS)
    frames = as_range(required(members, "frames", at), at.member("frames"))
    known = [c.name for c in controls]
    place = at.member("controls")
    names = each(members.get("controls", []), place, lambda name, at: as_known(name, at, known, "control"))
    check_unique(((name, place.item(i)) for i, name in enumerate(names)), "control of the mark")
    return Mark(kind, frames, names, as_text(members.get("note", ""), at.member("note")))


def gaze(value: object, at: At, controls: Sequence[Control]) -> Gaze:
    members = as_object(value, at, ("control", "frames", "target", "point"))
    known = [c.name for c in controls]
    name = as_known(required(members, "control", at), at.member("control"), known, "control")
    frames = as_range(required(members, "frames", at), at.member("frames"))
    if ("target" in members) == ("point" in members):
        raise at.error("one of target and point must be given", "exactly one of the two")
    if "point" in members:
        return Gaze(name, frames, None, as_vector(members["point"], at.member("point")))
    target = as_known(members["target"], at.member("target"), known, "control")
    if target == name:
        raise at.member("target").error("the control looks at itself", "another control")
    return Gaze(name, frames, target)


def frame_number(frame: float) -> int | float:
    """12.0 as 12: frames are mostly whole, and people write them so."""
    return int(frame) if float(frame).is_integer() else float(frame)


def written_rig(control: Control) -> Json:
    """The members of `RIG` that aren't at their defaults."""
    plain = Control(control.name)
    written: Json = {"parent": control.parent} if control.parent is not None else {}
    if control.part is not None:
        written["part"] = control.part
    rest: Json = {}
    if control.rest_translation != plain.rest_translation:
        rest["translation"] = list(control.rest_translation)
    if control.rest_rotation != plain.rest_rotation:
        rest["rotation"] = list(control.rest_rotation)
    if rest:
        written["rest"] = rest
    if control.pivot != plain.pivot:
        written["pivot"] = list(control.pivot)
    if control.order != plain.order:
        written["order"] = control.order
    if control.tip is not None:
        written["tip"] = list(control.tip)
    if control.mass is not None:
        written["mass"] = control.mass
    if control.links:
        written["links"] = [{"kind": link.kind, "to": link.to} for link in control.links]
    return written


def written_limits(limits: Limits) -> Json:
    found = {"lower": limits.lower, "upper": limits.upper, "rate": limits.rate}
    return {name: bound for name, bound in found.items() if abs(bound) <= LARGEST}


def written_lens(camera: Camera) -> Json:
    written: Json = {"vertical_angle": camera.vertical_angle, "width": camera.width, "height": camera.height}
    if camera.aspect != camera.width / camera.height:
        written["aspect"] = camera.aspect
    return written


def written_pin(pin: Pin) -> Json:
    written: Json = {"control": pin.control}
    if pin.channel is not None:
        written["channel"] = pin.channel
    if pin.is_range:
        return written | {"frames": [frame_number(frame) for frame in pin.frames]}
    return written | {"frame": frame_number(pin.frames[0])}


def written_mark(mark: Mark) -> Json:
    written: Json = {"kind": mark.kind, "frames": [frame_number(frame) for frame in mark.frames]}
    if mark.controls:
        written["controls"] = list(mark.controls)
    return written | ({"note": mark.note} if mark.note else {})


def written_gaze(gaze: Gaze) -> Json:
    written: Json = {"control": gaze.control, "frames": [frame_number(frame) for frame in gaze.frames]}
    if gaze.target is not None:
        return written | {"target": gaze.target}
    return written | {"point": list(gaze.point or ())}

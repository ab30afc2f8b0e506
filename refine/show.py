"""`show`: the rig as a tree in solve order, with what is keyed, baked and pinned."""

from __future__ import annotations

from typing import Any

from refine.curve import clipped_reaches
from refine.formats import Document
from refine.rig import children, solve_order
from refine.shot import ROTATIONS, SCALES, TRANSLATIONS, Channel, Control, Shot
from refine.text import aligned

SCHEMA = "motion-refine/show/1"


def lines(shot: Shot) -> list[str]:
    """The shot as a person reads it."""
    count = shot.last_frame - shot.first_frame + 1
    head = f"{shot.name}: frames {shot.first_frame} to {shot.last_frame} ({count / shot.fps:.2f} s at {shot.fps:g} fps)"
    order = solve_order(shot)
    place = {name: n for n, group in enumerate(order, 1) for name in group}
    rows = aligned([_row(shot, control, depth, place) for control, depth in _tree(shot)])
    return [head, "", *rows, *_extras(shot, order)]


def _tree(shot: Shot) -> list[tuple[Control, int]]:
    """Controls depth first, children in the file's order, with their depth."""
    below, by_name = children(shot), {control.name: control for control in shot.controls}
    found: list[tuple[Control, int]] = []
    waiting = [(name, 0) for name in reversed(below.get(None, ()))]
    while waiting:
        name, depth = waiting.pop()
        found.append((by_name[name], depth))
        waiting += [(child, depth + 1) for child in reversed(below.get(name, ()))]
    return found


def _row(shot: Shot, control: Control, depth: int, place: dict[str, int]) -> tuple[str, ...]:
    pins = [pin for pin in shot.pins if pin.control == control.name]
    notes = [f"{len(pins)} pin{'s' * (len(pins) > 1)}"] if pins else []
    notes += [f"{link.kind} {link.to}" for link in control.links]
    notes += [f"part {control.part}"] if control.part else []
    return (
        str(place[control.name]),
        "  " * depth + control.name,
        _animated(control),
        _channels(control),
        ", ".join(notes),
    )


def _animated(control: Control) -> str:
    keyed = [channel for channel in control.channels if channel.keys is not None]
    baked = [channel for channel in control.channels if channel.baked]
    words = []
    if keyed:
        keys = sorted({_count(channel) for channel in keyed})
        span = f"{keys[0]}" if len(keys) == 1 else f"{keys[0]} to {keys[-1]}"
        words.append(f"{len(keyed)} keyed, {span} key{'s' * (keys[-1] > 1)}")
    if baked:
        words.append(f"{len(baked)} baked")
    return ", ".join(words) or "not animated"


def _channels(control: Control) -> str:
    """The channels as `--pin` and `--only` name them, those of one kind in one word: `rotation.x|y|z`."""
    kinds: dict[str, list[str]] = {}
    for channel in control.channels:
        kind, dot, axis = channel.name.rpartition(".")
        known = channel.name in (*TRANSLATIONS, *ROTATIONS, *SCALES)
        kinds.setdefault(f"{kind}{dot}" if known else channel.name, []).append(axis if known else "")
    return " ".join(kind + "|".join(sorted(axes)) for kind, axes in kinds.items())


def _count(channel: Channel) -> int:
    return len(channel.keys) if channel.keys is not None else 0


def _extras(shot: Shot, order: tuple[tuple[str, ...], ...]) -> list[str]:
    found = [
        f"solved together, since each reads another: {', '.join(group)}" for group in order if len(group) > 1
    ]
    for camera in shot.cameras:
        found.append(
            f"camera {camera.name}: {camera.width} x {camera.height} px, {camera.vertical_angle:g} deg"
        )
    for mark in shot.marks:
        who = f" of {', '.join(mark.controls)}" if mark.controls else ""
        found.append(
            f"{mark.kind} {mark.frames[0]:g}:{mark.frames[1]:g}{who}"
            + (f" ({mark.note})" if mark.note else "")
        )
    found += [f"pin {pin}" for pin in shot.pins]
    for control in shot.controls:
        for channel in control.channels:
            for k in clipped_reaches(channel.keys) if channel.keys is not None else ():
                frame = channel.keys.frames[k] if channel.keys is not None else 0.0
                found.append(
                    f"{control.name}.{channel.name}@{frame:g}: a reach longer than its segment is cut to it"
                )
    return ["", *found] if found else []


def as_document(document: Document) -> dict[str, Any]:
    """The JSON form, described by refine/schemas/show.schema.json."""
    shot = document.shot
    return {
        "schema": SCHEMA,
        "file": document.path.name,
        "sha256": document.sha256,
        "fps": shot.fps,
        "frames": [shot.first_frame, shot.last_frame],
        "order": [list(group) for group in solve_order(shot)],
        "controls": [
            {
                "name": control.name,
                "parent": control.parent,
                "part": control.part,
                "links": [{"kind": link.kind, "to": link.to} for link in control.links],
                "channels": [
                    {"name": c.name, "unit": c.unit, "keys": _count(c), "baked": c.baked}
                    for c in control.channels
                ],
                "pins": [str(pin) for pin in shot.pins if pin.control == control.name],
            }
            for control in shot.controls
        ],
        "cameras": [camera.name for camera in shot.cameras],
        "notes": list(shot.notes),
    }

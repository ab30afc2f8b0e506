"""A figure of a few heavy and light parts before a camera, for the tests of weight: one moves, the rest stand."""

from __future__ import annotations

from collections.abc import Mapping

from refine.flags.check import stage_of
from refine.flags.look import Look
from refine.flags.stage import Stage
from refine.shot import Camera, Channel, Control, Keys, Mark, Pin, Shot, make_keys

PARTS = (  # name, parent, part, place in the parent (m), tip
    ("hips", None, "pelvis", (0.0, 0.95, 0.0), None),
    ("spine", "hips", "spine", (0.0, 0.1, 0.0), None),
    ("chest", "spine", "spine", (0.0, 0.2, 0.0), None),
    ("head", "chest", "head", (0.0, 0.3, 0.0), (0.0, 0.25, 0.0)),
    ("eyes", "head", "eyes", (0.0, 0.1, 0.08), (0.0, 0.0, 0.12)),
    ("upper arm", "chest", "arm", (0.2, 0.2, 0.0), None),
    ("forearm", "upper arm", "arm", (0.0, -0.3, 0.0), None),
    ("hand", "forearm", "hand", (0.0, -0.26, 0.0), (0.0, -0.18, 0.0)),
    ("thigh", "hips", "leg", (0.1, 0.0, 0.0), None),
    ("shin", "thigh", "leg", (0.0, -0.43, 0.0), None),
    ("foot", "shin", "foot", (0.0, -0.41, 0.0), (0.0, -0.06, 0.17)),
)


def figure(
    channels: Mapping[tuple[str, str], Keys],
    fps: float,
    last: int,
    marks: tuple[Mark, ...] = (),
    pins: tuple[Pin, ...] = (),
) -> Shot:
    """The figure with some keyed channels, by control and channel name; the camera shows 2.6 m of height."""
    controls = tuple(
        Control(
            name,
            parent,
            part,
            place,
            tip=tip,
            channels=tuple(Channel(ch, keys) for (owner, ch), keys in channels.items() if owner == name),
        )
        for name, parent, part, place, tip in PARTS
    )
    camera = Camera(Control("camera", rest_translation=(0.0, 0.9, 5.0)), 30.0, 1920, 1080, 16 / 9)
    return Shot("figure", fps, 0, last, controls, (camera,), marks, pins)


def looked_at(shot: Shot) -> Stage:
    return stage_of(shot, Look())


def dart(fps: float, size: float, frames: int = 2, hold: float = 1.5, gap: float = 1 / 6) -> tuple[Keys, int]:
    """Flat keys: still for half a second, `size` within some frames, then held with a key every `gap` s.

    And the frame on which it arrives.
    """
    start = round(fps / 2)
    arrival = start + frames
    step = max(round(gap * fps), 1)
    after = list(range(arrival + step, arrival + round(hold * fps) + 1, step))
    at = [0, start, arrival, *after]
    values = [0.0, 0.0, *([size] * (len(after) + 1))]
    return make_keys(at, values, [0.0] * len(at)), arrival

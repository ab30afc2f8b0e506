"""Makes the demo's shot: a night baker lifts a heavy tray, looks up at the dawn and sets the tray down.

`plan.py` has the poses as they were keyed, `body.py` the rig. This script turns them into a shot, then plants the
faults of the table FAULTS in it and writes down what it did:

    python demo/make_shot.py                  demo/baker.shot.json and demo/faults.json
    python demo/make_shot.py --to FOLDER      the same two files elsewhere
    python demo/make_shot.py --clean OUT      the shot without faults

The same plan always gives the same bytes.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import body
import limbs
import numpy as np
import plan

from refine.formats import write
from refine.formats.json_layout import laid_out
from refine.pose import Point, Pose, driven, pose, world_point
from refine.rig import descendants
from refine.shot import Array, Camera, Channel, Control, Gaze, Keys, Mark, Pin, Shot, make_keys
from refine.view import View, project, view

HERE = Path(__file__).resolve().parent
SHOT, FAULT_LIST = "baker.shot.json", "faults.json"
VALUE_DECIMALS, SLOPE_DECIMALS = 4, 5
FOCAL_LENGTH, SENSOR_HEIGHT = 40.0, 20.25  # mm
IMAGE = (1920, 1080)  # px


@dataclass(frozen=True)
class Fault:
    """What was done to one channel: per key frame, what was added to its value and to its slope."""

    kind: str
    control: str
    channel: str
    values: Mapping[int, float]
    slopes: Mapping[int, float]
    story: str


FAULTS = (
    Fault("value", "hips", "translation.y", {60: 0.045}, {},
          "the hips were raised on one key and its slope, and those beside it, left as they were: "
          "a wobble in the middle of the lift"),
    Fault("zigzag", "chest", "rotation.y", {122: 5.0, 129: -6.5, 136: 5.5}, {},
          "three keys of the chest's turn were nudged to alternating sides"),
    Fault("slope", "forearm.R", "rotation.x", {}, {97: -8.0},
          "a stray slope: the elbow swings past its pose and comes back while nothing else moves"),
    Fault("value and slope", "head", "rotation.x", {31: 9.0}, {31: -2.0},
          "the head nods on the way down, key and slope both off"),
    Fault("value, slopes redone", "spine", "rotation.x", {159: 6.0}, {},
          "the back bends once more on the way up, and the slopes were set anew: "
          "the curve itself is sound, only the hands that slide on the tray tell"),
)  # fmt: skip


def slopes(frames: Sequence[float], values: Array) -> Array:
    """The artist's one habit: flat at extremes and ends, else the chord between the two neighbours."""
    found = np.zeros(len(values))
    steps = np.diff(values)
    inside = np.flatnonzero(steps[1:] * steps[:-1] > 0) + 1
    f = np.asarray(frames, float)
    found[inside] = (values[inside + 1] - values[inside - 1]) / (f[inside + 1] - f[inside - 1])
    return np.round(found, SLOPE_DECIMALS)


def keyed(name: str, frames: Sequence[int], values: Array) -> Channel:
    """A channel with the artist's slopes, its numbers rounded as they would be typed; none is minus zero."""
    typed = np.round(values, VALUE_DECIMALS) + 0.0
    return Channel(name, make_keys(frames, typed, slopes(frames, typed) + 0.0))


def from_rows(rows: plan.Rows, names: Sequence[str]) -> tuple[Channel, ...]:
    """One channel a column."""
    table = np.array(list(rows.values()))
    return tuple(keyed(name, list(rows), table[:, i]) for i, name in enumerate(names))


def with_channels(shot: Shot, name: str, channels: Iterable[Channel]) -> Shot:
    """The shot with the channels of one control set."""
    i = shot.index(name)
    control = replace(shot.controls[i], channels=tuple(channels))
    return replace(shot, controls=(*shot.controls[:i], control, *shot.controls[i + 1 :]))


def with_angles(shot: Shot, name: str, frames: Sequence[int], angles: Mapping[str, Array]) -> Shot:
    return with_channels(shot, name, (keyed(channel, frames, values) for channel, values in angles.items()))


def with_trunk(shot: Shot) -> Shot:
    """Hips to head and the shoulders, straight from the plan."""
    shot = with_channels(shot, "hips", from_rows(plan.HIPS, plan.PLACE + plan.TURNS))
    for name in ("spine", "chest", "neck", "head"):
        shot = with_channels(shot, name, from_rows(getattr(plan, name.upper()), plan.TURNS))
    shot = with_channels(shot, "shoulder.L", from_rows(plan.SHOULDER, plan.TURNS)[1:])
    mirrored = {
        min(frame + 2, plan.LAST) if frame > plan.FIRST else frame: (x, -y, -z)
        for frame, (x, y, z) in plan.SHOULDER.items()
    }
    return with_channels(shot, "shoulder.R", from_rows(mirrored, plan.TURNS)[1:])


def with_tray(shot: Shot) -> Shot:
    """The tray, with a corner where it leaves the shelf and where it meets the table."""
    channels = from_rows(plan.TRAY, plan.PLACE + plan.TURNS)
    return with_channels(shot, "tray", (Channel(c.name, touched(c.keys)) for c in channels if c.keys))


def touched(keys: Keys) -> Keys:
    """Keys whose slopes break at the contacts: at rest on one side, the chord of the move on the other."""
    incoming, outgoing = keys.incoming.copy(), keys.outgoing.copy()
    corner = keys.corner.astype(float)
    chords = np.round(np.diff(keys.values, axis=0) / np.diff(keys.frames)[:, None], SLOPE_DECIMALS)
    for frame, way in plan.TOUCHES.items():
        k = keys.index(frame)
        assert k is not None
        side, chord = (outgoing, chords[k]) if way == "off" else (incoming, chords[k - 1])
        side[k] = chord
        corner[k] = float(chord.any())
    return keys.changed(incoming=incoming, outgoing=outgoing, corner=corner)


def with_legs(shot: Shot) -> Shot:
    """Legs that keep the feet on their places."""
    at = pose(shot, np.array(plan.LEGS, float))
    for side, (ankle, heading) in plan.FEET.items():
        start = at.origin[shot.index(f"thigh.{side}")]
        for name, angles in limbs.leg(at.linear[shot.index("hips")], start, ankle, heading).items():
            shot = with_angles(shot, f"{name}.{side}", plan.LEGS, angles)
    return shot


def with_arms(shot: Shot) -> Shot:
    """Arms that hold the tray's rim while they grip, and hang where the plan says before and after."""
    at = pose(shot, np.array(plan.ARMS, float))
    for side, x in (("L", 1.0), ("R", -1.0)):
        base, start = at.linear[shot.index(f"shoulder.{side}")], at.origin[shot.index(f"upper_arm.{side}")]
        wrist, hand = hands(shot, at, x)
        heading = limbs.level(at.linear[shot.index("chest")])
        pole = heading @ np.array([0.45 * x, -0.8, -0.45])
        for name, angles in limbs.arm(base, start, wrist, hand, pole).items():
            shot = with_angles(shot, f"{name}.{side}", plan.ARMS, angles)
    return shot


def hands(shot: Shot, at: Pose, x: float) -> tuple[Array, Array]:
    """Wrist (F, 3) and hand (F, 3, 3) of one side on the frames of the pose; x is 1 on the left."""
    tray, chest = shot.index("tray"), shot.index("chest")
    tilt = np.interp(at.frames, list(plan.TILT), list(plan.TILT.values()))
    hand = at.linear[tray] @ limbs.about_x(tilt)
    side = np.array([x, 1.0, 1.0])
    grip = at.linear[tray] @ np.array([plan.RIM * x, 0.0, 0.0]) + at.origin[tray]
    wrist = limbs.wrist_of(grip, hand)
    for n, frame in enumerate(plan.ARMS):
        free = plan.FREE.get(frame)
        if free is None:
            continue
        base, place = at.linear[shot.index(free.over), n], np.array(free.place) * side
        hand[n] = base @ limbs.about_x(np.array([free.tilt]))[0]
        if free.over == "tray":
            wrist[n] = limbs.wrist_of(grip[n] + base @ place, hand[n])
        else:
            wrist[n] = base @ place + at.origin[chest, n]
    return wrist, hand


def with_eyes(shot: Shot) -> Shot:
    """Eyes aimed at what they look at, on the frames on which they were aimed."""
    frames = np.array(list(plan.EYES), float)
    at = pose(shot, frames)
    places = {
        "window": plan.WINDOW,
        "table": plan.TABLE,
        "ahead": plan.AHEAD,
        "glimmer": plan.GLIMMER,
    }
    tray = at.origin[shot.index("tray")]
    target = np.array([places.get(name, tray[n]) for n, name in enumerate(plan.EYES.values())])
    angles = limbs.aim(at.linear[shot.index("head")], at.origin[shot.index("eyes")], target)
    return with_angles(shot, "eyes", list(plan.EYES), angles)


def camera() -> Camera:
    """The shot's camera; its angle of view is 2 atan(sensor height / (2 focal length))."""
    names = (*plan.PLACE, *plan.TURNS[:2])
    control = Control(
        "pushing_in",
        rest_translation=(-0.35, 1.24, 4.75),
        order="yxz",
        channels=from_rows(plan.CAMERA, names),
    )
    angle = 2 * math.degrees(math.atan(SENSOR_HEIGHT / (2 * FOCAL_LENGTH)))
    return Camera(control, round(angle, VALUE_DECIMALS), *IMAGE, IMAGE[0] / IMAGE[1])


def clean_shot() -> Shot:
    """The shot as the artist keyed it."""
    shot = Shot(
        name="baker",
        fps=plan.FPS,
        first_frame=plan.FIRST,
        last_frame=plan.LAST,
        controls=body.controls(),
        cameras=(camera(),),
        marks=(
            Mark("contact", (plan.FIRST, plan.LAST), ("foot.L", "foot.R"), "both feet stay where they are"),
            Mark("contact", (plan.FIRST, 53), ("tray",), "on the shelf"),
            Mark("contact", (41, 156), ("hand.L", "hand.R", "tray"), "the hands hold the rim"),
            Mark("accent", (50, 53), ("hips", "tray"), "the tray comes off the shelf: keep it sharp"),
            Mark("hold", (98, 116), ("hips", "spine", "chest", "neck", "head"), "dawn at the window"),
            Mark("contact", (150, plan.LAST), ("tray",), "on the table"),
        ),
        pins=(
            Pin("hips", None, (49, 49)),
            Pin("tray", "translation.y", (150, 150)),
            Pin("hips", None, (162, plan.LAST)),
        ),
        gazes=(Gaze("eyes", (96, 116), point=plan.WINDOW),),
    )
    for step in (with_trunk, with_tray, with_legs, with_arms, with_eyes):
        shot = step(shot)
    return shot


def planted(shot: Shot, fault: Fault) -> Shot:
    """The shot with one fault in it."""
    channel = shot.control(fault.control).channel(fault.channel)
    assert channel is not None
    assert channel.keys is not None
    keys = channel.keys
    values, tangent = keys.values.copy(), keys.outgoing.copy()
    for change, array, decimals in (
        (fault.values, values, VALUE_DECIMALS),
        (fault.slopes, tangent, SLOPE_DECIMALS),
    ):
        for frame, amount in change.items():
            k = keys.index(frame)
            assert k is not None
            array[k] = np.round(array[k] + amount, decimals)
    if fault.kind == "value, slopes redone":
        tangent = slopes(keys.frames.tolist(), values[:, 0])[:, None] + 0.0
    return shot.with_channel(
        fault.control, replace(channel, keys=keys.changed(values=values, incoming=tangent, outgoing=tangent))
    )


def faulty_shot(clean: Shot) -> Shot:
    for fault in FAULTS:
        clean = planted(clean, fault)
    return clean


def differences(before: Shot, after: Shot, fault: Fault) -> list[dict[str, object]]:
    """Each number of the fault's channel that differs: frame, field, what it should be and what stands there."""
    old, new = (
        s.control(fault.control).channel(fault.channel).keys  # type: ignore[union-attr]
        for s in (before, after)
    )
    assert old is not None
    assert new is not None
    fields = {"value": "values", "incoming_slope": "incoming", "outgoing_slope": "outgoing"}
    return [
        {"frame": int(frame), "field": field, "clean": float(a), "faulty": float(b)}
        for k, frame in enumerate(old.frames)
        for field, name in fields.items()
        if (a := getattr(old, name)[k, 0]) != (b := getattr(new, name)[k, 0])
    ]


def carried(shot: Shot, control: str) -> tuple[Point, ...]:
    """Pivots and tips of a control and of all that hangs on it."""
    names = (control, *descendants(shot, control))
    ends = [(name, shot.control(name).tip) for name in names]
    return tuple(Point(name, (0.0, 0.0, 0.0)) for name in names) + tuple(
        Point(name, tip) for name, tip in ends if tip is not None
    )


def largest_move(before: Shot, after: Shot, points: Sequence[Point]) -> dict[str, object]:
    """How far the fault moves one of the points on screen at most: px, on which control and frame."""
    first, second = pose(before, before.frames), pose(after, after.frames)
    seen = view(before, first)
    moves = np.stack(
        [_moves(seen, world_point(first, before, p), world_point(second, after, p)) for p in points]
    )
    point, n = divmod(int(np.argmax(moves)), moves.shape[1])
    return {
        "value": round(float(moves.max()), 2),
        "unit": "px",
        "control": points[point].control,
        "frame": int(before.frames[n]),
    }


def _moves(seen: View, before: Array, after: Array) -> Array:
    """(N,) px between two world paths (N, 3)."""
    moved: Array = np.linalg.norm(project(seen, after) - project(seen, before), axis=1)
    return moved


def fault_list(clean: Shot, faulty: Shot) -> bytes:
    """The faults as JSON: what was done, each number that differs, and how far it moves the picture."""
    entries = []
    for fault in FAULTS:
        alone = planted(clean, fault)
        entries.append(
            {
                "kind": fault.kind,
                "control": fault.control,
                "channel": fault.channel,
                "story": fault.story,
                "largest_move": largest_move(clean, alone, carried(clean, fault.control)),
                "largest_own_move": largest_move(clean, alone, driven(clean, fault.control, fault.channel)),
                "changes": differences(clean, faulty, fault),
            }
        )
    return laid_out({"shot": SHOT, "faults": entries})


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Makes the demo's shot and plants its faults.")
    parser.add_argument("--to", type=Path, default=HERE, help="folder for the shot and its list of faults")
    parser.add_argument("--clean", type=Path, metavar="OUT", help="write only the shot without faults to OUT")
    options = parser.parse_args(arguments)
    clean = clean_shot()
    if options.clean is not None:
        options.clean.write_bytes(write(clean, options.clean))
        return
    faulty = faulty_shot(clean)
    options.to.mkdir(parents=True, exist_ok=True)
    (options.to / SHOT).write_bytes(write(faulty, options.to / SHOT))
    (options.to / FAULT_LIST).write_bytes(fault_list(clean, faulty))


if __name__ == "__main__":
    main()

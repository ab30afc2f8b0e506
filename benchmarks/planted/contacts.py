"""Walks whose feet really stand, baked or keyed, and faults of contact and limbs planted into them.

A foot that slides, a foot that sinks, hips moved under planted feet, a bone that grows; of any size in metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.corpus import slopes_by
from refine.curve import bake
from refine.flags.flag import Flag
from refine.formats.euler import euler_angles
from refine.held import Locks
from refine.limbs.chain import Goals, followed
from refine.limbs.planted import runs
from refine.limbs.planting import minimum_jerk
from refine.pose import Point, pose, world_point
from refine.shot import Array, Camera, Channel, Control, Mark, Shot, frozen, make_keys

THIGH, SHIN, ANKLE, HIP = 0.43, 0.41, 0.08, 0.1  # m
STEP, STRIDE, SWING = 24, 0.55, 10  # frames a step, m, frames in the air, at 24 fps
MIDDLE = STRIDE * (2 * STEP - SWING) / (4 * STEP)  # m: the pelvis is over a foot in the middle of its stance
SIZES = {"slide": (0.012, 0.03), "sink": (0.006, 0.02), "hips": (0.02, 0.05), "grow": (0.015, 0.05)}


@dataclass(frozen=True, slots=True)
class Truth:
    """The fault that a shot was given: what should be found, at which controls, and about when."""

    fault: str
    controls: tuple[str, ...]
    causes: tuple[str, ...]
    frames: tuple[int, int]


# --- a sound walk ------------------------------------------------------------------------------------------


def stepping(
    fps: float = 24.0, steps: int = 8, seed: int = 0, marked: bool = True, keyed: int | None = None
) -> Shot:
    """A walk whose feet stand: the pelvis glides and sways, the feet step, two-bone legs solved to meet them.

    Baked, or with a key every `keyed` frames on the legs and on the pelvis, natural slopes. Contacts are marked.
    """
    rng = np.random.default_rng([seed, 7])
    count = round(steps * STEP * fps / 24)
    t = np.arange(count) * 24 / fps  # frames at 24 fps
    phase = 2 * np.pi * t / (2 * STEP) + rng.uniform(0, 0.3)
    hips = np.stack(
        [0.02 * np.sin(phase), 0.86 + 0.01 * np.cos(2 * phase), STRIDE / 2 * t / STEP - MIDDLE], axis=1
    )
    turn = np.stack([2 * np.sin(2 * phase), 4 * np.sin(phase), np.zeros(count)], axis=1)
    controls = [_control("hips", None, "pelvis", (0.0, 0.0, 0.0), "yxz", hips, turn)]
    marks, touches = [], set[int]()
    base = Shot("walk", fps, 0, count - 1, (controls[0],))
    for side, sign in (("L", 1.0), ("R", -1.0)):
        ankle, stands = _feet(t, sign)
        start = world_point(pose(base, base.frames), base, Point("hips", (HIP * sign, 0.0, 0.0)))
        thigh, shin = _leg(start, ankle, pose(base, base.frames).linear[0])
        names = (f"thigh.{side}", f"shin.{side}", f"foot.{side}")
        controls += [
            _control(names[0], "hips", "leg", (HIP * sign, 0.0, 0.0), "xzy", None, thigh),
            _control(names[1], names[0], "leg", (0.0, -THIGH, 0.0), "xyz", None, shin),
        ]
        upper = Shot("", fps, 0, count - 1, tuple(controls))
        linear = pose(upper, upper.frames).linear[-1]
        foot = _euler(np.swapaxes(linear, 1, 2), "yxz")
        end = _control(names[2], names[1], "foot", (0.0, -SHIN, 0.0), "yxz", None, foot)
        controls.append(replace(end, tip=(0.0, -ANKLE, 0.17)))
        touches |= {f for span in _spans(stands) for f in span}
        if marked:
            marks += [Mark("contact", (float(a), float(b)), (names[2],)) for a, b in _spans(stands)]
    camera = Camera(
        Control(
            "camera", rest_translation=(6.0, 0.8, 1.0), rest_rotation=(0.0, np.sqrt(0.5), 0.0, np.sqrt(0.5))
        ),
        30.0,
        1920,
        1080,
        16 / 9,
    )
    shot = Shot("walk", fps, 0, count - 1, tuple(controls), (camera,), tuple(marks))
    return shot if keyed is None else _keyed(shot, keyed, touches)


def _feet(t: Array, sign: float) -> tuple[Array, Array]:
    """Places of an ankle and whether it stands; the left steps first."""
    offset = 0.0 if sign > 0 else float(STEP)
    cycle = (t + offset) / (2 * STEP)
    whole, part = np.floor(cycle), (cycle - np.floor(cycle)) * 2 * STEP
    swing = np.clip((part - (2 * STEP - SWING)) / SWING, 0.0, 1.0)
    forward = STRIDE * (whole + minimum_jerk(swing)) - offset / (2 * STEP) * STRIDE
    place = np.stack(
        [np.full(len(t), HIP * sign), ANKLE + 0.07 * np.sin(np.pi * swing) ** 2, forward], axis=1
    )
    return place, swing == 0.0


def _spans(inside: Array) -> list[tuple[int, int]]:
    return [(a, b) for a, b in runs(np.asarray(inside, np.bool_)) if b - a >= 4]


def _leg(start: Array, ankle: Array, hips: Array) -> tuple[Array, Array]:
    """Angles (N, 3) of thigh and shin, the knee forward."""
    line = ankle - start
    distance = np.linalg.norm(line, axis=1)
    axis = line / distance[:, None]
    pole = np.array([0.0, 0.0, 1.0]) - axis * axis[:, 2:]
    pole /= np.linalg.norm(pole, axis=1, keepdims=True)
    along = (THIGH**2 - SHIN**2 + distance**2) / (2 * distance)
    knee = start + along[:, None] * axis + np.sqrt(THIGH**2 - along**2)[:, None] * pole
    y = -(knee - start) / THIGH
    outer = (ankle - knee) / SHIN
    z = pole - np.sum(pole * y, axis=1, keepdims=True) * y
    z /= np.linalg.norm(z, axis=1, keepdims=True)
    upper = np.stack([np.cross(y, z), y, z], axis=2)
    bend = np.rad2deg(np.arccos(np.clip(-np.sum(outer * y, axis=1), -1, 1)))
    thigh = _euler(np.swapaxes(hips, 1, 2) @ upper, "xzy")
    return thigh, np.stack([bend, 0 * bend, 0 * bend], axis=1)


def _euler(matrices: Array, order: str) -> Array:
    return np.rad2deg(euler_angles(matrices, order))


def _control(
    name: str,
    parent: str | None,
    part: str,
    rest: tuple[float, float, float],
    order: str,
    place: Array | None,
    turn: Array,
) -> Control:
    channels = [] if place is None else [_baked(f"translation.{a}", place[:, i]) for i, a in enumerate("xyz")]
    channels += [_baked(f"rotation.{a}", turn[:, i]) for i, a in enumerate("xyz")]
    return Control(name, parent, part, rest, order=order, channels=tuple(channels))


def _baked(name: str, values: Array) -> Channel:
    return Channel(name, samples=frozen(values[:, None]))


def _keyed(shot: Shot, every: int, touches: set[int]) -> Shot:
    """Keys on every few frames, where the feet touch down and leave, and beside that; natural slopes."""
    often = range(shot.first_frame, shot.last_frame + 1, every)
    beside = {frame + d for frame in touches for d in (-1, 0, 1)}
    at = np.array(
        sorted({f for f in (*often, *beside, shot.last_frame) if f in range(len(shot.frames))}), float
    )

    def keyed(channel: Channel) -> Channel:
        assert channel.samples is not None
        values = channel.samples[at.astype(np.intp), 0]
        return Channel(channel.name, make_keys(at, values, slopes_by("natural", at, values)))

    controls = tuple(replace(c, channels=tuple(map(keyed, c.channels))) for c in shot.controls)
    return replace(shot, controls=controls)


# --- faults ------------------------------------------------------------------------------------------------


def plant(shot: Shot, seed: int, fault: str, size: float) -> tuple[Shot, Truth]:
    """A walk with one fault of a size (m, or a share of the bone), and what should be found. ValueError for others."""
    rng = np.random.default_rng([seed, len(fault), round(1e4 * size)])
    marks = [m for m in _contacts(shot) if m[2] - m[1] > 12 * shot.fps / 24]
    name, first, last = marks[int(rng.integers(1, len(marks) - 1))]
    side = name[-1]
    sign = 1.0 if rng.random() < 0.5 else -1.0
    if fault == "slide":
        by = np.array([0.4 * sign, 0.0, sign]) * size / np.hypot(0.4, 1.0)
        return _moved_end(shot, side, first, last, by), Truth(
            "sliding contact", (name,), (f"thigh.{side}", f"shin.{side}", name), (first, last)
        )
    if fault == "sink":
        by = np.array([0.0, -size, 0.0])
        return _moved_end(shot, side, first, last, by, whole=True), Truth(
            "through floor", (name,), (f"thigh.{side}", f"shin.{side}", name), (first, last)
        )
    if fault == "hips":
        middle = (first + last) // 2
        return _bumped(shot, "hips", "translation.z", middle, sign * size), Truth(
            "sliding contact", ("hips", "foot.L", "foot.R"), ("hips",), (middle - 8, middle + 8)
        )
    if fault == "grow":
        return _grown(shot, f"shin.{side}", first, last, size), Truth(
            "changed bone length", (f"shin.{side}",), (f"shin.{side}",), (first, last)
        )
    raise ValueError(f"{fault!r}: one of {', '.join(SIZES)}")


def _contacts(shot: Shot) -> list[tuple[str, int, int]]:
    """Foot, first and last frame of each contact: by the motion itself, so that unmarked walks serve too."""
    found = []
    for side in "LR":
        path = world_point(pose(shot, shot.frames), shot, Point(f"foot.{side}", (0.0, 0.0, 0.0)))
        still = np.append(np.linalg.norm(np.diff(path[:, [0, 2]], axis=0), axis=1) < 2e-3, False)
        found += [(f"foot.{side}", a, b) for a, b in _spans(still)]
    return found


def _moved_end(shot: Shot, side: str, first: int, last: int, by: Array, whole: bool = False) -> Shot:
    """The leg turned so that the foot goes by `by` (m): there and back in the contact's middle half, or all through."""
    limb = (f"thigh.{side}", f"shin.{side}", f"foot.{side}")
    frames = np.arange(max(first - 4, shot.first_frame), min(last + 4, shot.last_frame) + 1.0)
    t = (frames - first) / max(last - first, 1)
    bump = np.clip(np.minimum(t, 1 - t) * 6 if whole else 1 - np.abs(t - 0.5) * 4, 0, 1)
    shape = minimum_jerk(bump)
    points = (Point(limb[2], (0.0, 0.0, 0.0)), Point(limb[2], (0.0, -ANKLE, 0.17)))
    posed = pose(shot, frames)
    places = np.stack([world_point(posed, shot, p) + shape[:, None] * by for p in points])
    goals = Goals(points, frames, places, np.ones((2, len(frames))))
    if shot.controls[0].channels[0].baked:
        return followed(shot, limb, goals, Locks(shot, (), (shot.first_frame, shot.last_frame)))
    baked = replace(shot, controls=tuple(_as_baked(shot, c) for c in shot.controls))
    after = followed(baked, limb, goals, Locks(baked, (), (shot.first_frame, shot.last_frame)))
    return _rekeyed(shot, after, limb, frames)


def _as_baked(shot: Shot, control: Control) -> Control:
    return replace(control, channels=tuple(bake(channel, shot) for channel in control.channels))


def _rekeyed(shot: Shot, after: Shot, names: Sequence[str], frames: Array) -> Shot:
    """The keyed shot with the values of its keys in some frames read off a baked one, slopes made anew."""
    for name in names:
        for channel in shot.control(name).channels:
            baked = after.control(name).channel(channel.name)
            assert channel.keys is not None
            assert baked is not None
            assert baked.samples is not None
            at = channel.keys.frames
            inside = (at >= frames[0]) & (at <= frames[-1])
            values = channel.keys.values.copy()
            values[inside, 0] = baked.samples[at[inside].astype(np.intp) - shot.first_frame, 0]
            slopes = slopes_by("natural", at, values[:, 0])[:, None]
            keys = channel.keys.changed(values=values, incoming=slopes, outgoing=slopes)
            shot = shot.with_channel(name, replace(channel, keys=keys))
    return shot


def _bumped(shot: Shot, control: str, name: str, frame: int, size: float) -> Shot:
    """One key's value off, its slopes kept; or a bump of a third of a second in the samples."""
    channel = shot.control(control).channel(name)
    assert channel is not None
    if channel.keys is not None:
        values = channel.keys.values.copy()
        values[int(np.argmin(np.abs(channel.keys.frames - frame)))] += size
        return shot.with_channel(control, replace(channel, keys=channel.keys.changed(values=values)))
    assert channel.samples is not None
    reach = shot.fps / 3
    bump = size * minimum_jerk(1.0 - np.abs(shot.frames - frame) / reach)
    return shot.with_channel(control, replace(channel, samples=frozen(channel.samples + bump[:, None])))


def _grown(shot: Shot, control: str, first: int, last: int, share: float) -> Shot:
    """A translation along the bone on the joint, which had none."""
    i = shot.index(control)
    old = shot.controls[i]
    t = (shot.frames - first) / (last - first)
    shape = minimum_jerk(np.clip(np.minimum(t, 1 - t) * 4, 0, 1))
    channel = _baked("translation.y", -THIGH * share * shape)
    grown = replace(old, channels=(channel, *old.channels))
    return replace(shot, controls=(*shot.controls[:i], grown, *shot.controls[i + 1 :]))


# --- measures ----------------------------------------------------------------------------------------------


def hits(flags: Sequence[Flag], truth: Truth) -> list[Flag]:
    return [
        flag
        for flag in flags
        if flag.fault == truth.fault
        and flag.control in truth.controls
        and flag.frames[0] <= truth.frames[1]
        and truth.frames[0] <= flag.frames[1]
    ]


def distance(one: Shot, other: Shot) -> float:
    """Root mean square distance of the ankles of two shots, shot units."""
    points = [Point(f"foot.{side}", (0.0, 0.0, 0.0)) for side in "LR"]
    poses = [pose(shot, other.frames) for shot in (one, other)]
    apart = [
        np.linalg.norm(world_point(poses[0], one, p) - world_point(poses[1], other, p), axis=1)
        for p in points
    ]
    return float(np.sqrt(np.mean(np.square(apart))))

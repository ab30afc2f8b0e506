"""Jumps of a whole figure with a known gravity: sound ones, and ones that float, drop, hang or brake in the air.

The figure crouches, leaves the ground, swings arms and legs in the air and lands; its hips are set so that the centre
of mass follows the parabola asked for. That centre is computed here by hand from the figure's own segments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmarks.corpus import slopes_by
from benchmarks.planted.planted import CATALOGUE, Planted, Size, Truth, rng_of
from refine.pose import Point, pose, world_point
from refine.shot import Array, Camera, Channel, Control, Mark, Shot, frozen, make_keys

Fault = Literal["none", "gravity", "hang", "brake"]
GRAVITY = 9.81
RISE, SPEED = 2.4, 1.2  # m/s up and forward when the feet leave the ground
STAND = 0.5  # s before and after
FAULT = "false flight"
EVEN = 0.1 / 0.15  # of the speed along the ground for a share of g: what the catalogue's two warnings are
# Name, parent, part, place in the parent, tip, share of the body (de Leva 1996, male [pub]), centre on the bone.
BONES = (
    ("hips", None, "pelvis", (0.0, 0.0, 0.0), None, 0.1117, 0.5),
    ("chest", "hips", "spine", (0.0, 0.15, 0.0), None, 0.3229, 0.5),
    ("head", "chest", "head", (0.0, 0.4, 0.0), (0.0, 0.25, 0.0), 0.0694, 0.5),
    *(
        bone
        for side, sign in (("L", 1.0), ("R", -1.0))
        for bone in (
            (f"upper_arm.{side}", "chest", "arm", (0.2 * sign, 0.4, 0.0), None, 0.0271, 0.5772),
            (f"forearm.{side}", f"upper_arm.{side}", "arm", (0.0, -0.3, 0.0), None, 0.0162, 0.4574),
            (f"hand.{side}", f"forearm.{side}", "hand", (0.0, -0.26, 0.0), (0.0, -0.18, 0.0), 0.0061, 0.5),
            (f"thigh.{side}", "hips", "leg", (0.1 * sign, 0.0, 0.0), None, 0.1416, 0.4095),
            (f"shin.{side}", f"thigh.{side}", "leg", (0.0, -0.43, 0.0), None, 0.0433, 0.4459),
            (f"foot.{side}", f"shin.{side}", "foot", (0.0, -0.41, 0.0), (0.0, -0.08, 0.17), 0.0137, 0.5),
        )
    ),
)


@dataclass(frozen=True, slots=True)
class Jump:
    """What a jump is like: `gravity` as a share of the earth's; `size` of the hang (s) or of the braking (share)."""

    fps: float = 24.0
    gravity: float = 1.0
    fault: Fault = "none"
    size: float = 0.0
    swing: float = 40.0  # deg by which arms and legs move in the air


def _turns(t: Array, end: float, swing: float) -> dict[str, Array]:
    """(N,) degrees about x: arms thrown up, knees drawn in, both let down again, between leaving and landing."""
    tuck = np.sin(np.pi * np.clip(t / end, 0.0, 1.0)) ** 2
    found = {f"upper_arm.{side}": -2.0 * swing * tuck for side in "LR"}
    found |= {f"thigh.{side}": -swing * tuck for side in "LR"}
    return found | {f"shin.{side}": 1.5 * swing * tuck for side in "LR"}


def _course(t: Array, jump: Jump) -> tuple[Array, float]:
    """(N, 3) of the centre of mass over where it was when the feet left, m, and when they land, s."""
    hang = jump.size if jump.fault == "hang" else 0.0
    top = RISE / (GRAVITY * jump.gravity)
    end = 2 * top + hang
    own = np.where(t < top, t, np.maximum(t - hang, np.minimum(t, top)))  # time stands still at the top
    own = np.clip(own, 0.0, 2 * top)
    y = RISE * own - 0.5 * GRAVITY * jump.gravity * own**2
    z = SPEED * np.clip(t, 0.0, end)
    if jump.fault == "brake":  # slower from one half of the flight to the other
        z += jump.size * SPEED * (end / np.pi) * (np.sin(np.pi * np.clip(t / end, 0.0, 1.0)))
    return np.stack([0 * t, y, z], axis=1), end


def jump(jump: Jump) -> Shot:
    """The shot, baked, its unit stated, contacts found by motion."""
    end = _course(np.zeros(1), jump)[1]
    count = round((2 * STAND + end) * jump.fps) + 1
    t = np.arange(count) / jump.fps - STAND
    course, _ = _course(t, jump)
    turns = _turns(t, end, jump.swing)
    controls = tuple(_control(bone, turns, np.zeros((count, 3))) for bone in BONES)
    still = Shot("jump", jump.fps, 0, count - 1, controls)
    centre = _centre(still)
    place = course - (centre - centre[0]) + np.array([0.0, 0.92, 0.0])
    controls = (_control(BONES[0], turns, place), *controls[1:])
    aside = Control(
        "camera", rest_translation=(7.0, 1.0, 0.5), rest_rotation=(0.0, np.sqrt(0.5), 0.0, np.sqrt(0.5))
    )
    shot = replace(still, controls=controls, unit_stated=True)
    return replace(shot, cameras=(Camera(aside, 30.0, 1920, 1080, 16 / 9),))


def _control(bone: tuple, turns: dict[str, Array], place: Array) -> Control:  # type: ignore[type-arg]
    name, parent, part, rest, tip, _, _ = bone
    channels = (
        [_baked(f"translation.{a}", place[:, i]) for i, a in enumerate("xyz")] if parent is None else []
    )
    channels += [_baked("rotation.x", turns[name])] if name in turns else []
    return Control(name, parent, part, rest, tip=tip, channels=tuple(channels))


def _baked(name: str, values: Array) -> Channel:
    return Channel(name, samples=frozen(np.asarray(values)[:, None]))


def _centre(shot: Shot) -> Array:
    """(N, 3) centre of mass by the table above: along each bone to its tip, or to where the next ones hang."""
    posed, total = pose(shot, shot.frames), np.zeros((len(shot.frames), 3))
    for name, _, _, _, tip, share, centre in BONES:
        ends = [bone[3] for bone in BONES if bone[1] == name]
        end = np.mean(ends, axis=0) if tip is None else np.asarray(tip)
        total += share * world_point(posed, shot, Point(name, tuple((centre * end).tolist())))
    return total / sum(bone[5] for bone in BONES)


def keyed(shot: Shot, every: int) -> Shot:
    """The same jump with a key every few frames and on the last one, natural slopes."""
    at = np.unique(np.r_[0 : shot.last_frame + 1 : every, shot.last_frame]).astype(float)

    def made(channel: Channel) -> Channel:
        assert channel.samples is not None
        values = channel.samples[at.astype(np.intp), 0]
        return Channel(channel.name, make_keys(at, values, slopes_by("natural", at, values)))

    return replace(
        shot, controls=tuple(replace(c, channels=tuple(map(made, c.channels))) for c in shot.controls)
    )


def marked(shot: Shot, kind: Literal["hold", "accent", "cut"]) -> Shot:
    """The jump with a mark over the whole of it."""
    return replace(shot, marks=(Mark(kind, (0.0, float(shot.last_frame))),))


# --- planted -----------------------------------------------------------------------------------------------


def jump_keyed(clip: str, seed: int) -> Shot:
    """A sound jump with a key every other frame; arms and legs swing as the seed says."""
    return keyed(jump(Jump(swing=_swing(seed))), 2)


def jump_baked(clip: str, seed: int) -> Shot:
    return jump(Jump(swing=_swing(seed)))


def _swing(seed: int) -> float:
    return float(np.random.default_rng([seed, 3]).uniform(20, 50))


def plant(shot: Shot, seed: int, size: Size) -> Planted:
    """The same jump with another gravity, or braking in the air."""
    rng, wanted = rng_of(seed, FAULT, size), CATALOGUE[FAULT].of(size)
    is_keyed = shot.controls[0].channels[0].keys is not None
    made = Jump(swing=_swing(seed), gravity=1 + wanted * rng.choice([-1.0, 1.0]))
    way = "gravity"
    if seed % 3 == 2:
        made, way = Jump(swing=_swing(seed), fault="brake", size=wanted * EVEN), "brake"
    end = _course(np.zeros(1), made)[1]
    found = jump(made)
    first, last = round(STAND * found.fps) + 1, round((STAND + end) * found.fps) - 1
    truth = Truth((FAULT,), ("hips",), (), (first, last), wanted, way=way)
    return (keyed(found, 2) if is_keyed else found), truth


def measure(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Share of g that a parabola through the flight is off, or how uneven the way along the ground is, by its scale.

    The speed is that from key to key: between them a natural spline rings where the feet leave the ground, by 0.21 of
    this scale in a sound jump.
    """
    a, b = truth.frames
    t, centre = np.arange(b - a + 1) / shot.fps, _centre(shot)[a : b + 1]
    if truth.way == "gravity":
        return abs(float(-2 * np.polyfit(t, centre[:, 1], 2)[0]) / GRAVITY - 1)
    keys = shot.controls[0].channels[0].keys
    at = np.arange(a, b + 1) if keys is None else keys.frames[(keys.frames >= a) & (keys.frames <= b)]
    speeds = np.diff(centre[at.astype(np.intp) - a, 2]) / np.diff(at) * shot.fps
    return float(np.abs(speeds / speeds.mean() - 1).max()) / EVEN

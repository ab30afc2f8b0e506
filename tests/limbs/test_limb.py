"""Limbs by the words of segment tables, and limbs that a goal and a pole lead."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.planted.contacts import SHIN, THIGH, stepping
from refine.changes import differences
from refine.flags import contacts, limbs
from refine.flags.bending import calmed
from refine.flags.check import stage_of
from refine.flags.look import Look
from refine.limbs.limb import bend, joints
from refine.limbs.limb import limbs as limbs_of
from refine.pose import Point, pose, world_point
from refine.shot import Array, Camera, Channel, Control, Link, Mark, Shot, frozen
from tests.tolerances import SAME_PATH

RATES = (12.0, 24.0, 30.0, 60.0)


def nameless(legs: bool, ground: bool) -> Shot:
    """A figure that stands with hanging arms, without parts; its root at the hips or on the ground below them."""
    bones = {
        "hips": ("ground" if ground else None, 0.0, 0.9),
        "back": ("hips", 0.0, 0.15),
        "chest": ("back", 0.0, 0.15),
        "head": ("chest", 0.0, 0.3),
    }
    for side, x in (("l_", 1.0), ("r_", -1.0)):
        bones |= {f"{side}upper": ("chest", 0.18 * x, 0.15), f"{side}fore": (f"{side}upper", 0.0, -0.3)}
        bones |= {f"{side}hand": (f"{side}fore", 0.0, -0.26)}
        if legs:
            bones |= {f"{side}thigh": ("hips", 0.1 * x, -0.05), f"{side}shin": (f"{side}thigh", 0.0, -0.4)}
            bones |= {f"{side}foot": (f"{side}shin", 0.0, -0.4)}
    controls = [Control(n, parent, rest_translation=(x, y, 0.0)) for n, (parent, x, y) in bones.items()]
    return Shot("figure", 24.0, 0, 23, (*([Control("ground")] if ground else []), *controls))


@pytest.mark.parametrize("ground", [False, True])
@pytest.mark.parametrize("legs", [False, True])
def test_only_what_hangs_from_the_hips_is_a_leg_by_its_shape(legs: bool, ground: bool) -> None:
    """A capture of the upper body has arms that end lowest of all, and nothing to stand on."""
    shot = nameless(legs, ground)
    kinds = {limb.end: limb.kind for limb in limbs_of(shot, pose(shot, shot.frames))}
    hands, feet = dict.fromkeys(("l_hand", "r_hand"), "arm"), dict.fromkeys(("l_foot", "r_foot"), "leg")
    assert kinds == (hands | feet if legs else hands)


@pytest.mark.parametrize(
    ("upper", "lower", "end"),
    [
        ("leg", "leg", "foot"),
        ("thigh", "shank", "foot"),
        ("thigh", "shin", "ankle"),
        ("upper leg", "calf", "foot"),
    ],
)
def test_a_leg_is_known_by_the_words_of_segment_tables(upper: str, lower: str, end: str) -> None:
    shot = stepping()
    parts = {"thigh": upper, "shin": lower, "foot": end}
    named = replace(
        shot, controls=tuple(replace(c, part=parts.get(c.name.split(".")[0], c.part)) for c in shot.controls)
    )
    found = limbs_of(named, pose(named, named.frames))
    assert [limb.chain for limb in found] == [(f"thigh.{s}", f"shin.{s}", f"foot.{s}") for s in "LR"]
    assert {limb.kind for limb in found} == {"leg"}
    assert found == limbs_of(shot, pose(shot, shot.frames))


@pytest.mark.parametrize("words", [("upper arm", "forearm", "hand"), ("arm", "forearm", "wrist")])
def test_an_arm_behind_its_collar_bone_too(words: tuple[str, str, str]) -> None:
    parts = ("collar", *words)
    names = ("a", "b", "c", "d")
    chain = tuple(
        Control(name, parent, part, rest_translation=(0.3, 0.0, 0.0))
        for name, parent, part in zip(names, (None, *names), parts, strict=False)
    )
    shot = Shot("arm", 24.0, 0, 1, chain)
    (limb,) = limbs_of(shot, pose(shot, shot.frames))
    assert (limb.kind, limb.chain) == ("arm", ("b", "c", "d"))


def led(path: Array, fps: float, marks: Iterable[Mark] = (), travel: float = 0.0) -> Shot:
    """A leg whose bones hold to a goal that goes along `path` (N, 3), its knee to a pole in front.

    Hips, goal and pole travel forward by so many metres a second.
    """
    along = travel * np.arange(len(path)) / fps
    ahead = (Channel("translation.z", samples=frozen(along[:, None])),)
    path = path + along[:, None] * [0.0, 0.0, 1.0]
    channels = tuple(
        Channel(f"translation.{axis}", samples=frozen(path[:, i : i + 1])) for i, axis in enumerate("xyz")
    )
    controls = (
        Control("hips", part="pelvis", rest_translation=(0.0, 0.9, 0.0), channels=ahead),
        Control("thigh", "hips", "thigh"),
        Control("shin", "thigh", "shin", (0.0, -THIGH, 0.0), links=(Link("aim", "pole"),)),
        Control("ankle bone", "shin", "foot", (0.0, -SHIN, 0.0), links=(Link("constraint", "foot goal"),)),
        Control("foot goal", tip=(0.0, -0.08, 0.17), channels=channels),
        Control("pole", rest_translation=(0.0, 0.5, 2.0), channels=ahead),
    )
    aside = Control(
        "camera", rest_translation=(5.0, 0.6, 0.5), rest_rotation=(0.0, np.sqrt(0.5), 0.0, np.sqrt(0.5))
    )
    camera = Camera(aside, 30.0, 1920, 1080, 16 / 9)
    return Shot("led", fps, 0, len(path) - 1, controls, (camera,), tuple(marks))


def test_the_knee_of_a_led_leg_is_where_its_bones_meet_on_the_poles_side() -> None:
    t = np.linspace(0, 2 * np.pi, 30)
    path = np.stack([0.1 * np.sin(t), 0.25 + 0.1 * np.cos(t), 0.2 * np.sin(2 * t)], axis=1)
    shot = led(path, 24.0)
    posed = pose(shot, shot.frames)
    (limb,) = limbs_of(shot, posed)
    assert limb.end == "foot goal"
    assert limb.moved == ("foot goal",)
    hip, knee, ankle = joints(shot, posed, limb)
    np.testing.assert_allclose(ankle, path, atol=SAME_PATH)
    np.testing.assert_allclose(np.linalg.norm(knee - hip, axis=1), THIGH, atol=SAME_PATH)
    np.testing.assert_allclose(np.linalg.norm(ankle - knee, axis=1), SHIN, atol=SAME_PATH)
    cosine = (THIGH**2 + SHIN**2 - np.sum((ankle - hip) ** 2, axis=1)) / (2 * THIGH * SHIN)
    np.testing.assert_allclose(
        bend(shot, posed, limb), 180 - np.rad2deg(np.arccos(cosine)), atol=1e3 * SAME_PATH
    )
    line = (ankle - hip) / np.linalg.norm(ankle - hip, axis=1, keepdims=True)
    towards = world_point(posed, shot, Point("pole", (0.0, 0.0, 0.0))) - hip
    off = towards - np.sum(towards * line, axis=1, keepdims=True) * line
    assert np.all(np.sum((knee - hip) * off, axis=1) > 0)


@pytest.mark.parametrize("fps", RATES)
def test_a_led_leg_that_runs_out_of_length_pops_and_its_goal_alone_is_moved(fps: float) -> None:
    t = np.arange(round(2 * fps)) / fps
    distance = np.minimum(0.84 - 0.045 * np.cos(np.pi * t), 0.8399)
    shot = led(np.stack([0 * t, 0.9 - distance, 0 * t], axis=1), fps, travel=1.0)
    found = list(limbs.find(stage_of(shot, Look())))
    assert {flag.fault for flag in found} == {"straight limb pop"}
    assert found[0].cause.control == "foot goal"
    assert "taken from foot goal and pole" in found[0].message
    after = next(calmed(stage_of(shot, Look()), found[0]))
    assert {c.control for c in differences(shot, after)} == {"foot goal"}
    assert list(limbs.find(stage_of(after, Look()))) == []


def test_a_led_foot_that_slides_while_planted_is_put_back_by_its_goal() -> None:
    count = 48
    path = np.tile([0.0, 0.12, 0.0], (count, 1))
    path[:, 2] = 0.05 * np.clip((np.arange(count) - 20) / 8, 0, 1)
    shot = led(path, 24.0, [Mark("contact", (4.0, 44.0), ("foot goal",))])
    (flag,) = contacts.find(stage_of(shot, Look()))
    assert (flag.control, flag.fault) == ("foot goal", "sliding contact")
    after = contacts.mend_sliding(stage_of(shot, Look()), flag)
    assert after is not None
    assert {c.control for c in differences(shot, after)} == {"foot goal"}
    assert list(contacts.find(stage_of(after, Look()))) == []

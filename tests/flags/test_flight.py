"""Flights that don't fall as things fall: found on jumps made for it, left alone where gravity is right or meant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.planted.contacts import stepping
from benchmarks.planted.flight import BONES, RISE, Jump, jump, keyed, marked
from refine.changes import differences
from refine.flags import flight
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.pose import Point, pose, world_point
from refine.shot import Control, Link, Mark, Pin, Shot
from tests.flags.tolerances import FALLEN, FALLS

RATES = (12.0, 24.0, 30.0, 60.0)


def flags(shot: Shot) -> list[Flag]:
    return list(flight.find(stage_of(shot, Look())))


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("swing", [0.0, 40.0], ids=["stiff", "swinging"])
def test_a_jump_under_gravity_is_left_alone(fps: float, swing: float) -> None:
    assert flags(jump(Jump(fps, swing=swing))) == []


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize(
    ("gravity", "severity"),
    [(0.5, "error"), (0.8, "warn"), (0.9, None), (1.1, None), (1.2, "warn"), (1.4, "error")],
)
def test_another_gravity_is_found_and_measured(fps: float, gravity: float, severity: str | None) -> None:
    found = flags(jump(Jump(fps, gravity)))
    assert [flag.severity for flag in found] == ([severity] if severity else [])
    for flag in found:
        assert (flag.fault, flag.control, flag.unit) == ("false flight", "hips", "of g")
        assert flag.amount == pytest.approx(abs(gravity - 1), abs=FALLEN)
        assert f"{100 * gravity:.0f} % of gravity" in flag.message
        lands = (0.5 + 2 * RISE / (9.81 * gravity)) * fps  # half a second of standing comes before
        assert 0.5 * fps - 1 <= flag.frames[0] < flag.frames[1] <= lands + 1


@pytest.mark.parametrize("fps", RATES)
def test_a_hang_in_the_air_is_found(fps: float) -> None:
    (flag,) = flags(jump(Jump(fps, fault="hang", size=0.2)))
    assert flag.severity == "error"
    assert flag.unit == "of g"


@pytest.mark.parametrize("fps", RATES[1:])
def test_braking_in_the_air_is_found(fps: float) -> None:
    assert flags(jump(Jump(fps, fault="brake", size=0.05))) == []
    (flag,) = flags(jump(Jump(fps, fault="brake", size=0.4)))
    assert flag.unit == "of its speed"
    assert "along the ground" in flag.message


def test_it_is_one_of_the_faults_that_check_finds() -> None:
    found = check(stage_of(jump(Jump(gravity=0.5)), Look()))
    assert "false flight" in [flag.fault for flag in found]


def test_it_is_found_on_keys_and_names_them() -> None:
    assert flags(keyed(jump(Jump()), 2)) == []
    (flag,) = flags(keyed(jump(Jump(gravity=0.5)), 2))
    assert flag.cause.control == "hips"
    assert flag.cause.frames
    assert all(flag.frames[0] <= frame <= flag.frames[1] for frame in flag.cause.frames)


def test_animation_on_twos_is_no_other_gravity() -> None:
    for gravity, count in ((1.0, 0), (0.5, 1)):
        shot = jump(Jump(24.0, gravity))
        assert len(flags(on_twos(shot))) == count


def on_twos(shot: Shot) -> Shot:
    every = 2 * (np.arange(len(shot.frames)) // 2)
    controls = tuple(
        replace(
            c,
            channels=tuple(
                replace(ch, samples=ch.samples[every]) for ch in c.channels if ch.samples is not None
            ),
        )
        for c in shot.controls
    )
    return replace(shot, controls=controls)


@pytest.mark.parametrize("kind", ["hold", "accent", "cut"])
def test_what_is_marked_is_left_alone(kind: str) -> None:
    assert flags(marked(jump(Jump(gravity=0.5)), kind)) == []  # type: ignore[arg-type]


def test_a_hand_marked_as_touching_carries_the_figure() -> None:
    shot = jump(Jump(gravity=0.5))
    mark = Mark("contact", (0.0, float(shot.last_frame)), ("hand.L",))
    assert flags(replace(shot, marks=(mark,))) == []


def test_a_figure_attached_to_something_is_carried() -> None:
    shot = jump(Jump(gravity=0.5))
    hips = replace(shot.controls[0], links=(Link("attachment", "rope"),))
    assert flags(replace(shot, controls=(hips, *shot.controls[1:], Control("rope")))) == []


def test_one_says_i_meant_that() -> None:
    shot = jump(Jump(fault="hang", size=0.2))
    (flag,) = flags(shot)
    mark = Mark("meant", (float(flag.frames[0]), float(flag.frames[1])), ("hips",), flag.fault)
    found = check(stage_of(replace(shot, marks=(mark,)), Look()))
    assert "false flight" not in [other.fault for other in found]


def test_without_a_stated_unit_or_a_known_body_nothing_follows() -> None:
    shot = jump(Jump(gravity=0.5))
    assert flags(replace(shot, unit_stated=False)) == []
    unknown = tuple(replace(c, part="lamp") if c.part == "spine" else c for c in shot.controls)
    assert flags(replace(shot, controls=unknown)) == []


@pytest.mark.parametrize(("up", "unit"), [("y", 0.01), ("z", 1.0)])
def test_the_unit_and_the_axis_that_points_up_are_the_shots(up: str, unit: float) -> None:
    for gravity, count in ((1.0, 0), (0.5, 1)):
        assert len(flags(turned(jump(Jump(gravity=gravity)), up, unit))) == count


def turned(shot: Shot, up: str, unit: float) -> Shot:
    """The same jump in another unit, or lying on its back under a control that stands it up on z."""
    stand = Control("stand", rest_rotation=(float(np.sqrt(0.5)), 0.0, 0.0, float(np.sqrt(0.5))))
    rig = tuple(scaled(control, 1 / unit) for control in shot.controls)
    camera = replace(shot.cameras[0], control=scaled(shot.cameras[0].control, 1 / unit))
    if up == "y":
        return replace(shot, controls=rig, cameras=(camera,), metres_per_unit=unit)
    hips, *others = rig
    hung = replace(camera, control=replace(camera.control, parent="stand"))
    return replace(shot, controls=(stand, replace(hips, parent="stand"), *others), cameras=(hung,), up="z")


def scaled(control: Control, by: float) -> Control:
    def longer(place: tuple[float, float, float]) -> tuple[float, float, float]:
        return place[0] * by, place[1] * by, place[2] * by

    channels = tuple(
        replace(ch, samples=ch.samples * by) if ch.samples is not None and ch.unit == "unit" else ch
        for ch in control.channels
    )
    tip = None if control.tip is None else longer(control.tip)
    return replace(control, rest_translation=longer(control.rest_translation), tip=tip, channels=channels)


@pytest.mark.parametrize("fps", RATES)
def test_a_walk_never_flies(fps: float) -> None:
    assert flags(replace(stepping(fps), unit_stated=True)) == []


@pytest.mark.parametrize("fps", RATES[1:])
@pytest.mark.parametrize("medium", ["baked", "keyed"])
@pytest.mark.parametrize(
    "made", [Jump(gravity=0.6), Jump(gravity=0.8), Jump(fault="brake", size=0.4)], ids=str
)
def test_a_mended_flight_falls_as_things_fall_and_only_the_hips_have_moved(
    fps: float, medium: str, made: Jump
) -> None:
    shot = jump(replace(made, fps=fps))
    shot = keyed(shot, max(round(fps / 20), 2)) if medium == "keyed" else shot
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert flags(result.shot) == []
    changes = differences(shot, result.shot)
    assert {c.control for c in changes} == {"hips"}
    assert {c.channel for c in changes} <= {"translation.y", "translation.z"}
    beside = (
        1 if medium == "baked" else 4 * max(round(fps / 20), 2)
    )  # the keys at its ends, and the slopes of two more
    assert all(flag.frames[0] - beside <= c.frame <= flag.frames[1] + beside for c in changes)
    assert 1 - FALLS <= gravity_of(result.shot, flag.frames) <= 1 + FALLS


def gravity_of(shot: Shot, frames: tuple[int, int]) -> float:
    """Share of g with which the mean of the bones' middles falls, their masses by the table of the benchmark."""
    total = np.zeros(len(shot.frames))
    posed = pose(shot, shot.frames)
    for name, _, _, _, tip, share, centre in BONES:
        ends = [bone[3] for bone in BONES if bone[1] == name]
        end = np.mean(ends, axis=0) if tip is None else np.asarray(tip)
        total += share * world_point(posed, shot, Point(name, tuple((centre * end).tolist())))[:, 1]
    inside = slice(frames[0], frames[1] + 1)
    seconds = shot.frames[inside] / shot.fps
    return float(-2 * np.polyfit(seconds, total[inside] / sum(bone[5] for bone in BONES), 2)[0] / 9.81)


def test_pins_on_the_hips_leave_a_flight_as_it_is() -> None:
    shot = replace(jump(Jump(gravity=0.6)), pins=(Pin("hips", None, (18.0, 20.0)),))
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    assert result.mended == ()
    assert result.left[0].clash == ("pin hips@18:20",)


def test_a_sparsely_keyed_flight_is_noted_since_it_says_too_little() -> None:
    (flag,) = flags(keyed(jump(Jump(gravity=0.5)), 20))
    assert flag.severity == "note"

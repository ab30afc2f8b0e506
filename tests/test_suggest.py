"""From a flagged range to a suggestion, on keyed channels: what moves, what never does, in which order, how far."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule
from refine.curve import sample
from refine.pose import Pose, pose
from refine.search import keyed
from refine.search.work import Work
from refine.shot import Channel, Control, Mark, Pin, Shot
from refine.suggest import Request, suggest
from refine.suggestion import applied
from tests.hand_made import (
    ARM_Z,
    RANGE,
    every_sample,
    faulty,
    keys_of,
    moved_frames,
    places,
    two_part_shot,
    value_off,
    with_keys,
)
from tests.tolerances import CURED, PROMISED_PX, PROMISED_SHARE, ROW, SPELLED

# --- what is changed -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("controls", [(), ("arm",), ("hips", "arm")])
def test_a_clear_fault_is_mended_and_nothing_else(rule: Rule, controls: tuple[str, ...]) -> None:
    shot = value_off(rule)
    found = suggest(shot, Request(RANGE, controls))
    assert places(found) == {(*ARM_Z, 65.0, "value")}
    assert found.changes[0].after == pytest.approx(found.changes[0].before - 3.0, abs=CURED)  # type: ignore[operator]
    assert "arm.rotation.z: a value off at frame 65" in found.reason
    after = applied(shot, found)
    assert set(moved_frames(shot, after)) == {ARM_Z}
    assert all(59 < frame < 73 for frame in moved_frames(shot, after)[ARM_Z])


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("controls", [(), ("hips",)])
def test_a_clean_shot_is_left_alone_and_the_reason_given(rule: Rule, controls: tuple[str, ...]) -> None:
    found = suggest(two_part_shot(rule), Request(RANGE, controls))
    assert found.changes == ()
    assert found.reason


def test_the_effect_is_measured() -> None:
    shot = value_off()
    effect = suggest(shot, Request(RANGE)).effect
    assert effect.largest_move.control == "arm"
    assert effect.largest_move.pixels > 5
    assert abs(effect.largest_move.frame - 65) <= 2
    assert effect.after.spacing < effect.before.spacing


def test_only_the_listed_fields_change() -> None:
    """A slope's cure leaves values, other keys' slopes, reaches, frames and kinds of segments as they are."""
    shot = faulty(two_part_shot(), *ARM_Z, slopes={11: 0.8})
    found = suggest(shot, Request(RANGE))
    assert {field for *_, field in places(found)} == {"incoming_slope", "outgoing_slope"}
    old, new = keys_of(shot, *ARM_Z), keys_of(applied(shot, found), *ARM_Z)
    assert np.array_equal(old.values, new.values)
    assert np.array_equal(old.frames, new.frames)
    assert np.flatnonzero(old.outgoing[:, 0] != new.outgoing[:, 0]).tolist() == [11]
    assert np.array_equal(old.segment, new.segment)


# --- what never moves ----------------------------------------------------------------------------------------


PINS = (
    Pin(*ARM_Z, (65.0, 65.0)),
    Pin("arm", None, (65.0, 65.0)),
    Pin("arm", None, (68.0, 70.0)),
    Pin("arm", None, (69.0, 69.0)),
    Pin(*ARM_Z, (66.5, 66.5)),
    Pin(*ARM_Z, (67.0, 67.0)),
)


@pytest.mark.parametrize("strength", [1.0, 3.0])
@pytest.mark.parametrize("pin", PINS, ids=str)
@pytest.mark.parametrize("by", ["shot", "request"])
def test_pins_of_all_kinds_never_move(pin: Pin, strength: float, by: str) -> None:
    """On a key, on a pose with and without a key, on a range, on a frame between frames; two faults to tempt."""
    shot = faulty(value_off(), *ARM_Z, slopes={13: 0.8})
    given = replace(shot, pins=(pin,)) if by == "shot" else shot
    found = suggest(given, Request(RANGE, ("arm",), strength, () if by == "shot" else (pin,)))
    after = applied(shot, found)
    at = np.unique([*np.arange(pin.frames[0], pin.frames[1] + 0.5, 0.25), pin.frames[1]])
    at = at[at <= pin.frames[1]]
    channels = [c for c in shot.controls[1].channels if pin.channel in (None, c.name)]
    for channel in channels:
        old, new = (sample(s.channel("arm", channel.name), s, at) for s in (shot, after))
        assert new == pytest.approx(old, abs=SPELLED)
    k = keys_of(shot, *ARM_Z).index(pin.frames[0])
    if k is not None and not pin.is_range:
        old_keys, new_keys = keys_of(shot, *ARM_Z), keys_of(after, *ARM_Z)
        assert old_keys.outgoing[k] == new_keys.outgoing[k]
        assert old_keys.values[k] == new_keys.values[k]


@pytest.mark.parametrize("strength", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("frames", [(40, 100), (55, 80), (60, 72), (64, 66)])
def test_nothing_outside_the_range_moves(strength: float, frames: tuple[int, int]) -> None:
    shot = faulty(value_off(), "hips", "rotation.z", {12: 2.5})
    after = applied(shot, suggest(shot, Request(frames, ("hips", "arm"), strength)))
    for moved in moved_frames(shot, after).values():
        assert min(moved) >= frames[0]
        assert max(moved) <= frames[1]


def test_a_range_too_narrow_for_the_cause_says_how_wide() -> None:
    found = suggest(value_off(), Request((62, 70), ("arm",)))
    assert found.changes == ()
    assert "a value off at frame 65" in found.reason
    assert "59:73" in found.reason
    assert suggest(value_off(), Request((59, 73), ("arm",))).changes


@pytest.mark.parametrize("mark", [Mark("accent", (64.0, 66.0), ("arm",)), Mark("contact", (65.0, 80.0))])
def test_keys_of_accents_and_contacts_are_named_but_not_moved(mark: Mark) -> None:
    found = suggest(replace(value_off(), marks=(mark,)), Request(RANGE))
    assert found.changes == ()
    assert mark.kind in found.reason


# --- the way through the rig ---------------------------------------------------------------------------------


@pytest.mark.parametrize("note", ["", "moved key"])
@pytest.mark.parametrize("frames", [RANGE, (60.0, 70.0)])
def test_a_key_that_was_meant_stays_and_the_mark_is_named(note: str, frames: tuple[float, float]) -> None:
    mark = Mark("meant", (float(frames[0]), float(frames[1])), ("arm",), note)
    found = suggest(replace(value_off("flat"), marks=(mark,)), Request(RANGE, ("arm",)))
    assert found.changes == ()
    assert f"meant marked at {frames[0]:g}:{frames[1]:g}" in found.reason
    assert found.clash == (f"meant {frames[0]:g}:{frames[1]:g} of arm",)


def test_controls_root_outward_and_translations_before_rotations(monkeypatch: pytest.MonkeyPatch) -> None:
    """The file lists the arm first and rotations first; looked at are the hips first, translations first."""
    shot = faulty(value_off(), "hips", "translation.y", {11: 0.2})
    hips, arm = shot.controls
    turned = tuple(reversed(hips.channels))
    shot = replace(shot, controls=(arm, replace(hips, channels=turned)))
    looked: list[tuple[str, str]] = []
    real = keyed.look

    def recorded(work: Work, control: Control, channel: Channel) -> bool:
        looked.append((control.name, channel.name))
        return real(work, control, channel)

    monkeypatch.setattr(keyed, "look", recorded)
    found = suggest(shot, Request(RANGE))
    assert found.order == ("hips", "arm")
    expected = ["translation.x", "translation.y", "rotation.y", "rotation.z"]
    assert looked == [*(("hips", name) for name in expected), *(("arm", f"rotation.{a}") for a in "xyz")]
    assert found.reason.index("hips.translation.y") < found.reason.index("arm.rotation.z")


def test_a_descendant_is_judged_after_its_parents_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    clean = two_part_shot()
    shot = faulty(faulty(clean, "hips", "rotation.z", {12: 6.0}), *ARM_Z, {11: 3.0})
    seen: dict[str, Pose] = {}
    real = keyed.most_moved

    def recorded(shot: Shot, posed: Pose, view: object, control: str, channel: str) -> object:
        seen.setdefault(control, posed)
        return real(shot, posed, view, control, channel)  # type: ignore[arg-type]

    monkeypatch.setattr(keyed, "most_moved", recorded)
    found = suggest(shot, Request(RANGE))
    assert {c.control for c in found.changes} == {"hips", "arm"}
    hips_cured = with_keys(shot, "hips", "rotation.z", keys_of(clean, "hips", "rotation.z"))
    for control, expected in (("hips", shot), ("arm", hips_cured)):
        truth = pose(expected, seen[control].frames)
        assert seen[control].origin == pytest.approx(truth.origin, abs=CURED)
        assert seen[control].linear == pytest.approx(truth.linear, abs=CURED)


def test_no_controls_means_all_and_naming_one_leaves_the_others() -> None:
    shot = faulty(value_off(), "hips", "rotation.z", {12: 6.0})
    every = suggest(shot, Request(RANGE))
    named = suggest(shot, Request(RANGE, ("arm", "hips")))
    assert places(every) == places(named) == {(*ARM_Z, 65.0, "value"), ("hips", "rotation.z", 73.0, "value")}
    assert places(suggest(shot, Request(RANGE, ("hips",)))) == {("hips", "rotation.z", 73.0, "value")}


# --- strength ------------------------------------------------------------------------------------------------


def test_strength_0_changes_nothing_and_half_goes_half_the_way() -> None:
    shot = faulty(value_off(), *ARM_Z, slopes={13: 0.8})
    assert suggest(shot, Request(RANGE, (), 0.0)).changes == ()
    whole = {
        (c.frame, c.field): np.subtract(c.after, c.before) for c in suggest(shot, Request(RANGE)).changes
    }
    for share in (0.3, 0.5):
        part = suggest(shot, Request(RANGE, (), share)).changes
        assert {(c.frame, c.field) for c in part} == set(whole)
        for change in part:
            wanted = share * whole[change.frame, change.field]
            assert np.subtract(change.after, change.before) == pytest.approx(wanted, abs=ROW)


def test_more_strength_goes_farther() -> None:
    shot = value_off("flat")
    clean = two_part_shot("flat")
    moves = [suggest(shot, Request(RANGE, (), s)).effect.largest_move.pixels for s in (0.1, 0.4, 0.7, 1.0)]
    assert np.all(np.diff(moves) > 0)
    away = []
    for strength in (1.0, 1.5, 2.0, 4.0):
        after = applied(shot, suggest(shot, Request(RANGE, (), strength)))
        away.append(float(np.abs(every_sample(after)[ARM_Z] - every_sample(clean)[ARM_Z]).max()))
    assert np.all(np.diff(away) > 0)
    assert away[0] == pytest.approx(0.0, abs=CURED)


def refined(shot: Shot, request: Request) -> tuple[Shot, float]:
    """The shot after a suggestion, as a renamed copy without history, and the largest move on screen."""
    found = suggest(shot, request)
    return replace(applied(shot, found), name="copy"), found.effect.largest_move.pixels


@pytest.mark.parametrize("strength", [1.0, 1.5, 2.0, 4.0])
@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("fault", ["value", "slope", "zigzag"])
def test_a_second_suggestion_moves_nothing(rule: Rule, strength: float, fault: str) -> None:
    """Promised for strengths from 1 on. Below 1 a part of the fault is left on purpose, and is found again."""
    amounts = {
        "value": ({11: 3.0}, {}),
        "slope": ({}, {11: 0.8}),
        "zigzag": ({10: 2.0, 11: -2.5, 12: 2.2}, {}),
    }
    shot = faulty(two_part_shot(rule), *ARM_Z, *amounts[fault])
    request = Request(RANGE, ("arm",), strength)
    once, first = refined(shot, request)
    _, second = refined(once, request)
    assert first > 1.0
    assert second <= min(PROMISED_PX, PROMISED_SHARE * first)


def test_a_new_fault_in_a_refined_shot_is_still_found() -> None:
    once, _ = refined(value_off(), Request(RANGE))
    again = suggest(faulty(once, *ARM_Z, {12: -2.5}), Request(RANGE))
    assert places(again) == {(*ARM_Z, 73.0, "value")}

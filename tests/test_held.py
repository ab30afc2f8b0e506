"""What may move and what may not: borders of the range, pins, marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from refine.held import Locks
from refine.shot import Channel, Keys, Limits, Mark, Pin, frozen, make_keys
from tests.hand_made import two_part_shot

FRAMES = np.array([0.0, 10, 20, 30, 40, 50, 60, 160])
KEYS = make_keys(FRAMES, FRAMES % 7, np.zeros(8))
RANGE = (10, 55)


def locks(pins: Sequence[Pin] = (), marks: Sequence[Mark] = (), frames: tuple[int, int] = RANGE) -> Locks:
    return Locks(two_part_shot(marks=marks), tuple(pins), frames)


def blocked(pins: Sequence[Pin] = (), marks: Sequence[Mark] = (), keys: Keys = KEYS) -> dict[int, str]:
    return locks(pins, marks).blocked("arm", "rotation.z", keys)


def test_a_key_moves_the_frames_up_to_its_neighbours() -> None:
    first, last = locks().influence(KEYS)
    assert first.tolist() == [0, 0, 10, 20, 30, 40, 50, 60]
    assert last.tolist() == [10, 20, 30, 40, 50, 60, 160, 160]


def test_the_first_and_last_key_move_all_before_and_after() -> None:
    first, last = locks().influence(make_keys([20, 40], [1, 2], [0, 0]))
    assert (first[0], last[1]) == (0, 160)
    first, last = locks().influence(make_keys([-30, 300], [1, 2], [0, 0]))  # keys beyond the shot's frames
    assert (first.tolist(), last.tolist()) == ([-30, -30], [300, 300])


def test_only_keys_whose_whole_influence_lies_in_the_range_are_free() -> None:
    reasons = blocked()
    assert locks().searched(KEYS).tolist() == [False, True, True, True, True, True, False, False]
    assert sorted(reasons) == [1, 5]
    assert "0:20" in reasons[1]
    assert "widen" in reasons[1]
    assert "40:60" in reasons[5]
    assert locks().usable(KEYS, reasons) == (10.0, 50.0)


def test_a_pin_on_a_key_or_pose_holds_that_key_alone() -> None:
    for pin in (Pin("arm", "rotation.z", (30.0, 30.0)), Pin("arm", None, (30.0, 30.0))):
        assert blocked([pin])[3] == f"pinned by {pin}"
        assert sorted(blocked([pin])) == [1, 3, 5]


def test_pins_of_other_channels_and_controls_do_not_hold() -> None:
    others = [
        Pin("arm", "rotation.x", (30.0, 30.0)),
        Pin("hips", None, (30.0, 30.0)),
        Pin("hips", None, (0.0, 160.0)),
    ]
    assert sorted(blocked(others)) == [1, 5]


@pytest.mark.parametrize(
    ("frames", "held"),
    [
        ((32.0, 35.0), [3, 4]),
        ((30.0, 31.0), [3, 4]),
        ((25.0, 45.0), [2, 3, 4, 5]),
        ((29.0, 30.0), [2, 3]),
        ((0.0, 160.0), [1, 2, 3, 4, 5]),
    ],
)
def test_a_pinned_range_holds_every_key_that_touches_it(frames: tuple[float, float], held: list[int]) -> None:
    """A key moves the open interval between its neighbours; at its neighbours' frames nothing moves."""
    reasons = blocked([Pin("arm", None, frames)])
    assert [k for k, why in reasons.items() if "pinned" in why] == held


def test_a_pin_without_a_key_becomes_a_row() -> None:
    pin = Pin("arm", "rotation.z", (33.0, 33.0))
    assert sorted(blocked([pin])) == [1, 5]
    held = locks([pin]).held("arm", Channel("rotation.z", KEYS), np.arange(6.0, 60.0))
    assert held.pins == ((f"pin {pin}", (33.0,)),)
    keyed = Pin("arm", "rotation.z", (30.0, 30.0))
    assert locks([keyed]).held("arm", Channel("rotation.z", KEYS), np.arange(6.0, 60.0)).pins == ()


def test_where_no_row_can_hold_the_keys_do() -> None:
    """Rows are on whole frames and single numbers: a fractional frame or a quaternion's pose freezes its segment."""
    fractional = Pin("arm", "rotation.z", (33.5, 33.5))
    assert sorted(blocked([fractional])) == [1, 3, 4, 5]
    four = make_keys(FRAMES, np.tile([0, 0, 0, 1.0], (8, 1)), np.zeros((8, 4)))
    assert sorted(blocked([Pin("arm", None, (33.0, 33.0))], keys=four)) == [1, 3, 4, 5]
    assert sorted(blocked([Pin("arm", None, (30.0, 30.0))], keys=four)) == [1, 3, 5]


def test_pins_and_limits_of_baked_channels_are_rows() -> None:
    limits = Limits(-1.0, 1.0, 0.5)
    baked = Channel("rotation.z", samples=frozen(np.zeros((161, 1))), limits=limits)
    pins = [
        Pin("arm", None, (20.0, 20.0)),
        Pin("arm", "rotation.z", (30.0, 32.0)),
        Pin("arm", None, (90.0, 95.0)),
    ]
    held = locks(pins).held("arm", baked, np.arange(6.0, 60.0))
    assert [frames for _, frames in held.pins] == [(20.0,), (30.0, 31.0, 32.0)]
    assert held.limits == limits


@pytest.mark.parametrize("kind", ["accent", "contact"])
def test_marks_hold_the_keys_within_them(kind: str) -> None:
    mark = Mark(kind, (28.0, 42.0), ("arm",))  # type: ignore[arg-type]
    reasons = blocked(marks=[mark])
    assert [k for k, why in reasons.items() if why.startswith(f"{kind} marked at 28:42")] == [3, 4]
    assert sorted(blocked(marks=[replace(mark, controls=("hips",))])) == [1, 5]
    assert sorted(blocked(marks=[replace(mark, controls=())])) == [1, 3, 4, 5]


@pytest.mark.parametrize(("kind", "held"), [("accent", [1, 2, 3, 4, 5]), ("contact", [1, 5])])
def test_an_accent_holds_though_it_spans_the_range_and_a_contact_does_not(kind: str, held: list[int]) -> None:
    """Who flags just the accent gets nothing sharp made soft; what a foot does in its stance may be off."""
    assert sorted(blocked(marks=[Mark(kind, (0.0, 160.0), ("arm",))])) == held  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("note", "held"),
    [("", True), ("moved key", True), ("stray slope", True), ("zigzag", True), ("sliding contact", False)],
)
def test_what_was_meant_holds_though_it_spans_the_range(note: str, held: bool) -> None:
    """A contact that spans all of it says nothing about a key; somebody who meant it all said so of each."""
    mark = Mark("meant", (0.0, 160.0), ("arm",), note)
    reasons = blocked(marks=[mark])
    assert sorted(reasons) == ([1, 2, 3, 4, 5] if held else [1, 5])
    assert locks(marks=[mark]).disturbs_accent("arm", 20.0, 40.0) == held
    assert sorted(blocked(marks=[replace(mark, controls=("hips",))])) == [1, 5]


@pytest.mark.parametrize(
    ("note", "held"), [("", True), ("jitter", True), ("spike", True), ("moved key", False)]
)
def test_samples_that_were_meant(note: str, held: bool) -> None:
    found = locks(marks=[Mark("meant", (28.0, 42.0), ("arm",), note)]).meant_samples("arm")
    assert found == ([("meant 28:42", (28.0, 42.0))] if held else [])


def test_a_mark_over_the_whole_range_says_nothing_about_a_key() -> None:
    """A foot planted during the whole shot would otherwise forbid all."""
    assert sorted(blocked(marks=[Mark("contact", (0.0, 160.0))])) == [1, 5]
    assert sorted(blocked(marks=[Mark("hold", (28.0, 42.0)), Mark("cut", (30.0, 30.0))])) == [1, 5]


def test_motion_may_break_at_the_ends_of_contacts_and_all_over_accents_and_cuts() -> None:
    marks = [
        Mark("contact", (12.0, 20.0)),
        Mark("accent", (30.0, 32.0)),
        Mark("cut", (40.0, 40.0)),
        Mark("hold", (5.0, 9.0)),
    ]
    frames = np.arange(0.0, 60.0)
    weight = locks(marks=marks).breaks("arm", frames)
    assert frames[weight == 0].tolist() == [12, 20, 30, 31, 32, 40]
    assert set(weight) == {0.0, 1.0}
    assert locks(marks=marks).kept_samples("arm") == [("accent 30:32", (30.0, 32.0))]


def test_nothing_is_usable_where_all_is_held() -> None:
    everything = Pin("arm", None, (0.0, 160.0))
    assert locks([everything]).usable(KEYS, blocked([everything])) is None

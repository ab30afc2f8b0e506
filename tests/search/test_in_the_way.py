"""What stands in the way of a mend: the fewest holders, whatever excludes it, and none where nothing does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from refine.search.in_the_way import held_by, holders, in_the_way
from refine.shot import Limits, Mark, Pin, Shot
from tests.hand_made import keys_of, two_part_shot, with_keys

PINS = tuple(Pin("hips", None, (float(frame), float(frame))) for frame in range(7))
ARM = ("arm", "rotation.z")


def pinned() -> Shot:
    return replace(two_part_shot(), pins=PINS)


def mender(*clashes: Iterable[int]) -> object:
    """A mend of the arm that fails while all pins of one of some sets are there."""

    def mended(shot: Shot) -> Shot | None:
        there = {int(pin.frames[0]) for pin in shot.pins}
        if any(set(clash) <= there for clash in clashes):
            return None
        keys = keys_of(shot, *ARM)
        return with_keys(shot, *ARM, keys.changed(values=keys.values + 1))

    return mended


@pytest.mark.parametrize("clash", [(3,), (0, 6), (1, 2, 5), tuple(range(7))], ids=str)
def test_just_the_holders_that_clash_are_named(clash: tuple[int, ...]) -> None:
    assert in_the_way(pinned(), mender(clash)) == tuple(f"pin hips@{n}" for n in clash)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("clash", "remedy"),
    [
        (["pin hips@3"], "release it"),
        (["pin hips@3", "pin hips@4"], "release one of them"),
        (["accent 3:5 of arm"], "shorten or remove the mark"),
        (["meant 3:5 of arm"], "shorten or remove the mark"),
        (["accent 3:5", "contact 3:5"], "shorten or remove one of the marks"),
        (["pin hips@3", "contact 3:5"], "release pin hips@3, or shorten or remove the mark"),
    ],
    ids=str,
)
def test_a_pin_is_released_and_a_mark_is_shortened_or_removed(clash: list[str], remedy: str) -> None:
    assert held_by(clash) == f"no mend goes together with {' and '.join(clash)}; {remedy}"


def test_of_two_clashes_one_is_named() -> None:
    found = in_the_way(pinned(), mender((1, 4), (0, 5)))  # type: ignore[arg-type]
    assert found in (("pin hips@1", "pin hips@4"), ("pin hips@0", "pin hips@5"))


def test_nothing_is_named_where_the_mend_fails_without_holders_too() -> None:
    assert in_the_way(pinned(), lambda shot: None) == ()
    assert in_the_way(two_part_shot(), lambda shot: None) == ()


@pytest.mark.parametrize(("note", "held"), [("", 1), ("moved key", 1), ("jitter", 1), ("foot roll", 0)])
def test_what_was_meant_holds_where_its_fault_is_mended_here(note: str, held: int) -> None:
    mark = Mark("meant", (3.0, 5.0), ("arm",), note)
    assert [holder.name for holder in holders(two_part_shot(marks=[mark]))] == ["meant 3:5 of arm"] * held


def test_pins_limits_accents_and_contacts_hold_and_other_marks_do_not() -> None:
    shot = pinned()
    channel = shot.control("arm").channel("rotation.z")
    assert channel is not None
    marks = tuple(Mark(kind, (3.0, 5.0), ("arm",)) for kind in ("cut", "accent", "contact"))
    shot = replace(shot.with_channel("arm", replace(channel, limits=Limits(-1.0, 1.0))), marks=marks)
    names = [holder.name for holder in holders(shot)]
    assert names[7:] == ["limits of arm.rotation.z", "accent 3:5 of arm", "contact 3:5 of arm"]

    def mended(tried: Shot) -> Shot | None:
        held = tried.control("arm").channel("rotation.z")
        assert held is not None
        clash = held.limits is not None and any(mark.kind == "accent" for mark in tried.marks)
        return None if clash else mender()(tried)  # type: ignore[operator,no-any-return]

    assert in_the_way(shot, mended) == ("limits of arm.rotation.z", "accent 3:5 of arm")

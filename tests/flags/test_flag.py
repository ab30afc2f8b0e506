"""A flag's id: short, the same for the same finding, and never that of two flags."""

from __future__ import annotations

from dataclasses import replace

import pytest

from refine.errors import InputError
from refine.flags.check import named
from refine.flags.flag import Cause, Flag, told_apart


def spike(frame: int) -> Flag:
    where = frame, frame
    cause = Cause("arm", "rotation.x", (float(frame),))
    return Flag("spike", "arm", "rotation.x", where, "warn", 5.0, "px", cause, "a spike", "take it out")


def alike() -> tuple[Flag, Flag]:
    """Two flags whose ids are the same in four digits, as of a few hundred two usually are."""
    seen: dict[str, Flag] = {}
    for flag in map(spike, range(5000)):
        if flag.id in seen:
            return seen[flag.id], flag
        seen[flag.id] = flag
    raise AssertionError("no two are alike")


def test_an_id_has_four_digits_where_they_tell_flags_apart() -> None:
    flags = [spike(frame) for frame in range(3)]
    assert [flag.id for flag in told_apart(flags)] == [flag.id for flag in flags]
    assert all(len(flag.id) == len("s-0000") for flag in flags)


def test_flags_that_share_four_digits_get_more_and_only_they() -> None:
    one, two = alike()
    alone = spike(9999)
    flags = told_apart([one, alone, two])
    assert len({flag.id for flag in flags}) == 3
    assert flags[1].id == alone.id
    assert {flag.id[: len(one.id)] for flag in flags if flag != alone} == {one.id}
    assert [flag.id for flag in told_apart([two, alone, one])][::-1] == [flag.id for flag in flags]


def test_two_causes_on_the_same_frames_are_told_apart() -> None:
    one = spike(7)
    two = replace(one, cause=Cause("arm", "rotation.x", (6.0, 7.0)))
    assert one.id == two.id
    assert len({flag.id for flag in told_apart([one, two])}) == 2


def test_an_id_names_one_flag_or_is_refused() -> None:
    one, two = alike()
    first, second = flags = told_apart([one, two])
    with pytest.raises(InputError, match="2 flags go by this id") as refused:
        named(flags, [one.id])
    assert first.id in refused.value.allowed
    assert second.id in refused.value.allowed
    assert named(flags, [second.id]) == [second]
    assert named(flags, [second.id, first.id]) == flags


def test_a_longer_id_is_known_once_a_shorter_one_is_enough() -> None:
    first, second = told_apart(alike())
    assert named([replace(second, digits=4)], [second.id]) == [second]
    for other in (first.id, second.id[:5], "s-", "", f"x{second.id}", f"{second.id}x"):
        with pytest.raises(InputError, match="no such flag"):
            named([replace(second, digits=4)], [other])

"""A range with a key pose a frame beside its own: the pose goes back whole, or stays whole and why is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchmarks.corpus import Rule
from refine.changes import made
from refine.pose_time import keyed
from refine.prepared import Request
from refine.shot import Mark, Pin, Shot
from refine.suggest import suggest
from tests.flags.test_strayed import AT, late, posed

REQUESTS = (Request((80, 150)), Request((80, 150), ("arm",)))


def frames_of(shot: Shot) -> list[list[float]]:
    return [keys.frames.tolist() for _, keys in keyed(shot.controls[1])]


@pytest.mark.parametrize("rule", ["natural", "chord"])
@pytest.mark.parametrize("by", [1, -1])
@pytest.mark.parametrize("request_", REQUESTS, ids=["all", "named"])
def test_the_pose_is_put_back_and_nothing_else_changed(rule: Rule, by: int, request_: Request) -> None:
    right = posed(rule)
    shot = late(right, by)
    found = suggest(shot, request_)
    assert made(shot, found.changes) == right
    assert f"the pose at {AT + by:g} was set for {AT:g}" in found.reason
    assert found.usable is not None
    assert found.usable[0] < AT < found.usable[1]


@pytest.mark.parametrize("strength", [0.25, 2.0])
def test_a_pose_goes_back_by_its_whole_frame_at_any_strength(strength: float) -> None:
    right = posed("chord")
    shot = late(right, 1)
    found = suggest(shot, replace(REQUESTS[1], strength=strength))
    assert frames_of(made(shot, found.changes)) == frames_of(right)


def test_strength_0_leaves_it() -> None:
    assert suggest(late(posed("chord"), 1), replace(REQUESTS[1], strength=0.0)).changes == ()


def test_a_pinned_pose_stays_whole_and_says_so() -> None:
    shot = late(posed("chord"), 1)
    held = replace(shot, pins=(Pin("arm", "rotation.y", (AT + 1, AT + 1)),))
    found = suggest(held, REQUESTS[1])
    assert found.changes == ()
    assert f"was set for {AT:g}" in found.reason
    assert f"pinned by arm.rotation.y@{AT + 1:g}" in found.reason
    assert found.clash == (f"pin arm.rotation.y@{AT + 1:g}",)


def test_a_pose_that_reaches_beyond_the_range_says_how_wide_to_make_it() -> None:
    found = suggest(late(posed("chord"), 1), Request((int(AT) - 2, int(AT) + 2), ("arm",)))
    assert found.changes == ()
    assert "more than the range: widen it to that" in found.reason


@pytest.mark.parametrize("note", ["", "off-frame key"])
def test_a_pose_that_is_marked_as_meant_stays(note: str) -> None:
    shot = late(posed("chord"), 1)
    meant = replace(shot, marks=(Mark("meant", (AT + 1, AT + 1), ("arm",), note),))
    assert suggest(meant, REQUESTS[1]).changes == ()


def test_a_value_that_is_off_beside_a_pinned_pose_is_still_found() -> None:
    right = posed("natural")
    channel, keys = keyed(right.controls[1])[0]
    k = keys.index(AT)
    assert k is not None
    values = keys.values.copy()
    values[k + 3] += 5.0
    off = right.with_channel("arm", replace(channel, keys=keys.changed(values=values)))
    shot = replace(late(off, 1), pins=(Pin("arm", "rotation.y", (AT + 1, AT + 1)),))
    found = suggest(shot, REQUESTS[1])
    (change,) = found.changes
    assert (change.channel, change.frame, change.field) == (channel.name, keys.frames[k + 3], "value")
    assert change.after == pytest.approx(float(keys.values[k + 3, 0]), abs=0.05)  # deg: one of three decimals

"""Joints past their limits: bent to stay below them, softly, with what is pinned left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import Rule
from refine.curve import bake, sample
from refine.errors import NoSolution
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.limits import FAULT, within_limit
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.shot import Array, Channel, Limits, Mark, Pin, Shot
from tests.flags.tolerances import BENT
from tests.hand_made import keyed, two_part_shot
from tests.tolerances import WITHIN_LIMIT

CONTROL, NAME = "arm", "rotation.z"
TOO_MUCH = 4.0  # deg
FINE = 20  # looks a frame


def flags(shot: Shot) -> list[Flag]:
    return [flag for flag in check(stage_of(shot, Look())) if flag.fault == FAULT]


def course(shot: Shot, fine: int = 1) -> Array:
    frames = np.arange(shot.first_frame, shot.last_frame, 1 / fine)
    return sample(shot.channel(CONTROL, NAME), shot, frames)[:, 0]


def limited(rule: Rule = "natural", baked: bool = False, side: str = "upper", by: float = TOO_MUCH) -> Shot:
    """A shot whose arm goes by some degrees past a limit where it goes farthest to one side."""
    shot = two_part_shot(rule)
    channel = shot.channel(CONTROL, NAME)
    channel = bake(channel, shot) if baked else channel
    values = sample(channel, shot, shot.frames)
    limits = Limits(upper=values.max() - by) if side == "upper" else Limits(lower=values.min() + by)
    return shot.with_channel(CONTROL, replace(channel, limits=limits))


def beyond(channel: Channel, values: Array) -> float:
    assert channel.limits is not None
    return float(max((values - channel.limits.upper).max(), (channel.limits.lower - values).max()))


@pytest.mark.parametrize("side", ["upper", "lower"])
@pytest.mark.parametrize("baked", [False, True], ids=["keyed", "baked"])
@pytest.mark.parametrize("rule", ["natural", "chord", "flat"])
def test_the_curve_is_brought_within_its_limit_between_the_frames_too(
    rule: Rule, baked: bool, side: str
) -> None:
    shot = limited(rule, baked, side)
    found = flags(shot)
    assert found
    result = mend(shot, Look(), found)
    assert result.left == ()
    assert flags(result.shot) == []
    channel = result.shot.channel(CONTROL, NAME)
    assert beyond(channel, course(shot, FINE)) > TOO_MUCH / 2
    assert beyond(channel, course(result.shot, FINE)) <= WITHIN_LIMIT


def test_without_a_limit_or_within_it_nothing_is_found() -> None:
    assert flags(limited(by=-1.0)) == []
    shot = limited()
    free = replace(shot.channel(CONTROL, NAME), limits=None)
    assert flags(shot.with_channel(CONTROL, free)) == []


@pytest.mark.parametrize("baked", [False, True], ids=["keyed", "baked"])
def test_it_rises_and_falls_when_it_did_and_what_is_far_below_stays(baked: bool) -> None:
    shot = limited(baked=baked)
    (flag, *_) = flags(shot)
    after = within_limit(stage_of(shot, Look()), flag)
    assert after is not None
    old, new = course(shot), course(after)
    limits = shot.channel(CONTROL, NAME).limits
    assert limits is not None
    high = old > limits.upper - TOO_MUCH
    assert np.abs(new - old)[high].max() > TOO_MUCH / 2
    if baked:
        np.testing.assert_array_equal(np.sign(np.diff(new)), np.sign(np.diff(old)))
        np.testing.assert_array_equal(
            new[old < limits.upper - 3 * TOO_MUCH], old[old < limits.upper - 3 * TOO_MUCH]
        )
    assert int(np.argmax(new)) == pytest.approx(int(np.argmax(old)), abs=1)
    assert np.abs(np.diff(new, 3)).max() <= BENT * np.abs(np.diff(old, 3)).max()


def test_a_flat_cut_would_have_corners() -> None:
    """What the soft knee is for: cutting the same excursion off jolts several times as much."""
    shot = limited(baked=True)
    channel = shot.channel(CONTROL, NAME)
    assert channel.limits is not None
    cut = np.minimum(course(shot), channel.limits.upper)
    assert np.abs(np.diff(cut, 3)).max() > BENT * np.abs(np.diff(course(shot), 3)).max()


@pytest.mark.parametrize("baked", [False, True], ids=["keyed", "baked"])
@pytest.mark.parametrize("held", ["pin", "accent"])
def test_what_a_pin_or_an_accent_holds_beyond_the_limit_stays(baked: bool, held: str) -> None:
    shot = limited(baked=baked)
    (flag, *_) = flags(shot)
    span = float(flag.frames[0]), float(flag.frames[1])
    kept = (
        replace(shot, pins=(Pin(CONTROL, NAME, span),))
        if held == "pin"
        else replace(shot, marks=(Mark("accent", span, (CONTROL,)),))
    )
    assert within_limit(stage_of(shot, Look()), flag) is not None
    assert within_limit(stage_of(kept, Look()), flag) is None
    elsewhere = replace(shot, pins=(Pin(CONTROL, "rotation.x", span),))
    assert within_limit(stage_of(elsewhere, Look()), flag) is not None


@pytest.mark.parametrize("baked", [False, True], ids=["keyed", "baked"])
def test_an_excursion_that_is_pinned_leaves_the_mend_of_another_alone(baked: bool) -> None:
    """Each is a flag of its own: the pinned one isn't a new error once the worse one is gone."""
    shot = limited(baked=baked, by=8.0)
    found = flags(shot)
    assert len(found) > 1
    worst, held = (flag.frames for flag in sorted(found, key=lambda flag: -flag.amount)[:2])
    pinned = replace(shot, pins=(Pin(CONTROL, NAME, (float(held[0]), float(held[1]))),))
    result = mend(pinned, Look(), found)
    assert worst in [flag.frames for flag in result.mended]
    assert held in [flag.frames for flag, _, _ in result.left]
    inside = slice(held[0] - shot.first_frame, held[1] - shot.first_frame + 1)
    np.testing.assert_array_equal(course(result.shot)[inside], course(shot)[inside])


@pytest.mark.parametrize("count", [3, 4])
def test_a_channel_of_few_keys_is_bent_too(count: int) -> None:
    """Fewer keys than the slopes beside a bent one reach over."""
    frames = np.linspace(0.0, 160.0, count)
    values = np.append(np.zeros(count - 2), [20.0, 0.0])
    channel = Channel(NAME, keyed("chord", frames, values), limits=Limits(upper=15.0))
    shot = two_part_shot().with_channel(CONTROL, channel)
    (flag,) = flags(shot)
    after = within_limit(stage_of(shot, Look()), flag)
    assert after is not None
    assert beyond(after.channel(CONTROL, NAME), course(after, FINE)) <= WITHIN_LIMIT


def test_a_channel_that_is_never_within_its_limit_says_so() -> None:
    shot = limited(by=100.0)
    (flag, *_) = flags(shot)
    with pytest.raises(NoSolution, match="never within its limit"):
        within_limit(stage_of(shot, Look()), flag)
    (left,) = mend(shot, Look(), [flag]).left
    assert "never within its limit" in left[1]


def test_two_limits_near_each_other_leave_room_in_the_middle() -> None:
    shot = limited(baked=True)
    channel = shot.channel(CONTROL, NAME)
    assert channel.limits is not None
    both = replace(channel.limits, lower=channel.limits.upper - 6.0)
    narrow = shot.with_channel(CONTROL, replace(channel, limits=both))
    found = flags(narrow)  # by turns past the one and the other
    result = mend(narrow, Look(), found)
    assert result.mended == tuple(found)
    assert flags(result.shot) == []
    assert beyond(result.shot.channel(CONTROL, NAME), course(result.shot)) <= WITHIN_LIMIT

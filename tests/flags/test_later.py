"""Faults that show only once others are mended, and parts of larger ones: what one mend may say of the next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule
from benchmarks.many_faults import MIXED, Trial, run
from benchmarks.quality_held import BAKER
from refine.flags.check import ALL, check, stage_of
from refine.flags.flag import Cause, Flag, twin
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.verdict import outshone
from refine.shot import Shot
from tests.flags.tolerances import SAME_SHAPE
from tests.hand_made import ARM_Z, faulty, keys_of, two_part_shot, with_keys

K, TURNED = 8, 12  # a key whose value is off, and one whose slope is
OFF_BY, TURNED_BY = 10.0, 0.6  # deg, deg a frame
ARM_Y = (ARM_Z[0], "rotation.y")
SEEN = 1.0  # px
ZIGZAG = {11: 6.0, 12: -6.0, 13: 6.0, 14: -6.0}  # deg


def flags(shot: Shot) -> list[Flag]:
    return check(stage_of(shot, Look()))


def turned(shot: Shot) -> Shot:
    keys = keys_of(shot, *ARM_Z)
    slopes = keys.outgoing.copy()
    slopes[TURNED] += TURNED_BY
    return with_keys(shot, *ARM_Z, keys.changed(incoming=slopes, outgoing=slopes))


def alike(shot: Shot) -> Shot:
    """The shot with keys of the arm's two angles on the same frames."""
    keys = keys_of(shot, *ARM_Z)
    fields = {name: -0.8 * getattr(keys, name) for name in ("values", "incoming", "outgoing")}
    return with_keys(shot, *ARM_Y, keys.changed(**fields))


def apart(one: Shot, other: Shot, place: tuple[str, str] = ARM_Z) -> float:
    a, b = keys_of(one, *place), keys_of(other, *place)
    return float(max(np.abs(a.values - b.values).max(), np.abs(a.outgoing - b.outgoing).max()))


def test_of_all_flags_what_shows_once_others_are_mended_is_mended_too() -> None:
    sound = two_part_shot("natural")
    shot = turned(faulty(sound, *ARM_Z, {K: OFF_BY}))
    found = flags(shot)
    assert [flag.fault for flag in found] == ["moved key"], "one hides the other"
    result = mend(shot, Look(), found, asked=(ALL,))
    assert [flag.fault for flag in result.mended] == ["moved key", "stray slope"]
    assert result.left == ()
    assert apart(result.shot, sound) < SAME_SHAPE


def test_of_a_flag_that_was_named_only_that_is_mended() -> None:
    sound = two_part_shot("natural")
    shot = turned(faulty(sound, *ARM_Z, {K: OFF_BY}))
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag], asked=(flag.id,))
    assert result.mended == (flag,)
    assert apart(result.shot, turned(sound)) < SAME_SHAPE
    assert [flag.fault for flag in flags(result.shot)] == ["stray slope"]


@pytest.mark.parametrize("rule", RULES)
def test_a_key_that_is_put_back_takes_no_part_of_a_siblings_zigzag_along(rule: Rule) -> None:
    sound = alike(two_part_shot(rule))
    zigzag = faulty(sound, *ARM_Z, ZIGZAG)
    shot = faulty(zigzag, *ARM_Y, {11: OFF_BY})
    moved = next(flag for flag in flags(shot) if flag.channel == ARM_Y[1])
    assert moved.cause.frames == (keys_of(shot, *ARM_Z).frames[11],)
    result = mend(shot, Look(), [moved], asked=(moved.id,))
    assert apart(result.shot, sound, ARM_Y) < SAME_SHAPE
    assert apart(result.shot, zigzag) == 0.0


def test_what_untouched_keys_tell_was_there_before() -> None:
    sound = two_part_shot("natural")
    shot = turned(faulty(sound, "hips", "rotation.y", {K: OFF_BY}))
    before, after = stage_of(shot, Look()), stage_of(turned(sound), Look())
    (mended,) = (flag for flag in check(before) if flag.control == "hips")
    (slope,) = check(after)
    assert outshone(before, after, [mended], [slope]) == [slope], "the hips moved it, and its keys stayed"
    (elsewhere,) = (flag for flag in check(stage_of(shot, Look())) if flag.control == "hips")
    assert outshone(after, before, [slope], [elsewhere]) == [], "a key that was touched"


def test_limbs_are_not_bent_to_a_prop_that_is_put_back() -> None:
    """The tray goes to and fro in the hands; a leg's fault beside it hides that the slide of both is the tray's."""
    result = run(Trial(BAKER, MIXED, 6, 2))
    assert result.left == 0
    assert result.after[0] < SEEN < result.before[0]


def test_a_finding_is_the_same_once_its_channel_is_known() -> None:
    slide = Flag(
        "sliding contact", "hips", None, (57, 88), "error", 37.0, "px", Cause("hips"), "slides", "look"
    )
    told = replace(
        slide, channel="translation.x", frames=(57, 63), cause=Cause("hips", "translation.x", (60.0,))
    )
    assert twin(told, [slide]) is slide
    assert twin(slide, [told]) is told
    assert twin(replace(told, frames=(90, 99)), [slide]) is None
    assert twin(replace(told, channel="translation.y"), [replace(told, cause=Cause("hips"))]) is None

"""A held segment among curves that nothing speaks for becomes a curve; a step that may be meant stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.unheld import LEFTOVER
from refine.shot import Keys, Link, Mark, Pin, Segment, Shot, frozen
from tests.flags.tolerances import SAME_SHAPE
from tests.hand_made import keys_of, two_part_shot, with_keys

ARM = ("arm", "rotation.z")


def held(keys: Keys, k: int, flat: bool = False) -> Keys:
    """The keys with a held segment after the k-th; `flat`: without slopes on its side, as blocking leaves it."""
    segment, corner = keys.segment.copy(), keys.corner.copy()
    incoming, outgoing = keys.incoming.copy(), keys.outgoing.copy()
    segment[k] = Segment.HOLD
    if flat:
        outgoing[k] = incoming[k + 1] = 0.0
        corner[k : k + 2] = True
    changed = keys.changed(incoming=incoming, outgoing=outgoing)
    return replace(changed, segment=frozen(segment, np.int8), corner=frozen(corner, np.bool_))


def steepest(keys: Keys) -> int:
    """The inner segment whose ends are farthest apart."""
    return 3 + int(np.argmax(np.abs(np.diff(keys.values[3:-3, 0]))))


def stepped(rule: Rule = "natural", flat: bool = False, shot: Shot | None = None) -> Shot:
    shot = two_part_shot(rule) if shot is None else shot
    keys = keys_of(shot, *ARM)
    return with_keys(shot, *ARM, held(keys, steepest(keys), flat))


def flags(shot: Shot) -> list[Flag]:
    return [flag for flag in check(stage_of(shot, Look())) if flag.fault == LEFTOVER]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("flat", [True, False])
def test_the_curve_comes_back_with_the_slopes_of_the_shot(rule: Rule, flat: bool) -> None:
    shot = stepped(rule, flat)
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    found, sound = keys_of(result.shot, *ARM), keys_of(two_part_shot(rule), *ARM)
    for name in ("frames", "values", "incoming", "outgoing", "corner", "segment"):
        np.testing.assert_allclose(getattr(found, name), getattr(sound, name), atol=SAME_SHAPE)
    assert check(stage_of(result.shot, Look())) == []


def test_a_slope_that_no_rule_explains_is_set_by_the_habit() -> None:
    """The key before the step was given a slope a little off while nothing was to be seen behind it."""
    shot = stepped()
    keys = keys_of(shot, *ARM)
    k = steepest(keys)
    slopes = keys.incoming.copy()
    slopes[k] += 0.02 * np.abs(slopes).max()
    shot = with_keys(shot, *ARM, keys.changed(incoming=slopes, outgoing=slopes))
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    sound = keys_of(two_part_shot(), *ARM)
    assert keys_of(result.shot, *ARM).incoming[k, 0] == pytest.approx(sound.incoming[k, 0], abs=SAME_SHAPE)


def meant() -> dict[str, Shot]:
    shot = stepped()
    keys = keys_of(shot, *ARM)
    a = float(keys.frames[steepest(keys)])
    hips, arm = shot.controls
    linked = replace(arm, links=(Link("attachment", "hips"),))
    other = keys_of(shot, "arm", "rotation.x")
    other = other.changed(frames=keys.frames[: len(other)]) if len(other) <= len(keys) else other
    still = keys.values.copy()
    still[steepest(keys) - 1] = still[steepest(keys)]
    slopes = keys.incoming.copy()
    slopes[steepest(keys) - 1 : steepest(keys) + 1] = 0.0
    return {
        "a accent is marked": replace(shot, marks=(Mark("accent", (a, a + 1.0), ("arm",)),)),
        "arm is attached": replace(shot, controls=(hips, linked)),
        "arm.rotation.x steps on the same frame": with_keys(
            shot, "arm", "rotation.x", held(other, steepest(keys))
        ),
        "nothing moves before it": with_keys(
            shot, *ARM, keys.changed(values=still, incoming=slopes, outgoing=slopes)
        ),
    }


@pytest.mark.parametrize("why", meant())
def test_a_step_that_may_be_meant_stays(why: str) -> None:
    shot = meant()[why]
    found = [flag for flag in flags(shot) if flag.channel == ARM[1]]
    assert found
    result = mend(shot, Look(), found)
    assert result.mended == ()
    assert why in result.left[0][1]
    assert result.shot == shot


def test_a_pin_keeps_the_step() -> None:
    shot = stepped()
    (flag,) = flags(shot)
    frame = flag.cause.frames[0]
    for pin in (Pin(*ARM, (frame, frame)), Pin("arm", None, (frame + 1.0, frame + 1.0))):
        assert mend(replace(shot, pins=(pin,)), Look(), [flag]).mended == ()

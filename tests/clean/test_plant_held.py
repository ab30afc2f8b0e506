"""Planted feet: what is held, what is left alone and said, and the floor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.planted.contacts import stepping
from refine.clean.feet.plant import planted
from refine.pose import Point
from refine.shot import Channel, Control, Limits, Mark, Pin, Shot, frozen
from tests.clean.tolerances import (
    STANDING_STILL,
    STEP_OF_A_MOVE,
)
from tests.clean.walks import FOOT, LEG, path, samples, walk

# --- what is held, and what is left ------------------------------------------------------------------------


def held_part(pin: Pin | None, mark: Mark | None) -> tuple[Shot, Shot]:
    bad = walk(True)[1]
    bad = replace(bad, pins=(pin,) if pin else (), marks=(*bad.marks, mark) if mark else bad.marks)
    return bad, planted(bad).shot


@pytest.mark.parametrize(
    ("pin", "mark", "frames"),
    [
        (Pin("shin.L", None, (300.0, 330.0)), None, (300, 330)),
        (Pin("foot.L", "rotation.x", (310.0, 310.0)), None, (310, 310)),
        (None, Mark("accent", (300.0, 320.0), ("thigh.L",)), (300, 320)),
    ],
)
def test_pins_and_accents_hold_the_whole_limb(
    pin: Pin | None, mark: Mark | None, frames: tuple[int, int]
) -> None:
    bad, after = held_part(pin, mark)
    free = planted(walk(True)[1]).shot
    part = slice(frames[0], frames[1] + 1)
    for name in LEG:
        np.testing.assert_array_equal(samples(after, name)[part], samples(bad, name)[part])
    assert np.any(samples(free, "shin.L")[part] != samples(bad, "shin.L")[part])
    way = path(after, FOOT) - path(bad, FOOT)
    assert float(np.abs(np.diff(way, axis=0)).max()) * 1000 < STEP_OF_A_MOVE


def test_limits_are_kept() -> None:
    bad = walk(True)[1]
    channel = bad.control("shin.L").channel("rotation.x")
    assert channel is not None
    shot = bad.with_channel("shin.L", replace(channel, limits=Limits(upper=30.0)))
    highest = np.maximum(samples(bad, "shin.L")[:, 0], 30.0)
    assert np.any(samples(planted(bad).shot, "shin.L")[:, 0] > highest)
    after = planted(shot).shot
    assert np.all(samples(after, "shin.L")[:, 0] <= highest)
    assert np.any(samples(after, "shin.L") != samples(bad, "shin.L"))


def test_a_contact_that_is_far_off_is_none() -> None:
    """An unmarked foot that creeps by 16 cm isn't planted, however slow."""
    truth = walk(False)[0]
    channel = truth.controls[0].channel("translation.z")
    assert channel is not None
    assert channel.samples is not None
    contact = next(c for c in planted(truth).contacts if c.control == "foot.L" and c.frames[0] > 100)
    t = np.clip((truth.frames - contact.frames[0]) / np.ptp(contact.frames), 0, 1)[:, None]
    creeping = truth.with_channel("hips", replace(channel, samples=frozen(channel.samples + 0.16 * t)))
    done = planted(creeping)
    false = [each for each in done.left if "mm off" in each.reason]
    assert [each.contact.control for each in false] == ["foot.L"]
    assert all(each.contact is not other for each in false for other in done.contacts)
    part = slice(int(contact.frames[0]) + 40, int(contact.frames[-1]) - 40)
    np.testing.assert_array_equal(samples(done.shot, "shin.L")[part], samples(creeping, "shin.L")[part])


def test_what_a_gap_left_open_is_not_moved() -> None:
    """Half of it moved, the other half would be a gap short enough to be filled the next time."""
    bad = walk(False)[1]
    still = np.zeros(len(bad.frames), np.bool_)
    still[150:190] = True
    done = planted(bad, frozen={"shin.L": still}).shot
    for name in ("thigh.L", "shin.L"):
        np.testing.assert_array_equal(samples(done, name)[still], samples(bad, name)[still])
    assert np.any(samples(done, "shin.L") != samples(bad, "shin.L"))
    assert np.any(samples(planted(bad).shot, "shin.L")[still] != samples(bad, "shin.L")[still])


def test_a_prop_that_no_limb_carries_is_left() -> None:
    bad = walk(True)[1]
    prop = Control(
        "crate", channels=(Channel("translation.x", samples=frozen(np.zeros((len(bad.frames), 1)))),)
    )
    shot = replace(
        bad, controls=(*bad.controls, prop), marks=(*bad.marks, Mark("contact", (10.0, 50.0), ("crate",)))
    )
    done = planted(shot)
    assert [(each.contact.control, each.reason) for each in done.left] == [("crate", "no limb carries it")]
    assert done.drift[1] < STANDING_STILL


def test_a_shot_without_feet_stays_as_it_is() -> None:
    box = Control("box", channels=(Channel("translation.x", samples=frozen(np.zeros((9, 1)))),))
    shot = Shot("box", 24.0, 0, 8, (box,))
    done = planted(shot)
    assert done.shot == shot
    assert done.drift == (0.0, 0.0)


def test_keyed_limbs_are_left() -> None:
    done = planted(stepping(24.0, keyed=3))
    assert {each.reason for each in done.left} == {"its limb isn't baked"}


# --- the floor ---------------------------------------------------------------------------------------------


def test_a_foot_that_swings_through_the_floor_is_lifted_to_it() -> None:
    truth = walk(True)[0]
    swing = [m for m in truth.marks if m.controls == ("foot.L",)]
    middle = 0.5 * (swing[0].frames[1] + swing[1].frames[0])
    dip = 35.0 * np.exp(-0.5 * ((truth.frames - middle) / 3.0) ** 2)[:, None]
    foot = truth.control("foot.L").channel("rotation.x")
    assert foot is not None
    assert foot.samples is not None
    bad = truth.with_channel("foot.L", replace(foot, samples=frozen(foot.samples + dip)))
    toe = Point("foot.L", truth.control("foot.L").tip or (0.0, 0.0, 0.0))
    assert float(path(bad, toe)[:, 1].min()) < -0.01
    done = planted(bad)
    assert [name for name, _, _ in done.lifted] == ["foot.L"]
    assert float(path(done.shot, toe)[:, 1].min()) > -STANDING_STILL / 1000
    assert planted(done.shot).lifted == ()

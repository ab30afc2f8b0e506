"""Planted feet of baked clips: they stand, nothing else moves, and what can't be is left and said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from benchmarks.cleaning.drift import drifted
from benchmarks.cleaning.trial import evaluate
from refine.clean.clip import cleaned
from refine.clean.feet.footing import Footing, moves_of, paths
from refine.clean.feet.plant import drift, planted
from refine.clean.feet.planted_limb import eased
from refine.clean.settings import Settings
from refine.limbs.limb import figure
from refine.limbs.planted import Planted
from refine.pose import pose
from refine.shot import ROTATIONS, Channel, Control, Shot, frozen
from tests.clean.tolerances import (
    DRIFT_KEPT,
    FOUND_EDGES,
    KNEE_KEPT,
    LEFT_OF_TWITCH,
    LEFT_TO_SLIDE,
    SAME_SPEED,
    SECOND_RUN,
    STANDING_STILL,
    STEP_OF_A_MOVE,
    WALK_CLEANED,
)
from tests.clean.walks import FEET, FOOT, FPS, LEAVES, LEG, knees, path, samples, smoothed, walk
from tests.open_clips import clip_or_skip
from tests.tolerances import SAME_PATH

# --- feet stand --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fps", [24.0, 120.0, 240.0])
@pytest.mark.parametrize("marked", [True, False])
def test_feet_that_slid_in_their_stance_stand_as_the_truth_does(marked: bool, fps: float) -> None:
    """Slides of 20 to 60 mm while the foot stands, gone again in the step after."""
    truth = walk(marked, fps)[0]
    bad = drifted(truth, np.random.default_rng(3), 1.0)
    done = planted(bad)
    assert done.left == ()
    assert len(done.contacts) >= 6
    assert done.drift[0] > 20.0
    assert done.drift[1] == pytest.approx(drift(done.shot, done.contacts), abs=SAME_SPEED)
    contacts = planted(truth).contacts
    assert drift(done.shot, contacts) <= DRIFT_KEPT * drift(truth, contacts) + STANDING_STILL


@pytest.mark.parametrize(("marked", "left"), [(True, STANDING_STILL), (False, FOUND_EDGES)])
def test_feet_that_sway_all_the_time_stand_again(marked: bool, left: float) -> None:
    """A contact that is found begins and ends as the point moves: there the sway stays."""
    truth, bad = walk(marked)
    done = planted(bad)
    contacts = planted(truth).contacts
    assert done.left == ()
    assert drift(bad, contacts) > 80.0
    assert drift(done.shot, contacts) <= drift(truth, contacts) + left


def test_drift_is_the_mean_speed_of_the_points_in_mm() -> None:
    truth, bad = walk(True)
    done = planted(bad)
    speeds = []
    for each in done.contacts:
        at = each.frames.astype(np.intp)
        way = path(bad, each.point)[at]
        speeds.append(np.linalg.norm(np.diff(way, axis=0), axis=1).sum() / ((len(at) - 1) / FPS) * 1000)
    assert drift(bad, done.contacts) == pytest.approx(float(np.median(speeds)), abs=SAME_SPEED)
    assert done.drift[0] == pytest.approx(drift(bad, done.contacts), abs=SAME_SPEED)
    assert drift(truth, ()) == 0.0


@pytest.mark.parametrize("marked", [True, False])
def test_a_second_run_finds_them_standing(marked: bool) -> None:
    once = planted(walk(marked)[1])
    twice = planted(once.shot)
    for point in FEET:
        apart = np.linalg.norm(path(twice.shot, point) - path(once.shot, point), axis=1)
        assert float(apart.max()) * 1000 < SECOND_RUN


@pytest.mark.parametrize("marked", [True, False])
def test_a_sound_walk_stays_as_it_is(marked: bool) -> None:
    truth = walk(marked)[0]
    assert planted(truth).shot == truth


def test_what_no_move_reaches_stays_to_the_last_bit() -> None:
    truth = walk(True)[0]
    first = next(mark for mark in truth.marks if mark.controls == ("foot.L",) and mark.frames[0] > 0)
    near = (truth.frames >= first.frames[0]) & (truth.frames <= first.frames[1])
    slide = 3.0 * np.sin(np.pi * np.clip((truth.frames - first.frames[0]) / np.ptp(first.frames), 0, 1)) ** 2
    channel = truth.control("thigh.L").channel("rotation.x")
    assert channel is not None
    assert channel.samples is not None
    bad = truth.with_channel(
        "thigh.L", replace(channel, samples=frozen(channel.samples + (slide * near)[:, None]))
    )
    after = planted(bad).shot
    assert after.controls[0] is bad.controls[0]
    for name in LEG:
        moved = np.any(samples(after, name) != samples(bad, name), axis=1)
        assert moved[near].any()
        far = (truth.frames < first.frames[0] - FPS) | (truth.frames > first.frames[1] + FPS)
        assert not moved[far].any()
    for name in ("thigh.R", "shin.R", "foot.R"):
        assert after.control(name) is bad.control(name)


@pytest.mark.parametrize("marked", [True, False])
def test_feet_keep_how_they_are_turned_and_knees_don_t_pop(marked: bool) -> None:
    truth, bad = walk(marked)
    after = planted(bad).shot
    before_after = [pose(shot, shot.frames).linear for shot in (bad, after)]
    for side in "LR":
        i = bad.index(f"foot.{side}")
        np.testing.assert_allclose(before_after[1][i], before_after[0][i], atol=SAME_PATH)
    for one, other in zip(knees(truth), knees(after), strict=True):
        assert np.abs(other).max() <= KNEE_KEPT * np.abs(one).max()


def test_the_touchdowns_are_the_ends_of_the_marks() -> None:
    truth, bad = walk(True)
    ends = sorted({int(f) for m in truth.marks if m.controls == ("foot.L",) for f in m.frames})
    assert planted(bad).touchdowns["foot.L"] == ends


def test_the_first_frame_may_have_any_number() -> None:
    bad = walk(True)[1]
    later = replace(
        bad,
        first_frame=bad.first_frame + 37,
        last_frame=bad.last_frame + 37,
        marks=tuple(replace(m, frames=(m.frames[0] + 37, m.frames[1] + 37)) for m in bad.marks),
    )
    np.testing.assert_array_equal(
        samples(planted(later).shot, "shin.L"), samples(planted(bad).shot, "shin.L")
    )


def test_a_short_twitch_doesn_t_part_a_contact() -> None:
    """A foot that stands twice within 2 cm and 0.2 s has stood all the time: the twitch between goes."""
    truth = walk(False)[0]
    contact = next(c for c in planted(truth).contacts if c.control == "foot.L" and c.frames[0] > 100)
    middle = float(contact.frames.mean())
    twitch = 0.8 * np.exp(-0.5 * ((truth.frames - middle) / 1.5) ** 2)[:, None]
    channel = truth.control("thigh.L").channel("rotation.x")
    assert channel is not None
    assert channel.samples is not None
    bad = truth.with_channel("thigh.L", replace(channel, samples=frozen(channel.samples + twitch)))
    near = slice(int(middle) - 12, int(middle) + 13)
    fast = np.linalg.norm(np.diff(path(bad, FOOT)[near], axis=0), axis=1) * FPS
    assert float(fast.max()) > LEAVES  # so that it is parted
    done = planted(bad)
    assert done.touchdowns == planted(truth).touchdowns
    left, was = (float(np.ptp(path(shot, FOOT)[near], axis=0).max()) for shot in (done.shot, bad))
    assert left < LEFT_OF_TWITCH * was


# --- other rigs --------------------------------------------------------------------------------------------


def quaternions(shot: Shot) -> Shot:
    """The shot with its turns as quaternions, by an independent library."""

    def turned(control: Control) -> Control:
        by_name = {c.name: c for c in control.channels}
        angles = np.concatenate([by_name[f"rotation.{a}"].samples for a in control.order], axis=1)  # type: ignore[misc]
        q = Rotation.from_euler(control.order.upper(), angles, degrees=True).as_quat()
        rest = tuple(c for c in control.channels if not c.name.startswith("rotation"))
        return replace(control, channels=(*rest, Channel("rotation", samples=frozen(q))))

    return replace(shot, controls=tuple(map(turned, shot.controls)))


def hinged(shot: Shot) -> Shot:
    """The shot with knees that turn about one axis only: the two others are 0 in this walk."""
    controls = [
        replace(c, channels=tuple(ch for ch in c.channels if ch.name == "rotation.x"))
        if c.name.startswith("shin")
        else c
        for c in shot.controls
    ]
    return replace(shot, controls=tuple(controls))


@pytest.mark.parametrize("other", [quaternions, hinged])
def test_quaternions_and_hinges_move_the_same_way(other: object) -> None:
    assert callable(other)
    bad = walk(True)[1]
    plain, done = planted(bad), planted(other(bad))
    for point in FEET:
        np.testing.assert_allclose(path(done.shot, point), path(plain.shot, point), atol=SAME_PATH)
    assert done.drift[1] < STANDING_STILL


def test_a_foot_that_can_t_turn_freely_is_solved_in_steps() -> None:
    bad = walk(True, 24.0)[1]
    feet = [replace(c, channels=c.channels[:2]) if c.name == "foot.L" else c for c in bad.controls]
    shot = replace(bad, controls=tuple(feet))
    done = planted(shot)
    left = [each for each in done.contacts if each.control == "foot.L"]
    assert drift(done.shot, left) < LEFT_TO_SLIDE * drift(shot, left)


def test_a_foot_stands_on_a_floor_that_moves() -> None:
    """A moving floor carries the whole figure; its marks name the floor too."""
    truth, bad = walk(True)
    ride = 0.3 * np.sin(2 * np.pi * np.arange(len(truth.frames)) / FPS)[:, None]
    deck = Control("deck", channels=(Channel("translation.x", samples=frozen(ride)),))
    controls = (deck, replace(bad.controls[0], parent="deck"), *bad.controls[1:])
    marks = tuple(replace(m, controls=(*m.controls, "deck")) for m in bad.marks)
    done = planted(replace(bad, controls=controls, marks=marks))
    assert {each.relative for each in done.contacts if each.limb is not None} == {"deck"}
    for point in FEET:
        name = point.control
        for mark in truth.marks:
            if mark.controls == (name,):
                part = slice(int(mark.frames[0]), int(mark.frames[1]) + 1)
                on_deck = path(done.shot, point)[part] - np.pad(ride, ((0, 0), (0, 2)))[part]
                assert float(np.ptp(on_deck, axis=0).max()) * 1000 < STANDING_STILL


# --- moves that go over into each other --------------------------------------------------------------------


def asking(first: int, last: int, by: tuple[float, float, float]) -> Footing:
    path = np.zeros((last - first + 1, 3))
    contact = Planted(FOOT, np.arange(first, last + 1.0), path, path, "foot.L", False)
    needed = float(np.linalg.norm(by))
    return Footing(contact, (first, last), first, np.array([by]), np.zeros((1, 3)), (first, last), needed)


@pytest.mark.parametrize("second", [(60, 140), (90, 160), (95, 180), (99, 190), (120, 200), (155, 260)])
def test_a_foot_that_rolls_from_heel_to_toe_isn_t_moved_with_a_jump(second: tuple[int, int]) -> None:
    """Heel, then ball: each is moved as it asks where it alone stands, and no step between is large."""
    heel, ball = asking(30, 100, (0.02, 0.0, 0.0)), asking(*second, (-0.01, 0.0, 0.03))
    moves = moves_of([ball, heel], 300, FPS)
    np.testing.assert_allclose(
        moves[31 : min(second[0] - 6, 95)], np.tile(heel.by, (min(second[0] - 6, 95) - 31, 1))
    )
    np.testing.assert_allclose(moves[max(106, second[0] + 6) : second[1]][:1], ball.by)
    assert float(np.abs(np.diff(moves, axis=0)).max()) * 1000 < STEP_OF_A_MOVE
    assert not moves[0].any()
    assert not moves[-1].any()


def test_a_contact_that_is_left_stays_while_its_neighbour_moves() -> None:
    """What it asks for beside its slide is noise; of that there is none here."""
    moved, left = asking(30, 100, (0.02, 0.0, 0.0)), asking(120, 200, (0.0, 0.0, 0.03)).less()
    moves = moves_of([moved, left], 300, FPS)
    assert not left.slides
    assert not moves[120:].any()
    assert moves_of([moved], 300, FPS)[121].any()


def test_a_contact_within_another_has_no_say() -> None:
    whole, part = asking(30, 200, (0.02, 0.0, 0.0)), asking(60, 100, (0.0, 0.5, 0.0))
    np.testing.assert_array_equal(moves_of([whole, part], 300, FPS), moves_of([whole], 300, FPS))


def test_eased_rows_are_smooth_and_nowhere_below() -> None:
    rng = np.random.default_rng(4)
    amount = np.where(rng.random(400) < 0.02, rng.random(400), 0.0)
    row = eased(amount, 10)
    assert np.all(row >= amount - np.finfo(float).eps)
    assert float(np.abs(np.diff(row)).max()) < 0.2 * float(amount.max())
    near = np.convolve(amount > 0, np.ones(41), mode="same") > 0
    assert not row[~near].any()


# --- captured motion ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "share"), [("01_01", 0.25), ("01_03", 0.5)])
def test_captured_feet_slide_less_and_nothing_shakes(name: str, share: float) -> None:
    """[judge] the shares are what is left of the slide; 01_03 climbs with straight legs, which reach no farther."""
    shot = smoothed(name)
    done = planted(shot)
    assert len(done.contacts) > 20
    assert len(done.left) <= 0.15 * len(done.contacts)
    assert done.drift[1] < share * done.drift[0]
    for one, other in zip(knees(shot), knees(done.shot), strict=True):
        assert np.abs(other).max() <= KNEE_KEPT * np.abs(one).max()
        assert float(np.sqrt(np.mean(other**2))) <= KNEE_KEPT * float(np.sqrt(np.mean(one**2)))
    again = pose(planted(done.shot).shot, shot.frames).origin - pose(done.shot, shot.frames).origin
    assert float(np.abs(again).max()) * figure(shot)[1] * 1000 < SECOND_RUN


@pytest.mark.parametrize("fps", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("noise", [0.1, 1.0])
def test_a_noisy_walk_is_not_made_worse(noise: float, marked: bool, fps: float) -> None:
    """Its feet truly stand, where its marks say so."""
    truth, rng = walk(marked, fps)[0], np.random.default_rng(0)
    given = truth
    for control in truth.controls:
        for channel in control.channels:
            if channel.name in ROTATIONS and channel.samples is not None:
                values = channel.samples + noise * rng.standard_normal(channel.samples.shape)
                given = given.with_channel(control.name, replace(channel, samples=frozen(values)))
    off = [
        np.linalg.norm(pose(each, truth.frames).origin - pose(truth, truth.frames).origin, axis=-1)
        for each in (given, cleaned(given, Settings()).shot)
    ]
    assert float(np.sqrt(np.mean(off[1] ** 2))) < WALK_CLEANED * float(np.sqrt(np.mean(off[0] ** 2)))
    assert off[1].max() <= off[0].max()


@pytest.mark.parametrize("clip", ["01_01", "01_03"])
def test_feet_under_strong_noise_stand_as_the_truth_does(clip: str) -> None:
    """1 deg of white noise on every joint: by the joints' own smoothing contacts come in pieces, or not at all."""
    clip_or_skip(clip)
    found = evaluate(lambda shot: cleaned(shot, Settings()).shot, clip, "white-1", seconds=8.0)
    assert found.planted <= DRIFT_KEPT * found.planted_truth


def test_paths_are_those_of_the_whole_pose() -> None:
    shot = walk(True)[1]
    found = paths(shot, FEET, shot.frames)
    for point in FEET:
        np.testing.assert_allclose(found[point], path(shot, point), atol=SAME_PATH)

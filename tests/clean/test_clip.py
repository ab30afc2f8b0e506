"""One clip made clean, from its samples to what is told of it. It holds with and without planted feet."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from benchmarks.cleaning.table import first_seconds
from benchmarks.cleaning.truth import truth
from benchmarks.corpus import captured
from refine.clean.clip import SHORTEST, cleaned
from refine.clean.denoise import Keep, denoised
from refine.clean.feet.plant import Planting
from refine.clean.findings import Findings, Moved
from refine.clean.measured import findings
from refine.clean.settings import Amount, Settings
from refine.clean.tracks import tracks
from refine.clean.wrong import Wrong
from refine.errors import InputError
from refine.pose import Point, pose, world_point
from refine.shot import Array, Channel, Control, Limits, Mark, Pin, Shot, frozen, make_keys
from tests.clean.shots import (
    COUNT,
    FPS,
    angle_between,
    body,
    matrices,
    noisy,
    rms,
    rms_moved,
    rows_of,
    shot,
    turns,
)
from tests.clean.tolerances import (
    BESIDE_A_PIN,
    BREAK_KEPT,
    CLEAN_ALREADY,
    HALF_SPEED,
    LEADS_TO_A_POSE,
    MADE_CLEAN,
    MIRRORED,
    NOISE_LEFT_OVER,
    NOISE_TOLD,
    REVERSED,
    SAME_FIGURE,
    SECOND_CLEANING,
    SPEED_KEPT,
)
from tests.open_clips import clip_or_skip
from tests.tolerances import ANGLE

SIGMA = 0.3
CLIPS = ("01_01", "01_03", "Boxing_Toes")
NAMES = ("spine", "arm", "hand")


@lru_cache(maxsize=1)
def noisy_body() -> tuple[dict[str, Array], Shot]:
    true, rows = body(1, SIGMA)
    return true, shot(rows)


# --- the result --------------------------------------------------------------------------------------------


def test_noise_goes_and_the_motion_stays() -> None:
    true, made = noisy_body()
    done = cleaned(made, Settings())
    for name in NAMES:
        assert rms(rows_of(done.shot, name) - true[name]) < NOISE_LEFT_OVER * SIGMA
    assert done.findings.noise == pytest.approx(SIGMA, rel=NOISE_TOLD)
    assert done.findings.spikes == done.findings.filled == done.findings.wraps == ()


def test_the_same_clip_gives_the_same_bits() -> None:
    _, made = noisy_body()
    one, other = cleaned(made, Settings()), cleaned(made, Settings())
    assert one.shot == other.shot
    assert one.findings == other.findings


def test_nothing_but_samples_is_another() -> None:
    _, made = noisy_body()
    after = cleaned(made, Settings()).shot
    assert (after.fps, after.first_frame, after.last_frame) == (made.fps, made.first_frame, made.last_frame)
    for old, new in zip(made.controls, after.controls, strict=True):
        assert replace(new, channels=old.channels) == old
        assert [c.name for c in new.channels] == [c.name for c in old.channels]


def test_time_reversed_gives_the_reversed_result() -> None:
    _, made = noisy_body()
    back = shot({name: rows_of(made, name)[:, ::-1] for name in NAMES})
    one, other = cleaned(made, Settings()).shot, cleaned(back, Settings()).shot
    for name in NAMES:
        moved = rms(rows_of(one, name) - rows_of(made, name))
        assert rms(rows_of(other, name)[:, ::-1] - rows_of(one, name)) < REVERSED * moved


def test_a_mirrored_channel_gives_the_mirrored_result() -> None:
    """A single angle upside down: y to -y."""
    rows = noisy(turns(3, rows=1), SIGMA, 3)
    made = [
        Shot("y", FPS, 1, COUNT, (Control("lid", channels=(Channel("rotation.x", samples=frozen(y.T)),)),))
        for y in (rows, -rows)
    ]
    one, other = (tracks(cleaned(each, Settings()).shot).values for each in made)
    np.testing.assert_allclose(other, -one, atol=MIRRORED)


def test_a_clip_that_is_clean_stays_as_it_is() -> None:
    made = shot(body(2, 0.0)[0])
    assert rms_moved(made, cleaned(made, Settings()).shot) < MADE_CLEAN


@pytest.mark.parametrize("clip", ["01_01", "Boxing_Toes"])
def test_motion_of_keys_hardly_moves(clip: str) -> None:
    clip_or_skip(clip)
    made = first_seconds(truth(clip), 5.0)
    assert rms_moved(made, cleaned(made, Settings()).shot, above=True) < CLEAN_ALREADY


def test_a_second_cleaning_moves_little() -> None:
    _, made = noisy_body()
    once = cleaned(made, Settings()).shot
    twice = cleaned(once, Settings()).shot
    assert rms_moved(once, twice) < SECOND_CLEANING * rms_moved(made, once)


def test_strength_0_leaves_a_sound_clip_alone() -> None:
    _, made = noisy_body()
    assert cleaned(made, Settings(strength=0.0)).shot == made


def test_keyed_channels_stay_the_same_objects() -> None:
    _, made = noisy_body()
    keys = make_keys([1.0, 200.0], [0.0, 4.0], [0.0, 0.0])
    keyed = Control("keyed", channels=(Channel("rotation.x", keys=keys),))
    after = cleaned(replace(made, controls=(*made.controls, keyed)), Settings()).shot
    assert after.controls[-1].channels[0] is keyed.channels[0]


def test_pins_and_accents_hold_their_samples() -> None:
    _, made = noisy_body()
    pins = (Pin("arm", None, (101.0, 101.0)), Pin("arm", "rotation.x", (201.0, 221.0)))
    made = replace(made, pins=pins, marks=(Mark("accent", (301.0, 306.0), ("hand",)),))
    after = cleaned(made, Settings()).shot
    held = {"arm": [100, *range(200, 221)], "hand": list(range(300, 306))}
    for name, frames in held.items():
        np.testing.assert_array_equal(rows_of(after, name)[:, frames], rows_of(made, name)[:, frames])
    assert np.all(rows_of(after, "spine")[:, 100] != rows_of(made, "spine")[:, 100])


def test_motion_goes_through_a_pose_that_is_pinned_but_not_through_pinned_noise() -> None:
    true, rows = body(1, SIGMA)
    rows["arm"][0, 200] += 12.0
    pins = (Pin("arm", None, (201.0, 201.0)), Pin("arm", None, (301.0, 330.0)))
    after = rows_of(cleaned(replace(shot(rows), pins=pins), Settings()).shot, "arm")
    assert np.abs(np.diff(after[0, 198:203])).max() < LEADS_TO_A_POSE * 12.0
    beside = np.r_[285:300, 330:345]
    given = np.abs(rows["arm"][:, beside] - true["arm"][:, beside])
    assert np.abs(after[:, beside] - true["arm"][:, beside]).max() < BESIDE_A_PIN * given.max()


def test_a_pinned_or_sharp_sample_is_kept_though_it_looks_like_a_spike() -> None:
    """What the artist locked is never moved: neither a spike nor a gap nor a jump of a turn is mended there."""
    rows, _ = body(3)
    rows["arm"][:, 150] += 25.0
    rows["hand"][:, 250] += 25.0
    rows["spine"][:, 300:312] = rows["spine"][:, 299:300]
    made = shot(rows)
    first = float(made.first_frame)
    pins = (Pin("arm", None, (first + 140, first + 160)), Pin("spine", None, (first + 290, first + 320)))
    marks = (Mark("accent", (first + 245, first + 255), ("hand",)),)
    after = cleaned(replace(made, pins=pins, marks=marks), Settings()).shot
    for name, held in (("arm", slice(140, 161)), ("spine", slice(290, 321)), ("hand", slice(245, 256))):
        assert np.array_equal(rows_of(after, name)[:, held], rows_of(made, name)[:, held]), name


def test_limits_are_not_passed_farther_than_captured() -> None:
    true, rows = body(3, SIGMA)
    top = float(true["arm"].max()) - 2.0
    clipped = {name: np.minimum(values, top) if name == "arm" else values for name, values in rows.items()}
    bounded = shot(clipped, limits={"arm": Limits(-np.inf, top)})
    free = shot(clipped)
    assert rows_of(cleaned(free, Settings()).shot, "arm").max() > top
    assert rows_of(cleaned(bounded, Settings()).shot, "arm").max() <= top


@pytest.mark.parametrize("seed", range(6))
def test_a_filled_gap_keeps_the_limits_that_the_motion_keeps(seed: int) -> None:
    """The least jerk from border to border swings wider than the motion did."""
    true, rows = body(seed, 0.05)
    at = int(np.argmax(true["hand"][0]))
    at = min(max(at, 60), COUNT - 60)
    rows["hand"][:, at - 24 : at + 24] = rows["hand"][:, at - 25 : at - 24]
    made = shot(rows)
    hand = made.control("hand")
    limited = tuple(
        replace(
            channel,
            limits=Limits(
                float(min(row.min(), channel.samples.min())), float(max(row.max(), channel.samples.max()))
            ),
        )
        for channel, row in zip(hand.channels, true["hand"], strict=True)
        if channel.samples is not None
    )
    made = replace(made, controls=(*made.controls[:-1], replace(hand, channels=limited)))
    after = cleaned(made, Settings())
    assert after.findings.filled
    for channel in after.shot.controls[-1].channels:
        assert channel.samples is not None
        assert channel.limits is not None
        assert np.all(channel.samples >= channel.limits.lower)
        assert np.all(channel.samples <= channel.limits.upper)


def test_another_rate_is_made_of_the_clean_motion() -> None:
    _, made = noisy_body()
    after = cleaned(made, Settings(fps=30.0)).shot
    assert (after.fps, len(after.frames)) == (30.0, COUNT // 4)
    whole = cleaned(made, Settings()).shot
    assert rms(rows_of(after, "arm") - rows_of(whole, "arm")[:, ::4]) < SIGMA / 3


# --- what is told ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lead", [0, 5])
def test_frames_told_count_from_the_shots_first(lead: int) -> None:
    """With a rest pose before the motion, too."""
    _, rows = body(4, 0.05)
    for values in rows.values():
        values[:, 300] += np.array([12.0, -9.0, 10.0]) if values is rows["arm"] else 0.0
    rows["hand"][:, 101:116] = rows["hand"][:, 100:101]
    rows["spine"][0, 200:] += 360.0
    if lead:
        for name, values in rows.items():
            rows[name] = np.concatenate([np.full((3, lead), 150.0 + values[:, :1]), values], axis=1)
    made = shot(rows, first_frame=1001)
    told = cleaned(made, Settings()).findings
    first = 1001 + lead
    assert told.lead_in == lead
    assert (told.frames, told.fps, told.joints) == (COUNT + lead, FPS, 3)
    assert [(s.control, s.frames) for s in told.spikes] == [("arm", (first + 300, first + 300))]
    assert [(s.control, s.frames) for s in told.filled] == [("hand", (first + 101, first + 115))]
    assert [(s.control, s.frames) for s in told.wraps] == [("spine", (first + 200, first + 200))]


def test_a_lead_in_is_left_to_the_bit() -> None:
    clip_or_skip("01_01")
    given = first_seconds(captured("01_01"), 4.0)
    done = cleaned(given, Settings())
    assert done.findings.lead_in == 1
    np.testing.assert_array_equal(tracks(done.shot).values[:, 0], tracks(given).values[:, 0])


def test_a_gap_too_long_is_left_and_told() -> None:
    _, rows = body(5, 0.05)
    rows["hand"][:, 101:161] = rows["hand"][:, 100:101]  # half a second
    made = shot(rows)
    done = cleaned(made, Settings(fill=0.4))
    assert [(s.control, s.frames) for s in done.findings.left] == [("hand", (102, 161))]
    assert done.findings.filled == ()
    assert np.all(np.ptp(rows_of(done.shot, "hand")[:, 101:161], axis=1) == 0)
    filled = cleaned(made, Settings(fill=1.0))
    assert [s.frames for s in filled.findings.filled] == [(102, 161)]
    assert np.all(np.ptp(rows_of(filled.shot, "hand")[:, 101:161], axis=1) > 0)


def test_the_largest_turn_is_told_where_it_was_made() -> None:
    """In the world, by the poses before and after."""
    _, rows = body(6, SIGMA)
    made = shot(rows)
    done = cleaned(made, Settings())
    old, new = (pose(each, each.frames).linear for each in (made, done.shot))
    sizes = np.array([angle_between(a, b) for a, b in zip(old, new, strict=True)])
    control, at = np.unravel_index(int(np.argmax(sizes)), sizes.shape)
    told = next(m for m in done.findings.largest if m.unit == "deg")
    assert (told.control, told.frame) == (NAMES[int(control)], made.first_frame + int(at))
    assert told.value == pytest.approx(sizes.max(), rel=SAME_FIGURE)


def test_a_turn_is_told_by_its_orientation_not_by_its_angles() -> None:
    """Near gimbal lock angles may come out on another branch: half a turn away, though the joint hardly moved."""
    rows = turns(7)
    rows[1] += 85.0 - rows[1].mean()
    made = shot({"arm": noisy(rows, SIGMA, 7)})
    told = next(m for m in cleaned(made, Settings()).findings.largest if m.unit == "deg")
    assert 0 < told.value < 10 * SIGMA


def test_a_marked_cut_does_not_smear() -> None:
    """Named by the last frame before it, the first after it, or both."""
    true, rows = body(8, SIGMA)
    for values in (true["arm"], rows["arm"]):
        values[:, 240:] += 40.0  # the new view begins at frame 241
    for frames in ((240.0, 240.0), (241.0, 241.0), (240.0, 241.0)):
        made = replace(shot(rows), marks=(Mark("cut", frames),))
        after = rows_of(cleaned(made, Settings()).shot, "arm")
        assert np.abs(after - true["arm"])[:, 225:255].max() < BREAK_KEPT * SIGMA


def test_the_largest_move_is_told_in_mm_where_it_was_made() -> None:
    _, made = noisy_body()
    after = cleaned(made, Settings()).shot
    told = next(m for m in cleaned(made, Settings()).findings.largest if m.unit == "mm")
    best = Moved(0.0, "mm", "", 0)
    for name in NAMES:
        for local in ((0.0, 0.0, 0.0), (0.0, 0.3, 0.0)):
            ways = [world_point(pose(s, s.frames), s, Point(name, local)) for s in (made, after)]
            off = 1000.0 * np.linalg.norm(ways[1] - ways[0], axis=1)
            if off.max() > best.value:
                best = Moved(float(off.max()), "mm", name, made.first_frame + int(off.argmax()))
    assert (told.control, told.frame) == (best.control, best.frame)
    assert told.value == pytest.approx(best.value, rel=SAME_FIGURE)


def told_of(before: Shot, after: Shot) -> Findings:
    """What is told where the first shot became the second."""
    read = tracks(before)
    nothing = np.zeros(len(read), np.bool_)
    kept = Keep(nothing, nothing, nothing, nothing)
    smooth = denoised(read, dict.fromkeys(read.groups, kept), Settings(strength=0.0))
    planting = Planting(after, (), (0.0, 0.0), {})
    return findings(before, planting, 0, Wrong({}, {}, {}, {}), smooth, Settings())


def test_a_planted_change_is_told_at_its_control_and_frame() -> None:
    """The hand turned by 8 deg on one frame: its tip, 0.3 m away, moves by a chord of 8 deg about its x axis."""
    made = shot({name: turns(k) for k, name in enumerate(NAMES)}, order="xyz")
    rows = {name: rows_of(made, name) for name in NAMES}
    rows["hand"][0, 200] += 8.0
    told = told_of(made, shot(rows, order="xyz"))
    largest = {moved.unit: moved for moved in told.largest}
    for unit in ("mm", "px", "deg"):
        assert (largest[unit].control, largest[unit].frame) == ("hand", made.first_frame + 200)
    assert largest["deg"].value == pytest.approx(8.0, rel=SAME_FIGURE)
    tip = matrices(rows["hand"][:, 200:201], "xyz")[0] @ [0.0, 0.3, 0.0]
    chord = 2 * np.sin(np.deg2rad(4.0)) * np.hypot(tip[1], tip[2])  # the first angle turns about the fixed x
    assert largest["mm"].value == pytest.approx(1000.0 * chord, rel=SAME_FIGURE)


def test_the_speed_that_an_accent_lost_is_told() -> None:
    """A blow of the hand, 80 deg in a tenth of a second; held back to 40 it has half its speed."""

    def blow(size: float) -> Shot:
        u = np.clip((np.arange(COUNT) - 240) / 12.0, 0.0, 1.0)
        rows = {name: turns(k, size=6.0) for k, name in enumerate(NAMES)}
        rows["hand"] = np.array([[1.0], [0.0], [0.0]]) * size * (10 * u**3 - 15 * u**4 + 6 * u**5)
        return shot(rows)

    sharp = blow(80.0)
    same = told_of(sharp, sharp)
    assert same.kept_speed == 1.0
    assert same.slowest_accent.startswith("hand at frame ")  # there is one, though it lost nothing
    assert told_of(blow(0.0), blow(0.0)).slowest_accent == ""
    told = told_of(sharp, blow(40.0))
    assert told.kept_speed == pytest.approx(0.5, abs=HALF_SPEED)
    control, frame = told.slowest_accent.split(" at frame ")
    assert control == "hand"
    assert abs(int(frame) - (sharp.first_frame + 246)) <= 3


def test_an_accent_keeps_its_speed() -> None:
    _, rows = body(9, 0.1)
    u = np.clip((np.arange(COUNT) - 240) / 12.0, 0.0, 1.0)
    rows["hand"][0] += 80.0 * (10 * u**3 - 15 * u**4 + 6 * u**5)
    assert cleaned(shot(rows), Settings()).findings.kept_speed > SPEED_KEPT


# --- what isn't cleaned ------------------------------------------------------------------------------------


def test_a_clip_over_its_budget_is_the_given_shot_itself() -> None:
    _, made = noisy_body()
    done = cleaned(made, Settings(at_most=Amount(0.01, "mm")))
    assert done.shot is made
    worst = next(m for m in done.findings.largest if m.unit == "mm")
    assert worst.control in done.findings.set_aside
    assert f"frame {worst.frame}" in done.findings.set_aside
    within = cleaned(made, Settings(at_most=Amount(1000.0, "mm")))
    assert within.findings.set_aside == ""
    assert within.shot is not made


def test_a_keyed_shot_is_refused_with_its_remedy() -> None:
    keys = make_keys([1.0, 20.0], [0.0, 4.0], [0.0, 0.0])
    keyed = Shot("k", 24.0, 1, 20, (Control("a", channels=(Channel("rotation.x", keys=keys),)),))
    with pytest.raises(InputError, match="sample") as refused:
        cleaned(keyed, Settings())
    assert "refine suggest" in str(refused.value)


def test_a_clip_too_short_is_refused_and_the_shortest_is_not() -> None:
    with pytest.raises(InputError, match=f"{SHORTEST - 1} frames") as refused:
        cleaned(shot({"arm": noisy(turns(1, SHORTEST - 1), 0.1, 1)}), Settings())
    assert f"{SHORTEST} frames or more" in str(refused.value)
    assert refused.value.remedy
    done = cleaned(shot({"arm": noisy(turns(1, SHORTEST), 0.1, 1)}), Settings())
    assert np.all(np.isfinite(rows_of(done.shot, "arm")))


def test_a_clip_that_rests_stays() -> None:
    made = shot({name: np.full((3, COUNT), 5.0) for name in NAMES})
    done = cleaned(made, Settings())
    assert done.shot == made
    assert done.findings.noise == 0
    assert all(m.value <= ANGLE for m in done.findings.largest)

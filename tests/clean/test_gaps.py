"""Where a capture has nothing to say: frozen joints, and the rest pose that leads in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.cleaning.degrade import unit_noise
from benchmarks.cleaning.table import table, with_table
from benchmarks.cleaning.truth import raw
from benchmarks.corpus import captured
from refine.clean import gaps as finding
from refine.clean.gaps import Gap, alike, bad_borders, lead_in, mask
from refine.clean.tracks import Group, Kind, quaternions, tracks
from refine.clean.wrong import path
from refine.limbs.planted import runs
from refine.shot import Array
from tests.clean.shots import COUNT, FPS, body, noisy, shot, turns
from tests.open_clips import clip_or_skip


def moving(seed: int = 0) -> Array:
    return noisy(turns(seed), 0.05, seed)


def joint(rows: int = 3, kind: Kind = "angles") -> Group:
    names = ("rotation",) if kind == "quaternion" else ("rotation.z", "rotation.x", "rotation.y")[:rows]
    return Group("joint", kind, "zxy", names, tuple(range(rows)))


def gaps(values: Array, fps: float, group: Group | None = None) -> list[Gap]:
    """The gaps in the rows of a joint's angles."""
    group = group or joint(len(values))
    way = path(group, values)
    return finding.gaps(values, way, alike(group, values, way), fps)


def frozen_ends(values: Array, fps: float) -> list[Gap]:
    group = joint(len(values))
    way = path(group, values)
    same = alike(group, values, way)
    return finding.frozen_ends(same, finding.gaps(values, way, same, fps), fps)


def resting(at: list[tuple[int, int]], seed: int = 0) -> Array:
    """A joint that goes evenly, stands still on some frames, and goes on from there; noise while it moves."""
    moving = np.ones(COUNT)
    for first, last in at:
        moving[first : last + 1] = 0.0
    way = np.cumsum(moving) / 5.0 * np.array([[1.0], [-0.5], [0.3]])
    return np.round(way + 0.05 * moving * np.random.default_rng(seed).standard_normal(way.shape), 6)


def frozen_at(values: Array, first: int, last: int) -> Array:
    out = values.copy()
    out[:, first : last + 1] = out[:, first - 1 : first]
    return out


@pytest.mark.parametrize(("first", "last"), [(100, 112), (100, 160), (2, 30), (300, 310)])
def test_a_frozen_joint_is_found_with_its_frames(first: int, last: int) -> None:
    """The sample before the run is good; what repeats it is the gap."""
    assert gaps(frozen_at(moving(), first, last), FPS) == [Gap(first, last)]


def test_two_gaps_are_two() -> None:
    values = frozen_at(frozen_at(moving(), 100, 130), 300, 310)
    assert gaps(values, FPS) == [Gap(100, 130), Gap(300, 310)]


def test_no_gap_without_one() -> None:
    assert gaps(moving(), FPS) == []
    assert gaps(np.zeros((3, COUNT)), FPS) == []


def test_a_hold_comes_to_rest_and_sets_off() -> None:
    """A moving hold: it stops by its own motion, repeats, and goes on without a jump."""
    ease = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.arange(COUNT) / 150.0, 0, 1))
    again = 0.5 - 0.5 * np.cos(np.pi * np.clip((np.arange(COUNT) - 250) / 150.0, 0, 1))
    values = np.round(np.array([[40.0], [10.0], [-20.0]]) * (ease + again), 6)
    assert np.all(values[:, 160] == values[:, 240])
    assert gaps(values, FPS) == []


def test_one_channel_at_rest_while_others_move_is_no_gap() -> None:
    values = moving()
    values[1, 100:150] = values[1, 99]
    assert gaps(values, FPS) == []


def test_a_joint_at_its_stop_is_no_gap() -> None:
    """A knee that can't be straighter: it repeats its limit and leaves it by a jolt."""
    bent = np.maximum(moving()[:1] * 3.0, -5.0)
    bent[0, 200:230] = -5.0
    bent[0, 230:] = np.maximum(bent[0, 230:], 0.0) + 4.0
    assert np.count_nonzero(bent[0] == -5.0) >= 30
    assert gaps(bent, FPS) == []


def test_a_channel_that_mostly_rests_has_holds() -> None:
    steps = np.repeat(np.round(turns(3, COUNT // 8), 1), 8, axis=1)
    assert gaps(steps, FPS) == []


def test_a_gap_at_the_very_end_is_not_told_from_a_hold() -> None:
    assert gaps(frozen_at(moving(), COUNT - 30, COUNT - 1), FPS) == []


def test_a_mask_covers_the_gaps() -> None:
    found = mask([Gap(3, 5), Gap(8, 8)], 10)
    assert np.flatnonzero(found).tolist() == [3, 4, 5, 8]
    assert len(Gap(3, 5)) == 3


@pytest.mark.parametrize("frames", [1, 12, 60])
def test_a_rest_pose_before_the_motion_is_a_lead_in(frames: int) -> None:
    _, values = body()
    for rows in values.values():
        rows += 60.0
        rows[:, :frames] = 0.0
    assert lead_in(tracks(shot(values))) == frames


def test_motion_has_no_lead_in() -> None:
    _, values = body()
    assert lead_in(tracks(shot(values))) == 0
    for rows in values.values():
        rows[:, :20] = rows[:, 20:21]  # at rest before it moves
    assert lead_in(tracks(shot(values))) == 0


@pytest.mark.parametrize("sigma", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("coloured", [False, True])
@pytest.mark.parametrize("frames", [1, 30, 110])
def test_a_rest_pose_with_noise_on_it_is_a_lead_in(sigma: float, coloured: bool, frames: int) -> None:
    for seed in range(4):
        values, _ = body(seed)
        rows = {}
        for n, (name, way) in enumerate(values.items()):
            way[:, :frames] = way[:, frames : frames + 1] + np.array([[40.0], [-25.0], [30.0]])
            rows[name] = noisy(way, sigma, 10 * seed + n, coloured)
        assert lead_in(tracks(shot(rows))) == frames


@pytest.mark.parametrize("clip", ["01_01", "01_03", "Boxing_Toes"])
@pytest.mark.parametrize("every", [1, 4])
@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.3, 1.0])
def test_a_rest_pose_before_a_captured_clip_is_a_lead_in(clip: str, every: int, sigma: float) -> None:
    """All angles 0, held for 0.1 and for 1 s; without it, at rest in its first pose, the clip has none."""
    clip_or_skip(clip)
    whole = raw(clip)
    columns, rng = table(whole), np.random.default_rng(1)
    motion, fps = columns.values[: 8 * round(whole.fps) : every], whole.fps / every
    for coloured in (False, True):
        for seconds in (0.1, 1.0):
            pose = np.repeat(motion[:1], round(seconds * fps), axis=0)
            rest = pose.copy()
            rest[:, columns.turns] = 0.0
            noise = np.zeros((len(pose) + len(motion), motion.shape[1]))
            noise[:, columns.turns] = sigma * unit_noise((len(noise), len(columns.turns)), coloured, fps, rng)
            for led, frames in ((rest, len(pose)), (pose, 0)):
                made = with_table(whole, np.concatenate([led, motion]) + noise)
                assert lead_in(tracks(replace(made, fps=fps))) == frames


@pytest.mark.parametrize("fps", [24.0, 30.0, 120.0])
@pytest.mark.parametrize("sigma", [0.0, 0.3])
@pytest.mark.parametrize("within", [0.0, 0.05, 0.2])
def test_who_stands_and_then_sets_off_has_none(fps: float, sigma: float, within: float) -> None:
    """However quickly: at once, or within so many seconds to 200 deg/s; it sways before."""
    count = round(4 * fps)
    t = np.arange(count) / fps - 0.8
    way = np.where(t < 0, 0.0, np.where(t < within, t**2 / (2.0 * max(within, 1e-9)), t - within / 2.0))
    sway = 0.3 * np.sin(2 * np.pi * 0.4 * t) * (t < 0)
    rows = {
        name: noisy((200.0 * way + sway) * np.array([[1.0], [-0.6], [0.4]]), sigma, n, fps=fps)
        for n, name in enumerate(("spine", "arm", "hand"))
    }
    assert lead_in(tracks(shot(rows, fps=fps))) == 0


@pytest.mark.parametrize("clip", ["01_01", "01_03", "Boxing_Toes"])
@pytest.mark.parametrize("every", [1, 5])
def test_pieces_of_clips_have_none(clip: str, every: int) -> None:
    clip_or_skip(clip)
    whole = raw(clip)
    values, fps = table(whole).values[::every], whole.fps / every
    for first in range(0, len(values) - round(2.5 * fps), round(0.5 * fps)):
        piece = with_table(whole, values[first : first + round(2.5 * fps)])
        assert lead_in(tracks(replace(piece, fps=fps))) == 0


def test_motion_up_to_a_cut_is_no_lead_in() -> None:
    """Half a second of motion in another pose."""
    values, _ = body(1, 0.0)
    for sigma in (0.0, 0.3):
        rows = {}
        for n, (name, way) in enumerate(values.items()):
            cut = way.copy()
            cut[:, :60] += 40.0
            rows[name] = noisy(cut, sigma, n)
        assert lead_in(tracks(shot(rows))) == 0


@pytest.mark.parametrize(("clip", "frames"), [("01_01", 1), ("01_03", 1), ("Boxing_Toes", 0)])
def test_open_clips_begin_where_they_are_known_to(clip: str, frames: int) -> None:
    """Frame 0 of 01_01 and 01_03 is one and the same rest pose, 154 and 177 deg off the next frame; Boxing_Toes moves
    from its first frame on."""
    clip_or_skip(clip)
    assert lead_in(tracks(captured(clip))) == frames
    if frames:
        turns, known = table(captured(clip)), table(captured("01_01"))
        np.testing.assert_array_equal(turns.values[0, turns.turns], known.values[0, known.turns])


def test_a_clip_that_is_frozen_from_its_start_or_to_its_end_says_so() -> None:
    values = moving()
    values[:, :30], values[:, 350:] = values[:, 30:31], values[:, 350:351]
    assert frozen_ends(values, FPS) == [Gap(0, 29), Gap(351, COUNT - 1)]
    assert frozen_ends(moving(), FPS) == []


def test_a_gap_inside_does_not_hide_a_frozen_end() -> None:
    values = noisy(moving(), 0.1, 5)
    values[:, 100:200], values[:, 350:] = values[:, 99:100], values[:, 350:351]
    assert frozen_ends(values, FPS) == [Gap(351, COUNT - 1)]


def test_a_figure_that_comes_to_rest_and_rests_elsewhere_too_is_not_frozen() -> None:
    values = moving()
    for start in (50, 120, 200, 350):
        values[:, start : start + 45] = values[:, start : start + 1]
    values[:, 350:] = values[:, 350:351]
    assert frozen_ends(values, FPS) == []


@pytest.mark.parametrize("off", [2.0, 5.0, 20.0])
@pytest.mark.parametrize("beside", ["before", "after"])
def test_a_bad_sample_beside_a_gap_is_seen(off: float, beside: str) -> None:
    """A sensor that comes back often comes back wrong, and the gap is led through by the slopes at its borders."""
    values = moving()
    at = 99 if beside == "before" else 125
    values[:, at] += off
    gap = mask([Gap(100, 124)], COUNT)
    bad = bad_borders(values.T, [Gap(100, 124)], gap, 0.1)
    assert np.flatnonzero(bad).tolist() == [at]


def test_good_samples_beside_a_gap_are_left() -> None:
    for seed in range(10):
        gap = [Gap(100, 124)]
        assert not bad_borders(moving(seed).T, gap, mask(gap, COUNT), 0.1).any()


@pytest.mark.parametrize("at", [105, 111, 124])
@pytest.mark.parametrize("way", ["whole turns", "other triple", "sign"])
def test_a_joint_that_is_written_anew_while_it_is_frozen_has_one_gap(at: int, way: str) -> None:
    values, group = np.round(frozen_at(moving(), 100, 124), 2), joint()
    if way == "sign":
        group = joint(4, "quaternion")
        values = quaternions(joint(), values).T
        values[:, at:] *= -1.0
    elif way == "whole turns":
        values[[0, 2], at:] += np.array([[360.0], [-720.0]])
    else:
        values[:, at:] = np.stack([values[0] + 180.0, 180.0 - values[1], values[2] + 180.0])[:, at:]
        values[1, at:] += 0.01  # what two decimals may lose
    assert gaps(values, FPS, group) == [Gap(100, 124)]


def test_a_turn_that_moves_on_while_it_is_written_anew_is_two_gaps() -> None:
    values = frozen_at(frozen_at(moving(), 100, 111), 113, 124)
    values[:, 112:125] += np.array([[360.0], [0.0], [0.0]])
    assert gaps(values, FPS) == [Gap(100, 111), Gap(113, 124)]


@pytest.mark.parametrize("sigma", [0.02, 0.1, 0.5])
def test_a_gap_in_slow_motion_is_found_by_the_noise_beside_it(sigma: float) -> None:
    """What ends it is no larger a jump than the noise is: captured samples don't repeat for 0.1 s by chance."""
    values = np.round(noisy(turns(1, size=0.2), sigma, 1), 6)
    frozen = frozen_at(values, 200, 220)
    assert gaps(frozen, FPS) == [Gap(200, 220)]
    assert gaps(frozen_at(values, 200, 205), FPS) == []  # too short to say so
    assert gaps(frozen, 50.0) == []  # where neighbouring samples don't tell noise from motion


@pytest.mark.parametrize("decimals", [0, 1, 2])
def test_rounding_is_no_gap(decimals: int) -> None:
    """Slow motion stands on a step of its decimals for much longer than 0.1 s."""
    values = np.round(turns(1, size=4.0 * 10.0**-decimals), decimals)
    same = np.all(values[:, 1:] == values[:, :-1], axis=0)
    assert max(b - a for a, b in runs(same)) >= 12
    assert gaps(values, FPS) == []


def test_repeated_frames_of_a_slower_rate_are_no_gaps() -> None:
    slow = noisy(turns(2, COUNT // 4, FPS / 4, size=2.0), 0.1, 2)
    assert gaps(np.repeat(slow, 4, axis=1), FPS) == []


def test_a_rest_of_a_slower_rate_led_evenly_to_a_quicker_one_is_no_gap() -> None:
    """What is led has corners, whose sixth differences look like noise."""
    at = np.arange(COUNT // 4)
    ease = 0.5 - 0.5 * np.cos(np.pi * np.clip(at / 60.0, 0, 1))
    again = 0.5 - 0.5 * np.cos(np.pi * np.clip((at - 66) / 50.0, 0, 1))
    led = np.interp(np.arange(COUNT - 4) / 4, at, ease + again)
    assert gaps(np.round(led * np.array([[40.0], [10.0], [-20.0]]), 6), FPS) == []


def test_a_joint_that_stops_and_goes_on_from_there_has_no_gap() -> None:
    """A prop that is set down for a moment, in a capture that sends no noise while nothing moves."""
    for seed in range(10):
        assert gaps(resting([(200, 225)], seed), FPS) == []


def test_a_joint_that_often_rests_has_rests() -> None:
    """The same stillness once is a gap, in a clip that goes slowly enough."""
    slow = np.round(noisy(turns(1, size=1.0), 0.1, 1), 6)
    rests = slow
    for first in range(40, COUNT - 40, 80):
        rests = frozen_at(rests, first, first + 20)
    assert gaps(frozen_at(slow, 200, 220), FPS) != []
    assert gaps(rests, FPS) == []


@pytest.mark.parametrize("width", [1, 2])
def test_samples_alone_between_two_gaps_are_bad_if_they_are_off_the_way(width: int) -> None:
    found = [Gap(200, 215), Gap(216 + width, 232)]
    values = moving()
    skipped = mask(found, COUNT)
    assert not bad_borders(values.T, found, skipped, 0.1).any()
    values[:, 216 : 216 + width] += 15.0
    assert np.flatnonzero(bad_borders(values.T, found, skipped, 0.1)).tolist() == [*range(216, 216 + width)]


def test_the_gaps_of_an_open_clip_are_those_of_one_arm() -> None:
    """01_03's right arm, hand and thumb stand still twice on the very same frames: it was lost."""
    clip_or_skip("01_03")
    raw = tracks(captured("01_03"))
    found = {
        group.control: gaps(raw.of(group), raw.fps, group) for group in raw.groups if group.kind == "angles"
    }
    both = [Gap(3028, 3050), Gap(3088, 3119)]
    arm = ("RightArm", "RightForeArm", "RightHand", "RightFingerBase", "RThumb")
    assert {name: gap for name, gap in found.items() if gap} == dict.fromkeys(arm, both)


@pytest.mark.parametrize("clip", ["01_01", "Boxing_Toes"])
def test_open_clips_without_a_gap_have_none(clip: str) -> None:
    clip_or_skip(clip)
    raw = tracks(captured(clip))
    assert not any(gaps(raw.of(group), raw.fps, group) for group in raw.groups)

"""Where a capture has nothing to say: frozen joints, and the rest pose that leads in."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.corpus import captured
from refine.clean.gaps import Gap, bad_borders, frozen_ends, gaps, lead_in, mask
from refine.clean.tracks import tracks
from refine.shot import Array
from tests.clean.shots import COUNT, FPS, body, noisy, shot, turns
from tests.open_clips import clip_or_skip


def moving(seed: int = 0) -> Array:
    return noisy(turns(seed), 0.05, seed)


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


@pytest.mark.parametrize(("clip", "frames"), [("01_01", 1), ("01_03", 0), ("Boxing_Toes", 0)])
def test_open_clips_begin_where_they_are_known_to(clip: str, frames: int) -> None:
    """[doc] frame 0 of 01_01 is a rest pose, 154 deg off; the others move from their first frame on."""
    clip_or_skip(clip)
    assert lead_in(tracks(captured(clip))) == frames


def test_a_clip_that_is_frozen_from_its_start_or_to_its_end_says_so() -> None:
    values = moving()
    values[:, :30], values[:, 350:] = values[:, 30:31], values[:, 350:351]
    assert frozen_ends(values, FPS) == [Gap(0, 29), Gap(351, COUNT - 1)]
    assert frozen_ends(moving(), FPS) == []


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

"""The benchmark of poses a frame beside their own: one trial, and how shares are counted."""

from __future__ import annotations

from benchmarks.late_poses import Trial, report, run, trials
from benchmarks.quality_held import WALK


def test_a_late_pose_of_the_walk_is_right_by_both_ways() -> None:
    trial = Trial(WALK, "thigh.L", 42.0, 1, (33, 51))
    px = run(trial)
    assert px is not None
    off, by_range, by_flag = px
    assert off > 10 * max(by_range, by_flag, 0.1)
    rows = list(report([(trial, px), (trial, (10.0, 8.0, 10.5))]))
    assert rows[-2:] == [
        f"| {WALK} | suggest --frames | 2 | 50 % | 50 % | 0 % | 0 % |",
        f"| {WALK} | check, suggest --flag | 2 | 50 % | 0 % | 0 % | 50 % |",
    ]


def test_the_share_says_how_many_are_moved() -> None:
    every, some = len(list(trials(1.0))), len(list(trials(0.1)))
    assert 0.05 * every < some < 0.2 * every

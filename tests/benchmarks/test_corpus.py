"""The corpus is what the scores rest on: keys and slopes follow the stated habit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from benchmarks import corpus
from benchmarks.corpus import (
    GAPS,
    HABITS,
    MOVING_JOINTS,
    RULES,
    Habit,
    Rule,
    keyed_shot,
    rules_of,
    slopes_by,
)
from refine.curve import evaluate
from refine.pose import pose
from refine.shot import Channel, Control, Keys, Shot, make_keys
from tests.benchmarks.tolerances import PASS_BAND_RIPPLE, STOP_BAND_REST, TURN
from tests.tolerances import ANGLE


def moving(shot: Shot) -> list[tuple[str, Channel, Keys]]:
    """The channels that move, with their control's name and their keys."""
    channels = [(c.name, ch, ch.keys) for c in shot.controls for ch in c.channels]
    return [(name, ch, keys) for name, ch, keys in channels if keys is not None and len(keys) > 1]


# --- without a clip --------------------------------------------------------------------------------------


def test_resampling_keeps_what_the_new_rate_can_carry_and_removes_the_rest() -> None:
    """Sampling theorem [mem]: 24 fps carry 2 Hz; 20 Hz would come back as 4 Hz if they weren't removed."""
    t = np.arange(1200) / 120
    slow, fast = np.sin(2 * np.pi * 2 * t), np.sin(2 * np.pi * 20 * t)
    new = np.arange(240) / 24
    inner = slice(24, -24)  # the filter's ends ring
    kept = corpus.resampled(slow, 120, 24)
    assert len(kept) == len(new)
    assert np.abs(kept - np.sin(2 * np.pi * 2 * new))[inner].max() < PASS_BAND_RIPPLE
    assert np.abs(corpus.resampled(fast, 120, 24))[inner].max() < STOP_BAND_REST


def test_flipped_angles_become_continuous_and_stay_the_same_rotations() -> None:
    """[lib] scipy's Rotation says that the rotations are the same."""
    t = np.linspace(0, 1, 60)
    smooth = np.column_stack([170 + 40 * t, 60 + 50 * t, -30 + 200 * t])
    # As a capture system writes them: middle angle within 90 deg, the others within 180 deg.
    written = Rotation.from_euler("ZXY", smooth, degrees=True).as_euler("ZXY", degrees=True)
    assert np.abs(np.diff(written, axis=0)).max() > 90
    names = ["rotation.z", "rotation.x", "rotation.y"]
    channels = [Channel(n, samples=v[:, None]) for n, v in zip(names, written.T, strict=True)]
    control = Control("joint", order="zxy", channels=tuple(channels))
    mended = corpus.continuous(control)
    result = np.column_stack([mended[name] for name in names])
    assert np.abs(np.diff(result - smooth, axis=0)).max() < ANGLE
    apart = Rotation.from_euler("ZXY", smooth, degrees=True).inv() * Rotation.from_euler(
        "ZXY", result, degrees=True
    )
    assert apart.magnitude().max() < TURN


def test_the_three_rules_on_keys_worked_by_hand() -> None:
    frames, values = np.array([0.0, 4.0, 6.0, 16.0]), np.array([0.0, 8.0, 2.0, 12.0])
    assert slopes_by("chord", frames, values).tolist() == [2.0, 2 / 6, 4 / 12, 1.0]
    assert slopes_by("flat", frames, values).tolist() == [2.0, 0.0, 0.0, 1.0]
    assert slopes_by("flat", frames, np.array([0.0, 1.0, 2.0, 3.0]))[1] == 2 / 6


@pytest.mark.parametrize("rule", RULES)
def test_the_rule_of_a_channel_is_read_back(rule: Rule) -> None:
    rng = np.random.default_rng(7)
    frames = np.cumsum(rng.integers(3, 15, 20)).astype(float)
    values = rng.normal(size=20)
    assert set(rules_of(make_keys(frames, values, slopes_by(rule, frames, values)))) == {rule}


# --- clean shots -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("habit", HABITS)
def test_the_same_seed_gives_the_same_shot_and_another_seed_another(habit: Habit, clip: str) -> None:
    assert keyed_shot(clip, 3, habit) == keyed_shot(clip, 3, habit)
    assert keyed_shot(clip, 3, habit).controls != keyed_shot(clip, 4, habit).controls


def test_keys_stand_irregularly_and_a_controls_channels_share_them(clip: str) -> None:
    shot = keyed_shot(clip, 0, "natural")
    gaps: list[float] = []
    timing: dict[str, list[float]] = {}
    for name, _, keys in moving(shot):
        assert keys.frames[0] == shot.first_frame
        assert keys.frames[-1] == shot.last_frame
        assert timing.setdefault(name, keys.frames.tolist()) == keys.frames.tolist()
        gaps.extend(np.diff(keys.frames))
    assert min(gaps) >= GAPS[0]
    assert max(gaps) <= GAPS[1]
    assert len(set(gaps)) > 6
    assert len(timing) == MOVING_JOINTS
    assert len({tuple(frames) for frames in timing.values()}) == MOVING_JOINTS


def test_keys_prefer_the_extremes_of_the_motion() -> None:
    t = np.arange(1000)
    wave = np.sin(2 * np.pi * t / 26)[:, None]
    frames = corpus.key_frames(wave, np.random.default_rng(1))
    phase = (frames[1:-1] - 6.5) % 13
    near = np.minimum(phase, 13 - phase) <= 0.5
    # Of 13 frames 2 at most lie that near an extreme; keys set without preference would be there as rarely.
    assert near.mean() > 2 * 2 / 13


def test_natural_curves_are_scipys_natural_splines(clip: str) -> None:
    """[lib] scipy CubicSpline, at quarter frames: keys and slopes give the same curve everywhere."""
    for _, _, keys in moving(keyed_shot(clip, 1, "natural")):
        at = np.arange(keys.frames[0], keys.frames[-1], 0.25)
        spline = CubicSpline(keys.frames, keys.values[:, 0], bc_type="natural")
        assert np.abs(spline(at) - evaluate(keys, at)[:, 0]).max() < ANGLE


@pytest.mark.parametrize("habit", ["chord", "flat"])
def test_inner_slopes_obey_the_habit_exactly(habit: Habit, clip: str) -> None:
    extremes = 0
    for _, _, keys in moving(keyed_shot(clip, 1, habit)):
        f, v = keys.frames, keys.values[:, 0]
        for k in range(1, len(keys) - 1):
            extreme = v[k] >= max(v[k - 1], v[k + 1]) or v[k] <= min(v[k - 1], v[k + 1])
            extremes += extreme
            chord = (v[k + 1] - v[k - 1]) / (f[k + 1] - f[k - 1])
            assert (
                keys.incoming[k, 0] == keys.outgoing[k, 0] == (0.0 if habit == "flat" and extreme else chord)
            )
    assert extremes > 100


def test_mixed_draws_a_rule_for_each_channel(clip: str) -> None:
    rules = [set(rules_of(keys)) for _, _, keys in moving(keyed_shot(clip, 2, "mixed"))]
    assert all(len(each) == 1 for each in rules)
    assert set().union(*rules) == set(RULES)


def test_mixed_keys_follow_one_rule_with_seven_in_ten(clip: str) -> None:
    rules = [rule for _, _, keys in moving(keyed_shot(clip, 2, "mixed_keys")) for rule in rules_of(keys)]
    shares = [rules.count(rule) / len(rules) for rule in RULES]
    # Chord and flat agree except at extremes, so a share may read higher than it was drawn.
    assert 0.6 < max(shares) < 0.95
    assert min(shares) > 0.02


def test_handmade_slopes_are_scaled_by_a_fifth_at_most(clip: str) -> None:
    plain, hand = (keyed_shot(clip, 5, "chord", handmade=share) for share in (0.0, 0.3))
    ratios = []
    for (_, _, one), (_, _, other) in zip(moving(plain), moving(hand), strict=True):
        assert np.array_equal(one.values, other.values)
        steep = np.abs(one.incoming[:, 0]) > 0
        ratios.extend(other.incoming[steep, 0] / one.incoming[steep, 0])
    touched = np.array(ratios) != 1.0
    assert 0.25 < touched.mean() < 0.35
    assert np.abs(np.array(ratios) - 1).max() <= 0.2


def test_the_camera_holds_the_whole_figure_in_every_frame(clip: str) -> None:
    for seed in range(3):
        shot = keyed_shot(clip, seed, "flat")
        camera = shot.cameras[0]
        pixels = corpus.screen_points(shot, shot.frames)
        assert pixels.min() >= 0
        assert pixels[..., 0].max() <= camera.width
        assert pixels[..., 1].max() <= camera.height
        tall = np.median(np.ptp(pixels[..., 1], axis=0)) / camera.height
        assert 0.3 < tall < 0.75


def test_the_figure_of_the_clip_stands_upright(clip: str) -> None:
    """The head is above the feet: the rig, its rest offsets and Euler orders came through."""
    shot = keyed_shot(clip, 0, "natural")
    posed = pose(shot, shot.frames)
    head, foot = (posed.origin[shot.index(name), :, 1] for name in ("Head", "LeftFoot"))
    assert np.mean(head - foot) > 0.5 * corpus.figure_height(shot)

"""Samples that jump away and are back at once are found; what a body does, however sharply, isn't taken for them."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.cleaning.table import first_seconds
from benchmarks.cleaning.truth import raw, truth
from refine.clean.spikes import LEAST, spikes
from refine.clean.tracks import tracks
from refine.clean.wrong import wrong
from refine.shot import Array
from tests.clean.shots import FPS, noisy, turns
from tests.clean.tolerances import FALSE_IN_CAPTURES, FALSE_SPIKES
from tests.open_clips import clip_or_skip

COUNT = 600
JUMP = np.array([9.0, -7.0, 12.0])
BACK = np.array([-8.0, 12.0, 7.0])
AT = 300
ALONG = np.array([1.0, -1.0, 0.5])  # of accents: 1.5 times their size in all


def path(seed: int = 0, sigma: float = 0.1, coloured: bool = False, fps: float = FPS) -> Array:
    """(COUNT, 3) degrees with noise."""
    return noisy(turns(seed, COUNT, fps), sigma, seed, coloured, fps).T


def found(y: Array, fps: float = FPS, floor: float = 0.0) -> list[int]:
    return np.flatnonzero(spikes(y, np.zeros(len(y), np.bool_), fps, floor)).tolist()


def planted(seed: int, fps: float, sigma: float, coloured: bool) -> tuple[Array, list[int]]:
    """Spikes of 6 to 30 deg a channel on one and on two frames, 40 frames apart."""
    rng = np.random.default_rng(seed)
    y, hit = path(seed, sigma, coloured, fps), list[int]()
    for n, start in enumerate(range(30, COUNT - 30, 40)):
        here = list(range(start, start + 1 + n % 2))
        y[here] += rng.uniform(6.0, 30.0, 3) * rng.choice([-1.0, 1.0], 3)
        hit += here
    return y, hit


@pytest.mark.parametrize("fps", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("coloured", [False, True])
def test_planted_spikes_are_found_all_of_them(fps: float, sigma: float, coloured: bool) -> None:
    for seed in range(4):
        y, hit = planted(seed, fps, sigma, coloured)
        assert set(hit) <= set(found(y, fps))


@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.3, 1.0])
@pytest.mark.parametrize("coloured", [False, True])
@pytest.mark.parametrize("fps", [30.0, 120.0])
def test_noise_is_not_taken_for_spikes(sigma: float, coloured: bool, fps: float) -> None:
    false = sum(len(found(path(seed, sigma, coloured, fps), fps)) for seed in range(12))
    assert false <= FALSE_SPIKES * 12 * COUNT


def test_around_spikes_good_samples_keep_their_say() -> None:
    false = 0
    for seed in range(8):
        y, hit = planted(seed, FPS, 0.1, False)
        false += len(set(found(y)) - set(hit))
    assert false <= FALSE_SPIKES * 8 * COUNT


@pytest.mark.parametrize("fps", [30.0, FPS])
def test_the_good_sample_between_two_spikes_stays(fps: float) -> None:
    for seed in range(4):
        y = path(seed, fps=fps)
        y[[AT - 1, AT + 1]] += JUMP
        assert [k for k in found(y, fps) if abs(k - AT) < 4] == [AT - 1, AT + 1]


@pytest.mark.parametrize("beside", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("sigma", [0.0, 0.1])
def test_two_spikes_side_by_side_are_both_found(beside: int, sigma: float) -> None:
    for seed in range(4):
        y = path(seed, sigma)
        y[AT] += JUMP
        y[AT + beside] += BACK
        assert {AT, AT + beside} <= set(found(y))


@pytest.mark.parametrize("at", [[0], [1], [2], [0, 1], [COUNT - 1], [COUNT - 2], [COUNT - 2, COUNT - 1], [5]])
def test_spikes_at_the_clips_ends_are_found(at: list[int]) -> None:
    for seed in range(8):
        y = path(seed)
        y[at] += JUMP
        assert set(at) <= set(found(y))


def test_two_double_spikes_in_a_row_are_found() -> None:
    """Four wild frames: left in a hip they throw the whole body."""
    for seed in range(8):
        y = path(seed)
        y[AT : AT + 2] += 2.0 * JUMP
        y[AT + 2 : AT + 4] += 2.0 * BACK
        assert set(range(AT, AT + 4)) <= set(found(y, FPS, LEAST))


@pytest.mark.parametrize("sigma", [0.0, 0.1])
@pytest.mark.parametrize("fps", [30.0, 120.0])
def test_an_impact_is_no_spike(sigma: float, fps: float) -> None:
    """Speed breaks off at once by 0.5 to 6 deg a frame."""
    for seed, slope in enumerate((0.5, 2.0, 6.0)):
        y = path(seed, sigma, fps=fps)
        assert found(y + slope * np.maximum(np.arange(COUNT) - AT, 0)[:, None] * ALONG, fps, LEAST) == []


@pytest.mark.parametrize("sigma", [0.0, 0.1])
@pytest.mark.parametrize("fps", [30.0, 120.0])
def test_a_cut_is_no_spike(sigma: float, fps: float) -> None:
    for seed, step in enumerate((5.0, 30.0, 120.0)):
        y = path(seed, sigma, fps=fps)
        y[AT:] += step * ALONG
        assert found(y, fps, LEAST) == []


@pytest.mark.parametrize(("frames", "fps"), [(12, 120.0), (24, 120.0), (8, 60.0), (8, 30.0)])
def test_a_fast_accent_is_no_spike(frames: int, fps: float) -> None:
    """90 deg in 100 to 270 ms by least jerk, with and without noise."""
    u = np.clip((np.arange(COUNT) - AT) / frames, 0.0, 1.0)
    accent = 60.0 * (10 * u**3 - 15 * u**4 + 6 * u**5)[:, None] * ALONG
    for sigma in (0.0, 0.1):
        assert found(path(2, sigma, fps=fps) + accent, fps, LEAST) == []


@pytest.mark.parametrize("width", [6, 12, 40])
def test_a_bump_is_no_spike(width: int) -> None:
    bump = 20.0 * np.exp(-0.5 * ((np.arange(COUNT) - AT) / width) ** 2)
    for sigma in (0.0, 0.1):
        assert found(path(3, sigma) + bump[:, None] * ALONG, FPS, LEAST) == []


@pytest.mark.parametrize("frames", [3, 4])
def test_where_there_is_no_noise_a_quick_way_is_no_spike(frames: int) -> None:
    """What a capture jumps by and stays, by way of a few samples that stray: noise took it for motion, so it is."""
    for seed in range(4):
        y = path(seed, 0.0)
        stray = np.random.default_rng(seed).uniform(-0.15, 0.15, (frames, 3))
        y[AT : AT + frames] += 8.0 * ((np.arange(frames) + 0.5)[:, None] / frames + stray) * ALONG
        y[AT + frames :] += 8.0 * ALONG
        assert found(y, FPS, LEAST) == []


@pytest.mark.parametrize("frames", [1, 2])
def test_where_there_is_no_noise_a_spike_of_5_degrees_is_one(frames: int) -> None:
    for seed in range(8):
        y = path(seed, 0.0)
        y[AT : AT + frames] += 5.0 * np.sign(JUMP)
        assert found(y, FPS, LEAST) == list(range(AT, AT + frames))


def test_of_a_dozen_frames_a_second_a_quick_move_is_no_spike() -> None:
    for fps, spike in ((12.0, []), (24.0, [AT])):
        y = path(fps=fps)
        y[AT] += JUMP
        assert found(y, fps) == spike


def test_a_blow_there_and_back_is_no_spike() -> None:
    for width in (5, 8, 12):
        blow = 30.0 * np.maximum(1 - np.abs(np.arange(COUNT) - AT) / width, 0)
        assert found(path(4) + blow[:, None] * ALONG) == []


def test_gaps_are_no_spikes() -> None:
    y = path()
    y[AT] += JUMP
    skipped = np.arange(COUNT) == AT
    assert not spikes(y, skipped, FPS).any()


def test_a_channel_at_rest_has_none_and_a_short_one_neither() -> None:
    assert found(np.zeros((COUNT, 3))) == []
    assert found(path()[:12]) == []


@pytest.mark.parametrize("clip", ["01_03", "Boxing_Toes"])
def test_captures_hold_few_and_made_motion_hardly_any(clip: str) -> None:
    """Real captures have some; curves through keys have none, however sharp their accents."""
    clip_or_skip(clip)
    for shot, share in ((raw(clip), FALSE_IN_CAPTURES), (truth(clip), FALSE_SPIKES)):
        read = tracks(first_seconds(shot, 15.0))
        told, _ = wrong(read, 36)
        count = sum(int(hit.sum()) for hit in told.spikes.values())
        assert count <= share * len(read) * len(read.groups)


@pytest.mark.parametrize("size", [10.0, 1e6])
def test_a_spike_of_what_rests_exactly_is_found(size: float) -> None:
    y = np.zeros((60, 3))
    y[30] = size
    assert found(y, 30.0) == [30]

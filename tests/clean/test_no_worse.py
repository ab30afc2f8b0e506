"""Nothing is made worse: few frames, short pieces, clips that are clean already, noise that is to stay."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from benchmarks.cleaning.table import continuous_table, first_seconds, table, with_table
from benchmarks.cleaning.trial import degraded_of
from benchmarks.cleaning.truth import raw, truth
from benchmarks.cleaning.undegraded import change
from refine.clean import clip
from refine.clean.clip import cleaned
from refine.clean.folder.rows import LEAST as LEAST_DECIMALS
from refine.clean.settings import Settings
from refine.clean.tracks import tracks
from refine.pose import pose
from refine.shot import Shot
from tests.clean.shots import rms, rms_moved
from tests.clean.tolerances import (
    AGAIN,
    AGAIN_SEEN,
    NEW_NOISE_LEFT,
    NEW_SPIKE_LEFT,
    NEW_SPIKES_FOUND,
    NO_WORSE,
)
from tests.open_clips import clip_or_skip

SIGMA = 0.3
CLIPS = ("01_01", "01_03", "Boxing_Toes")
NAMES = ("spine", "arm", "hand")


@pytest.fixture
def unplanted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Feet are left where smoothing puts them."""
    real = clip.planted
    monkeypatch.setattr(
        clip, "planted", lambda shot, *rest, **more: replace(real(shot, *rest, **more), shot=shot)
    )


@lru_cache(maxsize=3)
def once(name: str) -> Shot:
    """A capture cleaned, its numbers as a file has them."""
    done = cleaned(first_seconds(raw(name), 20.0), Settings()).shot
    return with_table(done, np.round(table(done).values, LEAST_DECIMALS))


@pytest.mark.usefixtures("unplanted")
@pytest.mark.parametrize("name", CLIPS)
def test_a_second_cleaning_of_a_capture_moves_nothing(name: str) -> None:
    """It has no noise any more, and what noise hid in it was mended with the rest."""
    clip_or_skip(name)
    again = cleaned(once(name), Settings())
    assert again.findings.spikes == again.findings.wraps == again.findings.filled == ()
    assert rms_moved(once(name), again.shot) < AGAIN
    assert again.findings.largest[1].value < AGAIN_SEEN


@pytest.mark.usefixtures("unplanted")
@pytest.mark.parametrize("name", CLIPS)
@pytest.mark.parametrize("rate", [12.0, 15.0, 17.0, 20.0, 24.0, 30.0])
@pytest.mark.parametrize("noise", [0.05, 0.1, 0.3])
def test_few_frames_a_second_are_not_made_worse(name: str, rate: float, noise: float) -> None:
    """A body's quick moves are as fast as noise there, and what is too fast for the rate comes back as anything."""
    clip_or_skip(name)
    whole = first_seconds(truth(name), 20.0)
    every = round(whole.fps / rate)
    true = replace(with_table(whole, table(whole).values[::every]), fps=whole.fps / every)
    columns, rng = table(true), np.random.default_rng(0)
    values = columns.values.copy()
    values[:, columns.turns] += noise * rng.standard_normal((len(values), len(columns.turns)))
    given = with_table(true, values)
    after = cleaned(given, Settings()).shot
    places = [pose(each, true.frames).origin for each in (true, given, after)]
    assert rms(places[2] - places[0]) <= NO_WORSE * rms(places[1] - places[0])


@pytest.mark.usefixtures("unplanted")
@pytest.mark.parametrize("name", CLIPS)
def test_new_noise_on_a_cleaned_capture_goes_again(name: str) -> None:
    clip_or_skip(name)
    columns = table(once(name))
    moving = [i for i in columns.turns if np.ptp(columns.values[:, i]) > 1.0]
    values = columns.values.copy()
    values[:, moving] += 0.3 * np.random.default_rng(0).standard_normal((len(values), len(moving)))
    made = with_table(once(name), values)
    after = continuous_table(cleaned(made, Settings()).shot).values
    left = change(columns, replace(columns, values=after), once(name))[:, moving]
    assert np.median(np.abs(left)) / 0.6745 < NEW_NOISE_LEFT * 0.3


@pytest.mark.usefixtures("unplanted")
@pytest.mark.parametrize("name", CLIPS)
def test_a_new_spike_in_a_cleaned_capture_is_mended(name: str) -> None:
    """5 to 10 deg on each angle of the neck, for one frame and for two, once a second."""
    clip_or_skip(name)
    columns = table(once(name))
    at = [i for i in columns.turns if columns.owners[i][0] == "Neck"]
    values, rng = columns.values.copy(), np.random.default_rng(0)
    hit = [f + k for n, f in enumerate(range(60, len(values) - 60, 120)) for k in range(1 + n % 2)]
    values[np.ix_(hit, at)] += rng.uniform(5.0, 10.0, (len(hit), len(at))) * rng.choice([-1, 1], len(at))
    found = cleaned(with_table(once(name), values), Settings())
    spans = [s.frames for s in found.findings.spikes if s.control == "Neck"]
    frames = {f - once(name).first_frame for first, last in spans for f in range(first, last + 1)}
    assert len(frames & set(hit)) >= NEW_SPIKES_FOUND * len(hit)
    left = change(columns, table(found.shot), once(name))[np.ix_(hit, at)]
    assert np.median(np.abs(left)) < NEW_SPIKE_LEFT


def test_a_punch_of_few_frames_is_no_spike() -> None:
    """Of 25 frames a second three: a collar drops by 15 deg and is back. At 100 it takes 12, all on one way."""
    clip_or_skip("Boxing_Toes")
    fast = raw("Boxing_Toes")
    shot = replace(with_table(fast, table(fast).values[1::4]), fps=fast.fps / 4)
    assert "RightCollar" not in {spike.control for spike in cleaned(shot, Settings()).findings.spikes}


def test_strength_0_leaves_feet_in_their_noise() -> None:
    """What a planted foot has of noise can't be told from a slide where the noise is to stay."""
    clip_or_skip("01_01")
    given = first_seconds(degraded_of("01_01", "white-0.3", 0, 4.0).shot, 4.0)
    done = cleaned(given, Settings(strength=0.0))
    assert done.findings.contacts > 0
    np.testing.assert_array_equal(tracks(done.shot).values, tracks(given).values)


@pytest.mark.parametrize("first", [100, 340, 700, 1500])
@pytest.mark.parametrize("count", [16, 40, 120, 480])
def test_short_pieces_of_a_clip_are_not_made_worse(first: int, count: int) -> None:
    """Where few contacts are seen, little is known of the ground and of the noise."""
    clip_or_skip("01_01")
    true = with_table(truth("01_01"), table(truth("01_01")).values[first : first + count])
    columns, rng = table(true), np.random.default_rng(first)
    values = columns.values.copy()
    values[:, columns.turns] += SIGMA * rng.standard_normal((count, len(columns.turns)))
    given = with_table(true, values)
    places = [pose(each, true.frames).origin for each in (true, given, cleaned(given, Settings()).shot)]
    assert rms(places[2] - places[0]) < NO_WORSE * rms(places[1] - places[0])

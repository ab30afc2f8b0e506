"""A long clip goes by overlapping stretches, and nobody can tell where they meet: the limits are lowered here."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest

from benchmarks.cleaning.truth import raw
from benchmarks.planted.contacts import stepping
from refine.clean import stretches
from refine.clean.branches import alongside
from refine.clean.clip import cleaned
from refine.clean.feet.plant import drift, planted
from refine.clean.findings import Findings
from refine.clean.noise import grid
from refine.clean.settings import Amount, Settings
from refine.clean.tracks import Group, quaternions, tracks, with_tracks
from refine.shot import QUATERNION, Array, Channel, Control, Mark, Pin, Shot, frozen
from tests.clean.shots import (
    FPS,
    body,
    looped,
    matrices,
    noisy,
    quaternion_control,
    rms,
    rows_of,
    shot,
    turns,
)
from tests.clean.tolerances import (
    BRANCH_STEP,
    FADED_TURN,
    NOISE_LEFT_OVER,
    NOISE_TOLD,
    RESTING,
    SAME_FINDING,
    SEAM_ROUGHNESS,
    SEAM_STEP,
    STRETCHED,
    STRETCHED_CAPTURE,
    STRETCHED_LOOP,
    STRETCHED_SHARPLY,
)
from tests.open_clips import clip_or_skip

LONG = 3000  # frames
LENGTH = 1500
SIGMA = 0.3
SETTINGS = Settings()


@pytest.fixture(autouse=True)
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stretches, "LENGTH", LENGTH)


def both(made: Shot, monkeypatch: pytest.MonkeyPatch, settings: Settings = SETTINGS) -> tuple[Shot, Shot]:
    """The clip cleaned at once and by stretches."""
    one = cleaned(made, settings)
    monkeypatch.setattr(stretches, "LONGEST", LENGTH)
    other = cleaned(made, settings)
    same_findings(one.findings, other.findings)
    return one.shot, other.shot


def same_findings(one: Findings, other: Findings) -> None:
    for name in (field.name for field in fields(Findings)):
        a, b = getattr(one, name), getattr(other, name)
        if name == "largest":
            assert [(m.unit, m.control, m.frame) for m in a] == [(m.unit, m.control, m.frame) for m in b]
            a, b = ([m.value for m in moved] for moved in (a, b))
        if name in ("largest", "drift", "kept_speed"):
            assert a == pytest.approx(b, rel=SAME_FINDING, abs=RESTING), name
        else:
            assert a == b, name


def seams(count: int, fps: float = FPS, overlap: int = LENGTH // 3) -> list[tuple[int, int]]:
    """What neighbouring stretches have in common, first and last position."""
    found = stretches.spans(count, overlap, grid(fps, count))
    return [(b, a - 1) for (_, a), (b, _) in pairwise(found)]


def apart(one: Shot, other: Shot) -> Array:
    """(N,) the largest difference of any channel on each frame, its own unit."""
    return np.asarray(np.abs(tracks(one).values - tracks(other).values).max(axis=0))


@lru_cache(maxsize=1)
def long_body() -> Shot:
    return shot(body(1, SIGMA, LONG)[1])


# --- the result --------------------------------------------------------------------------------------------


def test_stretches_give_what_the_whole_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    one, other = both(long_body(), monkeypatch)
    assert len(seams(LONG)) >= 2
    assert 0.0 < apart(one, other).max() < STRETCHED


@pytest.mark.parametrize("clip", ["01_03", "01_01"])
def test_a_capture_with_gaps_wraps_and_spikes_does_too(clip: str, monkeypatch: pytest.MonkeyPatch) -> None:
    clip_or_skip(clip)
    one, other = both(raw(clip), monkeypatch)
    assert apart(one, other).max() < STRETCHED_CAPTURE


@pytest.mark.parametrize(
    "settings", [Settings(strength=2.0), Settings(keep_below=6.0), Settings(strength=0.0)], ids=str
)
def test_whatever_is_asked(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    one, other = both(long_body(), monkeypatch, settings)
    assert apart(one, other).max() < STRETCHED_SHARPLY


def test_a_seam_is_no_rougher_than_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """Third differences, which show a kink of any kind: on those frames as they are without a seam."""
    true = np.concatenate(list(body(1, SIGMA, LONG)[0].values()))
    one, other = (np.diff(tracks(s).values - true, 3, axis=1) for s in both(long_body(), monkeypatch))
    inside = np.zeros(one.shape[1], np.bool_)
    for a, b in seams(LONG):
        inside[a : b + 1] = True
    assert np.abs(other - one).max() < STRETCHED
    assert rms(other[:, inside]) <= SEAM_ROUGHNESS * rms(other[:, ~inside])


def test_a_clip_that_isn_t_long_goes_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stretches, "spans", None)
    monkeypatch.setattr(stretches, "LONGEST", LONG)
    cleaned(long_body(), SETTINGS)


def test_a_clip_over_the_budget_is_set_aside_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stretches, "LONGEST", LENGTH)
    done = cleaned(long_body(), Settings(at_most=Amount(0.1, "deg")))
    assert done.shot is long_body()
    assert done.findings.set_aside


# --- what holds across a seam ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["pin", "accent"])
def test_held_samples_at_a_seam_stay_to_the_bit(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    a, b = seams(LONG)[0]
    frames = 1.0 + a + (b - a) // 3, 1.0 + b - (b - a) // 3
    pins = (Pin("arm", None, frames),) if kind == "pin" else ()
    marks = () if pins else (Mark("accent", frames, ("arm",)),)
    made = replace(long_body(), pins=pins, marks=marks)
    one, other = both(made, monkeypatch)
    held = slice(int(frames[0]) - 1, int(frames[1]))
    np.testing.assert_array_equal(rows_of(other, "arm")[:, held], rows_of(made, "arm")[:, held])
    assert np.any(rows_of(other, "arm")[:, held.stop] != rows_of(made, "arm")[:, held.stop])
    assert apart(one, other).max() < STRETCHED


def test_a_cut_at_a_seam_stays_a_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    a, b = seams(LONG)[0]
    at = (a + b) // 2
    rows = {name: rows + 20.0 * (np.arange(LONG) >= at) for name, rows in body(1, SIGMA, LONG)[1].items()}
    one, other = both(shot(rows, marks=(Mark("cut", (1.0 + at, 1.0 + at)),)), monkeypatch)
    step = np.diff(rows_of(other, "spine"))[:, at - 1]
    assert np.all(np.abs(step - 20.0) < 5 * SIGMA)
    assert apart(one, other).max() < STRETCHED


@pytest.mark.parametrize("marked", [True, False])
def test_a_foot_stands_across_a_seam(marked: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    truth = stepping(FPS, steps=30, marked=marked)
    made = trembling(truth)
    middles = [(a + b) // 2 + truth.first_frame for a, b in seams(len(truth.frames))]
    one, other = both(made, monkeypatch)
    over = [c for c in planted(truth).contacts if any(c.frames[0] < at < c.frames[-1] for at in middles)]
    assert len(over) >= len(middles) >= 2
    assert drift(one, over) < 0.5 * drift(made, over)
    assert drift(other, over) == pytest.approx(drift(one, over), rel=SAME_FINDING, abs=RESTING)
    assert apart(one, other).max() < STRETCHED_CAPTURE


def trembling(made: Shot) -> Shot:
    """The shot with noise on all turns."""
    every = tracks(made)
    values = every.values.copy()
    for group in every.groups:
        if group.kind == "angles":
            rows = list(group.rows)
            values[rows] = noisy(values[rows], SIGMA, rows[0])
    return with_tracks(made, replace(every, values=values))


def test_a_loop_stays_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = noisy(looped(1, LONG), SIGMA, 1)
    one, other = both(shot({"spine": rows}, loop=True), monkeypatch)
    assert apart(one, other).max() < STRETCHED_LOOP
    after = rows_of(other, "spine")
    round_about = np.abs(np.diff(np.concatenate([after[:, -4:], after[:, :4]], axis=1), 3))
    noise = np.abs(np.diff(np.concatenate([rows[:, -4:], rows[:, :4]], axis=1), 3))
    assert round_about.max() < SEAM_STEP * noise.max()


# --- turns -------------------------------------------------------------------------------------------------


def through_lock(count: int = LONG) -> Array:
    """(3, N) degrees whose middle one goes through 90 degrees again and again."""
    t = np.arange(count) / FPS
    way = turns(4, count)
    way[1] = 90.0 * np.sin(2 * np.pi * 0.21 * t) * 1.1
    return way


def test_turns_through_gimbal_lock_run_on_over_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    made = shot({"spine": noisy(through_lock(), SIGMA, 4)})
    one, other = both(made, monkeypatch)
    a, b = (quaternions(tracks(s).groups[0], tracks(s).values) for s in (one, other))
    off = np.rad2deg(2 * np.arccos(np.clip(np.abs(np.sum(a * b, axis=1)), 0.0, 1.0)))
    assert off.max() < FADED_TURN
    step = np.abs(np.diff(rows_of(other, "spine"))).max(axis=0)
    whole = np.abs(np.diff(rows_of(one, "spine"))).max(axis=0)
    assert np.abs(step - whole).max() < BRANCH_STEP


def test_quaternions_keep_their_side_and_length(monkeypatch: pytest.MonkeyPatch) -> None:
    control = quaternion_control("spine", noisy(turns(5, LONG, size=200.0), SIGMA, 5))
    made = Shot("made", FPS, 1, LONG, (control,))
    one, other = both(made, monkeypatch)
    values = tracks(other).values
    np.testing.assert_allclose(np.linalg.norm(values, axis=0), 1.0, atol=STRETCHED)
    assert np.all(np.sum(values[:, 1:] * values[:, :-1], axis=0) > 0)
    assert apart(one, other).max() < STRETCHED


ANGLES = Group("spine", "angles", "zxy", ("rotation.z", "rotation.x", "rotation.y"), (0, 1, 2))
TURN = Group("spine", "quaternion", "zxy", (QUATERNION,), (0, 1, 2, 3))


@pytest.mark.parametrize("turned", [(0, 0, 0), (1, 0, -2), (-1, 3, 0)])
@pytest.mark.parametrize("other", [False, True])
def test_a_stretch_is_written_as_the_one_before(turned: tuple[int, int, int], other: bool) -> None:
    """However the same turns are written, they are joined without a trace."""
    way = turns(6, 100)
    here = np.stack([way[0] + 180.0, 180.0 - way[1], way[2] + 180.0]) if other else way
    here = here + 360.0 * np.array(turned)[:, None]
    np.testing.assert_allclose(matrices(here, "zxy"), matrices(way, "zxy"), atol=STRETCHED)
    np.testing.assert_allclose(alongside(ANGLES, here, 30, way[:, 30]), way, atol=STRETCHED)
    np.testing.assert_allclose(stretches.joined(ANGLES, way[:, :40], here), way, atol=STRETCHED)


def test_the_sign_of_a_quaternion_is_that_of_the_stretch_before() -> None:
    channel: Channel = quaternion_control("spine", turns(7, 100)).channels[0]
    assert channel.samples is not None
    q = channel.samples.T
    np.testing.assert_array_equal(stretches.joined(TURN, q[:, :40], -q), q)


# --- stretches and what is told of the whole ---------------------------------------------------------------


@pytest.mark.parametrize("count", [LENGTH + 1, 2 * LENGTH, 2 * LENGTH + 7, 5 * LENGTH - 1, 40 * LENGTH + 3])
@pytest.mark.parametrize("overlap", [1, 100, LENGTH // 3])
@pytest.mark.parametrize("step", [1, 15, 48])
def test_stretches_cover_the_clip(count: int, overlap: int, step: int) -> None:
    found = stretches.spans(count, overlap, step)
    assert (found[0][0], found[-1][1]) == (0, count)
    assert all(a % step == 0 and LENGTH <= b - a < LENGTH + step for a, b in found)
    middles = [0]
    for (_, until), (a, _) in pairwise(found):
        assert until - a >= overlap
        middles.append((a + until) // 2)
    assert middles == sorted(set(middles))
    assert len(found) <= 1 + -(-(count - LENGTH) // (LENGTH - overlap - step))


def test_an_excerpt_is_of_whole_windows_from_first_to_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stretches, "EXCERPT", 4000)
    at = stretches.excerpt(50_000, FPS)
    blocks = np.split(at, np.flatnonzero(np.diff(at) != 1) + 1)
    assert {len(block) for block in blocks} == {stretches.WINDOWS * 60}  # windows of half a second
    assert (at[0], at[-1]) == (0, 49_999)
    assert len(at) <= 4000
    np.testing.assert_array_equal(stretches.excerpt(3000, FPS), np.arange(3000))


def test_an_excerpt_tells_the_noise_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """White noise of known size; the clip is longer than its excerpt."""
    monkeypatch.setattr(stretches, "LONGEST", LENGTH)
    monkeypatch.setattr(stretches, "EXCERPT", 2000)
    true, rows = body(3, SIGMA, 6000)
    done = cleaned(shot(rows), SETTINGS)
    assert done.findings.noise == pytest.approx(SIGMA, rel=NOISE_TOLD)
    for name in true:
        assert rms(rows_of(done.shot, name) - true[name]) < NOISE_LEFT_OVER * SIGMA


def test_a_channel_that_rests_stays_the_same_object(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stretches, "LONGEST", LENGTH)
    rest = Control("rest", channels=(Channel("rotation.x", samples=frozen(np.full((LONG, 1), 3.0))),))
    made = replace(long_body(), controls=(*long_body().controls, rest))
    assert cleaned(made, SETTINGS).shot.controls[-1].channels[0] is rest.channels[0]

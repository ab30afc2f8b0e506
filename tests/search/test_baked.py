"""Suggestions on baked channels: accents and pins to the bit, only the range, left alone the second time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.rotation import vector_quaternion
from refine.shot import QUATERNION, Array, Channel, Control, Mark, Pin, Shot
from refine.suggest import Request, suggest
from refine.suggestion import applied
from tests.hand_made import (
    baked_shot,
    every_sample,
    key_frames,
    keyed,
    moved_frames,
    places,
    two_part_shot,
    wave,
)
from tests.tolerances import PROMISED_PX, PROMISED_SHARE

N, FPS, RANGE = 400, 60.0, (150, 250)
T = np.arange(N) / FPS
MOTION = 12 * np.sin(2 * np.pi * 0.7 * T) + 3 * np.sin(2 * np.pi * 1.3 * T + 1)
TURN = "rotation.z"


def noise(seed: int, sigma: float = 0.2) -> Array:
    return sigma * np.random.default_rng(seed).normal(size=N)


def noisy() -> Shot:
    """Noise of the same size everywhere on a rotation and a translation; two spikes in the range."""
    turn, place = MOTION + noise(1), 0.02 * (MOTION + noise(2))
    turn[[180, 220]] += [8.0, -6.0]
    return baked_shot({TURN: turn, "translation.x": place}, FPS)


def test_a_named_control_is_smoothed_in_the_range_only() -> None:
    shot = noisy()
    found = suggest(shot, Request(RANGE, ("hips",)))
    moved = moved_frames(shot, applied(shot, found))
    assert set(moved) == {("hips", TURN), ("hips", "translation.x")}
    for frames in moved.values():
        assert min(frames) >= RANGE[0]
        assert max(frames) <= RANGE[1]
    assert {field for *_, field in places(found)} == {"value"}
    assert len(found.changes) == sum(len(frames) for frames in moved.values())  # one for each frame moved
    assert found.usable == RANGE
    assert "2 spikes" in found.reason or "3 spikes" in found.reason


def test_unasked_only_what_stands_out_is_smoothed_the_rest_is_a_candidate() -> None:
    """The spikes stand out on the rotation; the noise of the translation is as large everywhere."""
    shot = noisy()
    found = suggest(shot, Request(RANGE))
    assert {(c, ch) for c, ch, *_ in places(found)} == {("hips", TURN)}
    assert [(c.control, c.channel) for c in found.candidates] == [("hips", "translation.x")]
    taken = suggest(shot, Request(RANGE, candidate=1))
    assert set(taken.changes) == {*found.changes, *found.candidates[0].changes}


def test_strength_0_changes_nothing_and_more_takes_away_more() -> None:
    shot = noisy()
    before = every_sample(shot)["hips", "translation.x"]
    taken = []
    for strength in (0.0, 0.75, 1.0, 2.0):
        after = every_sample(applied(shot, suggest(shot, Request(RANGE, ("hips",), strength))))
        taken.append(float(np.linalg.norm(after["hips", "translation.x"] - before)))
    assert taken[0] == 0.0
    assert np.all(np.diff(taken) > 0)


@pytest.mark.parametrize("strength", [1.0, 3.0])
def test_accents_and_pins_keep_their_samples_to_the_bit(strength: float) -> None:
    shot = replace(
        noisy(),
        marks=(Mark("accent", (178.0, 183.0), ("hips",)),),
        pins=(Pin("hips", None, (200.0, 200.0)), Pin("hips", TURN, (210.0, 214.0))),
    )
    request = Request(RANGE, ("hips",), strength, (Pin("hips", "translation.x", (230.0, 231.0)),))
    moved = moved_frames(shot, applied(shot, suggest(shot, request)))
    turn, place = (set(moved["hips", name]) for name in (TURN, "translation.x"))
    assert not turn & {*range(178, 184), 200, *range(210, 215)}
    assert not place & {*range(178, 184), 200, 230, 231}
    assert {177, 184, 199, 201, 209, 215, 230} <= turn
    assert {177, 184, 199, 201, 210, 229, 232} <= place


@pytest.mark.parametrize("strength", [1.0, 3.0])
def test_samples_that_were_meant_stay_to_the_bit(strength: float) -> None:
    marks = (Mark("meant", (178.0, 183.0), ("hips",), "spike"), Mark("meant", (200.0, 210.0), (), "zigzag"))
    shot = replace(noisy(), marks=marks)
    moved = moved_frames(shot, applied(shot, suggest(shot, Request(RANGE, ("hips",), strength))))
    assert not set(moved["hips", TURN]) & {*range(178, 184)}
    assert {177, 184, *range(200, 211)} <= set(moved["hips", TURN])


def test_a_range_that_was_meant_as_a_whole_names_the_mark() -> None:
    shot = replace(noisy(), marks=(Mark("meant", (140.0, 260.0), ("hips",)),))
    found = suggest(shot, Request(RANGE, ("hips",)))
    assert found.changes == ()
    assert f"hips.{TURN}: noise, but held by meant 140:260" in found.reason
    assert found.clash == ("meant 140:260 of hips",)


def test_spacing_that_would_speed_up_and_down_more_is_not_taken() -> None:
    """The arm undoes the hips' noise: without that it shakes."""
    shake = noise(7)
    hips = Control("hips", channels=(Channel(TURN, samples=(MOTION + shake)[:, None]),))
    arm = Control(
        "arm", "hips", tip=(0.7, 0.2, 0.1), channels=(Channel(TURN, samples=(0.3 * MOTION - shake)[:, None]),)
    )
    shot = replace(noisy(), controls=(hips, arm))
    found = suggest(shot, Request(RANGE, ("hips",)))
    assert found.changes == ()
    assert "arm would move" in found.reason
    assert [why for why in found.left_alone if why.startswith(f"hips.{TURN}: noise of")]


def quaternion_shot() -> Shot:
    rng = np.random.default_rng(2)
    turns = np.column_stack([150 * np.sin(2 * np.pi * 0.4 * T), 30 * np.sin(2 * np.pi * 0.9 * T), 0 * T])
    values = vector_quaternion(np.deg2rad(turns + 0.3 * rng.normal(size=(N, 3))))
    return baked_shot({QUATERNION: values * np.where(np.arange(N) // 9 % 2, -1.0, 1.0)[:, None]}, FPS)


def wrapped_shot() -> Shot:
    whole = 200 + 170 * np.sin(2 * np.pi * 0.3 * T) + noise(5)
    return baked_shot({TURN: (whole + 180) % 360 - 180}, FPS)


def noise_free_shot() -> Shot:
    return baked_shot({TURN: MOTION}, FPS)


@pytest.mark.parametrize("frames", [RANGE, (0, 60), (0, N - 1)])
@pytest.mark.parametrize("strength", [1.0, 2.0, 4.0])  # less leaves something on purpose
@pytest.mark.parametrize("made", [noisy, quaternion_shot, wrapped_shot, noise_free_shot])
def test_a_second_suggestion_moves_nothing(made: object, strength: float, frames: tuple[int, int]) -> None:
    assert callable(made)
    shot: Shot = made()
    request = Request(frames, ("hips",), strength)
    found = suggest(shot, request)
    first = found.effect.largest_move.pixels
    again = suggest(replace(applied(shot, found), name="copy"), request).effect.largest_move.pixels
    assert again <= min(PROMISED_PX, PROMISED_SHARE * first)
    if made is noise_free_shot:
        assert first == 0.0  # motion without noise isn't rounded off, whatever the strength
    else:
        assert first > PROMISED_PX


def test_noise_that_nobody_sees_is_said_to_be_so() -> None:
    found = suggest(noise_free_shot(), Request(RANGE, ("hips",)))
    assert found.changes == ()
    assert "can't be seen" in found.reason


def test_a_new_spike_in_a_smoothed_range_is_still_found() -> None:
    shot = noisy()
    once = applied(shot, suggest(shot, Request(RANGE, ("hips",))))
    samples = once.controls[0].channels[0].samples
    assert samples is not None
    spoilt = samples.copy()
    spoilt[200] += 7.0
    channel = replace(once.controls[0].channels[0], samples=spoilt)
    once = once.with_channel("hips", channel)
    found = suggest(once, Request(RANGE))
    after = every_sample(applied(once, found))["hips", TURN]
    assert abs(after[200, 0] - MOTION[200]) < 1.0


def test_keyed_and_baked_channels_on_one_control() -> None:
    """The keyed fault is cured and, beyond strength 1, smoothed; the baked noise is smoothed; nothing else moves."""
    shot = two_part_shot("flat")
    count = shot.last_frame + 1
    keys = keyed("flat", key_frames(6), wave(key_frames(6), 6))
    values = keys.values.copy()
    values[11] += 3.0
    baked = np.random.default_rng(0).normal(size=(count, 1)) * 0.02
    channels = (Channel("translation.x", samples=baked), Channel(TURN, keys.changed(values=values)))
    shot = replace(
        shot, controls=(shot.controls[0], Control("arm", "hips", tip=(0.7, 0.2, 0.1), channels=channels))
    )
    one, two = (suggest(shot, Request((40, 100), ("arm",), strength)) for strength in (1.0, 2.0))
    turned = [{(c.frame, c.field) for c in found.changes if c.channel == TURN} for found in (one, two)]
    assert turned[0] == {(65.0, "value")}
    assert turned[0] < turned[1]
    for found in (one, two):
        assert {(c.control, c.channel) for c in found.changes} == {("arm", TURN), ("arm", "translation.x")}

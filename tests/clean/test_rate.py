"""Another frame rate: what both rates can hold survives, what the slower one can't is gone, and loops stay loops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.clean.rate import at_rate, resampled
from refine.shot import (
    QUATERNION,
    TRANSLATIONS,
    Array,
    Camera,
    Channel,
    Control,
    Limits,
    Mark,
    Pin,
    Shot,
    frozen,
    make_keys,
)
from tests.clean.shots import COUNT, looped, quaternion_control, rows_of, shot, turns
from tests.clean.tolerances import PASSED, RAMP_KEPT, RATE_MOTION, SEAM_SPEED, STOPPED
from tests.tolerances import ANGLE

CASES = [(120.0, 24.0), (120.0, 30.0), (24.0, 60.0), (100.0, 24.0)]
INNER = slice(40, -40)


def sampled(hz: float, fps: float, count: int) -> Array:
    t = np.arange(count) / fps
    return np.asarray(np.sin(2 * np.pi * hz * t + 0.7))


@pytest.mark.parametrize(("fps", "new"), CASES)
@pytest.mark.parametrize("share", [0.1, 0.4, 0.7])
def test_sines_that_the_slower_rate_holds_survive(fps: float, new: float, share: float) -> None:
    hz = share * min(fps, new) / 2
    count = 1200
    times = np.arange(0, count - 1, fps / new)
    after = resampled(sampled(hz, fps, count)[:, None], times, min(1.0, new / fps), None)[:, 0]
    expected = sampled(hz, new, len(times))
    np.testing.assert_allclose(after[INNER], expected[INNER], atol=PASSED)


@pytest.mark.parametrize(("fps", "new"), [(120.0, 24.0), (120.0, 30.0), (60.0, 24.0)])
@pytest.mark.parametrize("share", [1.2, 1.6, 1.9])
def test_sines_that_it_can_not_hold_are_gone(fps: float, new: float, share: float) -> None:
    """They would come back as slow ones: -60 dB."""
    hz = share * new / 2
    times = np.arange(0, 1199, fps / new)
    after = resampled(sampled(hz, fps, 1200)[:, None], times, new / fps, None)
    assert np.abs(after[INNER]).max() < STOPPED


@pytest.mark.parametrize(("fps", "new"), CASES)
def test_ramps_are_kept_to_their_ends(fps: float, new: float) -> None:
    """A move that goes on over the cut of the clip keeps its speed there."""
    row = 3.0 + 0.5 * np.arange(240.0) * 120.0 / fps
    made = at_rate(shot({"arm": np.stack([row, -row, 0 * row])}, fps=fps), new)
    expected = 3.0 + 0.5 * np.arange(len(made.frames)) * 120.0 / new
    np.testing.assert_allclose(rows_of(made, "arm")[0], expected, atol=RAMP_KEPT)
    np.testing.assert_allclose(rows_of(made, "arm")[1], -expected, atol=RAMP_KEPT)


@pytest.mark.parametrize(("fps", "new"), CASES)
def test_a_bodys_motion_is_the_same_at_the_same_time(fps: float, new: float) -> None:
    count = round(4 * fps)
    made = at_rate(shot({"arm": turns(1, count, fps)}, fps=fps, first_frame=11), new)
    assert (made.fps, made.first_frame) == (new, 11)
    assert abs(len(made.frames) / new - count / fps) <= 1 / min(fps, new)
    expected = turns(1, len(made.frames), new)
    np.testing.assert_allclose(rows_of(made, "arm"), expected, atol=RATE_MOTION)


def test_the_same_rate_is_the_same_shot() -> None:
    made = shot({"arm": turns(1)})
    assert at_rate(made, made.fps) is made


@pytest.mark.parametrize("new", [24.0, 30.0, 60.0, 240.0])
def test_a_loop_goes_on_closing(new: float) -> None:
    """Value and speed over the seam: the frame after the last is the first."""
    made = at_rate(shot({"arm": looped(2)}, loop=True), new)
    count = len(made.frames)
    assert count == round(COUNT * new / 120.0)
    rows = rows_of(made, "arm")
    np.testing.assert_allclose(rows, looped(2, count), atol=RATE_MOTION)
    around = np.concatenate([rows[:, -3:], rows[:, :3]], axis=1)
    speeds = np.diff(around, axis=1)
    usual = np.abs(np.diff(rows, 2, axis=1)).max()
    assert np.abs(np.diff(speeds, axis=1)).max() <= usual + SEAM_SPEED


def test_a_loop_that_travels_travels_on_and_a_spin_spins() -> None:
    t = np.arange(COUNT) / COUNT
    walk = 2.0 * t + 0.1 * np.sin(2 * np.pi * 4 * t)
    spin = np.stack([360.0 * t, 5 * np.sin(2 * np.pi * t), 0 * t])
    made = shot({"root": spin}, loop=True)
    channels = (*made.controls[0].channels, Channel(TRANSLATIONS[2], samples=frozen(walk[:, None])))
    made = replace(made, controls=(replace(made.controls[0], channels=channels),))
    after = at_rate(made, 30.0)
    u = np.arange(len(after.frames)) / len(after.frames)
    place = after.controls[0].channel(TRANSLATIONS[2])
    assert place is not None
    assert place.samples is not None
    np.testing.assert_allclose(place.samples[:, 0], 2.0 * u + 0.1 * np.sin(2 * np.pi * 4 * u), atol=PASSED)
    np.testing.assert_allclose(rows_of(after, "root")[0], 360.0 * u, atol=RATE_MOTION)


def test_keys_marks_and_pins_keep_their_time() -> None:
    keys = make_keys([11.0, 31.0, 71.0], [0.0, 5.0, 1.0], [0.1, 0.2, 0.0], incoming_reach=[np.nan, 4.0, 8.0])
    held = Control("lid", channels=(Channel("open", keys=keys, limits=Limits(0.0, 9.0, 0.5)),))
    made = shot({"arm": turns(1)}, first_frame=11)
    camera = Camera(Control("camera", channels=(Channel("rotation.x", keys=keys),)), 40.0, 1920, 1080, 16 / 9)
    made = replace(
        made,
        controls=(*made.controls, held),
        cameras=(camera,),
        marks=(Mark("contact", (31.0, 51.0), ("arm",)),),
        pins=(Pin("arm", None, (131.0, 131.0)),),
    )
    after = at_rate(made, 30.0)
    new = after.controls[-1].channels[0]
    assert new.keys is not None
    seconds = (new.keys.frames - 11) / 30.0
    np.testing.assert_allclose(seconds, (keys.frames - 11) / 120.0, atol=ANGLE)
    np.testing.assert_array_equal(new.keys.values, keys.values)
    np.testing.assert_allclose(new.keys.outgoing * 30.0, keys.outgoing * 120.0, atol=ANGLE)
    np.testing.assert_allclose(new.keys.incoming_reach, keys.incoming_reach / 4.0, atol=ANGLE)
    assert new.limits == Limits(0.0, 9.0, 2.0)
    assert after.cameras[0].control.channels[0].keys == new.keys
    assert after.marks[0].frames == (16.0, 21.0)
    assert after.pins[0].frames == (41.0, 41.0)


def test_quaternions_stay_unit_turns() -> None:
    made = Shot("q", 120.0, 1, COUNT, (quaternion_control("arm", turns(3, size=80.0)),))
    after = at_rate(made, 24.0).controls[0].channel(QUATERNION)
    assert after is not None
    assert after.samples is not None
    np.testing.assert_allclose(np.linalg.norm(after.samples, axis=1), 1.0, atol=ANGLE)


def test_a_single_frame_stays() -> None:
    made = shot({"arm": turns(1, 1)}, fps=120.0)
    np.testing.assert_allclose(rows_of(at_rate(made, 24.0), "arm"), turns(1, 1), atol=ANGLE)

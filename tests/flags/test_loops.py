"""The seam of a loop: what doesn't close is found, in px and in speed; what closes and what travels is left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import slopes_by
from refine.curve import evaluate
from refine.flags import keys as key_family
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.loops import MENDS, find
from refine.shot import Camera, Channel, Control, Keys, Mark, Pin, Shot, frozen, make_keys
from tests.flags.tolerances import LED_BACK, NOISY_SEAM, SEAM
from tests.tolerances import SAME_TURN

FPS = (12.0, 24.0, 30.0, 60.0)
LAST = 47
END = LAST + 1.0
CAMERA = Camera(Control("camera", rest_translation=(0.0, 0.0, 5.0)), 40.0, 1920, 1080, 16 / 9)


def cycle(gap: float = 0.0, faster: float = 0.0, end: float = END) -> Keys:
    """A swing that closes on the frame after the last one, then spoilt by degrees and by a share of its speed."""
    frames = np.linspace(0.0, end, 7)
    angle = 2 * np.pi * frames / end
    values, slopes = 20.0 * np.sin(angle), 20.0 * np.cos(angle) * 2 * np.pi / end
    values[-1], slopes[-1] = values[0] + gap, slopes[0] * (1 + faster)
    return make_keys(frames, values, slopes)


def shot_of(channel: Channel, loop: bool = True, fps: float = 24.0) -> Shot:
    arm = Control("arm", tip=(1.0, 0.0, 0.0), channels=(channel,))
    return Shot("loop", fps, 0, LAST, (arm,), (CAMERA,), loop=loop)


def flags(shot: Shot) -> list[Flag]:
    return list(find(stage_of(shot, Look())))


@pytest.mark.parametrize("fps", FPS)
def test_a_swing_that_closes_is_left_alone(fps: float) -> None:
    assert flags(shot_of(Channel("rotation.z", cycle()), fps=fps)) == []


@pytest.mark.parametrize(
    ("gap", "faster", "severity"),
    [
        (0.05, 0.0, None),
        (0.2, 0.0, "warn"),
        (0.6, 0.0, "error"),
        (0.0, 0.05, None),
        (0.0, 0.12, "warn"),
        (0.0, 0.4, "error"),
    ],
)
def test_gaps_and_jumps_of_speed_are_found_and_closed(
    gap: float, faster: float, severity: str | None
) -> None:
    """A degree at the tip is 5.18 px: 540 px / tan(20 deg) / 5 m * 1 m * pi / 180, by hand."""
    keys = cycle(gap, faster)
    shot = shot_of(Channel("rotation.z", keys))
    found = flags(shot)
    assert [flag.severity for flag in found] == ([severity] if severity else [])
    for flag in found:
        assert (flag.cause.channel, flag.cause.frames) == ("rotation.z", (END,))
        if gap:
            np.testing.assert_allclose(flag.amount, 5.18 * gap, rtol=SEAM)
        after = MENDS[flag.fault](stage_of(shot, Look()), flag)
        assert after is not None
        assert flags(after) == []
        new = after.controls[0].channels[0].keys
        assert new is not None
        np.testing.assert_allclose(new.values, cycle().values, atol=SAME_TURN)
        np.testing.assert_allclose(new.incoming, cycle().incoming, atol=SAME_TURN)
        np.testing.assert_array_equal(new.values[:-1], keys.values[:-1])


def test_shots_that_do_not_say_that_they_loop_and_ranges_of_loops_are_left_alone() -> None:
    channel = Channel("rotation.z", cycle(5.0))
    assert flags(shot_of(channel, loop=False)) == []
    assert list(find(stage_of(shot_of(channel), Look((0, 20))))) == []


def test_a_pinned_last_key_lets_the_first_one_move_and_two_pins_forbid_it() -> None:
    shot = shot_of(Channel("rotation.z", cycle(0.6)))
    (flag,) = flags(shot)
    last = Pin("arm", "rotation.z", (END, END))
    after = MENDS[flag.fault](stage_of(replace(shot, pins=(last,)), Look()), flag)
    assert after is not None
    assert flags(after) == []
    new = after.controls[0].channels[0].keys
    assert new is not None
    np.testing.assert_array_equal(new.values[1:], cycle(0.6).values[1:])
    both = (last, Pin("arm", None, (0.0, 0.0)))
    assert MENDS[flag.fault](stage_of(replace(shot, pins=both), Look()), flag) is None
    accent = Mark("accent", (0.0, 2.0), ("arm",))
    marked = replace(shot, pins=(last,), marks=(accent,))
    assert MENDS[flag.fault](stage_of(marked, Look()), flag) is None


def test_whole_turns_close_and_a_root_may_travel() -> None:
    rolling = make_keys([0, END], [0, 720], [15, 15])
    assert flags(shot_of(Channel("rotation.z", rolling))) == []
    walking = make_keys([0, END], [0, 0.5], [0.5 / END, 0.5 / END])
    assert flags(shot_of(Channel("translation.x", walking))) == []


def test_without_a_key_after_the_last_frame_the_remedy_asks_for_one() -> None:
    shot = shot_of(Channel("rotation.z", cycle(end=float(LAST))))
    (flag,) = flags(shot)
    assert "set a key at 48" in flag.remedy
    assert MENDS[flag.fault](stage_of(shot, Look()), flag) is None


@pytest.mark.parametrize("fps", FPS)
def test_baked_swings_are_judged_by_what_the_seam_breaks_more_than_the_rest(fps: float) -> None:
    rng = np.random.default_rng(5)
    closed = 20.0 * np.sin(2 * np.pi * np.arange(END) / END)[:, None] + rng.normal(0, 0.01, (LAST + 1, 1))
    assert flags(shot_of(Channel("rotation.z", samples=frozen(closed)), fps=fps)) == []
    drift = closed + np.linspace(0, 1.0, LAST + 1)[:, None]
    (flag,) = flags(shot_of(Channel("rotation.z", samples=frozen(drift)), fps=fps))
    np.testing.assert_allclose(flag.amount, 5.18, rtol=NOISY_SEAM)


def stepped(fps: float, gap: float) -> Shot:
    """A baked curve through keys with chord slopes, curvature broken at each and at the seam; spoilt by degrees."""
    last = round(8 * fps) - 1
    frames = np.linspace(0.0, last + 1.0, 33)
    values = 20.0 * np.sin(2 * np.pi * np.arange(33) / 8) + 8.0 * np.cos(2 * np.pi * np.arange(33) / 4)
    wide = np.concatenate([[frames[-2] - last - 1], frames, [last + 1 + frames[1]]])
    slopes = slopes_by("chord", wide, np.concatenate([[values[-2]], values, [values[1]]]))[1:-1]
    keys = make_keys(frames, values, slopes)
    shot = replace(shot_of(Channel("rotation.z", keys), fps=fps), last_frame=last)
    samples = evaluate(keys, shot.frames)
    samples[-round(fps) :, 0] += np.linspace(0.0, gap, round(fps))
    return shot.with_channel("arm", Channel("rotation.z", samples=frozen(samples)))


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_a_baked_seam_may_break_like_any_key_but_not_leave_a_gap(fps: float) -> None:
    assert flags(stepped(fps, 0.0)) == []
    small, large, larger = (flags(stepped(fps, gap))[0].amount for gap in (0.3, 2.0, 4.0))
    assert 0.5 < small < large  # px, the warning
    assert larger == pytest.approx(2 * large, rel=NOISY_SEAM)


def test_a_quaternion_closes_whatever_its_signs_are() -> None:
    half = np.deg2rad(20.0 * np.sin(2 * np.pi * np.arange(END) / END)) / 2
    turns = np.stack([np.cos(half), 0 * half, 0 * half, np.sin(half)], axis=1)
    turns[20:] *= -1.0
    assert flags(shot_of(Channel("rotation", samples=frozen(turns)))) == []
    away = turns.copy()
    away[-12:, 3] += np.linspace(0.0, -0.02, 12)
    away /= np.linalg.norm(away, axis=1, keepdims=True)
    assert len(flags(shot_of(Channel("rotation", samples=frozen(away))))) == 1


def test_the_natural_spline_of_an_open_curve_jumps_in_speed() -> None:
    frames = np.linspace(0.0, END, 9)
    values = 20.0 * np.sin(2 * np.pi * frames / END + 1.0)
    keys = make_keys(frames, values, slopes_by("natural", frames, values))
    (flag,) = flags(shot_of(Channel("rotation.z", keys)))
    assert "speed" in flag.message


@pytest.mark.parametrize("rule", ["chord", "flat"])
def test_slopes_set_across_the_seam_break_no_habit_and_a_key_beside_it_still_does(rule: str) -> None:
    frames = np.linspace(0.0, END, 13)
    channels = []
    for phase in range(6):
        values = 20.0 * np.sin(2 * np.pi * frames / END + phase) + 7.0 * np.sin(6 * np.pi * frames / END)
        across = np.concatenate([[values[-2]], values, [values[1]]])
        wide = np.concatenate([[frames[-2] - END], frames, [END + frames[1]]])
        slopes = slopes_by(rule, wide, across)[1:-1]  # type: ignore[arg-type]
        channels.append(make_keys(frames, values, slopes))
    controls = [
        replace(shot_of(Channel("rotation.z", keys)).controls[0], name=f"arm{i}")
        for i, keys in enumerate(channels)
    ]
    shot = replace(shot_of(Channel("rotation.z", channels[0])), controls=tuple(controls))
    assert list(key_family.find(stage_of(shot, Look()))) == []
    values = channels[2].values.copy()
    values[5] += 4.0
    faulty = shot.with_channel("arm2", Channel("rotation.z", channels[2].changed(values=values)))
    (flag,) = key_family.find(stage_of(faulty, Look()))
    assert (flag.fault, flag.control, flag.cause.frames) == ("moved key", "arm2", (frames[5],))


@pytest.mark.parametrize("fps", FPS)
def test_a_baked_end_is_led_back_to_its_start_over_the_last_second_and_pins_forbid_it(fps: float) -> None:
    last = round(4 * fps) - 1
    phase = 2 * np.pi * np.arange(last + 1) / (last + 1)
    closed = (20.0 * np.sin(phase) + 3.0 * np.cos(2 * phase))[:, None]
    second = round(fps)
    ramp = np.zeros_like(closed)
    ramp[-second:, 0] = 2.0 * np.arange(1, second + 1) / second
    drifting = Channel("rotation.z", samples=frozen(closed + ramp))
    shot = replace(shot_of(drifting, fps=fps), last_frame=last)
    (flag,) = flags(shot)
    after = MENDS[flag.fault](stage_of(shot, Look()), flag)
    assert after is not None
    assert flags(after) == []
    led = after.controls[0].channels[0].samples
    assert led is not None
    np.testing.assert_array_equal(led[:-second], closed[:-second])
    assert np.linalg.norm(led - closed) < LED_BACK * np.linalg.norm(ramp)
    pinned = replace(shot, pins=(Pin("arm", None, (float(last), float(last))),))
    assert MENDS[flag.fault](stage_of(pinned, Look()), flag) is None

"""Weight: each fault on a small figure, its look-alikes left alone, and each mend; at the usual frame rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from constraints.overshoot import LEAST, MOST, RETURN, SETTLED
from refine.body.masses import Body
from refine.body.response import Response
from refine.changes import differences
from refine.curve import bake, sample
from refine.flags import body as family
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.shot import Array, Channel, Keys, Limits, Link, Mark, Pin, Shot, make_keys
from tests.flags.tolerances import ROW_KEYS
from tests.flags.weights import dart, figure, looked_at
from tests.hand_made import every_sample

RATES = [12.0, 24.0, 30.0, 60.0]
HIPS = ("hips", "translation.x")
CHEST = ("chest", "rotation.z")


def found(shot: Shot, fault: str | None = None) -> list[Flag]:
    return [flag for flag in family.find(looked_at(shot)) if fault in (None, flag.fault)]


def stopped(
    fps: float,
    channel: tuple[str, str] = HIPS,
    size: float = 0.15,
    marks: tuple[Mark, ...] = (),
    pins: tuple[Pin, ...] = (),
) -> tuple[Shot, int]:
    """One control moves as an eye darts, in two frames, and stands; and the frame on which it arrives."""
    keys, arrival = dart(fps, size)
    return figure({channel: keys}, fps, int(keys.frames[-1]) + 2, marks, pins), arrival


def curve(shot: Shot, channel: tuple[str, str]) -> Array:
    found = shot.control(channel[0]).channel(channel[1])
    assert found is not None
    return sample(found, shot, shot.frames)[:, 0]


def response(shot: Shot, name: str) -> Response:
    answer = Body(shot).response(name)
    assert answer is not None
    return answer


def mended(shot: Shot) -> tuple[Shot, Flag]:
    (flag,) = found(shot)
    after = family.MENDS[flag.fault](looked_at(shot), flag)
    assert after is not None
    return after, flag


# --- dead stop -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fps", RATES)
def test_an_eyes_dart_is_no_fault(fps: float) -> None:
    """A dart of two frames is how eyes move [prac]."""
    assert found(stopped(fps, ("eyes", "rotation.y"), 20.0)[0]) == []


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize(("channel", "size"), [(HIPS, 0.15), (("hips", "rotation.y"), 20.0), (CHEST, 15.0)])
def test_a_heavy_part_that_stops_like_an_eye_is(fps: float, channel: tuple[str, str], size: float) -> None:
    shot, arrival = stopped(fps, channel, size)
    (flag,) = found(shot)
    assert (flag.fault, flag.severity, flag.unit) == ("dead stop", "error", "px")
    assert (flag.control, flag.channel) == channel
    assert flag.cause.frames == (float(arrival),)
    assert flag.frames[0] < arrival < flag.frames[1]


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("baked", [False, True], ids=["keyed", "baked"])
@pytest.mark.parametrize("channel", [HIPS, CHEST])
def test_the_mend_overshoots_by_the_band_in_the_window_and_returns(
    fps: float, baked: bool, channel: tuple[str, str]
) -> None:
    shot, arrival = stopped(fps, channel, 0.15 if channel is HIPS else 15.0)
    if baked:
        control = shot.control(channel[0])
        shot = shot.with_channel(channel[0], bake(control.channels[0], shot))
    answer = response(shot, channel[0])
    before, after = curve(shot, channel), curve(mended(shot)[0], channel)
    w = max(1, round(fps / 24))
    speed = (before[arrival] - before[arrival - w]) / w * fps
    delta = answer.landing(speed, before[arrival] - before[0])
    away, due = after[arrival:] - before[arrival], answer.peak_time * fps
    peak, settled = int(np.argmax(away)), int(np.ceil(answer.settled(SETTLED) * fps))
    assert LEAST * delta - ROW_KEYS <= away[peak] <= MOST * delta + ROW_KEYS
    assert 0.7 * due <= peak <= 1.4 * due
    assert np.all(np.diff(away[: peak + 1]) >= -ROW_KEYS)
    assert away[peak:].min() >= -RETURN * delta - ROW_KEYS
    assert np.abs(away[settled : settled + round(fps / 2)]).max() <= SETTLED * delta + ROW_KEYS
    assert found(mended(shot)[0]) == []


def test_the_gain_scales_the_overshoot() -> None:
    shot, arrival = stopped(24.0)
    (flag,) = found(shot)
    peaks = []
    for gain in (1.0, 1.5):
        after = family.mend_dead_stop(looked_at(shot), flag, gain)
        assert after is not None
        peaks.append(float(curve(after, HIPS).max() - curve(shot, HIPS)[arrival]))
    assert 1.3 < peaks[1] / peaks[0] < 1.7  # each may stand anywhere near its own delta


def test_the_mend_moves_nothing_else() -> None:
    keys, arrival = dart(24.0, 0.15)
    other = make_keys([0, 9, 20, 40], [0.0, 5.0, -3.0, 0.0], [0.0] * 4)
    shot = figure({HIPS: keys, CHEST: other, ("hips", "rotation.x"): other}, 24.0, int(keys.frames[-1]) + 2)
    (flag,) = found(shot, "dead stop")
    after = family.MENDS["dead stop"](looked_at(shot), flag)
    assert after is not None
    old, new = every_sample(shot), every_sample(after)
    assert {name for name in old if not np.array_equal(old[name], new[name])} == {HIPS}
    changed = np.flatnonzero(np.abs(old[HIPS] - new[HIPS])[:, 0] > ROW_KEYS)
    assert changed.min() >= arrival - 2  # the arrival's slope is one for both its sides
    last = arrival + 4 + int(np.ceil(response(shot, "hips").settled(SETTLED) * 24))
    assert changed.max() <= last


def test_all_channels_of_one_move_land_together() -> None:
    keys, _ = dart(24.0, 0.12)
    shot = figure({HIPS: keys, ("hips", "translation.y"): keys}, 24.0, int(keys.frames[-1]) + 2)
    after, _ = mended(shot)
    np.testing.assert_allclose(curve(after, HIPS), curve(after, ("hips", "translation.y")), atol=ROW_KEYS)
    assert curve(after, HIPS).max() > 0.12
    assert found(after) == []


def test_pins_and_limits_hold_or_there_is_no_mend() -> None:
    shot, arrival = stopped(24.0)
    held = arrival + 8
    pinned = replace(shot, pins=(Pin("hips", "translation.x", (held, held)),))
    (flag,) = found(pinned)
    after = family.MENDS["dead stop"](looked_at(pinned), flag)
    assert after is None or curve(after, HIPS)[held] == curve(shot, HIPS)[held]
    whole = replace(shot, pins=(Pin("hips", None, (arrival - 2.0, arrival + 30.0)),))
    assert family.MENDS["dead stop"](looked_at(whole), flag) is None
    hips = shot.controls[0].channels[0]
    limited = shot.with_channel("hips", replace(hips, limits=Limits(upper=0.15)))
    assert family.MENDS["dead stop"](looked_at(limited), flag) is None


def test_without_a_key_in_time_the_remedy_asks_for_one() -> None:
    keys = make_keys([0, 12, 14, 60], [0.0, 0.0, 0.15, 0.15], [0.0] * 4)
    shot = figure({HIPS: keys}, 24.0, 62)
    (flag,) = found(shot)
    assert "add one" in flag.remedy
    assert family.MENDS["dead stop"](looked_at(shot), flag) is None


@pytest.mark.parametrize("fps", RATES)
def test_an_eased_arrival_is_no_fault(fps: float) -> None:
    keys, _ = dart(fps, 0.3, frames=max(round(fps / 2), 4))
    assert found(figure({HIPS: keys}, fps, int(keys.frames[-1]) + 2)) == []


@pytest.mark.parametrize("fps", RATES)
def test_light_parts_may_stop(fps: float) -> None:
    assert found(stopped(fps, ("hand", "rotation.z"), 30.0)[0]) == []


@pytest.mark.parametrize(
    "mark",
    [
        Mark("contact", (13.0, 40.0), ("foot",)),
        Mark("accent", (14.0, 14.0), ("hips",)),
        Mark("hold", (14.0, 40.0), ("hips",)),
        Mark("cut", (14.0, 14.0)),
        Mark("contact", (0.0, 40.0), ("hips",)),
    ],
    ids=["foot lands", "accent", "hold", "cut", "sitting"],
)
def test_events_explain_a_stop(mark: Mark) -> None:
    assert stopped(24.0)[1] == 14
    assert found(stopped(24.0, marks=(mark,))[0]) == []


def test_a_foot_that_stands_all_along_explains_nothing_of_the_hips() -> None:
    assert len(found(stopped(24.0, marks=(Mark("contact", (0.0, 50.0), ("foot",)),))[0])) == 1


def test_a_grip_explains_the_arm() -> None:
    grip = (Mark("contact", (0.0, 50.0), ("hand",)),)
    heavy = stopped(24.0, ("upper arm", "rotation.z"), 40.0)[0]
    heavy = replace(
        heavy, controls=tuple(replace(c, mass=0.06) if c.name == "upper arm" else c for c in heavy.controls)
    )
    assert len(found(heavy)) == 1
    assert found(replace(heavy, marks=grip)) == []


def test_what_is_attached_follows_its_holder() -> None:
    shot = stopped(24.0, CHEST, 15.0)[0]
    held = tuple(
        replace(c, links=(Link("attachment", "hips"),)) if c.name == "chest" else c for c in shot.controls
    )
    assert found(replace(shot, controls=held)) == []


def test_a_stop_of_the_whole_figure_is_meant() -> None:
    keys, _ = dart(24.0, 12.0)
    three = {(name, "rotation.y"): keys for name in ("hips", "chest", "head")}
    assert found(figure(three, 24.0, int(keys.frames[-1]) + 2)) == []
    two = {(name, "rotation.y"): keys for name in ("hips", "chest")}
    assert len(found(figure(two, 24.0, int(keys.frames[-1]) + 2))) == 2


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("ground", [True, False], ids=["on the ground", "in the air"])
def test_a_figure_that_comes_down_on_the_ground_may_stop(fps: float, ground: bool) -> None:
    keys, arrival = dart(fps, -0.15)
    lower = -0.15 if ground else -0.45  # later: then the stop wasn't on the ground
    last = float(keys.frames[-1])
    at = [*keys.frames.tolist(), last + fps, last + 2 * fps]
    down = make_keys(at, [*keys.values[:, 0].tolist(), lower, lower], [0.0] * len(at))
    stops = found(figure({("hips", "translation.y"): down}, fps, round(last + 2 * fps)), "dead stop")
    assert [flag.frames[0] <= arrival <= flag.frames[1] for flag in stops] == ([] if ground else [True])


@pytest.mark.parametrize("fps", [24.0, 30.0])
def test_animation_on_twos_is_left_alone(fps: float) -> None:
    """Each drawing stands for two frames, and the last one for good."""
    drawn = np.repeat(np.concatenate([np.zeros(5), 0.02 * np.arange(9), np.full(12, 0.16)]), 2)
    keys = make_keys(np.arange(len(drawn)), drawn, np.zeros(len(drawn)), segment=np.zeros(len(drawn)))
    assert found(figure({HIPS: keys}, fps, len(drawn) - 1)) == []


def test_nobody_sees_it() -> None:
    shot, _ = stopped(24.0)
    away = replace(shot.cameras[0].control, rest_translation=(30.0, 0.9, 5.0))
    assert found(replace(shot, cameras=(replace(shot.cameras[0], control=away),))) == []


def test_quaternions_are_judged_as_turns() -> None:
    keys, _ = dart(24.0, 15.0)
    half = np.deg2rad(keys.values[:, 0]) / 2
    turned = np.column_stack([0 * half, 0 * half, np.sin(half), np.cos(half)])
    euler, shot = figure({CHEST: keys}, 24.0, 50), figure({}, 24.0, 50)
    quaternion = Channel("rotation", make_keys(keys.frames, turned, np.zeros_like(turned)))
    parts = tuple(replace(c, channels=(quaternion,)) if c.name == "chest" else c for c in shot.controls)
    (flag,), (like,) = found(replace(shot, controls=parts)), found(euler)
    assert flag.channel == "rotation"
    assert flag.amount == pytest.approx(like.amount, rel=0.02)  # a half angle's sine between the keys
    assert family.MENDS["dead stop"](looked_at(replace(shot, controls=parts)), flag) is None


# --- too much overshoot ------------------------------------------------------------------------------------


def swung(fps: float, times: float, channel: tuple[str, str] = CHEST) -> tuple[Shot, int]:
    """A straight move of 20 units in a second that goes past its pose by so many of its deltas, then stands."""
    second, due = round(fps), response(figure({}, fps, 1), channel[0]).peak_time
    peak = 2 * second + max(round(due * fps), 1)
    past = 20.0 + times * response(figure({}, fps, 1), channel[0]).overshoot(20.0)
    back = 2 * peak - 2 * second
    at = [0, second, 2 * second, peak, back, back + second, back + 2 * second]
    values = [0.0, 0.0, 20.0, past, 20.0, 20.0, 20.0]
    slopes = [0.0, 20.0 / second, 20.0 / second, 0.0, 0.0, 0.0, 0.0]
    return figure({channel: make_keys(at, values, slopes)}, fps, at[-1]), peak


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize(("times", "severity"), [(3.6, "warn"), (7.0, "error")])
def test_a_swing_beyond_the_bound_is_named_and_mended(fps: float, times: float, severity: str) -> None:
    shot, peak = swung(fps, times)
    after, flag = mended(shot)
    assert (flag.fault, flag.severity) == ("too much overshoot", severity)
    assert flag.cause.frames == (float(peak),)
    assert found(after) == []
    rise = curve(after, CHEST).max() - 20.0
    assert 0 < rise <= MOST * response(shot, "chest").overshoot(20.0) * 1.1  # mean speed, not its last
    assert rise < 0.6 * (curve(shot, CHEST).max() - 20.0)


@pytest.mark.parametrize("fps", RATES)
@pytest.mark.parametrize("times", [0.8, 1.4, 2.5])
def test_what_weight_allows_is_left_alone(fps: float, times: float) -> None:
    assert found(swung(fps, times)[0]) == []


def test_a_gesture_out_and_back_is_no_overshoot() -> None:
    keys = make_keys([0, 24, 36, 48, 72, 96], [0.0, 0.0, 25.0, 0.0, 0.0, 0.0], [0.0] * 6)
    assert found(figure({CHEST: keys}, 24.0, 96), "too much overshoot") == []


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_an_eye_lands_on_its_target(fps: float) -> None:
    def eyes(past: float) -> Shot:
        at = [0, 12, 14, 16, 16 + round(fps / 2), 16 + round(fps)]
        keys: Keys = make_keys(at, [0.0, 0.0, 20.0 + past, 20.0, 20.0, 20.0], [0.0] * 6)
        return figure({("eyes", "rotation.y"): keys}, fps, at[-1])

    assert found(eyes(0.3)) == []
    after, flag = mended(eyes(2.0))
    assert (flag.fault, flag.unit) == ("too much overshoot", "deg")
    assert flag.amount == pytest.approx(2.0, abs=ROW_KEYS)
    assert found(after) == []


# --- missing overlap ---------------------------------------------------------------------------------------


def chained(fps: float, lag: int, marks: tuple[Mark, ...] = ()) -> Shot:
    """Four swings of an arm, the forearm's so many frames later."""
    beat = round(fps / 2)
    at = np.arange(10.0) * beat
    values = [0.0, 0.0, 25.0, 25.0, -10.0, -10.0, 20.0, 20.0, 0.0, 0.0]
    later = np.concatenate([[0.0], at[1:] + lag])
    upper, lower = (make_keys(frames, values, [0.0] * 10) for frames in (at, later))
    channels = {("upper arm", "rotation.z"): upper, ("forearm", "rotation.z"): lower}
    return figure(channels, fps, int(at[-1]) + lag + 2, marks)


@pytest.mark.parametrize("fps", RATES)
def test_parts_in_step_are_named(fps: float) -> None:
    (flag,) = found(chained(fps, 0), "missing overlap")
    assert flag.control == "forearm"
    assert "upper arm" in flag.message
    assert flag.severity == "error"


@pytest.mark.parametrize("fps", RATES)
def test_parts_that_follow_are_left_alone(fps: float) -> None:
    assert found(chained(fps, max(1, round(1.5 * fps / 24))), "missing overlap") == []


@pytest.mark.parametrize("fps", RATES)
def test_a_part_in_step_comes_later_by_the_lag_due_with_all_that_it_carries(fps: float) -> None:
    shot = chained(fps, 0)
    i = shot.index("hand")
    nod = make_keys([0, fps, 2 * fps, 3 * fps, 4 * fps], [0, 8, -4, 6, 0], np.zeros(5))
    waving = replace(shot.controls[i], channels=(Channel("rotation.x", nod),))
    shot = replace(shot, controls=(*shot.controls[:i], waving, *shot.controls[i + 1 :]))
    (flag,) = found(shot, "missing overlap")
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert found(result.shot, "missing overlap") == []
    moves = [c for c in differences(shot, result.shot) if c.field == "key"]
    assert {c.control for c in moves} == {"forearm", "hand"}
    by = {float(np.ravel(c.after)[0]) - c.frame for c in moves}
    due = Body(shot).leader("forearm", 1 / 24)[1] * fps  # the lags of the table in faults, added up
    assert len(by) == 1
    assert abs(by.pop() - due) <= 1.5
    pinned = replace(shot, pins=(Pin("hand", None, (fps, 2 * fps)),))
    assert mend(pinned, Look(), [flag]).mended == ()


def test_a_stiff_grip_moves_as_one() -> None:
    grip = Mark("contact", (0.0, 100.0), ("forearm",))
    assert found(chained(24.0, 0, (grip,)), "missing overlap") == []


def test_names_stand_in_for_parts_only_openly() -> None:
    shot, _ = stopped(24.0)
    nameless = replace(shot, controls=tuple(replace(c, part=None) for c in shot.controls))
    (flag,) = found(nameless)
    assert "taken from its name" in flag.message


@pytest.mark.parametrize("fps", [0.1, 0.3, 0.5])
def test_minutes_from_frame_to_frame_are_looked_at_all_the_same(fps: float) -> None:
    """Standing begins after a frame that moved, however long that was."""
    at = [0.0, 1.0, 2.0, 3.0, 40.0]
    assert (
        found(
            figure(
                {CHEST: make_keys(at, [0.0, 20.0, 40.0, 40.0, 40.0], [20.0, 20.0, 0.0, 0.0, 0.0])}, fps, 40
            )
        )
        == []
    )

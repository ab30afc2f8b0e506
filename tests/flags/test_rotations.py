"""Angle wraps: what jumps is found and written the other way, to the same orientation; spins are left alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from benchmarks.corpus import Rule, slopes_by
from benchmarks.planted.planted import apart
from benchmarks.scored import row_of
from refine.curve import evaluate
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.keys import FAULTS
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.rotations import FAULT, MENDS, find, shortest
from refine.formats import read
from refine.pose import pose
from refine.rotation import EULER_ORDERS
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    Array,
    Channel,
    Control,
    Keys,
    Limits,
    Mark,
    Pin,
    Segment,
    Shot,
    frozen,
    make_keys,
)
from tests import hand_made
from tests.flags.tolerances import JUMP_PUT_BACK, SAME_SHAPE
from tests.open_clips import clip_or_skip
from tests.tolerances import SAME_TURN

FPS = (12.0, 24.0, 30.0, 60.0)


def shot_of(*channels: Channel, fps: float = 24.0, last: int = 60, order: str = "xyz") -> Shot:
    return Shot("turn", fps, 0, last, (Control("arm", order=order, tip=(1.0, 0.5, 0.2), channels=channels),))


def flags(shot: Shot) -> list[Flag]:
    return list(find(stage_of(shot, Look())))


def mended(shot: Shot) -> Shot:
    """The shot with its only flag mended."""
    (flag,) = flags(shot)
    after = MENDS[flag.fault](stage_of(shot, Look()), flag)
    assert after is not None
    return after


def steady(gap: int = 6, count: int = 10) -> Keys:
    """170 to 232 deg, the motion quick enough to need its slopes."""
    frames = gap * np.arange(count, dtype=float)
    values = 150.0 + 7.0 * np.arange(count) + 6.0 * np.sin(np.arange(count))
    return make_keys(frames, values, slopes_by("natural", frames, values))


def sawn(keys: Keys) -> Keys:
    return keys.changed(values=(keys.values + 180.0) % 360.0 - 180.0)


def keys_of(shot: Shot, name: str) -> Keys:
    channel = shot.controls[0].channel(name)
    assert channel is not None
    assert channel.keys is not None
    return channel.keys


def same_poses(one: Shot, other: Shot, frames: Array) -> None:
    np.testing.assert_allclose(pose(one, frames).linear, pose(other, frames).linear, atol=SAME_TURN)


@pytest.mark.parametrize("fps", FPS)
def test_a_sawn_off_angle_is_found_at_its_keys_and_mended_to_what_it_was(fps: float) -> None:
    keys = steady(max(round(fps / 4), 3))
    shot = shot_of(Channel("rotation.y", sawn(keys)), fps=fps, last=int(keys.frames[-1]))
    (flag,) = flags(shot)
    k = int(np.flatnonzero(np.abs(np.diff(sawn(keys).values[:, 0])) > 180)[0])
    assert (flag.control, flag.channel, flag.severity) == ("arm", "rotation.y", "error")
    assert flag.cause.frames == (keys.frames[k], keys.frames[k + 1])
    after = mended(shot)
    assert flags(after) == []
    np.testing.assert_allclose(keys_of(after, "rotation.y").values, keys.values, atol=SAME_TURN)
    same_poses(shot, after, keys.frames)


def test_slopes_that_were_made_for_the_jump_are_made_anew() -> None:
    keys = steady()
    broken = sawn(keys)
    slopes = slopes_by("chord", broken.frames, broken.values[:, 0])
    shot = shot_of(Channel("rotation.z", make_keys(broken.frames, broken.values, slopes)))
    expected = make_keys(keys.frames, keys.values, slopes_by("chord", keys.frames, keys.values[:, 0]))
    found = keys_of(mended(shot), "rotation.z")
    frames = np.arange(61.0)
    np.testing.assert_allclose(evaluate(found, frames), evaluate(expected, frames), atol=SAME_TURN)


def spins() -> Iterable[tuple[str, Keys]]:
    """Whole turns that are meant: with flat slopes, with their own, after an anticipation, going on."""
    yield "from rest to rest", make_keys([0, 20, 44, 60], [0, 0, 360, 360], np.zeros(4))
    yield "not quite round", make_keys([0, 20, 44, 60], [0, 0, 350, 350], np.zeros(4))
    frames, values = np.array([0.0, 12, 18, 30, 36, 60]), np.array([0.0, 0, -15, 365, 360, 360])
    for rule in ("natural", "chord", "flat"):
        yield f"with anticipation, {rule}", make_keys(frames, values, slopes_by(rule, frames, values))
    frames, values = np.array([0.0, 20, 40, 60]), np.array([0.0, 300, 610, 900])
    yield "going on", make_keys(frames, values, slopes_by("natural", frames, values))
    yield "held", make_keys([0, 30], [170, -175], [0, 0], segment=[Segment.HOLD, Segment.HOLD])


@pytest.mark.parametrize("case", list(spins()), ids=lambda case: case[0])
def test_a_spin_that_is_meant_is_left_alone(case: tuple[str, Keys]) -> None:
    assert flags(shot_of(Channel("rotation.y", case[1]))) == []


def hung(shot: Shot) -> Shot:
    """The shot with its arm on a chest."""
    (arm,) = shot.controls
    return replace(shot, controls=(Control("chest"), replace(arm, parent="chest")))


@pytest.mark.parametrize("case", list(spins()), ids=lambda case: case[0])
def test_so_is_one_of_a_joint(case: tuple[str, Keys]) -> None:
    assert flags(hung(shot_of(Channel("rotation.y", case[1])))) == []


@pytest.mark.parametrize("rule", ["chord", "flat"])
def test_a_joint_sawn_off_where_its_motion_turns_back_is_found_and_a_root_may_spin(rule: Rule) -> None:
    """The slopes are made for the jump, and what is beside it goes the other way: the saw alone tells."""
    frames, values = np.array([0.0, 12, 20, 32, 44, 60]), np.array([150.0, 177, 174, 195, 188, 200])
    spoilt = (values + 180.0) % 360.0 - 180.0
    channel = Channel("rotation.y", make_keys(frames, spoilt, slopes_by(rule, frames, spoilt)))
    (flag,) = flags(hung(shot_of(channel)))
    assert flag.cause.frames == (20.0, 32.0)
    assert flags(shot_of(channel)) == []


def test_a_marked_accent_is_left_alone() -> None:
    shot = shot_of(Channel("rotation.y", sawn(steady())))
    (flag,) = flags(shot)
    assert flags(replace(shot, marks=(Mark("accent", flag.frames, ("arm",)),))) == []


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_the_other_triple_is_the_same_rotation_by_scipy(order: str) -> None:
    """[lib] scipy's Rotation, whose upper-case orders are intrinsic: left to right."""
    rng = np.random.default_rng(3)
    for angles in rng.uniform(-170, 170, (20, 3)):
        flipped = 180.0 + angles * np.where(np.arange(3) == "xyz".index(order[1]), -1.0, 1.0)
        turns = flipped + 360.0 * rng.integers(-1, 2, 3)
        sign, offset = shortest(angles, turns, order, True)
        np.testing.assert_allclose(sign * turns + offset, angles, atol=SAME_TURN)
        by_order = [
            Rotation.from_euler(order.upper(), a[["xyz".index(c) for c in order]], degrees=True)
            for a in (angles, turns)
        ]
        assert (by_order[0].inv() * by_order[1]).magnitude() < SAME_TURN


def triple(order: str, flipped_from: float = 24.0) -> tuple[list[Channel], list[Channel]]:
    """Three sound channels, and the same with the other triple from a frame on."""
    frames = np.arange(0.0, 61.0, 6.0)
    sound, flipped = [], []
    for i, name in enumerate(ROTATIONS):
        values = 20.0 * np.sin(0.08 * frames + i) + 10.0 * i
        slopes = slopes_by("natural", frames, values)
        sign = np.where((frames >= flipped_from) & (name[-1] == order[1]), -1.0, 1.0)
        sound.append(Channel(name, make_keys(frames, values, slopes)))
        other = np.where(frames >= flipped_from, 180.0 + sign * values, values)
        flipped.append(Channel(name, make_keys(frames, other, sign * slopes)))
    return sound, flipped


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_a_flipped_triple_is_written_back_with_the_slopes_of_the_middle_angle_turned(order: str) -> None:
    sound, flipped = triple(order)
    shot = shot_of(*flipped, order=order)
    (flag,) = flags(shot)
    assert flag.cause.frames == (18.0, 24.0)
    after = mended(shot)
    assert flags(after) == []
    same_poses(after, shot_of(*sound, order=order), np.arange(61.0))


def jumping(clip: str, seed: int) -> tuple[Shot, Shot]:
    """A keyed clip with an angle that jumps, and its sound shot."""
    clip_or_skip(clip)
    row = row_of("angle wrap, keyed")
    shot = row.base(clip, seed)
    planted = row.plant(shot, seed, "error")
    assert planted is not None
    return planted[0], planted[1].sound or shot


@pytest.mark.parametrize(("clip", "seed"), [("Boxing_Toes", 0), ("Boxing_Toes", 5), ("01_03", 5)])
def test_keys_that_look_off_where_angles_jump_go_with_the_jump(clip: str, seed: int) -> None:
    """Each by itself would be put far off: where the slopes point in the other triple."""
    shot, sound = jumping(clip, seed)
    found = check(stage_of(shot, Look()))
    (jump,) = (flag for flag in found if flag.fault == FAULT)
    along = [flag for flag in found if flag.along == jump.id]
    assert along
    assert all(flag.severity == "note" and flag.fault in FAULTS.values() for flag in along)
    result = mend(shot, Look(), found, asked=("all",))
    assert apart(result.shot, sound) <= JUMP_PUT_BACK


def test_what_goes_with_a_jump_that_is_left_is_left() -> None:
    shot, _ = jumping("Boxing_Toes", 5)
    found = check(stage_of(shot, Look()))
    (jump,) = (flag for flag in found if flag.fault == FAULT)
    pins = tuple(Pin(jump.control, None, (frame, frame)) for frame in (shot.first_frame, shot.last_frame))
    result = mend(shot, Look(), found, pins=pins, asked=("all",))
    along = {flag.id for flag in found if flag.along == jump.id}
    assert {jump.id, *along} <= {each.flag.id for each in result.left}
    assert result.shot.control(jump.control) == shot.control(jump.control)


@pytest.mark.parametrize("fps", FPS)
@pytest.mark.parametrize("way", ["sawn", "flipped"])
def test_baked_wraps_and_flips_keep_the_orientation_on_every_frame(fps: float, way: str) -> None:
    sound, _ = triple("xyz")
    frames = np.arange(61.0)
    tables = [evaluate(c.keys, frames) for c in sound if c.keys is not None]
    if way == "sawn":
        tables[0] = (tables[0] + 170.0 + 180.0) % 360.0 - 180.0
    else:
        later = frames[:, None] >= 30
        tables = [np.where(later, 180.0 + (-t if i == 1 else t), t) for i, t in enumerate(tables)]
    channels = [Channel(n, samples=frozen(t)) for n, t in zip(ROTATIONS, tables, strict=True)]
    wrapped = shot = shot_of(*channels, fps=fps)
    assert flags(shot)
    while found := flags(shot):
        after = MENDS[found[0].fault](stage_of(shot, Look()), found[0])
        assert after is not None
        shot = after
    same_poses(shot, wrapped, frames)
    for channel in shot.controls[0].channels:
        assert channel.samples is not None
        assert np.abs(np.diff(channel.samples, axis=0)).max() < 60


def test_a_pin_turns_the_mend_to_the_other_side_and_two_forbid_it() -> None:
    keys = sawn(steady())
    (flag,) = flags(shot_of(Channel("rotation.y", keys)))
    a, b = flag.cause.frames
    for pins, moved in (((b, 54.0), "before"), ((0.0, 6.0), "after")):
        shot = replace(
            shot_of(Channel("rotation.y", keys)), pins=tuple(Pin("arm", None, (f, f)) for f in pins)
        )
        after = keys_of(mended(shot), "rotation.y")
        side = after.frames <= a if moved == "before" else after.frames >= b
        assert np.all((after.values != keys.values)[:, 0] == side)
    shot = replace(shot, pins=tuple(Pin("arm", "rotation.y", (f, f)) for f in (0.0, 54.0)))
    assert MENDS[flag.fault](stage_of(shot, Look()), flag) is None


@pytest.mark.parametrize("rule", ["natural", "chord", "flat"])
def test_every_jump_of_a_sawn_off_angle_is_found_once_one_is_sure_also_where_the_motion_turns_back(
    rule: Rule,
) -> None:
    """Between the jumps the angle turns back, and slopes were set anew for the jump: alone it would say nothing."""
    frames = 6.0 * np.arange(11)
    values = np.array([150.0, 165, 190, 205, 184, 176, 186, 178, 150, 140, 130])
    wrapped = (values + 180.0) % 360.0 - 180.0
    shot = shot_of(Channel("rotation.x", make_keys(frames, wrapped, slopes_by(rule, frames, wrapped))))
    jumps = [(float(frames[k]), float(frames[k + 1])) for k in np.flatnonzero(np.abs(np.diff(wrapped)) > 180)]
    assert sorted(flag.cause.frames for flag in flags(shot)) == jumps
    for flag in flags(shot):
        after = MENDS[flag.fault](stage_of(shot, Look()), flag)
        assert after is not None
        assert flags(after) == []
        np.testing.assert_allclose(keys_of(after, "rotation.x").values[:, 0], values, atol=SAME_TURN)
        same_poses(shot, after, frames)


def test_turning_points_that_were_kept_flat_say_which_way_was_meant() -> None:
    frames = 6.0 * np.arange(11)
    values = np.array([0.0, 20, 5, 30, 10, 40, 12, 33, 15, 25, 0])
    slopes = slopes_by("flat", frames, values)
    wrapped = np.where(np.arange(11) > 5, values + 360.0, values)
    (flag,) = flags(shot_of(Channel("rotation.x", make_keys(frames, wrapped, slopes))))
    assert flag.cause.frames == (30.0, 36.0)


def test_the_jumps_of_a_baked_control_are_one_flag_and_a_pin_behind_them_forbids_nothing() -> None:
    frames = np.arange(61.0)
    values = 160.0 + 40.0 * np.sin(2 * np.pi * frames / 60.0)
    table = ((values + 180.0) % 360.0 - 180.0)[:, None]
    jumps = np.flatnonzero(np.abs(np.diff(table[:, 0])) > 180)
    assert len(jumps) == 2
    shot = shot_of(Channel("rotation.x", samples=frozen(table)))
    (flag,) = flags(shot)
    assert flag.frames == (int(jumps[0]), int(jumps[1]) + 1)
    assert "; 1 more such jump from " in flag.message
    after = mended(replace(shot, pins=(Pin("arm", None, (50.0, 50.0)), Pin("arm", None, (0.0, 2.0)))))
    np.testing.assert_allclose(after.controls[0].channels[0].samples, values[:, None], atol=SAME_TURN)
    held = replace(shot, pins=(Pin("arm", "rotation.x", (20.0, 20.0)),))
    other = mended(held).controls[0].channels[0].samples
    assert other is not None
    np.testing.assert_allclose(other, values[:, None] - 360.0, atol=SAME_TURN)
    held = replace(shot, pins=(Pin("arm", None, (0.0, 60.0)),))
    assert MENDS[flag.fault](stage_of(held, Look()), flag) is None


@pytest.mark.parametrize("clip", ["01_03", "Boxing_Toes"])
def test_a_recording_is_unwrapped_to_the_same_orientation_on_every_frame(clip: str) -> None:
    shot = after = read(clip_or_skip(clip)).shot
    for flag in flags(shot):
        mended_one = MENDS[flag.fault](stage_of(after, Look()), flag)
        assert mended_one is not None
        after = mended_one
    assert flags(after) == []
    same_poses(shot, after, shot.frames)


def test_a_limit_turns_the_mend_to_the_other_side() -> None:
    channel = Channel("rotation.y", sawn(steady()), limits=Limits(-220.0, 180.0))
    after = keys_of(mended(shot_of(channel)), "rotation.y")
    assert after.values.max() <= 180.0


def quaternions() -> Keys:
    """A turn by 90 deg in ten keys, its slopes by the natural spline, signs even."""
    frames = np.arange(0.0, 61.0, 6.0)
    half = np.deg2rad(0.5 * np.linspace(0.0, 90.0, len(frames)) + 4 * np.sin(frames))
    values = np.stack([0 * half, np.sin(half), 0 * half, np.cos(half)], axis=1)
    slopes = np.stack([slopes_by("natural", frames, v) for v in values.T], axis=1)
    return make_keys(frames, values, slopes)


def test_a_change_of_sign_between_quaternion_keys_is_undone() -> None:
    keys = quaternions()
    sign = np.where(keys.frames >= 30, -1.0, 1.0)[:, None]
    broken = keys.changed(
        values=sign * keys.values, incoming=sign * keys.incoming, outgoing=sign * keys.outgoing
    )
    shot = shot_of(Channel(QUATERNION, broken))
    assert flags(shot_of(Channel(QUATERNION, keys))) == []
    (flag,) = flags(shot)
    assert flag.cause.frames == (24.0, 30.0)
    assert keys_of(mended(shot), QUATERNION) == keys


def test_baked_quaternions_that_change_sign_keep_their_orientation() -> None:
    values = evaluate(quaternions(), np.arange(61.0))
    values /= np.linalg.norm(values, axis=1, keepdims=True)
    sign = np.where(np.arange(61) >= 20, -1.0, 1.0)[:, None]
    after = mended(shot_of(Channel(QUATERNION, samples=frozen(sign * values))))
    np.testing.assert_array_equal(after.controls[0].channels[0].samples, frozen(values))


def test_lines_take_the_short_way_whatever_the_sign() -> None:
    keys = quaternions()
    lines = replace(keys, segment=frozen(np.full(len(keys), Segment.LINE), np.int8))
    sign = np.where(keys.frames >= 30, -1.0, 1.0)[:, None]
    assert flags(shot_of(Channel(QUATERNION, lines.changed(values=sign * keys.values)))) == []


@pytest.mark.parametrize("turn", [-360.0, 360.0])
@pytest.mark.parametrize("which", [0, 1], ids=["first", "second"])
def test_one_key_that_is_written_a_turn_off_is_written_back_alone(turn: float, which: int) -> None:
    """It jumps there and back: whichever jump is asked for, the keys around stay."""
    clean = hand_made.two_part_shot("natural")
    keys = hand_made.keys_of(clean, "arm", "rotation.z")
    k = 9
    values = keys.values.copy()
    values[k] += turn
    shot = hand_made.with_keys(clean, "arm", "rotation.z", keys.changed(values=values))
    jumps = [flag for flag in check(stage_of(shot, Look())) if flag.fault == "angle wrap"]
    assert len(jumps) == 2
    result = mend(shot, Look(), [jumps[which]])
    assert result.left == ()
    np.testing.assert_allclose(
        hand_made.keys_of(result.shot, "arm", "rotation.z").values, keys.values, atol=SAME_SHAPE
    )

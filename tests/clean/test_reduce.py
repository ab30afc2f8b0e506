"""Few keys for a baked shot: the tolerance holds on every frame, and keys stand where an animator wants them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline, CubicSpline
from scipy.signal import find_peaks
from scipy.spatial.transform import Rotation

from benchmarks.corpus import clip_at
from refine.clean.keys import reduce
from refine.clean.keys.lanes import turns
from refine.clean.keys.measure import carried, form, measured, millimetres
from refine.clean.keys.reduce import reduced, reductions
from refine.clean.settings import Amount, Unit
from refine.curve import sample
from refine.errors import InputError
from refine.limbs.limb import limbs, metres_per_unit
from refine.pose import Point, pose, world_point
from refine.rotation import vector_quaternion
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    SCALES,
    TRANSLATIONS,
    Array,
    Camera,
    Channel,
    Control,
    Segment,
    Shot,
    frozen,
    make_keys,
)
from refine.view import project, view
from tests.clean.tolerances import FAR_AWAY, FORM, SAME_DEVIATION
from tests.open_clips import clip_or_skip
from tests.random_rigs import random_rig
from tests.tolerances import PLACE, SAME_CURVE

FRAMES = 61
BONE = 0.3  # m


def arm(values: Array, names: tuple[str, ...] = ROTATIONS, fps: float = 30.0, first: int = 0) -> Shot:
    """A chain of bones with the samples (N, controls, channels)."""
    controls = []
    for i in range(values.shape[1]):
        channels = tuple(
            Channel(name, samples=frozen(values[:, i, k : k + 1])) for k, name in enumerate(names)
        )
        parent = None if i == 0 else f"bone {i - 1}"
        controls.append(
            Control(f"bone {i}", parent, rest_translation=(0, BONE, 0), tip=(0, BONE, 0), channels=channels)
        )
    last = first + len(values) - 1
    return Shot("made", fps, first, last, tuple(controls), unit_stated=True)


def swinging(seed: int, frames: int = 120, bones: int = 4, channels: int = 3) -> Array:
    """(frames, bones, channels) degrees of a smooth motion of up to 2 Hz at 30 fps."""
    rng = np.random.default_rng(seed)
    t = np.arange(frames)[:, None, None] / 30.0
    total: Array = np.zeros((frames, bones, channels))
    for _ in range(3):
        size, phase = rng.normal(0, 15, (bones, channels)), rng.uniform(0, 2 * np.pi, (bones, channels))
        total += size * np.sin(2 * np.pi * rng.uniform(0.2, 2.0, (bones, channels)) * t + phase)
    return total


def all_keys(shot: Shot) -> dict[tuple[str, str], Array]:
    """The key frames of each channel."""
    return {
        (control.name, channel.name): channel.keys.frames
        for control in shot.controls
        for channel in control.channels
        if channel.keys is not None
    }


def farthest(one: Shot, other: Shot, unit: Unit) -> float:
    """The largest deviation on any frame, by the definition of the unit."""
    frames = one.frames
    if unit == "deg":
        return max(turned(a, b, one) for a, b in zip(one.controls, other.controls, strict=True))
    posed = [pose(each, frames) for each in (one, other)]
    points = [Point(control.name, control.pivot) for control in one.controls]
    points += [Point(control.name, control.tip) for control in one.controls if control.tip is not None]
    places = [np.stack([world_point(p, one, point) for point in points]) for p in posed]
    if unit == "px":
        seen = view(one, posed[0])
        places = [project(seen, each) for each in places]
        scale = 1.0
    else:
        scale = 1000.0 * metres_per_unit(one, limbs(one, posed[0]))[0]
    return float(np.linalg.norm(places[1] - places[0], axis=-1).max()) * scale


def turned(a: Control, b: Control, shot: Shot) -> float:
    """Degrees between the rotations of two controls. [lib] scipy's rotations."""

    def rotation(control: Control) -> Rotation:
        values = [
            sample(c, shot, shot.frames)[:, 0] for n in ROTATIONS if (c := control.channel(n)) is not None
        ]
        columns = dict(zip("xyz", values, strict=True))
        return Rotation.from_euler(
            control.order.upper(), np.column_stack([columns[x] for x in control.order]), True
        )

    return float(np.rad2deg((rotation(a).inv() * rotation(b)).magnitude()).max())


def open_shot(name: str, frames: int = 150) -> Shot:
    """Part of an open clip at 30 fps."""
    clip_or_skip(name)
    whole = clip_at(name, 30.0)
    controls = []
    for control in whole.controls:
        cut = [
            replace(c, samples=c.samples[60 : 60 + frames]) for c in control.channels if c.samples is not None
        ]
        controls.append(replace(control, channels=tuple(cut)))
    return replace(whole, first_frame=0, last_frame=frames - 1, controls=tuple(controls))


# --- the tolerance -----------------------------------------------------------------------------------------


@pytest.mark.outside
@pytest.mark.parametrize("unit", ["mm", "px", "deg"])
@pytest.mark.parametrize("name", ["01_03", "Boxing_Toes"])
def test_captured_motion_stays_within_what_is_allowed(name: str, unit: Unit) -> None:
    """Open captured clips; all that is asked is read off the returned shot by the unit's own definition."""
    shot = open_shot(name)
    within = Amount(2.0 if unit != "deg" else 1.0, unit)
    few = reduced(shot, within)
    assert 0.2 * within.value < farthest(shot, few, unit) <= within.value * (1 + SAME_DEVIATION)
    assert not any(channel.baked for control in few.controls for channel in control.channels)
    samples = sum(
        c.samples.size for control in shot.controls for c in control.channels if c.samples is not None
    )
    assert sum(map(len, all_keys(few).values())) < 0.5 * samples


@pytest.mark.property
@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["mm", "px", "deg"]), st.floats(0.01, 30.0))
def test_any_smooth_motion_stays_within_what_is_allowed(seed: int, unit: Unit, size: float) -> None:
    shot = arm(swinging(seed, frames=60, bones=3))
    few = reduced(shot, Amount(size, unit))
    assert farthest(shot, few, unit) <= size * (1 + SAME_DEVIATION)


@pytest.mark.parametrize("seed", range(6))
def test_any_rig_stays_within_what_is_allowed(seed: int) -> None:
    """Pivots, rests, quaternions, scales, keyed channels beside baked ones; motion as rough as it gets."""
    shot = random_rig(seed, scaled=seed % 2 == 0)
    few = reduced(shot, Amount(20.0, "mm"))
    assert farthest(shot, few, "mm") <= 20.0 * (1 + SAME_DEVIATION)
    for old, new in zip(shot.controls, few.controls, strict=True):
        for before, after in zip(old.channels, new.channels, strict=True):
            assert after.keys is not None
            if before.keys is not None:
                assert before == after


def test_less_is_allowed_more_keys_are_set() -> None:
    shot = arm(swinging(1))
    counts = [
        sum(map(len, all_keys(reduced(shot, Amount(size, "mm"))).values())) for size in (0.02, 0.5, 5.0, 50.0)
    ]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > 2 * counts[2]


def test_noise_that_must_be_kept_gets_a_key_on_every_frame() -> None:
    values = np.random.default_rng(3).normal(0, 20, (40, 2, 3))
    few = reduced(arm(values), Amount(1e-4, "mm"))
    assert {len(frames) for frames in all_keys(few).values()} == {40}


def test_what_rounding_forbids_is_refused() -> None:
    """A channel that trembles by 1e-9 deg counts as constant, so nothing finer can be promised."""
    values = np.concatenate([swinging(2, bones=1), 40.0 + 1e-10 * swinging(2, bones=1)], axis=1)
    with pytest.raises(InputError, match="within"):
        reduced(arm(values), Amount(1e-9, "mm"))


def test_windows_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    shot = arm(swinging(5, frames=301))
    monkeypatch.setattr(reduce, "WINDOW", 100)
    windows = list(reductions(shot, Amount(2.0, "mm")))
    assert [len(each.measure.posed.frames) for each in windows] == [101, 101, 101]
    few = reduced(shot, Amount(2.0, "mm"))
    assert farthest(shot, few, "mm") <= 2.0 * (1 + SAME_DEVIATION)
    for control in few.controls:
        for channel in control.channels:
            assert channel.keys is not None
            assert channel.keys.index(100) is not None
            assert not channel.keys.corner.any()
            assert np.all(np.diff(channel.keys.frames) > 0)


def test_a_view_of_ones_own_is_used() -> None:
    shot = arm(swinging(4))
    near = view(shot, pose(shot, shot.frames))
    far = replace(near, focal=near.focal / 20.0)
    counts = [
        sum(map(len, all_keys(reduced(shot, Amount(1.0, "px"), view=v)).values())) for v in (near, far, None)
    ]
    assert counts[1] < counts[0] == counts[2]


# --- the keys ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("within", [Amount(0.01, "mm"), Amount(0.01, "px"), Amount(0.001, "deg")])
def test_a_cubic_is_two_keys_and_a_constant_one(within: Amount) -> None:
    t = np.arange(FRAMES)
    cubic = 20 + 0.5 * t - 0.03 * t**2 + 0.0008 * t**3  # without a turn
    values = np.stack([cubic, 10 - 0.01 * t**2, np.full(FRAMES, 5.0)], axis=1)
    few = reduced(arm(np.stack([values] * 3, axis=1), first=7), within)
    for (_, name), frames in all_keys(few).items():
        assert frames.tolist() == ([7.0] if name == "rotation.z" else [7.0, 67.0])


def test_a_spline_is_its_own_knots() -> None:
    """[lib] scipy's cubic spline, whose pieces are cubics that join smoothly: as many keys as it has are enough."""
    knots = np.array([0, 17, 29, 48, 60])
    values = np.random.default_rng(8).normal(0, 25, (5, 3))
    curve = CubicSpline(knots, values)(np.arange(FRAMES))
    few = reduced(arm(curve[:, None]), Amount(0.3, "mm"))
    for frames in all_keys(few).values():
        assert len(frames) <= len(knots)


def test_keys_stand_on_whole_frames_the_same_for_all_channels_of_a_control() -> None:
    shot = arm(swinging(6), names=(*ROTATIONS,), first=1001)
    keys = all_keys(reduced(shot, Amount(2.0, "mm")))
    for control in shot.controls:
        first = keys[control.name, ROTATIONS[0]]
        assert np.array_equal(first, np.rint(first))
        assert (first[0], first[-1]) == (shot.first_frame, shot.last_frame)
        assert all(np.array_equal(keys[control.name, name], first) for name in ROTATIONS)


@pytest.mark.outside
def test_the_keys_are_smooth_cubics() -> None:
    """[lib] scipy's Hermite spline through the same values and slopes gives the same curve."""
    shot = arm(swinging(7))
    for control in reduced(shot, Amount(2.0, "mm")).controls:
        for channel in control.channels:
            keys = channel.keys
            assert keys is not None
            assert np.all(keys.segment == Segment.CURVE)
            assert np.isnan(keys.incoming_reach).all()
            assert np.isnan(keys.outgoing_reach).all()
            assert not keys.corner.any()
            spline = CubicHermiteSpline(keys.frames, keys.values[:, 0], keys.outgoing[:, 0])
            at = np.linspace(shot.first_frame, shot.last_frame, 501)
            assert sample(channel, shot, at)[:, 0] == pytest.approx(spline(at), abs=SAME_CURVE)


def test_contacts_have_keys_on_the_control_and_all_that_carries_it() -> None:
    values = swinging(9, bones=4)
    touchdowns = {"bone 2": [31, 77]}
    few = all_keys(reduced(arm(values), Amount(20.0, "mm"), touchdowns))
    free = all_keys(reduced(arm(values), Amount(20.0, "mm")))
    for (control, _), frames in few.items():
        if control != "bone 3":
            assert {31.0, 77.0} <= set(frames)
    assert not all({31.0, 77.0} <= set(frames) for frames in free.values())


def test_a_break_is_one_corner() -> None:
    """A fall at constant speed that stops within a frame: a smooth curve would need a crowd of keys."""
    t = np.arange(FRAMES, dtype=float)
    fall = np.where(t < 33, 2.0 * t, 66.0)[:, None, None]
    few = reduced(arm(fall, names=ROTATIONS[:1]), Amount(2.0, "mm"))
    keys = few.controls[0].channels[0].keys
    assert keys is not None
    assert keys.frames.tolist() == [0.0, 33.0, 60.0]
    assert keys.corner.tolist() == [False, True, False]


def test_keys_sit_on_the_extremes() -> None:
    """A swing whose turns lie on whole frames: keys are there, though the curve could be cut elsewhere."""
    t = np.arange(121.0)
    swing = (30.0 * np.cos(np.pi * t / 12.0) * (1 + t / 200))[:, None, None]
    few = reduced(arm(swing, names=ROTATIONS[:1]), Amount(3.0, "mm"))
    keys = all_keys(few)["bone 0", "rotation.x"]
    turns = np.arange(12.0, 120.0, 12.0)
    assert np.isin(turns, keys).all()
    assert len(keys) <= 2 * len(turns)


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(5))
def test_turns_are_prominent_peaks(seed: int) -> None:
    """[lib] scipy's peaks of the same prominence, of the path and upside down, and nothing between two of them."""
    path = swinging(seed, frames=400, bones=1, channels=1)[:, 0, 0]
    path = path + np.random.default_rng(seed).normal(0, 0.3, 400)
    found = turns(path, 12.0)
    peaks = [*find_peaks(path, prominence=12.0)[0], *find_peaks(-path, prominence=12.0)[0]]
    assert len(found) > 8
    assert set(peaks) <= set(found)
    assert set(found[1:-1]) <= set(peaks)


def test_quaternions_keep_their_turn() -> None:
    """Componentwise cubics, normalised; the angle left is scipy's. [lib]"""
    vectors = np.deg2rad(swinging(10, bones=1)[:, 0])
    q = vector_quaternion(vectors)
    q *= np.where(np.cumsum(np.r_[False, np.sum(q[1:] * q[:-1], axis=1) < 0]) % 2, -1.0, 1.0)[:, None]
    control = Control("ball", tip=(0, BONE, 0), channels=(Channel(QUATERNION, samples=frozen(q)),))
    shot = Shot("made", 30.0, 0, len(q) - 1, (control,), unit_stated=True)
    few = reduced(shot, Amount(0.5, "deg"))
    channel = few.controls[0].channels[0]
    assert channel.keys is not None
    assert len(channel.keys) < len(q) / 2
    new = Rotation.from_quat(sample(channel, few, few.frames))
    left = np.rad2deg((Rotation.from_quat(q).inv() * new).magnitude()).max()
    assert left <= 0.5 * (1 + SAME_DEVIATION)


@pytest.mark.parametrize("frames", [1, 2, 3, 5])
def test_the_shortest_shots(frames: int) -> None:
    shot = arm(swinging(11, frames=frames, bones=2))
    few = reduced(shot, Amount(1.0, "mm"))
    assert farthest(shot, few, "mm") <= 1.0 * (1 + SAME_DEVIATION)
    assert all(len(found) <= frames for found in all_keys(few).values())


def test_a_shot_without_anything_to_reduce_stays() -> None:
    keyed = Channel("rotation.x", make_keys([0, 10], [0, 20], [0, 0]))
    shot = Shot("made", 24.0, 0, 10, (Control("a", channels=(keyed,)), Control("b", "a")), unit_stated=True)
    assert reduced(shot, Amount(1.0, "mm")) == shot


# --- the forms ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*TRANSLATIONS, *ROTATIONS, SCALES[0]])
def test_the_form_is_what_an_error_does_at_the_end(name: str) -> None:
    """A small change of the channel moves the tip by what the form says, within what keeps twists from being free."""
    rng = np.random.default_rng(12)
    names = (*TRANSLATIONS, *ROTATIONS, SCALES[0])
    values = np.concatenate(
        [rng.normal(0, 0.2, (5, 1, 3)), rng.normal(0, 40, (5, 1, 3)), np.ones((5, 1, 1))], axis=2
    )
    values[:, :, 6] += rng.normal(0, 0.1, (5, 1))
    shot = arm(values, names=names)
    shot = replace(shot, controls=(replace(shot.controls[0], tip=(0.3, 0.5, -0.4)),))
    within = Amount(1.0, "mm")
    m = measured(shot, (0, 4), within, None, millimetres(shot))
    channel = shot.controls[0].channel(name)
    assert channel is not None
    assert channel.samples is not None
    step = 1e-5
    size = step * np.sqrt(form(m, carried(m), 0, [channel], 1.0)[:, 0])
    moved = shot.with_channel("bone 0", replace(channel, samples=channel.samples + step))
    tip = Point("bone 0", (0.3, 0.5, -0.4))
    off = world_point(pose(moved, shot.frames), shot, tip) - world_point(m.posed, shot, tip)
    distance = 1000.0 * np.linalg.norm(off, axis=1)
    if name in TRANSLATIONS:
        assert size == pytest.approx(distance, rel=FORM)
    else:
        assert np.all(size >= distance * (1 - FORM))


@pytest.mark.parametrize("unit", ["mm", "px"])
def test_the_form_of_a_figure_far_away_is_that_of_one_near(unit: Unit) -> None:
    """2^30 units off, where places keep to a ten millionth of a unit."""
    away = 2.0**30

    def forms(x: float) -> list[Array]:
        shot = arm(swinging(2))
        root = replace(shot.controls[0], rest_translation=(x, 0.0, 0.0))
        camera = Camera(Control("front", rest_translation=(x, 0.5, 6.0)), 40.0, 1920, 1080, 16 / 9)
        shot = replace(shot, controls=(root, *shot.controls[1:]), cameras=(camera,))
        m = measured(shot, (0, len(shot.frames) - 1), Amount(1.0, unit), None, 1000.0)
        return [form(m, carried(m), i, c.channels, 1.0) for i, c in enumerate(shot.controls)]

    for near, far in zip(forms(0.0), forms(away), strict=True):
        np.testing.assert_allclose(far, near, rtol=FAR_AWAY, atol=FAR_AWAY * np.abs(near).max())


def test_the_measure_is_millimetres() -> None:
    assert millimetres(arm(swinging(1))) == pytest.approx(1000.0, rel=PLACE)

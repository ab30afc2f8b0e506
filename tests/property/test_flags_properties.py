"""What holds for `check` and `suggest --flag all` on any shot: no stray exception, never worse, pins, repeatability."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.corpus import HABITS, RULES, keyed_shot
from benchmarks.faults import KINDS, injected
from refine.errors import RefineError
from refine.flags.check import at_least, check, stage_of
from refine.flags.flag import Flag, as_json
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.limbs.limb import limbs
from refine.pose import pose
from refine.shot import Channel, Pin, Shot
from tests.hand_made import faulty, two_part_shot
from tests.open_clips import clip_or_skip
from tests.property.test_suggest_properties import any_pins, check_pin
from tests.strategies import shots

pytestmark = pytest.mark.property

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
repeated = settings(max_examples=125, deadline=None, derandomize=True, suppress_health_check=SLOW)
heavy = settings(repeated, max_examples=30)


def bytes_of(shot: Shot) -> bytes:
    """All arrays of a shot, one behind the other."""
    return b"".join(array.tobytes() for channel in _channels(shot) for array in _arrays(channel))


def _channels(shot: Shot) -> Iterator[Channel]:
    for control in (*shot.controls, *(camera.control for camera in shot.cameras)):
        yield from control.channels


def _arrays(channel: Channel) -> Iterator[np.ndarray]:
    if channel.samples is not None:
        yield channel.samples
    if channel.keys is not None:
        for name in channel.keys.__slots__:
            yield getattr(channel.keys, name)


def flags_of(shot: Shot, look: Look) -> list[Flag]:
    return check(stage_of(shot, look))


def hold(shot: Shot, look: Look, pins: tuple[Pin, ...] = ()) -> None:
    """Everything that must hold of a shot; a RefineError is an answer, any other exception fails the test."""
    source = bytes_of(shot)
    with suppress(RefineError):
        before = flags_of(shot, look)
        plain = [as_json(flag) for flag in before]
        assert plain == [as_json(flag) for flag in flags_of(shot, look)]
        assert all(np.isfinite([flag.amount, flag.ratio]).all() and flag.amount >= 0 for flag in before)
        done = mend(shot, look, before, pins=pins)
        assert {flag.id for flag in done.mended} | {flag.id for flag, _, _ in done.left} == {
            f.id for f in before
        }
        for pin in (*shot.pins, *pins):
            check_pin(shot, done.shot, pin)
        after = flags_of(done.shot, look)
        assert len(at_least(after, "warn")) <= len(at_least(before, "warn"))
        assert len(at_least(after, "error")) <= len(at_least(before, "error"))
        again = mend(shot, look, before, pins=pins)
        assert bytes_of(again.shot) == bytes_of(done.shot)
    assert bytes_of(shot) == source


@st.composite
def looks(draw: st.DrawFn, shot: Shot) -> Look:
    """A range that touches the shot, or all of it; any controls; any camera."""
    a, b = sorted(draw(st.tuples(*[st.integers(shot.first_frame - 2, shot.last_frame + 2)] * 2)))
    names = [control.name for control in shot.controls]
    chosen = draw(st.just([]) | st.lists(st.sampled_from(names), unique=True))
    camera = draw(st.sampled_from([None, *(camera.name for camera in shot.cameras)]))
    return Look(draw(st.sampled_from([None, None, (a, b)])), tuple(chosen), camera)


@st.composite
def longer(draw: st.DrawFn) -> Shot:
    """Any valid keyed shot over more frames than `shots` draws, its unit stated."""
    shot = draw(shots(baked=False, least_channels=1))
    if any(channel.baked for camera in shot.cameras for channel in camera.control.channels):
        shot = replace(shot, cameras=())  # a camera's samples are as many as the frames were
    first = draw(st.integers(-10, 50))
    fps = draw(st.sampled_from([12.0, 24.0, 30.0, 60.0]))
    last = first + draw(st.integers(8, 60))
    return replace(shot, first_frame=first, last_frame=last, fps=fps, unit_stated=True)


@given(st.data())
@repeated
def test_any_valid_shot(data: st.DataObject) -> None:
    shot = data.draw(shots())
    hold(shot, data.draw(looks(shot)))


@given(st.data())
@repeated
def test_any_longer_shot(data: st.DataObject) -> None:
    shot = data.draw(longer())
    hold(shot, data.draw(looks(shot)))


@given(st.data())
@heavy
def test_two_parts_with_faults_and_pins(data: st.DataObject) -> None:
    shot = two_part_shot(data.draw(st.sampled_from(RULES)))
    for _ in range(data.draw(st.integers(1, 3))):
        control = data.draw(st.sampled_from(shot.controls))
        name = data.draw(st.sampled_from([channel.name for channel in control.channels]))
        size = 0.2 if name.startswith("translation") else 4.0
        k = data.draw(st.integers(6, 16))
        value, slope = (data.draw(st.sampled_from([0.0, 1.0, -0.7])) * size for _ in range(2))
        shot = faulty(shot, control.name, name, {k: value}, {k: slope / 5})
    shot = replace(shot, pins=tuple(data.draw(st.lists(any_pins(shot), max_size=2))))
    hold(shot, Look(), tuple(data.draw(st.lists(any_pins(shot), max_size=1))))


@pytest.fixture(params=["01_01", "Boxing_Toes"], scope="module")
def clip(request: pytest.FixtureRequest) -> str:
    """The name of an open clip, once its file is there; under CI it has to be."""
    clip_or_skip(request.param)
    return str(request.param)


@given(st.data())
@settings(heavy, max_examples=10)
def test_parts_of_captured_figures_with_planted_faults(clip: str, data: st.DataObject) -> None:
    seed = data.draw(st.integers(0, 9999))
    shot = keyed_shot(clip, seed, data.draw(st.sampled_from(HABITS)), frames=48, handmade=0.1)
    shot = legs_of(shot) if data.draw(st.booleans()) else chain_of(shot, data.draw(st.integers(0, 99)))
    for _ in range(data.draw(st.integers(1, 3))):
        kind, size = data.draw(st.sampled_from(KINDS)), data.draw(st.sampled_from([0.1, 0.2, 0.4]))
        with suppress(ValueError):  # nothing moves enough there for a fault of that size
            shot = injected(shot, data.draw(st.integers(0, 9999)), kind, size)[0]
    pins = data.draw(st.lists(any_pins(shot), max_size=1))
    hold(replace(shot, pins=tuple(pins)), Look())


def chain_of(shot: Shot, n: int) -> Shot:
    """The figure's n-th control, all that carries it and what it carries itself: small, but a figure's motion."""
    moving = [
        c.name for c in shot.controls if any(ch.keys is not None and len(ch.keys) > 1 for ch in c.channels)
    ]
    return _cut(shot, {moving[n % len(moving)]})


def legs_of(shot: Shot) -> Shot:
    """The figure's legs and what carries them."""
    found = limbs(shot, pose(shot, shot.frames))
    return _cut(shot, {limb.end for limb in found if limb.kind == "leg"} or {shot.controls[0].name})


def _cut(shot: Shot, ends: set[str]) -> Shot:
    kept = set(ends)
    while grown := {c.parent for c in shot.controls if c.name in kept and c.parent} - kept:
        kept |= grown
    kept |= {c.name for c in shot.controls if c.parent in ends}
    return replace(shot, controls=tuple(c for c in shot.controls if c.name in kept))

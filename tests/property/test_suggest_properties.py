"""What holds for any shot and any request: pins, borders of the range, undo, repeatability, no stray exception."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from benchmarks.corpus import RULES
from refine.application import apply, take_back
from refine.curve import sample
from refine.errors import RefineError
from refine.formats import Document, parsed, write
from refine.rotation import turn
from refine.shot import Channel, Mark, Pin, Shot
from refine.suggest import Request, suggest
from refine.suggestion import Suggestion, applied
from tests.hand_made import every_sample, faulty, keys_of, two_part_shot
from tests.property.tolerances import KEPT, KEPT_TURN
from tests.strategies import shots

pytestmark = pytest.mark.property

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
repeated = settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=SLOW)
heavy = settings(repeated, max_examples=30)
STRENGTHS = st.sampled_from([0.0, 0.3, 1.0, 1.0, 2.0, 5.0])
PATH = Path("any.shot.json")


@st.composite
def any_requests(draw: st.DrawFn, shot: Shot) -> Request:
    """A range that touches the shot, any controls, pins and strength."""
    a, b = sorted(draw(st.tuples(*[st.integers(shot.first_frame - 2, shot.last_frame + 2)] * 2)))
    names = [control.name for control in shot.controls]
    chosen = draw(st.just([]) | st.lists(st.sampled_from(names), unique=True))
    pins = draw(st.lists(any_pins(shot), max_size=2))
    return Request(
        (a, b), tuple(chosen), draw(STRENGTHS), tuple(pins), draw(st.sampled_from([None, None, None, 1]))
    )


@st.composite
def any_pins(draw: st.DrawFn, shot: Shot) -> Pin:
    control = draw(st.sampled_from(shot.controls))
    channel = (
        draw(st.none() | st.sampled_from([ch.name for ch in control.channels])) if control.channels else None
    )
    a, b = sorted(draw(st.tuples(*[st.integers(shot.first_frame, shot.last_frame)] * 2)))
    return Pin(control.name, channel, (float(a), float(draw(st.sampled_from([a, b])))))


@st.composite
def lively(draw: st.DrawFn) -> tuple[Shot, Request]:
    """The two-part shot with faults, pins and marks drawn: most of these have something to mend."""
    shot = two_part_shot(draw(st.sampled_from(RULES)))
    for _ in range(draw(st.integers(1, 3))):
        control = draw(st.sampled_from(shot.controls))
        name = draw(st.sampled_from([ch.name for ch in control.channels]))
        size = 0.2 if name.startswith("translation") else 4.0
        k = draw(st.integers(6, 16))
        value, slope = (draw(st.sampled_from([0.0, 1.0, -0.7])) * size for _ in range(2))
        shot = faulty(shot, control.name, name, {k: value}, {k: slope / 5})
    a = draw(st.integers(20, 70))
    marks = draw(
        st.lists(
            st.builds(Mark, st.sampled_from(["accent", "contact", "cut"]), st.just((60.0, 66.0))), max_size=1
        )
    )
    shot = replace(shot, marks=tuple(marks), pins=tuple(draw(st.lists(any_pins(shot), max_size=2))))
    request = draw(any_requests(shot))
    return shot, replace(request, frames=(a, a + draw(st.integers(10, 60))))


def suggested(shot: Shot, request: Request, document: Document | None = None) -> Suggestion | None:
    """None where the request is refused: with a RefineError, whatever else happened is a bug."""
    with suppress(RefineError):
        return suggest(shot, request, document)
    return None


def check_borders(before: Shot, after: Shot, frames: tuple[int, int]) -> None:
    outside = (before.frames < frames[0]) | (before.frames > frames[1])
    old, new = every_sample(before), every_sample(after)
    for name in old:
        assert np.array_equal(old[name][outside], new[name][outside]), name


def check_pin(before: Shot, after: Shot, pin: Pin) -> None:
    control = before.control(pin.control)
    for channel in control.channels:
        if pin.channel in (None, channel.name):
            check_held(before, after, pin, channel)


def check_held(before: Shot, after: Shot, pin: Pin, channel: Channel) -> None:
    a, b = pin.frames
    at = np.arange(np.ceil(a), np.floor(b) + 1) if channel.baked else np.unique(np.linspace(a, b, 9))
    at = at[(at >= before.first_frame) & (at <= before.last_frame)]
    old, new = (sample(s.channel(pin.control, channel.name), s, at) for s in (before, after))
    if channel.baked:
        assert np.array_equal(old, new)
    elif old.shape[1] == 4:
        assert np.all(np.linalg.norm(turn(old, new), axis=1) <= KEPT_TURN)
    else:
        assert np.abs(new - old).max(initial=0.0) <= KEPT * (1 + np.abs(old).max(initial=0.0))
    k = None if channel.keys is None else channel.keys.index(a)
    if k is not None:
        keys, now = (keys_of(s, pin.control, channel.name) for s in (before, after))
        same = [
            (getattr(keys, name)[k], getattr(now, name)[k]) for name in ("values", "incoming", "outgoing")
        ]
        assert all(np.array_equal(x, y) for x, y in same)


def check(shot: Shot, request: Request) -> None:
    found = suggested(shot, request)
    assume(found is not None)
    assert found is not None
    after = applied(shot, found)
    check_borders(shot, after, request.frames)
    for pin in (*shot.pins, *request.pins):
        check_pin(shot, after, pin)
    if request.controls:
        assert {change.control for change in found.changes} <= set(request.controls)
    again = suggested(shot, request)
    assert again is not None
    assert again.text() == found.text()


@given(st.data())
@repeated
def test_any_valid_shot(data: st.DataObject) -> None:
    shot = data.draw(shots())
    check(shot, data.draw(any_requests(shot)))


@given(lively())
@heavy
def test_faulty_shots(given_: tuple[Shot, Request]) -> None:
    check(*given_)


def document(shot: Shot) -> Document:
    data = write(shot, PATH)
    return Document(PATH, data, hashlib.sha256(data).hexdigest(), "shot", parsed(data, PATH), None)


def check_undo(source: Document, request: Request) -> None:
    """Applied to the bytes and undone, the same bytes; in between, just the shot that the suggestion means."""
    found = suggested(source.shot, request, source)
    assume(found is not None)
    assert found is not None
    done = apply(source, found.changes)
    assert not done.left
    written = replace(source, data=done.data, shot=parsed(done.data, PATH))
    wanted, got = every_sample(applied(source.shot, found)), every_sample(written.shot)
    for name in wanted:
        assert np.allclose(wanted[name], got[name], rtol=KEPT, atol=KEPT), name
    back = take_back(written, found.changes)
    assert not back.left
    assert back.data == source.data
    assert (done.data == source.data) == (not found.changes)


@given(st.data())
@repeated
def test_undo_of_any_valid_shot(data: st.DataObject) -> None:
    shot = data.draw(shots())
    check_undo(document(shot), data.draw(any_requests(shot)))


@given(lively())
@heavy
def test_undo_of_faulty_shots(given_: tuple[Shot, Request]) -> None:
    shot, request = given_
    check_undo(document(shot), request)

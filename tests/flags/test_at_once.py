"""Many flags mended at once: the mends of one after the other, for far fewer looks at the shot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import refine.flags.at_once
import refine.flags.one
from benchmarks.planted.planted import inserted
from refine.changes import differences
from refine.flags.at_once import every
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.on_frames import OFF
from refine.flags.one import State
from refine.flags.stage import Stage
from refine.formats import read
from refine.key_rows import only
from refine.shot import Pin, Shot
from tests.hand_made import keys_of, with_keys

BAKER = Path(__file__).parents[2] / "demo" / "baker.shot.json"
FEW = 0.2  # [judge] of the flags may be judged otherwise: the habit is learnt anew after each look
MANY = 16  # keys off their frames
BY = 0.1  # frames


@pytest.fixture(scope="module")
def baker() -> Shot:
    return read(BAKER).shot


def off_frames(shot: Shot, count: int = MANY) -> Shot:
    """The shot with a key of each of some channels moved a part of a frame along its curve."""
    channels = [(c.name, ch.name) for c in shot.controls for ch in c.channels if ch.keys is not None]
    for place in channels[:: max(len(channels) // count, 1)][:count]:
        keys = keys_of(shot, *place)
        if len(keys) > 4:
            k = len(keys) // 2
            moved = inserted(keys, np.array([keys.frames[k] + BY]))
            shot = with_keys(shot, *place, only(moved, np.arange(len(moved)) != k))
    return shot


def begun(shot: Shot) -> State:
    stage = stage_of(shot, Look())
    return State(stage, check(stage))


def off(state: State) -> list[Flag]:
    return [flag for flag in state.flags if flag.fault == OFF]


def one_by_one(state: State, flags: Sequence[Flag]) -> tuple[State, list[Flag]]:
    done = []
    for flag in flags:
        state, mended, _ = every(state, [flag], 1.0, ())
        done += mended
    return state, done


def looks(monkeypatch: pytest.MonkeyPatch) -> list[Stage]:
    """The stages that are looked at from now on."""
    seen: list[Stage] = []

    def looked(stage: Stage) -> list[Flag]:
        seen.append(stage)
        return check(stage)

    for module in (refine.flags.at_once, refine.flags.one):
        monkeypatch.setattr(module, "check", looked)
    return seen


def test_one_look_for_all_gives_the_mends_of_one_by_one(baker: Shot, monkeypatch: pytest.MonkeyPatch) -> None:
    state = begun(off_frames(baker))
    flags = off(state)
    assert len(flags) > MANY // 2
    seen = looks(monkeypatch)
    singly, done = one_by_one(state, flags)
    alone = len(seen)
    seen.clear()
    together, mended, _ = every(state, flags, 1.0, ())
    assert len(set(mended) ^ set(done)) <= FEW * len(flags)
    alike = {(c.control, c.channel, c.key) for c in differences(singly.stage.shot, together.stage.shot)}
    assert len(alike) <= FEW * len(flags)
    assert len(seen) < alone


def test_what_is_refused_amid_others_keeps_none_of_them(baker: Shot) -> None:
    shot = off_frames(baker)
    flags = off(begun(shot))
    held = flags[len(flags) // 2]
    pin = Pin(held.cause.control, held.cause.channel, (held.cause.frames[0], held.cause.frames[0]))
    state = begun(replace(shot, pins=(*shot.pins, pin)))
    free = every(begun(shot), flags, 1.0, ())[1]
    after, mended, left = every(state, flags, 1.0, ())
    assert held not in mended
    assert len({*mended, held} ^ {*free, held}) <= FEW * len(flags)
    assert held in [each.flag for each in left]
    place = held.control, held.channel or ""
    assert keys_of(after.stage.shot, *place) == keys_of(shot, *place)


def test_the_stage_after_a_mend_is_the_stage_of_the_mended_shot(baker: Shot) -> None:
    state = begun(off_frames(baker))
    stage = state.stage
    for name, channel in (("hips", "translation.y"), ("chest", "rotation.x"), ("forearm.R", "rotation.x")):
        stage.most_moved(name, channel)
    after = every(state, off(state), 1.0, ())[0].stage
    fresh = stage_of(after.shot, Look())
    assert np.array_equal(after.posed.linear, fresh.posed.linear)
    assert np.array_equal(after.posed.origin, fresh.posed.origin)
    for name, channel in (("hips", "translation.y"), ("chest", "rotation.x"), ("forearm.R", "rotation.x")):
        assert after.most_moved(name, channel) == fresh.most_moved(name, channel)
    assert np.array_equal(after.book.shot_habit.shares, fresh.book.shot_habit.shares)

"""A frozen hold drifts on by 1 to 3 % of the last move, ever slower, without what is planted or pinned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.changes import differences
from refine.curve import bake, sample
from refine.flags import still
from refine.flags.check import stage_of
from refine.flags.drift import FROZEN
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.shot import Keys, Mark, Pin, Shot, make_keys
from tests.flags.tolerances import DRIFTED
from tests.flags.weights import figure

RATES = (12.0, 24.0, 30.0, 60.0)
PARTS = (("chest", 60.0), ("head", 30.0), ("upper arm", -80.0))
POSES = (0.0, 1.0, 0.1, 0.8, 0.2)  # of each part's turn, a second of move and a second of hold each


def turned(fps: float, size: float, living: tuple[bool, ...]) -> Keys:
    """From pose to pose and held there, each hold drifting on by 3 % of its move or frozen."""
    at, values = [0.0], [0.0]
    for i in range(1, len(POSES)):
        drift = 0.03 * (POSES[i] - POSES[i - 1]) if living[i - 1] else 0.0
        at += [(2 * i - 1) * fps, 2 * i * fps]
        values += [size * POSES[i], size * (POSES[i] + drift)]
    return make_keys(np.round(at), values, np.zeros(len(at)))


def held(fps: float, living: tuple[bool, ...] = (True, False, True, True)) -> Shot:
    channels = {(name, "rotation.z"): turned(fps, size, living) for name, size in PARTS}
    return figure(channels, fps, round(9 * fps))


def flags(shot: Shot) -> list[Flag]:
    return [flag for flag in still.find(stage_of(shot, Look())) if flag.fault == FROZEN]


@pytest.mark.parametrize("fps", RATES)
def test_a_frozen_hold_drifts_on_within_its_share_and_slows_down(fps: float) -> None:
    shot = held(fps)
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    assert flags(result.shot) == []
    changed = {(c.control, c.channel) for c in differences(shot, result.shot)}
    assert changed
    assert changed <= {(name, "rotation.z") for name, _ in PARTS}
    for control, channel in changed:
        move = dict(PARTS)[control] * (POSES[2] - POSES[1])
        curves = [s.control(control).channel(channel) for s in (shot, result.shot)]
        frames = np.arange(round(3 * fps), round(4 * fps) + 1.0)
        old, new = (sample(c, shot, frames)[:, 0] for c in curves if c is not None)
        drifted = (new - old) / move
        assert 0 < drifted[-1] <= 0.035
        assert np.all(np.diff(drifted) > 0)
        assert np.all(np.diff(drifted, 2) < DRIFTED)


def test_baked_samples_drift_and_come_back_into_the_next_move() -> None:
    shot = held(24.0)
    controls = (replace(c, channels=tuple(bake(ch, shot) for ch in c.channels)) for c in shot.controls)
    shot = replace(shot, controls=tuple(controls))
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    assert result.mended == (flag,)
    frames = [c.frame for c in differences(shot, result.shot)]
    assert flag.frames[0] <= min(frames)
    assert max(frames) <= flag.frames[1] + 8


def test_pins_and_marked_contacts_keep_their_part_still() -> None:
    shot = replace(held(24.0), pins=(Pin("upper arm", None, (72.0, 96.0)), Pin("head", None, (80.0, 80.0))))
    shot = replace(shot, marks=(Mark("contact", (72.0, 96.0), ("eyes",)),))
    (flag,) = flags(shot)
    result = mend(shot, Look(), [flag])
    assert result.mended == ()
    assert result.left[0].clash == ("pin upper arm@72:96", "contact 72:96 of eyes")
    free = replace(shot, marks=())
    assert {c.control for c in differences(free, mend(free, Look(), [flag]).shot)} == {"chest"}

"""A key of which value and slope are off: mending one alone makes the other an error, so both go back together."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.planted.bases import keyed
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from tests.flags.tolerances import KEY_EXACT
from tests.hand_made import keys_of, with_keys
from tests.open_clips import clip_or_skip

# The control, channel and key, and what its value and its slope are off by, deg and deg/frame.
CASES = [
    (10, "LeftHip", "rotation.x", 24.0, -12.7, -1.8),
    (0, "LeftShoulder", "rotation.z", 81.0, -2.98, -0.946),
]


@pytest.mark.parametrize(("seed", "control", "channel", "frame", "value", "slope"), CASES)
def test_value_and_slope_of_one_key_are_put_back_together(
    seed: int, control: str, channel: str, frame: float, value: float, slope: float
) -> None:
    clip_or_skip("Boxing_Toes")
    sound = keyed("Boxing_Toes", seed)
    keys = keys_of(sound, control, channel)
    at = np.isin(keys.frames, frame)[:, None]
    off = keys.changed(
        values=keys.values + value * at,
        incoming=keys.incoming + slope * at,
        outgoing=keys.outgoing + slope * at,
    )
    shot = with_keys(sound, control, channel, off)
    known = {flag.id for flag in check(stage_of(sound, Look()))}
    new = [flag for flag in check(stage_of(shot, Look())) if flag.id not in known]
    assert [(flag.fault, flag.cause.frames) for flag in new] == [("moved key", (frame,))]
    result = mend(shot, Look(), new)
    assert result.left == ()
    back = keys_of(result.shot, control, channel)
    for name in ("values", "incoming", "outgoing"):
        np.testing.assert_allclose(getattr(back, name), getattr(keys, name), atol=KEY_EXACT)
    assert with_keys(result.shot, control, channel, keys) == sound

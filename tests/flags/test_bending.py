"""The mend of a popping limb: by its own joint where its keys allow no more, never by moving what stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.planted.contacts import plant, stepping
from refine.flags import bending
from refine.flags.bending import FULL, calmed
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.limbs import find
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.stage import Stage
from refine.flags.standing import standing
from refine.flags.verdict import outshone
from refine.limbs.limb import extension
from refine.shot import Channel, Pin, Shot, make_keys
from tests.flags.test_limbs import hanging_leg

FRAMES = np.arange(48.0)


def looked(shot: Shot) -> Stage:
    return stage_of(shot, Look())


def snapping() -> Shot:
    """A leg whose shin alone has keys, one on each frame: it goes straight and back within a third of a second."""
    shot = hanging_leg(np.full(48, 0.8), 24.0)
    knee = np.maximum(6.0, 32 - 60 * np.exp(-(((FRAMES / 24 - 1) / 0.15) ** 2)))
    for name in ("thigh", "foot"):
        samples = shot.control(name).channels[0].samples
        assert samples is not None
        still = make_keys([0.0, 47.0], samples[[0, 0], 0], [0.0, 0.0])
        shot = shot.with_channel(name, Channel("rotation.x", still))
    return shot.with_channel("shin", Channel("rotation.x", make_keys(FRAMES, knee, np.gradient(knee))))


def test_a_keyed_knee_slows_down_before_it_is_straight() -> None:
    shot = snapping()
    found = list(find(looked(shot)))
    assert len(found) == 2
    result = mend(shot, Look(), found)
    assert result.left == ()
    assert list(find(looked(result.shot))) == []
    changed = [
        old.name for old, new in zip(shot.controls, result.shot.controls, strict=True) if old is not new
    ]
    assert changed == ["shin"]
    then = looked(result.shot)
    (limb,) = standing(then).limbs
    assert extension(result.shot, then.posed, limb).max() <= FULL + 1e-3
    far = np.abs(FRAMES - 24) > 14
    keys = [s.controls[2].channels[0].keys for s in (shot, result.shot)]
    assert keys[0] is not None
    assert keys[1] is not None
    np.testing.assert_array_equal(keys[1].values[far], keys[0].values[far])


def test_a_pinned_knee_is_left() -> None:
    shot = snapping()
    flag = next(iter(find(looked(shot))))
    pinned = replace(shot, pins=(Pin("shin", None, (20.0, 28.0)),))
    assert list(calmed(looked(shot), flag))
    assert list(calmed(looked(pinned), flag)) == []


def test_a_mend_that_would_move_a_standing_foot_is_none() -> None:
    sound = stepping()
    slid, truth = plant(sound, 1, "slide", 0.03)
    stage = looked(sound)
    stands = {limb.end: bending._stands(stage, slid, limb) for limb in standing(stage).limbs}
    assert stands == {foot: foot not in truth.controls for foot in ("foot.L", "foot.R")}


def test_what_was_outshone_is_no_new_fault_of_the_mend() -> None:
    shot = snapping()
    flag, other = find(looked(shot))
    knee = shot.controls[2].channels[0].keys
    assert knee is not None
    late = replace(knee, values=np.where(FRAMES[:, None] > 30, knee.values + 1.0, knee.values))
    after = looked(shot.with_channel("shin", Channel("rotation.x", late)))
    moved = replace(other, frames=(32, 34))
    spike: Flag = replace(other, fault="spike", frames=(18, 20))
    near = replace(spike, frames=(26, 28))
    different: Flag = replace(other, fault="gaze off target")
    assert outshone(looked(shot), after, [flag], [other, moved, spike, near, different]) == [other, spike]
    trembles = replace(other, fault="jitter", frames=(20, 31))
    assert outshone(looked(shot), after, [flag], [trembles]) == [trembles]
    assert outshone(looked(shot), after, [flag], [replace(trembles, frames=(26, 37))]) == []

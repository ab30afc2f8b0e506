"""What other joints say of a channel: on a made chain whose joints are moved by common errors, or by none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.flags.own_motion import learnt, led
from refine.flags.witnesses import _steps, witnesses
from refine.shot import Array, Channel, Control, Shot, frozen

COUNT, LOST = 240, (100, 111)
NAME = "rotation.x"


def moved_by(errors: Array) -> Array:
    """(COUNT, 1) samples of a damped swing."""
    y = np.zeros(COUNT)
    for t in range(2, COUNT):
        y[t] = 1.95 * y[t - 1] - 0.96 * y[t - 2] + errors[t]
    return y[:, None]


def chain(shared: float, seed: int = 0) -> Shot:
    """hips, arm and hand, of whose errors the share `shared` is common, a leg, and a lamp that hangs on nothing."""
    rng = np.random.default_rng(seed)
    common = rng.normal(0, 1, COUNT)

    def control(name: str, parent: str | None, share: float) -> Control:
        errors = np.sqrt(share) * common + np.sqrt(1 - share) * rng.normal(0, 1, COUNT)
        return Control(name, parent=parent, channels=(Channel(NAME, samples=frozen(moved_by(errors))),))

    controls = (
        control("hips", None, shared),
        control("arm", "hips", shared),
        control("hand", "arm", shared),
        control("leg", "hips", 0.0),
        control("lamp", None, 1.0),
    )
    return Shot("chain", 24.0, 0, COUNT - 1, controls)


def row(shot: Shot, name: str) -> Array:
    samples = shot.control(name).channels[0].samples
    assert samples is not None
    return samples[:, 0]


def changed(shot: Shot, name: str, frames: slice, to: Array | float) -> Shot:
    values = row(shot, name).copy()
    values[frames] = to
    return shot.with_channel(name, Channel(NAME, samples=frozen(values[:, None])))


def known() -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    frames = np.arange(COUNT)
    return (frames < LOST[0]) | (frames > LOST[1])


def off(shot: Shot, asked: bool) -> float:
    """How far the arm's fill lies off what it did, RMS."""
    truth = row(shot, "arm")
    faulty = changed(shot, "arm", slice(LOST[0], LOST[1] + 1), float(truth[LOST[0] - 1]))
    y = row(faulty, "arm")
    motion = learnt(y, known())
    if asked:
        motion = witnesses(faulty, "arm", LOST).told(("arm", NAME), y, known(), motion)
    return float(np.sqrt(np.mean((led(y, ~known(), None, motion).path - truth)[~known()] ** 2)))


def test_joints_moved_by_the_same_say_where_one_was() -> None:
    alone, told = (np.mean([off(chain(0.9, seed), asked) for seed in range(8)]) for asked in (False, True))
    assert told < 0.6 * alone, (alone, told)


def test_joints_moved_by_others_do_little_harm() -> None:
    alone, told = (np.mean([off(chain(0.0, seed), asked) for seed in range(8)]) for asked in (False, True))
    assert told < 1.1 * alone, (alone, told)


def test_the_variance_left_is_that_of_errors_not_learnt_from() -> None:
    """Nine tenths of the arm's errors are common, and two others tell the common part: 1 - .81 * 2 / 1.9 [lib]."""
    found = []
    for seed in range(8):
        shot = chain(0.9, seed)
        y = row(shot, "arm")
        motion = learnt(y, known())
        told = witnesses(shot, "arm", LOST).told(("arm", NAME), y, known(), motion)
        found.append(told.variance / motion.variance)
    assert 0.12 < np.mean(found) < 0.3, np.mean(found)


def test_who_stopped_or_trembles_or_hangs_elsewhere_is_no_witness() -> None:
    shot = chain(0.9)
    assert [name for name, _ in witnesses(shot, "arm", LOST).owners] == ["arm", "hips", "hand", "leg"]
    stopped = changed(shot, "hips", slice(LOST[0], LOST[1] + 1), float(row(shot, "hips")[LOST[0] - 1]))
    assert ("hips", NAME) not in witnesses(stopped, "arm", LOST).owners
    shaken = row(shot, "hand")[LOST[0] : LOST[1] + 1] + 5.0 * np.array([1.0, -1.0] * 6)
    trembling = changed(shot, "hand", slice(LOST[0], LOST[1] + 1), shaken)
    assert ("hand", NAME) not in witnesses(trembling, "arm", LOST).owners


def test_alone_nobody_says_anything() -> None:
    shot = chain(0.9)
    single = replace(shot, controls=(replace(shot.controls[1], parent=None),))
    y = row(single, "arm")
    motion = learnt(y, known())
    assert witnesses(single, "arm", LOST).told(("arm", NAME), y, known(), motion) is motion
    still = changed(single, "arm", slice(0, COUNT), 0.0)
    assert witnesses(still, "arm", LOST).owners == ()


@pytest.mark.parametrize(
    ("name", "away"),
    [
        ("hips", {"hips": 0, "arm": 1, "leg": 1, "hand": 2}),
        ("hand", {"hand": 0, "arm": 1, "hips": 2, "leg": 3}),
        ("lamp", {"lamp": 0}),
    ],
)
def test_how_far_along_the_chain(name: str, away: dict[str, int]) -> None:
    assert _steps(chain(0.5), name) == away

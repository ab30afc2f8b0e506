"""An arm that waves before a still camera, for what is seen on screen. The frame rates are the trade's (practice)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.flags import screen, still
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.shot import Array, Camera, Channel, Control, Mark, Pin, Shot, frozen

RATES = (12.0, 24.0, 30.0, 60.0)
SECONDS = 5.0
NAMES = ("rotation.x", "rotation.y", "rotation.z")


def motion(fps: float, voice: int) -> Array:
    """(N,) a calm baked motion of some degrees: nothing in it above 1.5 Hz."""
    t = np.arange(round(SECONDS * fps)) / fps
    slow = 12 * np.sin(2 * np.pi * (0.4 + 0.1 * voice) * t + voice)
    return np.asarray(slow + 3 * np.sin(2 * np.pi * 1.1 * t + 2 * voice))


def arm_shot(fps: float = 24.0, marks: tuple[Mark, ...] = (), pins: tuple[Pin, ...] = ()) -> Shot:
    """hips, upper arm, forearm with a tip: baked, three rotations each, the hips moving too; a still camera."""

    def baked(voice: int, moves: bool = False) -> tuple[Channel, ...]:
        turns = [Channel(n, samples=frozen(motion(fps, voice + i)[:, None])) for i, n in enumerate(NAMES)]
        place = Channel("translation.y", samples=frozen(0.01 * motion(fps, voice + 5)[:, None]))
        return (place, *turns) if moves else tuple(turns)

    controls = (
        Control("hips", channels=baked(0, True)),
        Control("arm", parent="hips", rest_translation=(0.0, 0.5, 0.0), channels=baked(3)),
        Control(
            "hand", parent="arm", rest_translation=(0.5, 0.1, 0.0), tip=(0.3, 0.0, 0.1), channels=baked(6)
        ),
    )
    camera = Camera(Control("camera", rest_translation=(0.0, 0.5, 6.0)), 40.0, 1920, 1080, 16 / 9)
    last = round(SECONDS * fps) - 1
    return Shot("arm", fps, 0, last, controls, (camera,), marks, pins)


def with_samples(shot: Shot, control: str, name: str, added: Array, first: int) -> Shot:
    """The shot with numbers added to some samples of one baked channel."""
    channel = shot.channel(control, name)
    assert channel.samples is not None
    values = channel.samples.copy()
    values[first : first + len(added), 0] += added
    return shot.with_channel(control, replace(channel, samples=frozen(values)))


def flags_of(shot: Shot) -> list[Flag]:
    stage = stage_of(shot, Look())
    return [*screen.find(stage), *still.find(stage)]


def mended(shot: Shot, flag: Flag) -> Shot:
    found = {**screen.MENDS, **still.MENDS}[flag.fault](stage_of(shot, Look()), flag)
    assert found is not None
    return found

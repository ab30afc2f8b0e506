"""Small shots made by hand, for the tests of the search and the cure: a chain of two controls before a camera.

The values are those of a wave that no rule of slopes knows about, so nothing in them favours one of the rules.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.corpus import Rule, slopes_by
from refine.cause import Suspect
from refine.curve import sample
from refine.formats import Document, read, write
from refine.habit import HabitBook
from refine.held import Locks
from refine.shot import Array, Camera, Channel, Control, Keys, Mark, Pin, Shot, frozen, make_keys
from refine.suggestion import Suggestion

FIRST, LAST, FPS = 0, 160, 24.0
RANGE = (40, 100)
ARM_Z = ("arm", "rotation.z")
GAPS = (5, 6, 7, 4, 6, 8, 5, 7)  # frames between neighbouring keys, over and over


def key_frames(shift: int = 0) -> Array:
    """Irregular key frames from FIRST to LAST."""
    gaps = np.resize(np.roll(GAPS, shift), 40)
    inside = FIRST + np.cumsum(gaps)
    return np.concatenate([[FIRST], inside[inside < LAST - 3], [LAST]]).astype(float)


def wave(frames: Array, voice: int = 0) -> Array:
    """(K,) a smooth motion of some 20 units with a few extremes; each voice is another one."""
    t = frames / 24.0
    slow, quick = 0.9 + 0.13 * voice, 2.3 - 0.17 * voice
    values = 9.0 * np.sin(slow * t + voice) + 4.0 * np.sin(quick * t + 2.0 * voice) + 2.0 * voice
    return np.round(values, 4)


def keyed(rule: Rule, frames: Array, values: Array) -> Keys:
    """Keys whose slopes follow a rule, set by scipy and by arithmetic of the tests' own."""
    return make_keys(frames, values, slopes_by(rule, frames, values))


def two_part_shot(rule: Rule = "natural", marks: Iterable[Mark] = (), pins: Iterable[Pin] = ()) -> Shot:
    """hips (moving and turning) and the arm on it (turning, with a tip), 161 frames, a still camera in front."""
    hips = tuple(
        Channel(name, keyed(rule, key_frames(voice), scale * wave(key_frames(voice), voice)))
        for voice, (name, scale) in enumerate(
            {"translation.x": 0.05, "translation.y": 0.04, "rotation.y": 1.0, "rotation.z": 1.0}.items()
        )
    )
    arm = tuple(
        Channel(name, keyed(rule, key_frames(voice), wave(key_frames(voice), voice)))
        for voice, name in enumerate(("rotation.x", "rotation.y", "rotation.z"), start=4)
    )
    return Shot(
        name="two parts",
        fps=FPS,
        first_frame=FIRST,
        last_frame=LAST,
        controls=(
            Control("hips", order="yxz", channels=hips),
            Control(
                "arm", parent="hips", rest_translation=(0.0, 0.5, 0.0), tip=(0.7, 0.2, 0.1), channels=arm
            ),
        ),
        cameras=(Camera(Control("camera", rest_translation=(0.0, 0.5, 6.0)), 40.0, 1920, 1080, 16 / 9),),
        marks=tuple(marks),
        pins=tuple(pins),
    )


def keys_of(shot: Shot, control: str, name: str) -> Keys:
    keys = shot.channel(control, name).keys
    assert keys is not None
    return keys


def with_keys(shot: Shot, control: str, name: str, keys: Keys) -> Shot:
    return shot.with_channel(control, replace(shot.channel(control, name), keys=keys))


def faulty(
    shot: Shot,
    control: str,
    name: str,
    values: Mapping[int, float] | None = None,
    slopes: Mapping[int, float] | None = None,
) -> Shot:
    """The shot with amounts added to the values and slopes of some keys, by their positions."""
    keys = keys_of(shot, control, name)
    new, slope = keys.values.copy(), keys.outgoing.copy()
    for k, amount in (values or {}).items():
        new[k] += amount
    for k, amount in (slopes or {}).items():
        slope[k] += amount
    return with_keys(shot, control, name, keys.changed(values=new, incoming=slope, outgoing=slope))


def suspect_of(shot: Shot, control: str, name: str, frames: tuple[int, int] = RANGE) -> Suspect:
    """One channel as the search sees it, at 10 px a unit."""
    book, locks, keys = HabitBook(shot, frames), Locks(shot, shot.pins, frames), keys_of(shot, control, name)
    return Suspect(
        keys=keys,
        rules=book.rules(keys),
        habit=book.habit(control, name),
        predict=book.prediction(keys),
        strange=book.strange(control, name),
        searched=locks.searched(keys),
        blocked=locks.blocked(control, name, keys),
        pixels=lambda: 10.0,
    )


def every_sample(shot: Shot, frames: Array | None = None) -> dict[tuple[str, str], Array]:
    """(N, D) of every channel of the shot, on all its frames or on some."""
    at = shot.frames if frames is None else frames
    return {(c.name, ch.name): sample(ch, shot, at) for c in shot.controls for ch in c.channels}


def baked_shot(samples: Mapping[str, Array], fps: float = 60.0, control: str = "hips") -> Shot:
    """One control with a tip and baked channels (N, D) or (N,), seen by the same camera."""
    channels = tuple(
        Channel(name, samples=frozen(np.asarray(values, float).reshape(len(values), -1)))
        for name, values in samples.items()
    )
    count = len(next(iter(samples.values())))
    shot = two_part_shot()
    return replace(
        shot,
        fps=fps,
        last_frame=FIRST + count - 1,
        controls=(Control(control, tip=(0.7, 0.2, 0.1), channels=channels),),
    )


def value_off(rule: Rule = "natural") -> Shot:
    """The arm's rotation.z 3 deg off at frame 65; its tip shows it by about 9 px."""
    return faulty(two_part_shot(rule), *ARM_Z, {11: 3.0})


def moved_frames(before: Shot, after: Shot) -> dict[tuple[str, str], list[float]]:
    """The frames on which each channel differs at all, compared exactly."""
    old, new = every_sample(before), every_sample(after)
    different = {name: np.any(old[name] != new[name], axis=1) for name in old}
    return {name: before.frames[at].tolist() for name, at in different.items() if at.any()}


def places(suggestion: Suggestion) -> set[tuple[str, str, float, str]]:
    """Where a suggestion changes what."""
    return {(c.control, c.channel, c.frame, c.field) for c in suggestion.changes}


def document(shot: Shot, path: Path) -> Document:
    """The shot written to a file and read back."""
    path.write_bytes(write(shot, path))
    return read(path)

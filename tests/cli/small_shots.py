"""Small shots with a planted fault, in all three formats, for the tests of the command line.

Slopes follow the natural spline through the keys, then one value is moved and the slopes stay: what an animator
leaves behind who drags a key. Names hold dots, colons, spaces, commas and an at sign on purpose.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from refine.formats import write
from refine.shot import (
    Array,
    Camera,
    Channel,
    Control,
    Limits,
    Mark,
    Pin,
    Shot,
    frozen,
    make_keys,
)

HIPS, ARM, HAND = "hips", "ns:arm.L", "hand, left @ 2"
FRAMES = "24:60"  # a range around the fault, wide enough that the keys beside it are free
FAULT_FRAME = 42
FAULT = 9.0  # degrees
_KEYS = np.arange(0.0, 97.0, 6.0)
_ALWAYS = 20260101  # seed: the same shot in each run


def _curve(seed: int, size: float) -> Array:
    """(K,) values that swing smoothly over the shot."""
    chance = np.random.default_rng(_ALWAYS + seed)
    phase, share = chance.uniform(0, 6, 3), chance.uniform(0.4, 1, 3)
    waves = [np.sin(2 * np.pi * _KEYS / period + p) for period, p in zip((96, 61, 43), phase, strict=True)]
    return np.round(size * share @ np.array(waves), 3)


def _keyed(name: str, seed: int, size: float, fault: float = 0.0, limits: Limits | None = None) -> Channel:
    values = _curve(seed, size)
    slopes = np.round(CubicSpline(_KEYS, values, bc_type="natural")(_KEYS, 1), 5)
    values[_KEYS == FAULT_FRAME] += fault
    return Channel(name, keys=make_keys(_KEYS, values, slopes), limits=limits)


def _late(channel: Channel, by: float) -> Channel:
    """The key on the fault's frame moved in time."""
    assert channel.keys is not None
    frames = channel.keys.frames + by * (channel.keys.frames == FAULT_FRAME)
    return replace(channel, keys=channel.keys.changed(frames=frames))


def rig(fault: float = FAULT, limits: Limits | None = None, late: float = 0.0) -> tuple[Control, ...]:
    """Hips, an arm with the fault in rotation.z, and a hand that shows it."""
    return (
        Control(HIPS, channels=(_keyed("translation.x", 1, 8.0), _keyed("translation.y", 2, 5.0))),
        Control(
            ARM,
            parent=HIPS,
            rest_translation=(0.0, 20.0, 0.0),
            channels=(
                _late(_keyed("rotation.z", 3, 25.0, fault, limits), late),
                _late(_keyed("rotation.x", 4, 10.0), late),
            ),
        ),
        Control(
            HAND,
            parent=ARM,
            rest_translation=(30.0, 0.0, 0.0),
            tip=(10.0, 0.0, 0.0),
            channels=(_keyed("rotation.y", 5, 8.0), _keyed("curl@2", 6, 1.0)),
        ),
    )


def camera() -> Camera:
    body = Control("side, front", rest_translation=(0.0, 30.0, 200.0))
    return Camera(body, vertical_angle=40.0, width=1280, height=720, aspect=1280 / 720)


def keyed_shot(
    fault: float = FAULT, limits: Limits | None = None, late: float = 0.0, pins: tuple[Pin, ...] = ()
) -> Shot:
    """The rig with its camera, an accent and pins; `fault` in degrees, `late` in frames."""
    return Shot(
        name="reach for the lid",
        fps=24.0,
        first_frame=0,
        last_frame=96,
        controls=rig(fault, limits, late),
        cameras=(camera(),),
        marks=(Mark("accent", (70.0, 76.0), (HAND,), "the lid: it clangs"),),
        pins=pins,
    )


def write_shot(folder: Path, **options: Any) -> Path:
    """`keyed_shot(**options)` as a shot file."""
    path = folder / "reach.shot.json"
    path.write_bytes(write(keyed_shot(**options), path))
    return path


def write_table(folder: Path, **options: Any) -> Path:
    """The same keys as a table with CRLF line ends, and the rig in its side file."""
    path, shot = folder / "reach.keys.csv", keyed_shot(**options)
    path.write_bytes(write(shot, path).replace(b"\n", b"\r\n"))
    plain = json.loads(write(shot, Path("reach.shot.json")))
    side = {name: plain[name] for name in ("fps", "frames", "cameras", "marks", "pins") if name in plain}
    side["schema"] = "motion-refine/marks/1"
    side["controls"] = [
        {name: value for name, value in control.items() if name != "channels"}
        for control in plain["controls"]
    ]
    (folder / "reach.marks.json").write_text(json.dumps(side))
    return path


def write_bvh(folder: Path, decimals: int = 4, noise: float = 0.6) -> Path:
    """The walk of two joints, noisy around the fault's frames, with an own number of decimals."""
    chance = np.random.default_rng(_ALWAYS)
    at = np.arange(97.0)
    rows = np.stack([CubicSpline(_KEYS, _curve(n, 12.0))(at) for n in range(9)], axis=1)
    rows[30:55, 6:] += chance.normal(0, noise, (25, 3))
    lines = ["\t".join(f"{value:.{decimals}f}" for value in row) for row in rows]
    path = folder / "walk.bvh"
    path.write_bytes("\r\n".join([*_HEADER, *lines, ""]).encode())
    return path


_HEADER = """HIERARCHY
ROOT Hips
{
  OFFSET 0 90 0
  CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
  JOINT ns:Chest.upper
  {
    OFFSET 0 30 0
    CHANNELS 3 Zrotation Xrotation Yrotation
    End Site
    {
      OFFSET 0 20 0
    }
  }
}
MOTION
Frames: 97
Frame Time: 0.0333333""".splitlines()


def quaternion_shot() -> Shot:
    """One control turned by quaternion keys, one of them off; its numbers aren't quite of unit length."""
    values = np.stack([np.zeros_like(_KEYS), np.sin(_KEYS / 60), np.zeros_like(_KEYS), np.cos(_KEYS / 60)], 1)
    slopes = np.stack([CubicSpline(_KEYS, v, bc_type="natural")(_KEYS, 1) for v in values.T], axis=1)
    values[_KEYS == FAULT_FRAME] = (0.1, np.sin(0.7), 0.0, np.cos(0.7))
    values /= np.linalg.norm(values, axis=1, keepdims=True)
    turned = Control(
        "head", tip=(10.0, 10.0, 0.0), channels=(Channel("rotation", keys=make_keys(_KEYS, values, slopes)),)
    )
    return Shot("look back", 24.0, 0, 96, (turned,))


def baked_quaternions() -> Shot:
    """A control turned by quaternion samples with noise in the flagged range."""
    chance = np.random.default_rng(_ALWAYS)
    angle = np.sin(np.arange(97) / 20)
    angle[24:61] += chance.normal(0, 0.01, 37)
    samples = np.stack([np.zeros(97), np.sin(angle), np.zeros(97), np.cos(angle)], axis=1)
    turned = Control("head", tip=(10.0, 10.0, 0.0), channels=(Channel("rotation", samples=frozen(samples)),))
    return Shot("look back", 24.0, 0, 96, (turned,))

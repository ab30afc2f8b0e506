"""Eyes added to clean shots, keyed so that they hold a target with darts between, and looks planted beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.corpus import figure_height, slopes_by
from benchmarks.planted.rotations import Size, Truth
from refine.pose import Point, pose, world_point
from refine.shot import Array, Channel, Control, Gaze, Shot, make_keys

HEAD, EYES = "Head", "eyes"
SPANS = ((20, 80), (110, 200))  # frames of the two gazes at 24 fps
EVERY = 3  # frames between keys of a look
NOISE = 0.3  # deg that a keyed look misses its target by
DART = 3.0  # deg away for a few frames
OFF = {"warn": (3.0, 4.5), "error": (6.5, 12.0)}  # deg


def with_gaze(shot: Shot, seed: int) -> Shot:
    """The shot with eyes in its head that look at two points in turn, small darts included."""
    rng = np.random.default_rng([seed, 79])
    height = figure_height(shot)
    size = 0.05 * height
    eyes = Control(EYES, HEAD, "eyes", rest_translation=(0.0, size, size), order="yxz", tip=(0.0, 0.0, size))
    posed = pose(replace(shot, controls=(*shot.controls, eyes)), shot.frames)
    bare = replace(shot, controls=(*shot.controls, eyes))
    at = bare.index(EYES)
    place, axes = world_point(posed, bare, Point(EYES, eyes.pivot)), posed.linear[at]
    frames, angles, gazes = [0.0], [np.zeros(2)], []
    for first, last in SPANS:
        middle = (first + last) // 2
        ahead = place[middle] + axes[middle] @ (height * np.array([*rng.uniform(-0.6, 0.6, 2), 3.0]))
        gazes.append(Gaze(EYES, (first, last), point=(float(ahead[0]), float(ahead[1]), float(ahead[2]))))
        keyed = np.arange(first - 1, last + 2, EVERY)
        away = int(rng.integers(first + 15, last - 20))
        for f in keyed.tolist():
            local = axes[f].T @ (ahead - place[f])
            dart = DART if away <= f < away + 2 * EVERY else 0.0
            frames.append(float(f))
            angles.append(_angles(local) + rng.normal(0, NOISE, 2) + [dart, 0.0])
    table = np.array(angles)
    channels = tuple(
        Channel(name, make_keys(frames, table[:, i], slopes_by("chord", np.array(frames), table[:, i])))
        for i, name in enumerate(("rotation.y", "rotation.x"))
    )
    return replace(shot, controls=(*shot.controls, replace(eyes, channels=channels)), gazes=tuple(gazes))


def _angles(local: Array) -> Array:
    """Yaw and pitch in degrees that turn +Z onto a direction, for the order yxz."""
    x, y, z = local
    yaw, pitch = np.arctan2(x, z), -np.arctan2(y, np.hypot(x, z))
    return np.asarray(np.rad2deg(np.array([yaw, pitch])), float)


def plant(shot: Shot, seed: int, size: Size) -> tuple[Shot, Truth]:
    """A shot of `with_gaze` with the keys of one look turned past the target, its darts with them."""
    rng = np.random.default_rng([seed, 80, ("warn", "error").index(size)])
    first, last = SPANS[int(rng.integers(2))]
    amount, turn = rng.uniform(*OFF[size]), rng.uniform(0, 2 * np.pi)
    eyes = shot.controls[shot.index(EYES)]
    for channel, part in zip(eyes.channels, (np.cos(turn), np.sin(turn)), strict=True):
        assert channel.keys is not None
        inside = (channel.keys.frames >= first) & (channel.keys.frames <= last)
        values = channel.keys.values + np.where(inside, amount * part, 0.0)[:, None]
        shot = shot.with_channel(EYES, replace(channel, keys=channel.keys.changed(values=values)))
    return shot, Truth("gaze off target", EYES, None, (), size)

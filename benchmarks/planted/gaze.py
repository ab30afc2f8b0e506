"""Eyes added to clean shots, keyed so that they hold a target with darts between, and looks planted beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.corpus import figure_height, slopes_by
from benchmarks.planted.bases import keyed
from benchmarks.planted.planted import CATALOGUE, Planted, Size, Truth, rng_of, sized
from refine.pose import Point, pose, world_point
from refine.shot import Array, Channel, Control, Gaze, Shot, make_keys

HEAD, EYES = "Head", "eyes"
SPANS = ((20, 80), (110, 200))  # frames of the two gazes at 24 fps
EVERY = 3  # frames between keys of a look
NOISE = 0.3  # deg that a keyed look misses its target by
DART = 3.0  # deg away for a few frames
OFF, APART = "gaze off target", "eyes diverge"
PAIR = ("eye.L", "eye.R")
BESIDE = 0.018  # of the figure's height from the middle of the face to an eye


def with_gaze(shot: Shot, seed: int) -> Shot:
    """The shot with eyes in its head that look at two points in turn, small darts included."""
    return _with_eyes(shot, seed, {EYES: 0.0}, "eyes")


def looking(clip: str, seed: int) -> Shot:
    return with_gaze(keyed(clip, seed), seed)


def with_two_eyes(clip: str, seed: int) -> Shot:
    """A keyed shot with two eyes, each of which looks at the targets from where it is."""
    return _with_eyes(keyed(clip, seed), seed, {PAIR[0]: BESIDE, PAIR[1]: -BESIDE}, "eye")


def _with_eyes(shot: Shot, seed: int, aside: dict[str, float], part: str) -> Shot:
    rng = np.random.default_rng([seed, 79])
    height = figure_height(shot)
    size = 0.05 * height
    eyes = [
        Control(n, HEAD, part, rest_translation=(x * height, size, size), order="yxz", tip=(0.0, 0.0, size))
        for n, x in aside.items()
    ]
    bare = replace(shot, controls=(*shot.controls, *eyes))
    posed = pose(bare, shot.frames)
    axes = posed.linear[bare.index(eyes[0].name)]
    places = [world_point(posed, bare, Point(eye.name, eye.pivot)) for eye in eyes]
    frames, angles, gazes = [0.0], [np.zeros((len(eyes), 2))], []
    for first, last in SPANS:
        middle = (first + last) // 2
        ahead = places[0][middle] + axes[middle] @ (height * np.array([*rng.uniform(-0.6, 0.6, 2), 3.0]))
        gazes += [
            Gaze(e.name, (first, last), point=(float(ahead[0]), float(ahead[1]), float(ahead[2])))
            for e in eyes
        ]
        away = int(rng.integers(first + 15, last - 20))
        for f in np.arange(first - 1, last + 2, EVERY).tolist():
            local = np.array([_angles(axes[f].T @ (ahead - place[f])) for place in places])
            dart = DART if away <= f < away + 2 * EVERY else 0.0
            frames.append(float(f))
            angles.append(local + rng.normal(0, NOISE, 2) + [dart, 0.0])
    table = np.array(angles)
    looks = tuple(replace(eye, channels=_looking(frames, table[:, i])) for i, eye in enumerate(eyes))
    return replace(shot, controls=(*shot.controls, *looks), gazes=tuple(gazes))


def _looking(frames: list[float], table: Array) -> tuple[Channel, ...]:
    return tuple(
        Channel(name, make_keys(frames, table[:, i], slopes_by("chord", np.array(frames), table[:, i])))
        for i, name in enumerate(("rotation.y", "rotation.x"))
    )


def _angles(local: Array) -> Array:
    """Yaw and pitch in degrees that turn +Z onto a direction, for the order yxz."""
    x, y, z = local
    yaw, pitch = np.arctan2(x, z), -np.arctan2(y, np.hypot(x, z))
    return np.asarray(np.rad2deg(np.array([yaw, pitch])), float)


def plant(shot: Shot, seed: int, size: Size) -> Planted:
    """A shot of `with_gaze` with the keys of one look turned past the target, its darts with them."""
    rng, wanted = rng_of(seed, OFF, size), CATALOGUE[OFF].of(size)
    first, last = SPANS[int(rng.integers(2))]
    turn = rng.uniform(0, 2 * np.pi)
    truth = Truth((OFF,), (EYES,), (), (first, last), wanted)
    found = sized(
        lambda x: _turned(shot, EYES, (first, last), x * np.cos(turn), x * np.sin(turn)),
        lambda s: measure(s, shot, truth),
        wanted,
        wanted,
    )
    return None if found is None else (found, truth)


def _turned(shot: Shot, name: str, span: tuple[int, int], yaw: float, pitch: float) -> Shot:
    """Keys of an eye in a range turned, its darts with them."""
    for channel, by in zip(shot.control(name).channels, (yaw, pitch), strict=True):
        assert channel.keys is not None
        inside = (channel.keys.frames >= span[0]) & (channel.keys.frames <= span[1])
        values = channel.keys.values + np.where(inside, by, 0.0)[:, None]
        shot = shot.with_channel(name, replace(channel, keys=channel.keys.changed(values=values)))
    return shot


def _looks(shot: Shot, name: str, span: tuple[int, int]) -> tuple[Array, Array]:
    """(n, 3) unit directions from an eye's pivot to its tip and to the target, on the inner frames of a range."""
    frames = np.arange(span[0] + 3, span[1] - 2.0)
    posed, eye = pose(shot, frames), shot.control(name)
    place = world_point(posed, shot, Point(name, eye.pivot))
    ahead = world_point(posed, shot, Point(name, eye.tip or eye.pivot)) - place
    gaze = next(g for g in shot.gazes if g.frames[0] == span[0])
    target = np.array(gaze.point) - place
    return _unit(ahead), _unit(target)


def _unit(vectors: Array) -> Array:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def measure(shot: Shot, clean: Shot, truth: Truth) -> float:
    """deg between the look and the target, median over the fixation: darts are a few frames."""
    ahead, target = _looks(shot, truth.control, truth.frames)
    return float(np.median(np.rad2deg(np.arccos(np.clip(np.sum(ahead * target, axis=1), -1, 1)))))


def plant_apart(shot: Shot, seed: int, size: Size) -> Planted:
    """A shot of `with_two_eyes` with one of them turned outward for one look."""
    rng, wanted = rng_of(seed, APART, size), CATALOGUE[APART].of(size)
    first, last = SPANS[int(rng.integers(2))]
    name, sign = (PAIR[0], 1.0) if rng.random() < 0.5 else (PAIR[1], -1.0)
    truth = Truth((APART,), PAIR, (), (first, last), wanted)
    found = sized(
        lambda x: _turned(shot, name, (first, last), sign * x, 0.0),
        lambda s: measure_apart(s, shot, truth),
        wanted,
        wanted,
    )
    return None if found is None else (found, truth)


def measure_apart(shot: Shot, clean: Shot, truth: Truth) -> float:
    """deg that the eyes' axes open beyond what the target asks for, median over the fixation."""
    left, right = (_looks(shot, name, truth.frames) for name in PAIR)
    angles = [
        np.rad2deg(np.arccos(np.clip(np.sum(a * b, axis=1), -1, 1))) for a, b in zip(left, right, strict=True)
    ]
    return abs(float(np.median(np.where(_diverges(shot, truth), angles[0], -angles[0]) + angles[1])))


def _diverges(shot: Shot, truth: Truth) -> Array:
    """(n,) whether the axes part in front of the eyes."""
    frames = np.arange(truth.frames[0] + 3, truth.frames[1] - 2.0)
    posed = pose(shot, frames)
    ends = [[shot.control(n).pivot, shot.control(n).tip or (0, 0, 0)] for n in PAIR]
    places = [
        [world_point(posed, shot, Point(n, p)) for p in pair] for n, pair in zip(PAIR, ends, strict=True)
    ]
    near, far = (np.linalg.norm(places[0][i] - places[1][i], axis=1) for i in (0, 1))
    return np.asarray(far > near)

"""Keyed shots made from open captured clips, whose truth is known.

A captured clip has noise of its own, so it can't be the truth. Here it lends its motion: keys are set on it
as an animator sets them (irregularly, on the extremes), their slopes follow a stated habit, and the curve
through them *is* the clean shot. All of it follows from the clip and the seed. `faults` spoils such shots.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import atan2, radians, tan
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_data import open_clip
from refine.formats import bvh
from refine.pose import Pose, pose
from refine.shot import ROTATIONS, Array, Camera, Channel, Control, Keys, Shot, frozen, make_keys
from refine.view import project, view

Habit = Literal["natural", "chord", "flat", "mixed", "mixed_keys"]
Rule = Literal["natural", "chord", "flat"]

HABITS: tuple[Habit, ...] = get_args(Habit)
RULES: tuple[Rule, ...] = get_args(Rule)

GAPS = (3, 14)  # frames between neighbouring keys
PASS_BAND = 0.7  # of the new rate's half: the motion kept when a clip is resampled
MOVING_JOINTS = 20
GIMBAL_STEP = 60.0  # deg in a frame
STATIC_RANGE = 0.5  # deg, or % of the figure's height: a channel that moves less keeps one key
FIGURE_SHARE = 0.6  # of the frame's height
MAIN_RULE_SHARE = 0.7  # keys that follow the main rule in `mixed_keys`


# --- the clip, resampled -------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def captured(clip: str) -> Shot:
    """The clip as read, a sample for each frame."""
    path = open_clip(clip)
    return bvh.read(path.read_bytes(), path.name)


def resampled(samples: Array, fps: float, new_fps: float) -> Array:
    """(N,) at fps -> (M,) at new_fps, zero-phase low-pass below the new rate's half, then a cubic spline."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import butter, sosfiltfilt

    low_pass = butter(6, PASS_BAND * new_fps / 2, fs=fps, output="sos")
    count = int((len(samples) - 1) * new_fps / fps + 1e-6) + 1
    spline = CubicSpline(np.arange(len(samples)) / fps, sosfiltfilt(low_pass, samples))
    return np.asarray(spline(np.arange(count) / new_fps))


def continuous(control: Control) -> dict[str, Array]:
    """The (N,) samples of each channel, Euler angles without jumps: an animator keys no flipped angles.

    (a, b, c) and (a + 180, 180 - b, c + 180) are the same rotation for three different axes. The frame after
    is taken in the one of the two that lies nearer, then whole turns are undone.
    """
    values = {ch.name: ch.samples[:, 0] for ch in control.channels if ch.samples is not None}
    names = [f"rotation.{axis}" for axis in control.order]
    if all(name in values for name in names) and len(set(names)) == 3:
        angles = np.column_stack([values[name] for name in names])
        other = angles * [1.0, -1.0, 1.0] + 180.0
        stay, flip = (np.abs(_turned(b[1:] - angles[:-1])).sum(axis=1) for b in (angles, other))
        odd = np.concatenate([[0], np.cumsum(flip < stay)]) % 2 == 1
        values.update(zip(names, np.where(odd[:, None], other, angles).T, strict=True))
    return {n: np.unwrap(v, period=360.0) if n in ROTATIONS else v for n, v in values.items()}


def _baked(name: str, values: Array) -> Channel:
    return Channel(name, samples=np.asarray(frozen(values[:, None]), float))


def _turned(degrees: Array) -> Array:
    """Differences of angles brought into [-180, 180)."""
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


@lru_cache(maxsize=8)
def clip_at(clip: str, fps: float) -> Shot:
    """The whole clip at `fps`, baked. The first sample is left out: some clips begin with a rest pose."""
    shot = captured(clip)

    def slower(control: Control) -> Control:
        smooth = continuous(control)
        kept = [(ch.name, resampled(smooth[ch.name][1:], shot.fps, fps)) for ch in control.channels]
        return replace(control, channels=tuple(_baked(n, v) for n, v in kept))

    controls = tuple(map(slower, shot.controls))
    count = max(len(ch.samples) for c in controls for ch in c.channels if ch.samples is not None)
    return replace(shot, fps=fps, first_frame=0, last_frame=count - 1, controls=controls)


# --- keys ----------------------------------------------------------------------------------------------


def key_frames(samples: Array, rng: np.random.Generator) -> NDArray[np.intp]:
    """Key frames for the (N, C) samples of a control: first and last, irregular gaps, extremes preferred."""
    last = len(samples) - 1
    wanted = 1.0 + 12.0 * _turning(samples)
    frames = [0]
    while frames[-1] < last:
        at = np.arange(frames[-1] + GAPS[0], min(frames[-1] + GAPS[1], last) + 1)
        at = at[(last - at >= GAPS[0]) | (at == last)]
        # Without an extreme in reach the gap is about 6 frames, the usual density of a splined shot.
        weight = wanted[at] * np.exp(-0.5 * ((at - frames[-1] - 6.0) / 4.0) ** 2)
        frames.append(int(rng.choice(at, p=weight / weight.sum())))
    return np.array(frames, np.intp)


def _turning(samples: Array) -> Array:
    """(N,) how strongly the motion turns at each frame: extremes of each channel, 1 for a range-wide one."""
    score = np.zeros(len(samples))
    for values in samples.T:
        span = np.ptp(values)
        if span == 0:
            continue
        step = np.diff(values)
        turns = np.flatnonzero(step[1:] * step[:-1] < 0) + 1
        bounds = np.concatenate([[0], turns, [len(values) - 1]])
        swing = np.abs(np.diff(values[bounds])) / span
        score[turns] += np.minimum(swing[:-1], swing[1:])
    return np.minimum(score, 1.0)


def slopes_by(rule: Rule, frames: Array, values: Array) -> Array:
    """(K,) slopes per frame that a rule gives to keys.

    natural: those of the natural cubic spline. chord: (v[k+1] - v[k-1]) / (f[k+1] - f[k-1]), one-sided at the
    ends. flat: 0 where the key's value is a local extreme of the key values, chord elsewhere.
    """
    if rule == "natural":
        from scipy.interpolate import CubicSpline

        return np.asarray(CubicSpline(frames, values, bc_type="natural")(frames, 1))
    k = np.arange(len(frames))
    before, after = np.maximum(k - 1, 0), np.minimum(k + 1, len(frames) - 1)
    slopes = np.asarray((values[after] - values[before]) / (frames[after] - frames[before]))
    if rule == "flat":
        step = np.diff(values)
        slopes[1:-1][step[1:] * step[:-1] <= 0] = 0.0
    return slopes


def rules_of(keys: Keys) -> tuple[Rule, ...]:
    """The rule that each key's slope follows: the channel's main one where it fits, else the nearest."""
    frames, values = keys.frames, keys.values[:, 0]
    miss = np.array([np.abs(slopes_by(rule, frames, values) - keys.incoming[:, 0]) for rule in RULES])
    fits = miss <= 1e-9 * (1.0 + np.abs(keys.incoming[:, 0]))
    main = int(np.argmax(fits.sum(axis=1)))
    return tuple(RULES[main if fits[main, k] else int(np.argmin(miss[:, k]))] for k in range(len(keys)))


def _drawn_rules(habit: Habit, count: int, shot_rule: Rule, rng: np.random.Generator) -> list[Rule]:
    if habit == "mixed":
        return [RULES[rng.integers(3)]] * count
    if habit == "mixed_keys":
        others = [rule for rule in RULES if rule != shot_rule]
        main = rng.random(count) < MAIN_RULE_SHARE
        return [shot_rule if m else others[rng.integers(2)] for m in main]
    return [habit] * count


def _keyed(frames: Array, values: Array, rules: list[Rule], scale: Array) -> Keys:
    by_rule = {rule: slopes_by(rule, frames, values) for rule in set(rules)}
    slopes = np.array([by_rule[rule][k] for k, rule in enumerate(rules)]) * scale
    return make_keys(frames, values, slopes)


# --- the clean shot ------------------------------------------------------------------------------------


def keyed_shot(
    clip: str,
    seed: int,
    habit: Habit,
    fps: float = 24.0,
    start: int | None = None,
    frames: int = 240,
    handmade: float = 0.0,
) -> Shot:
    """A clean keyed shot of `frames` frames from 0, from `start` (drawn if None) of the clip at `fps`.

    The same seed gives the same window, key frames and values whatever the habit. `mixed`: each channel draws
    one rule. `mixed_keys`: each key follows the shot's drawn main rule with 70 %, else one of the others.
    `handmade` is the share of keys whose slope is scaled by 0.8 to 1.2, as an artist's own adjustment. A rule
    reads channels in the clip's own length unit; nothing is rescaled.
    """
    whole = clip_at(clip, fps)
    rng = np.random.default_rng([seed, 0])
    room = whole.last_frame + 1 - frames
    if room < 0:
        raise ValueError(f"{clip} has {whole.last_frame + 1} frames at {fps:g} fps, fewer than {frames}")
    first = int(rng.integers(room + 1)) if start is None else start
    window = _window(whole, first, frames)
    shot_rule = RULES[rng.integers(3)]
    moving = _moving_controls(window)
    height = figure_height(window)
    controls = tuple(
        _keyed_control(c, c.name in moving, height, habit, shot_rule, handmade, (seed, 1 + i))
        for i, c in enumerate(window.controls)
    )
    shot = replace(window, name=f"{clip} {habit} {seed}", controls=controls)
    return replace(shot, cameras=(_camera(shot),))


def _window(whole: Shot, first: int, frames: int) -> Shot:
    def cut(channel: Channel) -> Channel:
        assert channel.samples is not None
        return _baked(channel.name, channel.samples[first : first + frames, 0])

    controls = tuple(replace(c, channels=tuple(map(cut, c.channels))) for c in whole.controls)
    return replace(whole, first_frame=0, last_frame=frames - 1, controls=controls)


def _moving_controls(window: Shot) -> set[str]:
    """Names of the controls that turn most, and those with translations.

    A joint whose Euler angles race past gimbal lock in the window stays still: no artist keys that.
    """
    span = {}
    for control in window.controls:
        turns = [ch.samples for ch in control.channels if ch.name in ROTATIONS and ch.samples is not None]
        if turns and max(np.abs(np.diff(t[:, 0])).max() for t in turns) < GIMBAL_STEP:
            span[control.name] = sum(float(np.ptp(t)) for t in turns)
    ranked = sorted(span, key=lambda name: -span[name])
    return set(ranked[:MOVING_JOINTS]) | {c.name for c in window.controls if len(c.channels) > 3}


def _keyed_control(
    control: Control,
    moves: bool,
    height: float,
    habit: Habit,
    shot_rule: Rule,
    handmade: float,
    seed: tuple[int, int],
) -> Control:
    """The control with keys for samples; keys, rules and adjustments draw from streams of their own."""
    if not control.channels:
        return control
    timing, ruling, hand = (np.random.default_rng([*seed, stream]) for stream in range(3))
    samples: Array = np.column_stack([ch.samples for ch in control.channels if ch.samples is not None])
    least = [STATIC_RANGE * channel_unit(channel, height) for channel in control.channels]
    lives = (np.ptp(samples, axis=0) >= least) & moves
    at = key_frames(samples[:, lives], timing)
    channels = []
    for channel, values, live in zip(control.channels, samples.T, lives, strict=True):
        rules = _drawn_rules(habit, len(at), shot_rule, ruling)
        scale = np.where(hand.random(len(at)) < handmade, hand.uniform(0.8, 1.2, len(at)), 1.0)
        still = make_keys([0.0], [np.mean(values)], [0.0])
        keys = _keyed(at.astype(float), values[at], rules, scale) if live else still
        channels.append(Channel(channel.name, keys))
    return replace(control, channels=tuple(channels))


def channel_unit(channel: Channel, height: float) -> float:
    """What a degree is worth in a channel's unit: 1 for rotations, 1 % of the figure's height for lengths."""
    return 1.0 if channel.name in ROTATIONS else height / 100.0


# --- points and the screen -----------------------------------------------------------------------------


def figure_points(shot: Shot, posed: Pose) -> Array:
    """(P, N, 3) world positions of all pivots and tips, in control order, shot units."""
    points = []
    for i, control in enumerate(shot.controls):
        for local in (control.pivot,) if control.tip is None else (control.pivot, control.tip):
            points.append(posed.linear[i] @ np.array(local) + posed.origin[i])
    return np.stack(points)


def figure_height(shot: Shot) -> float:
    """The figure's vertical extent, median over the shot, in shot units."""
    up = figure_points(shot, pose(shot, shot.frames[::8]))[:, :, 1]
    return float(np.median(np.ptp(up, axis=0)))


def _camera(shot: Shot) -> Camera:
    """A static camera, level, square to the figure's travel, the figure at 60 % of the frame or less."""
    points = figure_points(shot, pose(shot, shot.frames[::4]))
    centre = (points.min(axis=(0, 1)) + points.max(axis=(0, 1))) / 2
    ground = points[0][:, [0, 2]] - points[0][:, [0, 2]].mean(axis=0)
    across = np.linalg.svd(ground, full_matrices=False)[2][0]  # main direction of travel
    yaw = atan2(-across[1], across[0])  # the camera's +X lies along the travel
    width, height, angle = 1920, 1080, 30.0
    towards = np.array([np.sin(yaw), 0.0, np.cos(yaw)])
    offset = points - centre
    near, sideways = offset @ towards, np.abs(offset[..., [0, 2]] @ across)
    half = tan(radians(angle / 2))
    whole = 1.03 * np.maximum(sideways * height / width, np.abs(offset[..., 1])) / half
    # Nothing may leave the frame, so a figure that travels far is smaller.
    back = max(figure_height(shot) / FIGURE_SHARE / (2 * half), float((near + whole).max()))
    place = centre + back * towards
    turn = (0.0, float(np.sin(yaw / 2)), 0.0, float(np.cos(yaw / 2)))
    control = Control("shot camera", rest_translation=(place[0], place[1], place[2]), rest_rotation=turn)
    return Camera(control, angle, width, height, width / height)


def screen_points(shot: Shot, frames: Array) -> Array:
    """(P, N, 2) pixels of `figure_points` in the shot's first camera."""
    posed = pose(shot, frames)
    return project(view(shot, posed), figure_points(shot, posed))


def screen_move(one: Shot, other: Shot, frames: Array) -> float:
    """Largest distance in px between the same point of two shots over the frames."""
    apart = screen_points(one, frames) - screen_points(other, frames)
    return float(np.linalg.norm(apart, axis=-1).max())

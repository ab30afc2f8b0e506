"""Faults that last: a channel that trembles, samples that stop coming, a figure that freezes."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Literal

import numpy as np

from benchmarks.corpus import keyed_shot, screen_points, slopes_by
from benchmarks.planted.planted import (
    CATALOGUE,
    NEAR,
    Planted,
    Size,
    Truth,
    drawn,
    path,
    rng_of,
    seen,
    shown_at,
    shows_well,
    sized,
    sized_to,
    with_shape,
)
from refine.curve import evaluate
from refine.shot import Channel, Keys, Shot, frozen, make_keys

HZ = 6.0
LASTS = 2.0  # seconds that jitter lasts
EDGE = 18  # frames from the ends: no filter knows what is above 6 Hz there
QUIET = 0.6  # of the warning, that the sound path may tremble by at most
JUMP = 4.0  # px, under which nobody would see the end of a dropout
SIGMAS = 4.0
HOLD = 24  # frames
HOLDS = (70, 150)  # about where the two holds of a keyed shot begin
DRIFT = 4.0  # px that a living hold drifts over its length
THIRD = 8  # frames of a third of a second
EVERY = 4  # frames between the keys of a hold


# --- jitter ------------------------------------------------------------------------------------------------


def jitter(shot: Shot, seed: int, size: Size) -> Planted:
    """Normal noise on one channel for two seconds, where the motion is calm above 6 Hz."""
    rng, wanted = rng_of(seed, "jitter", size), CATALOGUE["jitter"].of(size)
    count = round(LASTS * shot.fps)
    for control, channel, first in drawn(shot, rng, keyed=False):
        if first < shot.first_frame + EDGE or first + count > shot.last_frame - EDGE:
            continue
        point, pixels = shown_at(shot, control.name, channel.name, first + count / 2)
        frames = np.arange(first, first + count + 0.0)
        if (
            point is None
            or not shows_well(shot, control.name, channel.name, pixels)
            or not seen(shot, point, frames)
        ):
            continue
        span = first, first + count - 1
        truth = Truth(("jitter",), (control.name,), (channel.name,), span, wanted, point=point)
        if measure_jitter(shot, shot, truth) > QUIET * CATALOGUE["jitter"].warn:
            continue
        noise = rng.normal(0, 1, count)
        done = sized_to(
            partial(with_shape, shot, control.name, channel, first, noise),
            measure_jitter,
            shot,
            truth,
            pixels,
        )
        if done is not None:
            return done
    return None


def measure_jitter(shot: Shot, clean: Shot, truth: Truth) -> float:
    """RMS above 6 Hz over the planted range, px, of a fourth-order filter run both ways."""
    from scipy.signal import butter, sosfiltfilt

    assert truth.point is not None
    a, b = truth.frames
    every = path(shot, truth.point, np.arange(a - EDGE, b + EDGE + 1.0))
    high = sosfiltfilt(butter(4, HZ, "highpass", fs=shot.fps, output="sos"), every, axis=0)[EDGE:-EDGE]
    return float(np.sqrt(np.mean(np.sum(high**2, axis=1))))


# --- dropout -----------------------------------------------------------------------------------------------


def dropout(shot: Shot, seed: int, size: Size) -> Planted:
    """All channels of a control repeat a sample in the middle of a move, then go on where they would be."""
    rng, scale = rng_of(seed, "dropout", size), CATALOGUE["dropout"]
    count = int(np.ceil(scale.of(size)))  # equal samples, the first of them sound
    for control, channel, first in drawn(shot, rng, keyed=False):
        if first + count > shot.last_frame - NEAR:
            continue
        point, pixels = shown_at(shot, control.name, channel.name, first)
        if point is None or not shows_well(shot, control.name, channel.name, pixels):
            continue
        found, n = shot, first - shot.first_frame
        for each in control.channels:
            assert each.samples is not None
            samples = each.samples.copy()
            samples[n : n + count] = samples[n]
            found = found.with_channel(control.name, replace(each, samples=frozen(samples)))
        end = np.array([first + count - 1.0, first + count])
        jump = float(np.linalg.norm(np.diff(path(found, point, end), axis=0)))
        steps = np.linalg.norm(
            np.diff(path(shot, point, np.arange(first - 6.0, first + count + 6)), axis=0), axis=1
        )
        sigma = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
        if jump < JUMP or jump - np.median(steps) < SIGMAS * sigma:
            continue
        span = first + 1, first + count - 1
        channels = tuple(each.name for each in control.channels)
        return found, Truth(("dropout",), (control.name,), channels, span, float(count), point=point)
    return None


def measure_dropout(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Equal samples in a row around the planted place."""
    rows = [shot.channel(truth.control, name).samples for name in truth.channels]
    values = np.column_stack([row for row in rows if row is not None])
    a, b = (frame - shot.first_frame for frame in truth.frames)
    same = np.all(np.diff(values[a - 2 : b + 3], axis=0) == 0, axis=1)
    longest = run = 0
    for each in same:
        run = run + 1 if each else 0
        longest = max(longest, run)
    return float(longest + 1) if longest else 0.0


# --- frozen hold -------------------------------------------------------------------------------------------


def frozen_baked(shot: Shot, seed: int, size: Size) -> Planted:
    """All of it stopped for a second where it is slowest, but for a drift of the size; then it goes on from there."""
    wanted = CATALOGUE["frozen hold"].of(size)
    steps = np.linalg.norm(np.diff(screen_points(shot, shot.frames), axis=1), axis=2).max(axis=0)
    room = np.convolve(steps, np.ones(HOLD), "valid")[NEAR:-NEAR]
    at = NEAR + int(np.argsort(room)[seed % 3 * HOLD])
    root = next(c.name for c in shot.controls if c.parent is None)
    truth = Truth(
        ("frozen hold",), (root,), (), (at + shot.first_frame, at + shot.first_frame + HOLD - 1), wanted
    )
    found = sized(partial(_stopped, shot, at), partial(measure_frozen, clean=shot, truth=truth), wanted, 0.01)
    return None if found is None else (found, truth)


def _stopped(shot: Shot, n: int, share: float) -> Shot:
    """The shot slowed down to a share of its speed for the frames of a hold."""

    def held(channel: Channel) -> Channel:
        assert channel.samples is not None
        steps = np.diff(channel.samples, axis=0)
        steps[n : n + HOLD - 1] *= share
        return replace(
            channel, samples=frozen(np.cumsum(np.concatenate([channel.samples[:1], steps]), axis=0))
        )

    controls = tuple(replace(c, channels=tuple(map(held, c.channels))) for c in shot.controls)
    return replace(shot, controls=controls)


def measure_frozen(shot: Shot, clean: Shot, truth: Truth) -> float:
    """px that the farthest point drifts in the stillest third of a second of the hold: its path, summed."""
    frames = np.arange(truth.frames[0], truth.frames[1] + 1.0)
    steps = np.linalg.norm(np.diff(screen_points(shot, frames), axis=1), axis=2)
    return float(np.lib.stride_tricks.sliding_window_view(steps.max(axis=0), THIRD + 1).sum(axis=1).min())


def living(clip: str, seed: int) -> Shot:
    """A keyed shot with two holds of a second, in each of which all goes on by a few px, slowing down.

    All slopes are chords, in every second shot flat at extremes: what the natural spline makes of a hold isn't still.
    """
    shot = keyed_shot(clip, seed, _rule(seed))
    for first in HOLDS:
        start = first + seed % 7
        least = sized(
            partial(_hold, shot, seed, start),
            partial(_drift, first=start),
            DRIFT,
            0.05,
        )
        shot = shot if least is None else least
    return shot


def _rule(seed: int) -> Literal["chord", "flat"]:
    return "flat" if seed % 2 else "chord"


def _drift(shot: Shot, first: int) -> float:
    ends = screen_points(shot, np.array([float(first), float(first + HOLD)]))
    return float(np.linalg.norm(np.diff(ends, axis=1), axis=2).max())


def _hold(shot: Shot, seed: int, first: int, share: float) -> Shot:
    """Each channel held from a frame on for a second, but for a share of where it would go; keys between left out."""

    def held(channel: Channel) -> Channel:
        if channel.keys is None or len(channel.keys) < 4:
            return channel
        return replace(channel, keys=_held(channel.keys, float(first), share, _rule(seed)))

    return replace(
        shot, controls=tuple(replace(c, channels=tuple(map(held, c.channels))) for c in shot.controls)
    )


def _held(keys: Keys, first: float, share: float, rule: Literal["chord", "flat"]) -> Keys:
    """Keys every few frames of the hold, their values slowing down; those that stood there left out."""
    at = np.arange(first, first + HOLD + 1, EVERY)
    now, then = evaluate(keys, at[[0, -1]])[:, 0]
    slowing = 1 - (1 - (at - first) / HOLD) ** 2
    left, right = keys.frames < first - 2, keys.frames > first + HOLD + 2
    frames = np.concatenate([keys.frames[left], at, keys.frames[right]])
    values = np.concatenate(
        [keys.values[left, 0], now + share * (then - now) * slowing, keys.values[right, 0]]
    )
    return make_keys(frames, values, slopes_by(rule, frames, values))


def frozen_keyed(shot: Shot, seed: int, size: Size) -> Planted:
    """One of the two living holds of `living` without its life, but for the size."""
    wanted = CATALOGUE["frozen hold"].of(size)
    first = HOLDS[seed % 2] + seed % 7
    root = next(c.name for c in shot.controls if c.parent is None)
    truth = Truth(("frozen hold",), (root,), (), (first, first + HOLD), wanted)
    found = sized(
        partial(_hold, shot, seed, first), partial(measure_frozen, clean=shot, truth=truth), wanted, 0.05
    )
    return None if found is None else (found, truth)

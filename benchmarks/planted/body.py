"""Faults of weight planted in clean keyed shots, and how many of them are found and mended.

    python -m benchmarks.planted.body

A clean shot is `corpus.keyed_shot`. A hold is laid into one heavy control from a key on, keys every few frames; then
the control arrives there at the full speed of its last segment (dead stop), or comes from beyond (too much overshoot).
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmarks.corpus import HABITS, captured, clip_at, keyed_shot, screen_points
from refine.body.arrival import Track, tracks
from refine.body.masses import Body
from refine.flags import body as family
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.shot import ROTATIONS, Array, Channel, Control, Shot, frozen, make_keys

Kind = Literal["dead stop", "too much overshoot"]
Size = Literal["warn", "error"]
HOLD = 1.0  # s
GAP = 1 / 6  # s between the keys of the hold
PIXELS = {"warn": (1.5, 3.5), "error": (6.0, 40.0)}  # of the overshoot that is missing
TIMES = {"warn": 2.5, "error": 4.5}  # the upper bound, that an overshoot takes
DRAWS = 300


@dataclass(frozen=True)
class Truth:
    fault: Kind
    control: str
    frame: int  # the arrival, or the peak


def plant(shot: Shot, seed: int, size: Size, kind: Kind = "dead stop") -> tuple[Shot, Truth]:
    """The shot with one fault, and the truth. ValueError where no place shows it."""
    rng = np.random.default_rng([seed, 77, len(size), len(kind)])
    body = Body(shot)
    heavy = [t for t in tracks(shot, shot.frames, _heavy(body)) if t.kind == "rotation"]
    for _ in range(DRAWS):
        track = heavy[rng.integers(len(heavy))]
        control = shot.controls[shot.index(track.control)]
        found = _held(shot, control, track, rng)
        if found is None:
            continue
        holding, arrival, before = found
        faulty = _stopped(holding, control, arrival, before)
        if kind == "too much overshoot":
            swung = _swung(faulty, body, control, arrival, TIMES[size], arrival - before)
            if swung is not None:
                return swung, Truth(kind, control.name, arrival)
        elif PIXELS[size][0] <= _missing(faulty, body, control.name, arrival) <= PIXELS[size][1]:
            return faulty, Truth(kind, control.name, arrival)
    raise ValueError(f"{shot.name}: no place for a {kind}")


def _heavy(body: Body) -> set[str]:
    return {n for n, m in body.carried.items() if m >= 0.05 and body.response(n) is not None}


def _held(
    shot: Shot, control: Control, track: Track, rng: np.random.Generator
) -> tuple[Shot, int, int] | None:
    """The shot with a hold from a key of the control on; that key's frame, and the one of the key before."""
    keys = next(ch.keys for ch in control.channels if ch.name == track.channels[0])
    assert keys is not None
    k = int(rng.integers(2, len(keys) - 2))
    before, arrival = int(keys.frames[k - 2]), int(keys.frames[k])
    last = arrival + round(HOLD * shot.fps)
    if not 5 <= arrival - before <= 18 or last + 6 > shot.last_frame:
        return None
    for name in track.channels:
        channel = control.channel(name)
        assert channel is not None
        shot = shot.with_channel(control.name, _with_hold(channel, arrival, last, round(GAP * shot.fps)))
    return shot, arrival, before


def _with_hold(channel: Channel, first: int, last: int, step: int) -> Channel:
    """The channel standing on its value from a key to a frame, flat keys every few frames, nothing else changed."""
    keys = channel.keys
    assert keys is not None
    k = keys.index(first)
    assert k is not None
    left, right = keys.frames <= first, keys.frames > last + step
    held = np.arange(first + step, last + 1.0, step)
    value, flat = keys.values[k, 0], np.zeros(len(held))
    slopes = keys.outgoing[:, 0].copy()
    slopes[k] = 0.0
    return replace(
        channel,
        keys=make_keys(
            np.concatenate([keys.frames[left], held, keys.frames[right]]),
            np.concatenate([keys.values[left, 0], flat + value, keys.values[right, 0]]),
            np.concatenate([slopes[left], flat, slopes[right]]),
        ),
    )


def _stopped(shot: Shot, control: Control, arrival: int, before: int) -> Shot:
    """The last two segments before the hold straight: their slopes are the chord's, and break at the arrival."""
    for channel in shot.controls[shot.index(control.name)].channels:
        if channel.name in ROTATIONS and channel.keys is not None and channel.keys.index(arrival) is not None:
            keys = channel.keys
            k, j = keys.index(arrival), keys.index(before)
            assert k is not None
            assert j is not None
            chord = (keys.values[k] - keys.values[j]) / (arrival - before)
            values, corner = keys.values.copy(), keys.corner.copy()
            into, out = keys.incoming.copy(), keys.outgoing.copy()
            into[j : k + 1], out[j:k], corner[k] = chord, chord, True
            values[j : k + 1] = values[j] + chord * (keys.frames[j : k + 1, None] - before)
            changed = replace(
                keys.changed(values=values, incoming=into, outgoing=out), corner=frozen(corner, np.bool_)
            )
            shot = shot.with_channel(control.name, replace(channel, keys=changed))
    return shot


def _speed(shot: Shot, name: str, arrival: int) -> tuple[Array, str]:
    """Change of the rotation in the frame before, deg, and the channel that changes most."""
    track = next(t for t in tracks(shot, shot.frames, {name}) if t.kind == "rotation")
    step = track.values[arrival] - track.values[arrival - 1]
    return step, track.channels[int(np.argmax(np.abs(step)))]


def _missing(shot: Shot, body: Body, name: str, arrival: int) -> float:
    """px by which the tip of the figure moves if the control goes on by its delta: by posing it, not by a formula."""
    step, _ = _speed(shot, name, arrival)
    response = body.response(name)
    assert response is not None
    share = response.overshoot(shot.fps)  # of the step, in the same unit
    control = shot.controls[shot.index(name)]
    moved = shot
    names = [n for n in ROTATIONS if (c := control.channel(n)) is not None and _moves(c)]
    for channel_name, change in zip(names, step, strict=True):
        channel = moved.controls[moved.index(name)].channel(channel_name)
        assert channel is not None
        assert channel.keys is not None
        k = channel.keys.index(arrival)
        values = channel.keys.values.copy()
        values[k] += change * share
        moved = moved.with_channel(name, replace(channel, keys=channel.keys.changed(values=values)))
    at = np.array([float(arrival)])
    return float(np.linalg.norm(screen_points(moved, at) - screen_points(shot, at), axis=-1).max())


def _moves(channel: Channel) -> bool:
    return channel.keys is not None and len(channel.keys) > 1


def _swung(shot: Shot, body: Body, control: Control, arrival: int, times: float, frames: int) -> Shot | None:
    """The first key of the hold carried past the pose by so many upper bounds of the move's mean speed."""
    response = body.response(control.name)
    assert response is not None
    step, _ = _speed(shot, control.name, arrival)
    share = 1.5 * response.overshoot(shot.fps) * times  # of the step before: the move is straight
    if share > 0.8 * frames:  # past the pose by as much as the move itself: another move
        return None
    by_name = {ch.name: ch for ch in shot.controls[shot.index(control.name)].channels}
    channels = [by_name[n] for n in ROTATIONS if n in by_name and _moves(by_name[n])]
    swung = shot
    for change, channel in zip(step, channels, strict=True):
        keys = channel.keys
        assert keys is not None
        k = keys.index(arrival)
        assert k is not None
        values, out, corner = keys.values.copy(), keys.outgoing.copy(), keys.corner.copy()
        values[k + 1] += share * change
        out[k], corner[k] = keys.incoming[k], False
        changed = replace(keys.changed(values=values, outgoing=out), corner=frozen(corner, np.bool_))
        swung = swung.with_channel(control.name, replace(channel, keys=changed))
    at = np.array([float(arrival + round(GAP * shot.fps))])
    apart = screen_points(swung, at) - screen_points(shot, at)
    return swung if 4.0 < np.linalg.norm(apart, axis=-1).max() < 150.0 else None


# --- measured --------------------------------------------------------------------------------------------


def quiet(clips: tuple[str, ...], seeds: int) -> None:
    """False flags on shots without a fault, a 100 control-seconds."""
    for clip in clips:
        for habit in HABITS[:4]:
            count, seconds = Counter[str](), 0.0
            for seed in range(seeds):
                found, s = _found(keyed_shot(clip, seed, habit))
                count.update(f"{f.fault} {f.severity}" for f in found)
                seconds += s
            print(f"| {clip} {habit} | {_rate(count, seconds)} | {dict(count)} |", flush=True)
        for words, shot in (("24 fps baked", clip_at(clip, 24.0)), ("as captured", captured(clip))):
            found, s = _found(shot)
            count = Counter(f"{f.fault} {f.severity}" for f in found)
            print(f"| {clip} {words} | {_rate(count, s)} | {dict(count)} |", flush=True)


def _found(shot: Shot) -> tuple[list[Flag], float]:
    stage = stage_of(shot, Look())
    return list(family.find(stage)), len(shot.controls) * len(shot.frames) / shot.fps


def _rate(count: Counter[str], seconds: float) -> str:
    return f"{100 * sum(n for k, n in count.items() if not k.endswith('note')) / seconds:.3f}"


def recall(clips: tuple[str, ...], seeds: int) -> None:
    for kind in ("dead stop", "too much overshoot"):
        for size in ("warn", "error"):
            tally = Counter[str]()
            for clip in clips:
                for habit in HABITS[:4]:
                    for seed in range(seeds):
                        _one(keyed_shot(clip, seed, habit), seed, kind, size, tally)
            n = max(tally["planted"], 1)
            shares = {
                k: f"{tally[k] / n:.2f}" for k in ("found", "cause", "mended", "no mend", "still there")
            }
            print(f"| {kind} {size} | {tally['planted']} | {shares} | new: {tally['new']} |", flush=True)


def _one(shot: Shot, seed: int, kind: Kind, size: Size, tally: Counter[str]) -> None:
    try:
        faulty, truth = plant(shot, seed, size, kind)
    except ValueError:
        return
    tally["planted"] += 1
    stage = stage_of(faulty, Look())
    flags = list(family.find(stage))
    near = [f for f in flags if f.fault == truth.fault and f.frames[0] - 2 <= truth.frame <= f.frames[1] + 2]
    hit = next((f for f in near if f.control == truth.control), None)
    tally["found"] += bool(near)
    tally["cause"] += hit is not None
    if hit is None:
        return
    after = family.MENDS[hit.fault](stage, hit)
    if after is None:
        tally["no mend"] += 1
        return
    left = list(family.find(stage_of(after, Look())))
    same = any(
        f.control == truth.control and f.fault == truth.fault and f.frames[0] <= truth.frame <= f.frames[1]
        for f in left
    )
    tally["still there" if same else "mended"] += 1
    tally["new"] += max(len(left) - len(flags) + (not same), 0)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--clips", default="01_01,01_03,Boxing_Toes")
    given = parser.parse_args()
    clips = tuple(given.clips.split(","))
    quiet(clips, given.seeds)
    recall(clips, given.seeds)


if __name__ == "__main__":
    main()

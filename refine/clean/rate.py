"""Another frame rate: samples low-passed below half the slower rate and read between frames; a loop stays a loop.

Band-limited interpolation: a sinc at half the slower rate under a Kaiser window (Smith & Gossett 1984; Kaiser 1974
[mem]). Over the ends the motion goes on as its mirror about the end value, so that it leaves with its speed; a loop
goes on with its other end. Keys, marks and pins keep their time.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.clean.loop import round_adds
from refine.clean.tracks import Kind
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    TRANSLATIONS,
    Array,
    Camera,
    Channel,
    Control,
    Keys,
    Limits,
    Shot,
    frozen,
)

PASS = 0.9  # of half the slower rate: half of this frequency is left
LOBES = 12  # zero crossings of the sinc to each side
BETA = 8.0  # of the window: what is stopped is below -80 dB
BLOCK = 1 << 13  # frames made at once, each from hundreds when the rate falls: what stays in memory


def at_rate(shot: Shot, fps: float) -> Shot:
    """The shot at `fps` frames a second, from the same first frame on.

    Angles must run without jumps. A loop lasts a whole number of frames: the nearest, which changes its length by
    half a frame at most.
    """
    if fps == shot.fps:
        return shot
    count = len(shot.frames)
    ratio = fps / shot.fps
    new = max(round(count * ratio), 1) if shot.loop else int((count - 1) * ratio + 1e-9) + 1
    times = np.arange(new, dtype=np.float64) * (count / new if shot.loop else 1.0 / ratio)
    first = shot.first_frame

    def moved(frame: float) -> float:
        return first + (frame - first) * ratio

    def channel(each: Channel) -> Channel:
        if each.samples is None:
            assert each.keys is not None
            return replace(each, keys=_slower(each.keys, first, ratio), limits=_rate(each, ratio))
        adds = round_adds(_kind(each.name), each.samples) if shot.loop else None
        samples = resampled(each.samples, times, min(1.0, ratio), adds)
        if each.name == QUATERNION:
            samples = samples / np.linalg.norm(samples, axis=1, keepdims=True)
        return replace(each, samples=frozen(samples), limits=_rate(each, ratio))

    def control(each: Control) -> Control:
        return replace(each, channels=tuple(map(channel, each.channels)))

    def camera(each: Camera) -> Camera:
        return replace(each, control=control(each.control))

    return replace(
        shot,
        fps=fps,
        last_frame=first + new - 1,
        controls=tuple(map(control, shot.controls)),
        cameras=tuple(map(camera, shot.cameras)),
        marks=tuple(replace(m, frames=(moved(m.frames[0]), moved(m.frames[1]))) for m in shot.marks),
        pins=tuple(replace(p, frames=(moved(p.frames[0]), moved(p.frames[1]))) for p in shot.pins),
        gazes=tuple(replace(g, frames=(moved(g.frames[0]), moved(g.frames[1]))) for g in shot.gazes),
    )


def _slower(keys: Keys, first: int, ratio: float) -> Keys:
    """The keys at the same times, counted in frames of another length."""
    return keys.changed(
        frames=first + (keys.frames - first) * ratio,
        incoming=keys.incoming / ratio,
        outgoing=keys.outgoing / ratio,
        incoming_reach=keys.incoming_reach * ratio,
        outgoing_reach=keys.outgoing_reach * ratio,
    )


def _rate(channel: Channel, ratio: float) -> Limits | None:
    return None if channel.limits is None else replace(channel.limits, rate=channel.limits.rate / ratio)


def _kind(name: str) -> Kind:
    if name in ROTATIONS:
        return "angles"
    return "place" if name in TRANSLATIONS else "number"


def resampled(samples: Array, times: Array, share: float, adds: Array | None) -> Array:
    """(M, D) of samples (N, D) at times (M,) in their frames, low-passed to `share` of their own band.

    `adds` (D,) is what a loop adds at each round; None mirrors the ends.
    """
    cut = share * (PASS if share < 1 else 1.0)
    reach = int(np.ceil(LOBES / cut))
    longer = _continued(samples, reach + 1, adds)
    out = np.empty((len(times), samples.shape[1]))
    for start in range(0, len(times), BLOCK):
        t = times[start : start + BLOCK]
        near = np.floor(t).astype(np.intp)
        at = near[:, None] + np.arange(-reach, reach + 2)
        off = t[:, None] - at
        window = np.i0(BETA * np.sqrt(np.clip(1 - (off / (reach + 1)) ** 2, 0.0, 1.0)))
        weight = np.sinc(cut * off) * window
        weight /= weight.sum(axis=1, keepdims=True)
        out[start : start + BLOCK] = np.einsum("mk,mkd->md", weight, longer[at + reach + 1])
    return out


def _continued(samples: Array, reach: int, adds: Array | None) -> Array:
    """(N + 2 reach + 1, D) the samples gone on over both ends."""
    count = len(samples)
    at = np.arange(-reach, count + reach + 1)
    if adds is not None:
        rounds, inside = np.divmod(at, count)
        return np.asarray(samples[inside] + rounds[:, None] * adds)
    if count == 1:
        return np.repeat(samples, len(at), axis=0)
    lap, inside = np.divmod(
        at, count - 1
    )  # mirrored about each end value, and about that of the mirror again
    rise = samples[-1] - samples[0]
    back = samples[0] + samples[-1] - samples[count - 1 - inside]
    return np.asarray(np.where(lap[:, None] % 2 == 0, samples[inside], back) + lap[:, None] * rise)

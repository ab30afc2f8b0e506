"""Exact evaluation of keyed curves, all frames at once.

A segment between two keys is a cubic Bezier in the plane (frame, value): the inner control points stand at
(f0 + reach0, v0 + slope0 reach0) and (f1 - reach1, v1 - slope1 reach1). A reach is clipped to its segment, after
which the frame rises monotonically along the curve, so each frame has one value. Where both reaches are a third
of the segment the curve is the cubic Hermite polynomial in the frame.

While key frames and reaches stay, a value at a frame is *linear* in the key values and slopes; `sample_matrix`
gives that matrix, from which every constraint on a keyed channel is built.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from constraints.affine import Band
from refine.shot import Array, Channel, Keys, Segment, Shot, frozen

# The unknowns of key k stand at columns 3k, 3k + 1, 3k + 2 of a sample matrix.
VALUE, INCOMING, OUTGOING = range(3)


def reaches(keys: Keys) -> tuple[Array, Array]:
    """Effective (incoming, outgoing) reach of each key in frames: a third by default, clipped to the segment.

    The reach that points away from the first or last key is 0.
    """
    length = np.diff(keys.frames)
    incoming, outgoing = np.zeros(len(keys)), np.zeros(len(keys))
    into, out = keys.incoming_reach[1:], keys.outgoing_reach[:-1]
    incoming[1:] = np.where(np.isnan(into), length / 3, np.minimum(into, length))
    outgoing[:-1] = np.where(np.isnan(out), length / 3, np.minimum(out, length))
    return incoming, outgoing


def clipped_reaches(keys: Keys) -> list[int]:
    """Positions of the keys of which a given reach is longer than its segment."""
    length = np.diff(keys.frames)
    long_in = np.concatenate([[False], keys.incoming_reach[1:] > length])
    long_out = np.concatenate([keys.outgoing_reach[:-1] > length, [False]])
    return [int(k) for k in np.flatnonzero(long_in | long_out)]


def bezier_parameter(t: Array, a: Array, b: Array) -> Array:
    """u in [0, 1] at which 3 u (1-u)^2 a + 3 u^2 (1-u) (1-b) + u^3 = t, all (N,), with a, b in [0, 1].

    a and b are reaches over the segment's length. The polynomial rises monotonically there, so Newton steps
    guarded by bisection always arrive; thirds are answered at once, since then u = t.
    """
    thirds = (np.abs(a - 1 / 3) < 1e-15) & (np.abs(b - 1 / 3) < 1e-15)
    u = np.clip(t, 0.0, 1.0)
    if thirds.all():
        return u
    todo = np.flatnonzero(~thirds)
    t, a, c = t[todo], a[todo], 1 - b[todo]
    x, low, high = u[todo], np.zeros(len(todo)), np.ones(len(todo))
    for _ in range(64):
        miss = ((1 + 3 * a - 3 * c) * x + 3 * (c - 2 * a)) * x * x + 3 * a * x - t
        low, high = np.where(miss <= 0, x, low), np.where(miss >= 0, x, high)
        slope = (3 * (1 + 3 * a - 3 * c) * x + 6 * (c - 2 * a)) * x + 3 * a
        with np.errstate(divide="ignore", invalid="ignore"):
            step = x - miss / slope
        inside = (step > low) & (step < high)
        new = np.where(inside, step, 0.5 * (low + high))
        new = np.where(miss == 0, x, new)
        if np.max(np.abs(new - x)) < 1e-16:
            break
        x = new
    u[todo] = x
    return u


def _segments(keys: Keys, frames: Array) -> NDArray[np.intp]:
    """Segment in which each frame lies; before the first and after the last key the nearest one."""
    return np.clip(np.searchsorted(keys.frames, frames, side="right") - 1, 0, max(len(keys) - 2, 0))


def sample_matrix(keys: Keys, frames: Array) -> Band:
    """Band (N, 3K) of the value at each frame over [value, incoming slope, outgoing slope] of each key.

    Row i touches the five columns from the value of the key before to the incoming slope of the key after.
    Before the first key and after the last one the curve holds. The channels of a control are mostly keyed on the
    same frames, so the last few matrices are kept.
    """
    timing = (keys.frames, keys.incoming_reach, keys.outgoing_reach, keys.segment)
    named = tuple(array.tobytes() for array in timing)
    key = (*named, np.ascontiguousarray(frames, float).tobytes())
    found = _recent.get(key)
    if found is None:
        if len(_recent) >= _KEPT:
            _recent.clear()
        found = _recent[key] = _sample_matrix(keys, frames)
    return found


_KEPT = 8
_recent: dict[tuple[bytes, ...], Band] = {}


def _sample_matrix(keys: Keys, frames: Array) -> Band:
    count = len(keys)
    if count == 1:
        return Band(np.ones((len(frames), 1)), np.zeros(len(frames), np.intp), 3)
    k = _segments(keys, frames)
    into, out = reaches(keys)
    f0, f1 = keys.frames[k], keys.frames[k + 1]
    length = f1 - f0
    t = (np.clip(frames, f0, f1) - f0) / length
    r0, r1 = out[k], into[k + 1]
    u = bezier_parameter(t, r0 / length, r1 / length)
    b1, b2, b3 = 3 * u * (1 - u) ** 2, 3 * u * u * (1 - u), u**3
    kind = keys.segment[k]
    curve, line = kind == Segment.CURVE, kind == Segment.LINE
    after = np.where(curve, b2 + b3, np.where(line, t, frames >= f1))
    entries = np.zeros((len(frames), 5))
    entries[:, 0] = 1 - after
    entries[:, 2] = np.where(curve, r0 * b1, 0.0)
    entries[:, 3] = after
    entries[:, 4] = np.where(curve, -r1 * b2, 0.0)
    return Band(entries, 3 * k, 3 * count)


def unknowns(keys: Keys) -> Array:
    """(3K, D): value, incoming and outgoing slope of each key, in the column order of `sample_matrix`."""
    return np.stack([keys.values, keys.incoming, keys.outgoing], axis=1).reshape(3 * len(keys), -1)


def with_unknowns(keys: Keys, x: Array) -> Keys:
    """The keys with `unknowns` replaced by x of the same shape."""
    parts = x.reshape(len(keys), 3, -1)
    return keys.changed(values=parts[:, VALUE], incoming=parts[:, INCOMING], outgoing=parts[:, OUTGOING])


def evaluate(keys: Keys, frames: Array) -> Array:
    """(N, D) values at any frames. Quaternion components come as interpolated: `sample` normalises."""
    return sample_matrix(keys, frames) @ unknowns(keys)


def sample(channel: Channel, shot: Shot, frames: Array) -> Array:
    """(N, D) values of a channel at frames of the shot; baked ones take whole frames and hold outside.

    Quaternions are unit length: componentwise cubic then normalised, and slerp on line segments.
    """
    if channel.samples is not None:
        at = np.clip(np.rint(frames).astype(np.intp) - shot.first_frame, 0, len(channel.samples) - 1)
        baked: Array = channel.samples[at]
        return baked
    assert channel.keys is not None
    values = evaluate(channel.keys, frames)
    if values.shape[1] != 4:
        return values
    keys = channel.keys
    if len(keys) > 1:
        k = _segments(keys, frames)
        line = np.flatnonzero(
            (keys.segment[k] == Segment.LINE) & (frames > keys.frames[k]) & (frames < keys.frames[k + 1])
        )
        if len(line):
            k = k[line]
            t = (frames[line] - keys.frames[k]) / (keys.frames[k + 1] - keys.frames[k])
            values[line] = slerp(keys.values[k], keys.values[k + 1], t)
    length = np.linalg.norm(values, axis=1, keepdims=True)
    lost = np.flatnonzero(length[:, 0] < 1e-9)
    if len(lost):  # half way between opposite quaternions there is no direction: the nearer key's is taken
        near = np.abs(frames[lost, None] - keys.frames).argmin(axis=1)
        values[lost], length[lost] = keys.values[near], 1.0
    return np.asarray(values / length, np.float64)


def slerp(a: Array, b: Array, t: Array) -> Array:
    """Shortest-path spherical interpolation of unit quaternions (N, 4), t (N,) in [0, 1]."""
    dot = np.sum(a * b, axis=1)
    b = np.where(dot[:, None] < 0, -b, b)
    angle = np.arccos(np.clip(np.abs(dot), 0.0, 1.0))
    near = angle < 1e-6
    s = np.where(near, 1.0, np.sin(angle))
    w0 = np.where(near, 1 - t, np.sin((1 - t) * angle) / s)
    w1 = np.where(near, t, np.sin(t * angle) / s)
    return w0[:, None] * a + w1[:, None] * b


def bake(channel: Channel, shot: Shot) -> Channel:
    """The channel with a sample on each frame of the shot instead of keys."""
    return Channel(channel.name, samples=frozen(sample(channel, shot, shot.frames)), limits=channel.limits)

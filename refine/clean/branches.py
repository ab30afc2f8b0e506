"""The same turns, written so that nothing jumps: whole turns, the other Euler triple, the other sign of quaternions.

A turn about the axes a, b, c is the same as (a + 180, 180 - b, c + 180), and as itself plus whole turns. Of these the
one nearest to the frame before is taken, frame by frame; nothing else is changed, so each orientation stays exactly.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.clean.tracks import Group, Tracks
from refine.rotation import signs
from refine.shot import AXES, Array

TURN = 360.0


def straightened(
    tracks: Tracks, skipped: dict[Group, NDArray[np.bool_]]
) -> tuple[Tracks, dict[Group, list[int]]]:
    """The tracks without jumps, and the frames after each jump that was taken out, group by group.

    Frames that are skipped (N,), outliers and gaps, say nothing of the way: those after are taken near those before.
    """
    values = tracks.values
    found: dict[Group, list[int]] = {}
    for group in tracks.groups:
        rows = list(group.rows)
        old = values[rows]
        good = np.flatnonzero(~skipped[group]) if group in skipped else np.arange(len(tracks))
        if group.kind not in ("angles", "quaternion") or len(good) < 2:
            continue
        way, jumps = _continuous(group, old[:, good])
        if not len(jumps):
            continue
        values = values.copy() if values is tracks.values else values
        values[np.array(rows)[:, None], good] = way
        others = np.setdiff1d(np.arange(len(tracks)), good)
        before = good[np.maximum(np.searchsorted(good, others) - 1, 0)]
        values[np.array(rows)[:, None], others] = _nearest(group, old[:, others], values[rows][:, before])
        found[group] = good[jumps].tolist()
    return replace(tracks, values=values), found


def _nearest(group: Group, values: Array, like: Array) -> Array:
    """(k, n) the same turns, each written nearest to its like (k, n)."""
    if group.kind == "quaternion":
        return np.where(np.sum(values * like, axis=0) < 0, -values, values)
    if group.triple:
        other = _other(values)
        stay, swap = (np.abs(turned(way - like)).sum(axis=0) for way in (values, other))
        values = np.where(swap < stay, other, values)
    return np.asarray(values - TURN * np.round((values - like) / TURN))


def _other(values: Array) -> Array:
    """(3, n) the same turns by the other triple of angles."""
    return np.stack([values[0] + 180.0, 180.0 - values[1], values[2] + 180.0])


def _continuous(group: Group, values: Array) -> tuple[Array, NDArray[np.intp]]:
    """(k, n) values without jumps, and the positions after the jumps."""
    if group.kind == "quaternion":
        sides = signs(values.T)
        return np.asarray(values * sides), np.flatnonzero(np.diff(sides)) + 1
    odd = np.zeros(values.shape[1], np.bool_)
    if group.triple:
        other = _other(values)
        stay, swap = (np.abs(turned(way[:, 1:] - values[:, :-1])).sum(axis=0) for way in (values, other))
        odd[1:] = np.cumsum(swap < stay) % 2 == 1
        values = np.where(odd, other, values)
    turns = np.round(np.diff(values, axis=1) / TURN)
    jumps = np.flatnonzero(np.any(turns != 0, axis=0) | (np.diff(odd.astype(np.int8)) != 0)) + 1
    all_turns = np.concatenate([np.zeros((len(values), 1)), np.cumsum(turns, axis=1)], axis=1)
    return np.asarray(values - TURN * all_turns), jumps


def angles_of(group: Group, matrices: Array, start: Array) -> Array:
    """(3, N) angles in degrees of rotations (N, 3, 3) in the group's own order, without jumps from `start` (3,) on."""
    i, j, k = (AXES.index(axis) for axis in group.order)
    sign = 1.0 if (j - i) % 3 == 1 else -1.0
    cosine = np.hypot(matrices[:, i, i], matrices[:, i, j])
    a = np.arctan2(-sign * matrices[:, j, k], matrices[:, k, k])
    b = np.arctan2(sign * matrices[:, i, k], cosine)
    c = np.arctan2(-sign * matrices[:, i, j], matrices[:, i, i])
    angles = np.rad2deg(np.stack([a, b, c]))
    return _continuous(group, np.concatenate([start[:, None], angles], axis=1))[0][:, 1:]


def alongside(group: Group, values: Array, at: int, like: Array) -> Array:
    """The same turns (k, N), all written in that way in which those at position `at` are nearest to `like` (k,)."""
    if group.kind == "quaternion":
        return -values if float(values[:, at] @ like) < 0 else values
    if group.kind != "angles":
        return values
    ways = [values]
    if group.triple:
        ways.append(_other(values))
    near = min(ways, key=lambda way: float(np.abs(turned(way[:, at] - like)).sum()))
    turns = np.round((like - near[:, at]) / TURN)
    return np.asarray(near + TURN * turns[:, None]) if turns.any() else near


def turned(degrees: Array) -> Array:
    """Differences of angles brought into [-180, 180)."""
    return np.asarray(degrees - TURN * np.floor((degrees + 180.0) / TURN))

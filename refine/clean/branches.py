"""The same turns, written so that nothing jumps: whole turns, the other Euler triple, the other sign of a quaternion.

A turn about the axes a, b, c is the same as (a + 180, 180 - b, c + 180), and as itself plus whole turns. Of these the one
nearest to the frame before is taken, frame by frame; nothing else is changed, so each orientation stays exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from refine.clean.tracks import Group, Tracks, signs
from refine.shot import Array

TURN = 360.0


def straightened(tracks: Tracks, skipped: dict[Group, NDArray[np.bool_]]) -> tuple[Tracks, dict[Group, list[int]]]:
    """The tracks without jumps, and the frames after each jump that was taken out, group by group.

    Frames that are skipped (N,), outliers and gaps, say nothing of the way: those after are taken near those before.
    """
    values = tracks.values.copy()
    found: dict[Group, list[int]] = {}
    for group in tracks.groups:
        rows = list(group.rows)
        old = values[rows]
        good = np.flatnonzero(~skipped[group]) if group in skipped else np.arange(len(tracks))
        if group.kind not in ("angles", "quaternion") or len(good) < 2:
            continue
        new = old.copy()
        new[:, good] = _continuous(group, old[:, good])
        offset = new - old
        jumps = good[1:][np.any(np.abs(np.diff(offset[:, good], axis=1)) > 1e-6, axis=0)]
        if len(jumps):
            for at in np.setdiff1d(np.arange(len(tracks)), good).tolist():  # near the good frame before it
                before = good[max(int(np.searchsorted(good, at)) - 1, 0)]
                new[:, at] = _nearest(group, old[:, at], new[:, before])
            values[rows] = new
            found[group] = jumps.tolist()
    return Tracks(values, tracks.groups, tracks.fps), found


def _continuous(group: Group, values: Array) -> Array:
    """(k, n) values without jumps."""
    if group.kind == "quaternion":
        return np.asarray(values * signs(values.T))
    if group.triple:
        other = np.stack([values[0] + 180.0, 180.0 - values[1], values[2] + 180.0])
        stay, swap = (np.abs(turned(b[:, 1:] - values[:, :-1])).sum(axis=0) for b in (values, other))
        odd = np.concatenate([[0], np.cumsum(swap < stay)]) % 2 == 1
        values = np.where(odd, other, values)
    steps = np.diff(values, axis=1)
    turns = np.concatenate([np.zeros((len(values), 1)), np.cumsum(np.round(steps / TURN), axis=1)], axis=1)
    return np.asarray(values - TURN * turns)


def _nearest(group: Group, value: Array, to: Array) -> Array:
    """(k,) one turn written nearest to another."""
    return _continuous(group, np.stack([to, value], axis=1))[:, 1]


def turned(degrees: Array) -> Array:
    """Differences of angles brought into [-180, 180)."""
    return np.asarray((degrees + 180.0) % TURN - 180.0)

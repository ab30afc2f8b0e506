"""How many frames a part of a chain moves after what carries it, move by move."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from refine.body.arrival import window
from refine.shot import Array

BUMP = 0.3  # of a peak's speed to which it falls to each side, for one move [judge]
FARTHEST = (
    4  # windows of 1/24 s that a follower's move may be apart from the leader's, to be the same [judge]
)
ALIKE = 0.9  # correlation of both speeds from which the follower makes the leader's move [judge]


def lags(leader: Array, follower: Array, fps: float) -> Array:
    """(M,) frames by which the follower's moves come after the leader's, for each of the leader's moves.

    leader, follower: (N - 1,) steps. A move is a peak of the leader's speed that falls to 0.3 of itself on both sides.
    The lag is the shift at which the follower's speed correlates best with the leader's over that move alone, so that
    a larger move beside it has no say, between frames by the parabola through the three best; inf where the follower
    makes no such move within a sixth of a second.
    """
    most = FARTHEST * window(fps)
    found = [
        _lag(leader[a : b + 1], follower[max(a - most, 0) : b + most + 1], min(a, most))
        for a, b in bumps(leader)
    ]
    return np.array(found)


def _lag(own: Array, other: Array, first: int) -> float:
    """Frames by which `own` (n,) is found late in `other`, in which it would begin at `first`; inf for not at all."""
    if len(other) < len(own) + 2:
        return np.inf
    parts = np.lib.stride_tricks.sliding_window_view(other, len(own))
    parts, own = parts - parts.mean(axis=1, keepdims=True), own - own.mean()
    lengths = np.linalg.norm(parts, axis=1) * np.linalg.norm(own)
    alike = np.divide(parts @ own, lengths, out=np.zeros(len(parts)), where=lengths > 0)
    k = int(np.argmax(alike))
    if not 0 < k < len(alike) - 1:
        return np.inf
    before, best, after = alike[k - 1 : k + 2].tolist()
    bend, slope = before - 2 * best + after, (after - before) / 2
    if bend >= 0 or best - slope**2 / (2 * bend) < ALIKE:
        return np.inf
    return float(k - first - slope / bend)


def bumps(steps: Array) -> Iterator[tuple[int, int]]:
    """First and last position of each single move: around a local maximum down to 0.3 of it on both sides."""
    inner = np.flatnonzero((steps[1:-1] > steps[:-2]) & (steps[1:-1] >= steps[2:])) + 1
    least = 0.1 * float(steps.max()) if len(steps) else 0.0
    for p in inner[steps[inner] > least].tolist():
        low = np.flatnonzero(steps[:p] <= BUMP * steps[p])
        high = np.flatnonzero(steps[p:] <= BUMP * steps[p])
        if not len(low) or not len(high):
            continue
        a, b = int(low[-1]), p + int(high[0])
        if steps[a : b + 1].max() <= steps[p]:
            yield a, b

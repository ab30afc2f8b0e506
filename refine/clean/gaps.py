"""Where a capture has nothing to say: the rest pose that leads in, and samples that only repeat the last good one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.clean.tracks import Tracks
from refine.limbs.planted import runs
from refine.shot import Array

LONGEST_LEAD = 1.0  # [judge] s: a rest pose before the motion lasts no longer
JUMP = 8.0  # [judge] times the clip's fast steps that end a lead-in
FAST = 99.0  # percentile of the steps that is fast
STILL = 0.5  # [judge] deg that a rest pose may move in all
REPEATS = 3  # samples alike from which a gap is one (catalogue [judge])
GAP_JUMP = 4.0  # times the steps around it that end a gap (catalogue [judge])
AROUND = 0.25  # [judge] s beside a gap in which its steps are taken
END = 1e-4  # of a row's range
ALIVE = 0.5  # share of samples that change: a channel that mostly rests has holds, not gaps


def lead_in(tracks: Tracks) -> int:
    """Frames before the motion begins: alike, few, and parted from the rest by a jump as nothing else is."""
    rows = [row for group in tracks.groups if group.kind == "angles" for row in group.rows]
    longest = min(round(LONGEST_LEAD * tracks.fps), len(tracks) // 4)
    if not rows or longest < 1:
        return 0
    turns = tracks.values[rows]
    steps = np.abs((np.diff(turns, axis=1) + 180.0) % 360.0 - 180.0).sum(axis=0)
    first = int(np.argmax(steps[:longest]))
    usual = float(np.percentile(steps[longest:], FAST)) if len(steps) > longest else np.inf
    still = float(np.ptp(turns[:, : first + 1], axis=1).max()) <= STILL
    return first + 1 if still and steps[first] > JUMP * max(usual, STILL) else 0


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames (positions) whose samples repeat the one before them, first and last."""

    first: int
    last: int

    def __len__(self) -> int:
        return self.last - self.first + 1


def gaps(values: Array, fps: float) -> list[Gap]:
    """The gaps in the rows (k, N) of a group.

    A run of at least `REPEATS` samples alike in all rows, in a group that mostly changes, ended by a jump that its own
    steps beside the run don't reach. The first sample of a run is good: the gap is what repeats it.
    """
    same = np.all(values[:, 1:] == values[:, :-1], axis=0)
    if not same.any() or np.mean(~same) < ALIVE:
        return []
    steps = np.linalg.norm(np.diff(values, axis=1), axis=0)
    reach = max(round(AROUND * fps), 4)
    found = []
    for a, b in runs(same):
        if b - a + 2 < REPEATS or b + 1 >= len(steps):
            continue
        beside = np.concatenate([steps[max(a - reach, 0) : a], steps[b + 2 : b + 2 + reach]])
        beside = beside[beside > 0]
        usual = float(np.median(beside)) if len(beside) else 0.0
        if _saturated(values, a):
            continue
        if steps[b + 1] > GAP_JUMP * usual:
            found.append(Gap(a + 1, b + 1))
    return found


def _saturated(values: Array, at: int) -> bool:
    """Whether all rows stand at an end of their range there: a joint against its stop, not a gap."""
    low, high = values.min(axis=1), values.max(axis=1)
    near = END * (high - low)
    here = values[:, at]
    return bool(np.all((here <= low + near) | (here >= high - near)))


def mask(found: list[Gap], count: int) -> NDArray[np.bool_]:
    """(count,) True inside the gaps."""
    inside = np.zeros(count, np.bool_)
    for gap in found:
        inside[gap.first : gap.last + 1] = True
    return inside

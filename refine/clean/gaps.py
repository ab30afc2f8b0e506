"""Where a capture has nothing to say: the rest pose that leads in, and samples that only repeat the last good one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.clean.branches import turned
from refine.clean.tracks import Tracks
from refine.limbs.planted import runs
from refine.shot import Array

LONGEST_LEAD = 1.0  # [judge] s: a rest pose before the motion lasts no longer
JUMP = 8.0  # [judge] times the clip's fast steps that end a lead-in
FAST = 99.0  # percentile of the steps that is fast
TOGETHER = 0.3  # [judge] of the joints that move, which jump where a lead-in ends
STILL = 0.5  # [judge] deg that a rest pose may move in all
REPEATS = 3  # samples alike from which a gap is one (catalogue [judge])
GAP_JUMP = 4.0  # times the steps around it that end a gap (catalogue [judge])
AROUND = 0.25  # [judge] s beside a gap in which its steps are taken
END = 1e-4  # of a row's range
BORDER = 3  # samples at each border of a gap that may be bad
BESIDE = 7  # samples after those, whose parabola says where they should be
OFF = 8.0  # [judge] times what those leave: a parabola led on by a frame errs by twice its samples' noise
FROZEN = 0.1  # [judge] s from which a start or an end is frozen
MOSTLY = 0.6  # [judge] of a clip: what is still for longer was never captured
RESTS = 0.1  # [judge] of the other samples alike: more, and the group rests there as it does elsewhere
ALIVE = 0.5  # share of samples that change: a channel that mostly rests has holds, not gaps


def lead_in(tracks: Tracks) -> int:
    """Frames before the motion begins: alike, few, and parted from the rest by a jump as nothing else is."""
    rows = [row for group in tracks.groups if group.kind == "angles" for row in group.rows]
    longest = min(round(LONGEST_LEAD * tracks.fps), len(tracks) // 4)
    if not rows or longest < 1:
        return 0
    turns = tracks.values[rows]
    first = int(np.argmax(_steps(turns[:, : longest + 1])))
    still = float(np.ptp(turns[:, : first + 1], axis=1).max()) <= STILL
    jump = float(_steps(turns[:, first : first + 2])[0])
    if not still or jump <= JUMP * STILL:
        return 0
    steps = _steps(turns[:, longest:])
    usual = float(np.percentile(steps, FAST)) if len(steps) else np.inf
    if jump <= JUMP * usual:
        return 0
    return first + 1 if _jumping(tracks, first) >= TOGETHER else 0  # one joint that jumps is a spike


def _steps(turns: Array) -> Array:
    """(N - 1,) degrees from each frame to the next, summed over the angles (k, N)."""
    return np.asarray(np.abs(turned(np.diff(turns, axis=1))).sum(axis=0))


def _jumping(tracks: Tracks, at: int) -> float:
    """The share of joints, of those that turn at all, that jump from a position to the next."""
    jumps, moving = 0, 0
    for group in tracks.groups:
        if group.kind == "angles":
            steps = _steps(tracks.of(group))
            moving += bool(steps[at + 1 :].any())
            jumps += bool(steps[at] > JUMP * max(float(np.percentile(steps[at + 1 :], FAST)), STILL / 10))
    return jumps / max(moving, 1)


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


def frozen_ends(values: Array, fps: float) -> list[Gap]:
    """Where the rows (k, N) of a group only repeat a sample from the clip's start on, or up to its end.

    Nothing says where the motion went there. A figure that rests isn't frozen: captured rest has noise, so a group in
    which samples are alike elsewhere too has none.
    """
    same = np.all(values[:, 1:] == values[:, :-1], axis=0)
    spans = [span for span in runs(same) if span[0] == 0 or span[1] == len(same) - 1]
    spans = [(a, b) for a, b in spans if b - a + 1 >= max(FROZEN * fps, REPEATS)]
    inside = sum(b - a + 1 for a, b in spans)
    elsewhere = int(same.sum()) - inside
    if not spans or inside > MOSTLY * len(same) or elsewhere > RESTS * (len(same) - inside):
        return []
    return [Gap(0, b) if a == 0 else Gap(a + 1, b + 1) for a, b in spans]


def _saturated(values: Array, at: int) -> bool:
    """Whether all rows stand at an end of their range there: a joint against its stop, not a gap."""
    low, high = values.min(axis=1), values.max(axis=1)
    near = END * (high - low)
    here = values[:, at]
    return bool(np.all((here <= low + near) | (here >= high - near)))


def bad_borders(path: Array, found: list[Gap], skipped: NDArray[np.bool_], floor: float) -> NDArray[np.bool_]:
    """(N,) samples of a path (N, D) beside gaps that aren't on the way of those after or before them.

    A gap is led through by the slopes at its borders, so one bad sample there throws the whole of it; and a sensor
    that comes back often comes back wrong. A border is bad if it lies farther off the parabola through the next samples
    than these leave of each other. `floor` is the least distance that counts as usual.
    """
    bad = np.zeros(len(path), np.bool_)
    for gap in found:
        for first, step in ((gap.first - 1, -1), (gap.last + 1, 1)):
            for k in range(BORDER):
                at = first + step * k
                good = at + step * np.arange(1, BESIDE + 1)
                if not (0 <= good[-1] < len(path)) or skipped[at] or skipped[good].any():
                    break
                t = np.arange(1.0, BESIDE + 1)
                fit = np.vander(t, 3)
                factors, *_ = np.linalg.lstsq(fit, path[good], rcond=None)
                left = path[good] - fit @ factors
                sigma = np.sqrt(np.square(left).sum() / (BESIDE - 3))
                off = np.linalg.norm(path[at] - factors[-1])  # the parabola at t = 0
                if off <= OFF * max(sigma, floor):
                    break
                bad[at] = True
    return bad


def mask(found: list[Gap], count: int) -> NDArray[np.bool_]:
    """(count,) True inside the gaps."""
    inside = np.zeros(count, np.bool_)
    for gap in found:
        inside[gap.first : gap.last + 1] = True
    return inside

"""Where a capture has nothing to say: the rest pose that leads in, and samples that only repeat the last good one."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from refine.clean.branches import turned
from refine.clean.tracks import Group, Tracks
from refine.limbs.planted import runs
from refine.shot import Array

LONGEST_LEAD = 2.0  # [judge] s: a rest pose before the motion lasts no longer
JUMP = 8.0  # [judge] times what a rest pose may move that a lead-in is left by at least
FASTER = 1.0  # times the clip's fast steps
FAST = 99.0  # percentile of the steps that is fast
ALONE = 3.0  # [judge] times any step beside it
BESIDE_JUMP = 0.15  # [judge] s
TOGETHER = 0.3  # [judge] of the joints that move, which jump where a lead-in ends
STILL = 0.5  # [judge] deg that a rest pose may move in all
RANGE = 14.0  # times its noise: a second of coloured noise in a hundred rows goes that far
LIKE = 2.0  # times what sixth differences say of noise: of coloured noise they see half
REPEATS = 3  # samples alike from which a gap is one (catalogue [judge])
GAP_JUMP = 4.0  # times the steps around it that end a gap (catalogue [judge])
AROUND = 0.25  # [judge] s beside a gap in which its steps are taken
END = 1e-4  # of a row's range
BORDER = 3  # samples at each border of a gap that may be bad
BESIDE = 7  # samples after those, whose parabola says where they should be
ISLAND = 2  # samples between two gaps that may be bad
LEARNT = 100  # [judge] other places in a clip that say how far off is usual
OFF = 8.0  # [judge] times what those leave: a parabola led on by a frame errs by twice its samples' noise
LEAP = 90.0  # [judge] deg between neighbouring samples from which a turn is written anew
ROUNDED = 0.02  # deg that a turn of two decimals may differ by, written anew
FROZEN = 0.1  # [judge] s from which a start or an end is frozen, or a joint amid noise
QUICK = 60.0  # [judge] frames a second from which noise is told from motion by neighbouring samples
HIGHER = 1.5  # [judge] times the usual steps of either side that end a gap amid noise
NEAR = 3.0  # [judge] times that noise: a gap that is led no farther away may be none, to little harm
OFTEN = 0.1  # [judge] of a clip: a group alike for longer in all is one that rests
MOSTLY = 0.6  # [judge] of a clip: what is still for longer was never captured
RESTS = 0.1  # [judge] of the other samples alike: more, and the group rests there as it does elsewhere
ALIVE = 0.5  # share of samples that change: a channel that mostly rests has holds, not gaps


def lead_in(tracks: Tracks) -> int:
    """Frames before the motion begins: a pose held still but for its noise, few, and left by a jump of the whole body.

    A jump is a step alone: of a body that sets off, however quickly, the next steps are as large.
    """
    groups = [group for group in tracks.groups if group.kind == "angles"]
    longest = min(round(LONGEST_LEAD * tracks.fps), len(tracks) // 4)
    if not groups or longest < 1:
        return 0
    turns = tracks.values[[row for group in groups for row in group.rows]]
    reach = max(round(BESIDE_JUMP * tracks.fps), 3)
    steps = _steps(turns)
    first = int(np.argmax([_alone(steps, at, reach) for at in range(longest)]))
    jump, usual = steps[first], float(np.percentile(steps[longest:], FAST))
    if jump <= JUMP * STILL or jump <= FASTER * usual or _alone(steps, first, reach) <= ALONE:
        return 0
    every = [steps for group in groups if (steps := _steps(tracks.of(group)))[first + 1 :].any()]
    jumps = sum(_alone(steps, first, reach) > ALONE for steps in every)  # one joint that jumps is a spike
    return first + 1 if jumps >= max(TOGETHER * len(every), 1) and _still(turns, first) else 0


def _steps(turns: Array) -> Array:
    """(N - 1,) degrees from each frame to the next, summed over the angles (k, N)."""
    return np.asarray(np.abs(turned(np.diff(turns, axis=1))).sum(axis=0))


def _alone(steps: Array, at: int, reach: int) -> float:
    """How many times as large a step is as any within reach before and after it."""
    others = np.concatenate([steps[max(at - reach, 0) : at], steps[at + 1 : at + 1 + reach]])
    return float(steps[at] / max(float(others.max(initial=0.0)), STILL / 10))


def _still(turns: Array, last: int) -> bool:
    """Whether angles (k, N) stand still up to a position but for noise, which makes them differ from frame to frame
    there as much as it does afterwards."""
    lead, rest = (
        turned(turns[:, : last + 1] - turns[:, last : last + 1]),
        np.unwrap(turns[:, last + 1 :], period=360.0),
    )
    if last == 0:
        return True
    noise = np.sqrt(np.mean(np.square(np.diff(lead, axis=1)), axis=1) / 2.0)
    after = np.median(np.abs(np.diff(rest, 6, axis=1)), axis=1) / 0.6745 / 924.0**0.5
    return bool(np.all(np.ptp(lead, axis=1) <= STILL + RANGE * np.minimum(noise, LIKE * after)))


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames (positions) whose samples repeat the one before them, first and last."""

    first: int
    last: int

    def __len__(self) -> int:
        return self.last - self.first + 1


def alike(group: Group, values: Array, path: Array) -> NDArray[np.bool_]:
    """(N - 1,) whether a group's samples (k, N) repeat the one before them; its path is (N, D), turns in degrees.

    A frozen turn may go on in another writing: whole turns added, the other Euler triple, the other sign. Only there,
    where numbers leap and the turn doesn't, may it differ, by what a file's decimals lose.
    """
    steps = np.diff(values, axis=1)
    same: NDArray[np.bool_] = np.all(steps == 0, axis=0)
    unit = np.rad2deg(2.0) if group.kind == "quaternion" else 1.0
    at = np.flatnonzero(np.abs(steps).max(axis=0) * unit > LEAP)
    same[at] = np.linalg.norm(path[at + 1] - path[at], axis=1) <= ROUNDED
    return same


def gaps(values: Array, path: Array, same: NDArray[np.bool_], fps: float) -> list[Gap]:
    """The gaps in the rows (k, N) of a group, whose path is (N, D); `same` as `alike` says.

    A run of samples alike in all rows, at least `REPEATS`, in a group that mostly changes, ended by a jump that its own
    steps beside the run don't reach; or one that lasts amid captured noise, which never repeats for so long by chance.
    The first sample of a run is good: the gap is what repeats it.
    """
    if not same.any() or np.mean(~same) < ALIVE:
        return []
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    reach = max(round(AROUND * fps), 4)
    moves = fps >= QUICK and not _rests(same, fps)
    found = []
    for a, b in runs(same):
        if b - a + 2 < REPEATS or b + 1 >= len(steps) or _saturated(values, a):
            continue
        sides = steps[max(a - reach, 0) : a], steps[b + 2 : b + 2 + reach]
        if steps[b + 1] > GAP_JUMP * _usual(np.concatenate(sides)):
            found.append(Gap(a + 1, b + 1))
        elif moves and b - a + 1 >= FROZEN * fps:
            higher = steps[b + 1] > HIGHER * max(map(_usual, sides))
            noise = _noise_beside(path, same, a, b, reach)
            # What leaves a stop doesn't jump; what a fill would leave where it is may have stopped, too.
            if noise > 0 and (higher or _off(path, a, b, reach) <= NEAR * noise):
                found.append(Gap(a + 1, b + 1))
    return found


def _usual(steps: Array) -> float:
    """The median of the steps that are any."""
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def _off(path: Array, a: int, b: int, reach: int) -> float:
    """How far a path (N, D) goes away from its run of steps a to b, led over it by a cubic through what is beside."""
    near, span = max(reach // 2, BESIDE), b + 2 - a
    sides = np.array([*range(max(a - near, 0), a + 1), *range(b + 2, min(b + 3 + near, len(path)))])
    inside = np.arange(a + 1, b + 2)
    led = np.vander((inside - a) / span, 4) @ np.linalg.pinv(np.vander((sides - a) / span, 4))
    return float(np.linalg.norm(led @ path[sides] - path[a], axis=1).max())


def _rests(same: NDArray[np.bool_], fps: float) -> bool:
    """Whether a group's samples are alike so often that they may be without a gap: by rounding, or by a slower rate."""
    inside = sum(b - a + 1 for a, b in runs(same) if b - a + 1 >= FROZEN * fps)
    return inside > OFTEN * len(same) or int(same.sum()) - inside > RESTS * (len(same) - inside)


def _noise_beside(path: Array, same: NDArray[np.bool_], a: int, b: int, reach: int) -> float:
    """The noise of a path (N, D) beside its run of steps a to b by sixth differences, which motion hardly touches.

    Windows with samples alike don't count: 0 where these are many, so that steps are no finer than the decimals.
    """
    sizes = []
    for first, last in ((max(a - reach, 0), a), (b + 2, min(b + 2 + reach, len(same)))):
        if last - first >= 6:
            moving = ~np.lib.stride_tricks.sliding_window_view(same[first:last], 6).any(axis=1)
            sizes.append(np.linalg.norm(np.diff(path[first : last + 1], 6, axis=0), axis=1)[moving])
    every = np.concatenate(sizes) if sizes else np.empty(0)
    return float(np.median(every)) / 924.0**0.5 if len(every) >= reach // 2 else 0.0


def frozen_ends(same: NDArray[np.bool_], found: list[Gap], fps: float) -> list[Gap]:
    """Where a group only repeats a sample from the clip's start on, or up to its end; `same` as `alike` says.

    Nothing says where the motion went there. A figure that rests isn't frozen: captured rest has noise, so a group in
    which samples are alike elsewhere too, the gaps `found` there left out, has none.
    """
    spans = [span for span in runs(same) if span[0] == 0 or span[1] == len(same) - 1]
    spans = [(a, b) for a, b in spans if b - a + 1 >= max(FROZEN * fps, REPEATS)]
    known = mask([gap for gap in found if gap.first > 1 and gap.last < len(same)], len(same) + 1)[1:]
    inside = sum(b - a + 1 for a, b in spans)
    elsewhere, rest = int((same & ~known).sum()) - inside, int((~known).sum()) - inside
    if not spans or inside > MOSTLY * len(same) or elsewhere > RESTS * rest:
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
    than these leave of each other; a few between two gaps are if they lie off the way over both. `floor` is the
    least distance that counts as usual.
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
    for before, after in pairwise(found):
        if after.first - before.last - 1 <= ISLAND:
            bad[before.last + 1 : after.first] |= _astray(path, before, after, skipped, floor)
    return bad


def _astray(path: Array, before: Gap, after: Gap, skipped: NDArray[np.bool_], floor: float) -> bool:
    """Whether the few samples between two gaps are farther off the way between what is good on both sides than
    samples anywhere in the clip are off one led over as long a gap."""
    sides = np.array(
        [*range(before.first - BESIDE, before.first), *range(after.last + 1, after.last + 1 + BESIDE)]
    )
    inside = np.arange(before.last + 1, after.first)
    if sides[0] < 0 or sides[-1] >= len(path) or skipped[sides].any() or skipped[inside].any():
        return False
    first, span = int(sides[0]), float(sides[-1] - sides[0])
    lead = np.vander((inside - first) / span, 4) @ np.linalg.pinv(np.vander((sides - first) / span, 4))
    count = len(path) - (int(sides[-1]) - first)
    good = ~np.any([skipped[k - first : k - first + count] for k in (*sides, *inside)], axis=0)
    off = np.zeros(count)
    for row, at in zip(lead, inside, strict=True):
        led = sum(w * path[k - first : k - first + count] for w, k in zip(row, sides, strict=True))
        off = np.maximum(off, np.linalg.norm(path[at - first : at - first + count] - led, axis=1))
    usual = off[good & (np.abs(np.arange(count) - first) > span)]
    return len(usual) >= LEARNT and bool(off[first] > max(float(np.percentile(usual, FAST)), OFF * floor))


def mask(found: list[Gap], count: int) -> NDArray[np.bool_]:
    """(count,) True inside the gaps."""
    inside = np.zeros(count, np.bool_)
    for gap in found:
        inside[gap.first : gap.last + 1] = True
    return inside

"""A shot with many faults, mended at one go: how near to the sound shot that comes, and how long it takes.

    python -m benchmarks.many_faults [--seeds 5] [--jobs 1]

Keyed windows of an open clip, one for each habit, with 60 or 180 keys moved along their curves by a part of a frame, or
with 10 or 40 keys and slopes off (`benchmarks.faults`); the baker's shot and made walks, where planted hands and feet
tell as well, with 2 or 6. Then `check`, and `suggest --flag all` with what it found. How far a shot is from the sound
one is said in px, of the farthest point and of all of them by root mean square. Seconds are processor time.
The last column counts shots that came out farther from the truth than they went in.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import chain

import numpy as np

from benchmarks.corpus import screen_points
from benchmarks.faults import injected
from benchmarks.planted.bases import keyed
from benchmarks.planted.keys import moved_along
from benchmarks.quality_held import BAKER, WALK, keys_of, sound, with_keys
from refine.flags.check import ALL, check, stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.shot import Shot

CLIP = "01_03"
OFF_FRAME, MIXED = "keys off their frames", "keys and slopes off"
CASES = (
    *((CLIP, OFF_FRAME, count) for count in (60, 180)),
    *((CLIP, MIXED, count) for count in (10, 40)),
    *((base, MIXED, count) for base in (BAKER, WALK) for count in (2, 6)),
)
OFF = (0.05, 0.45)  # frames
KINDS, SIZE = ("value", "slope", "zigzag"), 0.3  # of the local range
HARM = 0.01  # px RMS: a shot that is farther from the truth by more is worse


@dataclass(frozen=True)
class Trial:
    base: str
    fault: str
    count: int
    seed: int


@dataclass(frozen=True)
class Result:
    trial: Trial
    before: tuple[float, float]  # px: the farthest point, and all of them by RMS
    after: tuple[float, float]
    left: int
    looked: float  # s
    mended: float  # s


def trials(seeds: int) -> Iterator[Trial]:
    return (Trial(*case, seed) for case in CASES for seed in range(seeds))


def run(trial: Trial) -> Result:
    """One shot spoilt, looked over and mended; all but the seconds follow from the trial."""
    clean = keyed(CLIP, trial.seed) if trial.base == CLIP else sound(trial.base, trial.seed)
    faulty = off_frames(clean, trial) if trial.fault == OFF_FRAME else mixed(clean, trial)
    began = time.process_time()
    flags = check(stage_of(faulty, Look()))
    looked = time.process_time()
    result = mend(faulty, Look(), flags, asked=(ALL,))
    seconds = looked - began, time.process_time() - looked
    return Result(trial, away(faulty, clean), away(result.shot, clean), len(result.left), *seconds)


def off_frames(shot: Shot, trial: Trial) -> Shot:
    """The shot with some of its inner keys moved along their curves."""
    rng = np.random.default_rng(trial.seed)
    channels = [(c.name, ch.name) for c in shot.controls for ch in c.channels if ch.keys is not None]
    inner = [[(place, k) for k in range(1, len(keys_of(shot, *place)) - 1)] for place in channels]
    every = list(chain.from_iterable(inner))
    drawn = [every[i] for i in rng.permutation(len(every))[: trial.count]]
    for place in channels:
        at = np.sort([k for other, k in drawn if other == place]).astype(np.intp)
        if len(at):
            by = rng.choice([-1.0, 1.0], len(at)) * rng.uniform(*OFF, len(at))
            shot = with_keys(shot, *place, moved_along(keys_of(shot, *place), at, by))
    return shot


def mixed(shot: Shot, trial: Trial) -> Shot:
    """The shot with values, slopes and zigzags off in turn."""
    for i in range(trial.count):
        shot, _ = injected(shot, 100 * trial.seed + i, KINDS[i % len(KINDS)], SIZE)
    return shot


def away(shot: Shot, clean: Shot) -> tuple[float, float]:
    """How far points are from where they are in the sound shot, in px: the farthest, and all by RMS."""
    apart = np.linalg.norm(screen_points(shot, clean.frames) - screen_points(clean, clean.frames), axis=-1)
    return float(apart.max()), float(np.sqrt(np.mean(apart**2)))


def report(results: Sequence[Result]) -> Iterator[str]:
    yield (
        "| shot | faults | farthest, px, median (worst) | after | RMS, px | after | left | check | suggest (worst) "
        "| worse |"
    )
    yield "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|"
    for case in CASES:
        own = [each for each in results if (each.trial.base, each.trial.fault, each.trial.count) == case]
        before, after = (np.array([getattr(each, name) for each in own]) for name in ("before", "after"))
        cells = [
            case[0],
            f"{case[2]} {case[1]}",
            *(f"{np.median(px[:, 0]):.2f} ({px[:, 0].max():.2f})" for px in (before, after)),
            *(f"{np.median(px[:, 1]):.3f}" for px in (before, after)),
            f"{np.mean([each.left for each in own]):.1f}",
            f"{np.median([each.looked for each in own]):.1f} s",
            f"{np.median([each.mended for each in own]):.1f} ({max(each.mended for each in own):.1f}) s",
            f"{np.count_nonzero(after[:, 1] > before[:, 1] + HARM)} of {len(own)}",
        ]
        yield f"| {' | '.join(cells)} |"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.jobs) as pool:
        print("\n".join(report(list(pool.map(run, trials(options.seeds))))))


if __name__ == "__main__":
    main()

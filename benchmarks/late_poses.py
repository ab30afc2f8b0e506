"""Key poses that stand a frame beside their own, put back by `suggest --frames` and by `check` with `suggest --flag`.

    python -m benchmarks.late_poses [--share 0.3] [--jobs 2]

Of the demo's sound shot and a made walk some of the inner poses of each control, all channels of them, are moved by a
frame, if that moves anything by a px. The range is three poses to each side, the control is named. Right: what is left
of the move on screen, at the farthest point, is at most a twentieth. Worse: it is more than before.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product

import numpy as np

from benchmarks.corpus import screen_points
from benchmarks.quality_held import BAKER, WALK, sound
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.on_frames import OFF
from refine.held import Locks
from refine.pose_time import keyed, with_pose_moved
from refine.prepared import Request
from refine.shot import Shot
from refine.suggest import proposed
from refine.suggestion import applied

BESIDE = 3  # poses to each side of the range
SEEN, RIGHT, WORSE = 1.0, 0.05, 1.02  # px; of the move, that is left
WAYS = ("suggest --frames", "check, suggest --flag")


@dataclass(frozen=True)
class Trial:
    shot: str
    control: str
    frame: float
    step: int
    frames: tuple[int, int]


def trials(share: float) -> Iterator[Trial]:
    rng = np.random.default_rng(0)
    for name in (BAKER, WALK):
        shot = sound(name, 0)
        for control in shot.controls:
            at = sorted({float(f) for _, keys in keyed(control) for f in keys.frames})
            for i, frame in enumerate(at[1:-1], 1):
                if rng.uniform() < share:
                    a, b = at[max(i - BESIDE, 0)], at[min(i + BESIDE, len(at) - 1)]
                    yield Trial(name, control.name, frame, int(rng.choice([-1, 1])), (int(a), int(b)))


def run(trial: Trial) -> tuple[float, ...] | None:
    """px by which the shot is off, then after each of the ways; None where the pose can't be moved or isn't seen."""
    clean = sound(trial.shot, 0)
    free = Locks(clean, (), (clean.first_frame, clean.last_frame))
    late = with_pose_moved(clean, clean.control(trial.control), trial.frame, trial.step, free)
    if late is None or (off := _apart(clean, late)) < SEEN:
        return None
    a, b = max(trial.frames[0], clean.first_frame), min(trial.frames[1], clean.last_frame)
    by_range = applied(late, proposed(late, Request((a, b), (trial.control,))))
    flags = [flag for flag in check(stage_of(late, Look())) if flag.fault == OFF]
    by_flag = mend(late, Look(), flags).shot
    return off, _apart(clean, by_range), _apart(clean, by_flag)


def _apart(one: Shot, other: Shot) -> float:
    away = screen_points(one, one.frames) - screen_points(other, one.frames)
    return float(np.linalg.norm(away, axis=-1).max())


def report(done: Sequence[tuple[Trial, tuple[float, ...]]]) -> Iterator[str]:
    yield "| shot | by | poses | right | nearer | as it was | worse |"
    yield "|---|---|--:|--:|--:|--:|--:|"
    for name, (n, way) in product((BAKER, WALK), enumerate(WAYS, 1)):
        left = np.array([px[n] / px[0] for trial, px in done if trial.shot == name])
        if not len(left):
            continue
        right, worse = left <= RIGHT, left > WORSE
        same = (left > 2 - WORSE) & ~worse
        shares = (right, ~(right | worse | same), same, worse)
        cells = " | ".join(f"{100 * np.mean(share):.0f} %" for share in shares)
        yield f"| {name} | {way} | {len(left)} | {cells} |"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--share", type=float, default=0.3, help="of all poses that are moved")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    every = list(trials(options.share))
    with ProcessPoolExecutor(options.jobs) as pool:
        found = list(pool.map(run, every, chunksize=8))
    print("\n".join(report([(t, px) for t, px in zip(every, found, strict=True) if px is not None])))


if __name__ == "__main__":
    main()

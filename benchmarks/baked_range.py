"""Ranges of baked joints with noise, smoothed by `suggest --frames --controls`: nearer to the motion, or farther off?

    python -m benchmarks.baked_range [--fps 24 --fps 60] [--jobs 2]

Windows of three open clips resampled to a rate; of some joints a second gets white noise on all three angles. Left: px
between all points of the result and of the clip, root mean square, over what the noise made; their median, and the
share of ranges that came out farther off. Sound ranges are those without noise that move by more than a px.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from benchmarks.corpus import screen_points
from benchmarks.planted.bases import baked
from benchmarks.planted.planted import apart
from refine.prepared import Request
from refine.shot import ROTATIONS, Shot, frozen
from refine.suggest import proposed
from refine.suggestion import applied

CLIPS, WINDOWS, JOINTS = ("01_01", "01_03", "Boxing_Toes"), 4, 4
RATES, SIGMAS = (24.0, 30.0, 60.0), (0.5, 1.5)  # fps; deg
BESIDE = 1.2  # s kept from the ends of a window
MOVES = 5.0  # deg that an angle of a joint goes through at least
WORSE = 1.02  # times what the noise made


@dataclass(frozen=True)
class Result:
    fps: float
    sound: float  # px that the range moves without noise, at most
    left: tuple[float, ...]  # of each noise


def run(trial: tuple[float, str, int]) -> list[Result]:
    fps, clip, seed = trial
    shot, rng = baked(clip, seed, fps), np.random.default_rng([seed, int(fps), len(clip)])
    turns = {
        c.name: [ch for ch in c.channels if ch.name in ROTATIONS and ch.samples is not None]
        for c in shot.controls
    }
    moving = [
        name
        for name, own in turns.items()
        if any(np.ptp(ch.samples) > MOVES for ch in own if ch.samples is not None)
    ]
    found = []
    for name in rng.choice(moving, JOINTS, replace=False).tolist():
        first = int(rng.integers(round(BESIDE * fps), len(shot.frames) - round((1 + BESIDE) * fps)))
        last = first + round(fps)
        request = Request((first + shot.first_frame, last + shot.first_frame), (name,))
        moved = screen_points(applied(shot, proposed(shot, request)), shot.frames) - screen_points(
            shot, shot.frames
        )
        left = []
        for sigma in SIGMAS:
            noisy = shot
            for channel in turns[name]:
                assert channel.samples is not None
                samples = channel.samples.copy()
                samples[first : last + 1] += rng.normal(0.0, sigma, (last + 1 - first, 1))
                noisy = noisy.with_channel(name, replace(channel, samples=frozen(samples)))
            left.append(_left(shot, noisy, applied(noisy, proposed(noisy, request))))
        found.append(Result(fps, float(np.linalg.norm(moved, axis=-1).max()), tuple(left)))
    return found


def _left(clean: Shot, noisy: Shot, after: Shot) -> float:
    return apart(clean, after) / max(apart(clean, noisy), 1e-12)


def report(results: Sequence[Result]) -> Iterator[str]:
    yield "| fps | noise, deg | ranges | left, median | farther off | sound ranges moved by over 1 px |"
    yield "|--:|--:|--:|--:|--:|--:|"
    for fps, (n, sigma) in product(sorted({each.fps for each in results}), enumerate(SIGMAS)):
        own = [each for each in results if each.fps == fps]
        left = np.array([each.left[n] for each in own])
        cells = f"{np.median(left):.2f} | {100 * np.mean(left > WORSE):.0f} %"
        yield f"| {fps:g} | {sigma:g} | {len(own)} | {cells} | {100 * np.mean([e.sound > 1 for e in own]):.0f} % |"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fps", type=float, action="append")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    every = list(product(options.fps or RATES, CLIPS, range(WINDOWS)))
    with ProcessPoolExecutor(options.jobs) as pool:
        results = [each for found in pool.map(run, every) for each in found]
    print("\n".join(report(results)))


if __name__ == "__main__":
    main()

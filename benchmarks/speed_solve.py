"""Speed of the solvers as ratios to one bare banded factor and solve of the same size, in one run.

    python -m benchmarks.speed_solve [--quick]

The yardstick is `scipy.linalg.solveh_banded` on prefilled bands of the third-difference smoother. Each figure
is the median over repeats that alternate with the yardstick, so that a busy machine slows both alike. "Tight"
is the share of frames that rest on their bound, and how far the answer is from the optimality conditions.
"""

from __future__ import annotations

import argparse
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter
from typing import Literal

import numpy as np

from constraints.affine import Affine, Array, identity
from constraints.smooth_motion import SmoothMotion
from constraints.stay_close import StayClose
from constraints.terms import Rows, Terms
from refine.problem import Problem, build
from refine.solve import solve
from refine.solve.banded import half_gradient, normal_bands
from refine.solve.interior import solve_interior
from refine.solve.presolve import presolve
from refine.solve.quadratic import solve_quadratic

CHANNEL = "hips.rotation.x"
# lambda for half the amplitude of 6 Hz at 120 fps is 1056; the bound is twice the noise's sigma or less.
WEIGHT, RADIUS = 1000.0, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """One baked channel."""

    y: Array

    @property
    def size(self) -> int:
        return len(self.y)

    @property
    def frames(self) -> Array:
        return np.arange(len(self.y), dtype=float)

    @property
    def channels(self) -> tuple[str, ...]:
        return (CHANNEL,)

    def samples(self, channel: str) -> Affine:
        return Affine(identity(self.size), self.y)

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        return ()

    def control_values(self, channel: str) -> Affine | None:
        return None

    def control_rates(self, channel: str) -> Affine | None:
        return None


def clip(size: int) -> Clip:
    """A wave of 20 deg with a drift and noise of 1 deg."""
    random = np.random.default_rng(0)
    drift = 0.1 * np.cumsum(random.normal(size=size))
    return Clip(20 * np.sin(np.arange(size) / 15) + drift + random.normal(size=size))


def smoother(motion: Clip) -> Problem:
    return build(motion, [StayClose(1.0), SmoothMotion("channel", WEIGHT, channel=CHANNEL)])


def bounded(motion: Clip, radius: float) -> Problem:
    """The smoother with each sample kept within `radius` of where it was."""
    over = motion.samples(CHANNEL)
    rows = Rows("tube", over, motion.y - radius, motion.y + radius, "deg", motion.frames, 1e-6)
    return Problem(motion.size, smoother(motion).terms + Terms(rows=(rows,)))


def bare(motion: Clip) -> Callable[[], object]:
    """The yardstick: bands filled beforehand, one factor and one solve."""
    from scipy.linalg import solveh_banded

    penalties = smoother(motion).terms.penalties
    bands = normal_bands(penalties, motion.size)
    rhs = -half_gradient(penalties, np.zeros(motion.size))
    return lambda: solveh_banded(bands, rhs, lower=True, check_finite=False)


def ratio(work: Callable[[], object], yardstick: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median of work over median of yardstick, run in turn; and the work's median in ms."""
    spent: tuple[list[float], list[float]] = ([], [])
    for run in range(repeats + 1):
        for times, task in zip(spent, (work, yardstick), strict=True):
            begun = perf_counter()
            task()
            if run:  # the first run warms caches and imports
                times.append(perf_counter() - begun)
    mine, other = (float(np.median(times)) for times in spent)
    return mine / other, 1e3 * mine


def tightness(problem: Problem, x: Array, radius: float) -> tuple[float, float]:
    """Share of unknowns on their bound, and the largest slope left on the others over the largest on
    bounds."""
    resting = np.abs(x) >= radius * (1 - 1e-9)
    pull = half_gradient(problem.terms.penalties, x)
    inward = np.sign(x[resting]) * pull[resting] > 0
    if inward.any():
        raise AssertionError("a bound pulls the wrong way: this isn't the minimum")
    return float(resting.mean()), float(np.abs(pull[~resting]).max() / np.abs(pull).max())


def report_banded(size: int, repeats: int) -> None:
    motion = clip(size)
    yardstick, ready = bare(motion), smoother(motion)
    whole, ms = ratio(lambda: solve(smoother(motion)), yardstick, repeats)
    alone, _ = ratio(lambda: solve(ready), yardstick, repeats)
    print(f"banded, {size} unknowns: {whole:.2f} with building, {alone:.2f} alone ({ms:.1f} ms; goal 2)")


def report_bounded(size: int, repeats: int) -> None:
    motion = clip(size)
    yardstick = bare(motion)
    for radius in (0.3, RADIUS, 2.5):
        problem = bounded(motion, radius)
        found = solve(problem)
        share, left = tightness(problem, found.x, radius)
        box = presolve(problem, None, None)
        times, ms = ratio(lambda p=problem: solve(p), yardstick, repeats)  # type: ignore[misc]
        core, _ = ratio(lambda p=problem, b=box: solve_interior(p.terms.penalties, b), yardstick, repeats)  # type: ignore[misc]
        quadratic, _ = ratio(lambda p=problem, b=box: solve_quadratic(p, b), yardstick, 1)  # type: ignore[misc]
        print(
            f"bounded by {radius:g} sigma, {size}: {times:.1f} by `solve` ({found.backend}, {ms:.0f} ms), "
            f"{core:.1f} its core, {quadratic:.0f} by PIQP (goal 50, record 15); {found.iterations} iterations, "
            f"{share:.1%} on their bound, slope left {left:.0e}"
        )


def exponent(make: Callable[[Clip], Problem], sizes: list[int], repeats: int) -> float:
    """Slope of log time over log size."""
    times = []
    for size in sizes:
        problem = make(clip(size))
        solve(problem)
        runs = []
        for _ in range(repeats):
            begun = perf_counter()
            solve(problem)
            runs.append(perf_counter() - begun)
        times.append(min(runs))
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def peak_memory(problem: Problem) -> float:
    """Peak of numpy's and Python's memory during the solve, in bytes an unknown."""
    tracemalloc.start()
    solve(problem)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / problem.size


def report_small(repeats: int) -> None:
    for size in (8, 24, 50):
        motion = clip(size)
        times = []
        for _ in range(20 * repeats):
            begun = perf_counter()
            solve(bounded(motion, RADIUS))
            times.append(perf_counter() - begun)
        print(f"small, {size} unknowns with bounds: {1e3 * np.median(times):.2f} ms with building (goal 1)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a fifth of the sizes, few repeats")
    quick = parser.parse_args().quick
    size, repeats = (20_000, 3) if quick else (100_000, 9)
    report_small(repeats)
    report_banded(size, 3 * repeats)
    report_bounded(size, repeats)
    sizes = [size // 5, size // 2, size, 2 * size, 4 * size]
    for name, make in (("banded", smoother), ("bounded", lambda motion: bounded(motion, RADIUS))):
        grows = exponent(make, sizes, repeats)
        memory = peak_memory(make(clip(size)))
        print(
            f"{name}: time grows as n^{grows:.2f} over {sizes[0]}..{sizes[-1]} (goal 1.1); "
            f"{memory:.0f} bytes an unknown"
        )


if __name__ == "__main__":
    main()

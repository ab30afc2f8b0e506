"""How well captured motion is cleaned: ours and the usual filters on degraded clips with a known truth, in one run.

    python -m benchmarks.clean --seconds 10
    python -m benchmarks.clean --clip 01_03 --only spikes --seeds 3 --full --steady

Goals: RMS of joint positions at most 0.7 of the best baseline's where there are spikes, 0.95 with noise alone; planted
feet at most 1.5 times as fast as the truth's own; accents keep 97 % of their peak speed; of the undegraded capture
99.7 % of the moves are within 3 sigma of its own noise, the largest within 5.5; noise is found within 10 %.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchmarks.cleaning.baselines import BASELINES
from benchmarks.cleaning.degrade import NAMES
from benchmarks.cleaning.figures import Figures
from benchmarks.cleaning.steady_truth import STEADY
from benchmarks.cleaning.trial import baselines, degraded_of, evaluate
from benchmarks.cleaning.undegraded import Moves, moves
from refine.clean.findings import Findings
from refine.clean.settings import Settings
from refine.shot import Shot

CLIPS = ("01_01", "01_03", "Boxing_Toes")
OURS = "refine clean"
RMS_GOAL = {"white": 0.95, "coloured": 0.95, "spikes": 0.7, "all": 0.7}  # of the best baseline
PLANTED_GOAL, ACCENT_GOAL = 1.5, 0.97
SHARE_GOAL, LARGEST_GOAL = 0.997, 5.5
NOISE_GOAL = 0.1
HEAD = (
    "| degradation | method | RMS mm | of best | worst of best | p99 mm | planted mm/s | of truth's | jerk diff "
    "| accent worst | median | s | goals |"
)


@dataclass(frozen=True)
class Cell:
    clip: str
    degradation: str
    seed: int
    seconds: float | None


@dataclass(frozen=True)
class Outcome:
    cell: Cell
    found: dict[str, Figures]
    noise: (
        float | None
    )  # found over known, where the degradation is white or coloured noise and ours is there


class Cleaned(Protocol):
    """What the tool's cleaning gives back, as far as it is looked at here."""

    @property
    def shot(self) -> Shot: ...
    @property
    def findings(self) -> Findings: ...


def ours() -> Callable[[Shot], Cleaned] | None:
    """The tool's own cleaning with its default settings; None where it isn't built."""
    try:
        from refine.clean.clip import cleaned
    except ModuleNotFoundError as error:
        if not (error.name or "").startswith("refine.clean"):
            raise
        return None
    return lambda shot: cleaned(shot, Settings())


def run(cell: Cell) -> Outcome:
    where = (cell.clip, cell.degradation, cell.seed, cell.seconds)
    found, mine = dict(baselines(*where)), ours()
    if mine is None:
        return Outcome(cell, found, None)
    noises: list[float] = []

    def method(shot: Shot) -> Shot:
        done = mine(shot)
        noises.append(done.findings.noise)
        return done.shot

    found[OURS] = evaluate(method, *where)
    known = degraded_of(*where).noise if cell.degradation.startswith(("white", "coloured")) else 0.0
    return Outcome(cell, found, noises[0] / known if known else None)


def goal_of(degradation: str) -> float | None:
    return RMS_GOAL.get(degradation.partition("-")[0])


def row(label: str, method: str, outcomes: Sequence[Outcome], goal: float | None) -> str:
    """A method's figures over some outcomes: means, the geometric mean of ratios, and the worst."""
    own = [o.found[method] for o in outcomes if method in o.found]
    best = [min(o.found[name].rms for name in BASELINES) for o in outcomes if method in o.found]
    ratios = np.array([f.rms / b for f, b in zip(own, best, strict=True)])
    ratio = float(np.exp(np.mean(np.log(ratios))))
    planted = float(np.mean([f.planted for f in own]) / np.mean([f.planted_truth for f in own]))
    accent = min(f.accent_worst for f in own)
    missed = [f"RMS > {goal:g}"] if goal is not None and ratio > goal else []
    missed += [f"planted > {PLANTED_GOAL:g}"] if planted > PLANTED_GOAL else []
    missed += [f"accent < {ACCENT_GOAL:g}"] if accent < ACCENT_GOAL else []
    cells = [
        label,
        f"**{method}**" if method == OURS else method,
        f"{np.mean([f.rms for f in own]):.2f}",
        f"{ratio:.2f}",
        f"{ratios.max():.2f}",
        f"{np.mean([f.p99 for f in own]):.1f}",
        f"{np.mean([f.planted for f in own]):.0f}",
        f"{planted:.2f}",
        f"{np.mean([f.jerk for f in own]):+.2f}",
        f"{accent:.3f}",
        f"{np.median([f.accent_median for f in own]):.3f}",
        f"{np.mean([f.seconds for f in own]):.2f}",
        "" if method != OURS else "no: " + ", ".join(missed) if missed else "yes",
    ]
    return "| " + " | ".join(cells) + " |"


def report(outcomes: Sequence[Outcome], full: bool) -> list[str]:
    lines = [HEAD, "|---|---|" + "--:|" * 10 + "---|"]
    for name in dict.fromkeys(o.cell.degradation for o in outcomes):
        same = [o for o in outcomes if o.cell.degradation == name]
        for clip in dict.fromkeys(o.cell.clip for o in same) if full else ("",):
            these = [o for o in same if clip in ("", o.cell.clip)]
            for method in dict.fromkeys(m for o in these for m in o.found):
                lines.append(row(f"{name} {clip}".strip(), method, these, goal_of(name)))
    return lines


def noise_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """The noise that ours finds over the noise that is there."""
    known = [o for o in outcomes if o.noise is not None]
    lines = []
    for name in dict.fromkeys(o.cell.degradation for o in known):
        ratios = [o.noise for o in known if o.cell.degradation == name and o.noise is not None]
        off = max(abs(r - 1) for r in ratios)
        verdict = "yes" if off <= NOISE_GOAL else f"no: within {NOISE_GOAL:g}"
        lines.append(f"| {name} | {min(ratios):.3f} to {max(ratios):.3f} | {verdict} |")
    return ["", "| noise | found over known | goal |", "|---|--:|---|", *lines] if lines else []


def move_row(clip: str, method: str, found: Moves) -> str:
    missed = ["share"] if found.share < SHARE_GOAL else []
    missed += ["largest"] if found.largest > LARGEST_GOAL else []
    verdict = "" if method != OURS else "no: " + ", ".join(missed) if missed else "yes"
    return (
        f"| {clip} | {method} | {100 * found.share:.2f} % | {100 * found.worst_share:.1f} % {found.worst_channel} "
        f"| {found.largest:.1f} {found.largest_where} | {found.moved:.2f} | {verdict} |"
    )


def undegraded_lines(clips: Sequence[str], seconds: float | None) -> list[str]:
    mine = ours()
    methods = dict(BASELINES)
    if mine is not None:
        methods[OURS] = lambda shot: mine(shot).shot
    head = "| undegraded | method | within 3 sigma | least of a channel | largest, sigmas | RMS, sigmas | goals |"
    lines = ["", head, "|---|---|--:|--:|--:|--:|---|"]
    return lines + [move_row(clip, n, moves(m, clip, seconds)) for clip in clips for n, m in methods.items()]


def run_all(cells: Sequence[Cell], jobs: int) -> list[Outcome]:
    if jobs == 1:
        return list(map(run, cells))
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(run, cells))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.clean",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--clip", action="append", choices=CLIPS, help="all when not given; can be repeated")
    parser.add_argument(
        "--steady", action="store_true", help="against the truths whose planted feet are held"
    )
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--only", action="append", help="degradations that begin so; can be repeated")
    parser.add_argument("--seconds", type=float, help="of each clip, from its start; all when not given")
    parser.add_argument("--full", action="store_true", help="a row for each clip as well")
    parser.add_argument("--no-undegraded", action="store_true", help="leave the undegraded clips out")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    options = parser.parse_args(arguments)
    began = time.perf_counter()
    clips = options.clip or CLIPS
    wanted = tuple(options.only or ("",))
    names = [name for name in NAMES if name.startswith(wanted)] or list(wanted)
    truths = [clip + STEADY if options.steady else clip for clip in clips]
    cells = [Cell(c, n, s, options.seconds) for c in truths for n in names for s in range(options.seeds)]
    outcomes = run_all(cells, options.jobs)
    if ours() is None:
        print(f"{OURS}: not there yet\n")
    lines = [*report(outcomes, options.full), *noise_lines(outcomes)]
    lines += [] if options.no_undegraded else undegraded_lines(clips, options.seconds)
    print("\n".join(lines))
    print(f"{len(cells)} trials in {time.perf_counter() - began:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()

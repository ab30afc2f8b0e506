"""How well `check` finds what was planted, and how quiet it stays where nothing was.

    python -m benchmarks.quality_check [--seeds 20] [--clip 01_03]... [--jobs 2]

Shots and faults are those of `benchmarks.corpus` and `benchmarks.faults`: no range and no control is given. A fault is
found when a flag of warn or error stands at its control and channel within a key of it; its cause is named rightly when
the flagged keys are the faulty ones (a zigzag: most of them and no other). Sound shots: flags a 100 control-seconds.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product

import numpy as np

from benchmarks.corpus import HABITS, Habit, keyed_shot
from benchmarks.faults import KINDS, SIZES, Fault, Kind, injected, recovery
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.shot import Shot


@dataclass(frozen=True)
class Trial:
    clip: str
    habit: Habit
    kind: Kind | None  # None: a sound shot
    size: float
    seed: int


@dataclass(frozen=True)
class Result:
    trial: Trial
    found: bool
    cause: bool
    stray: int  # warn and error flags that are no fault's
    seconds: float  # control-seconds looked at
    recovery: float | None  # of the mend, None where it wasn't found
    new_errors: int


def run(trial: Trial) -> Result:
    """One shot checked; a pure function of the trial."""
    clean = keyed_shot(trial.clip, trial.seed, trial.habit)
    looked_at = len(clean.controls) * (clean.last_frame - clean.first_frame + 1) / clean.fps
    if trial.kind is None:
        return Result(trial, False, False, len(check(stage_of(clean, Look()))), looked_at, None, 0)
    faulty, fault = injected(clean, trial.seed, trial.kind, trial.size)
    flags = check(stage_of(faulty, Look()))
    mine = [flag for flag in flags if _is_about(flag, fault)]
    named = any(_names(flag, fault) for flag in mine)
    left, new = _mended(clean, faulty, fault, mine)
    return Result(trial, bool(mine), named, len(flags) - len(mine), looked_at, left, new)


def _is_about(flag: Flag, fault: Fault) -> bool:
    here = (flag.cause.control, flag.cause.channel) == (fault.control, fault.channel)
    near = flag.frames[0] <= max(fault.frames) + 14 and flag.frames[1] >= min(fault.frames) - 14
    return here and near and flag.severity != "note"


def _names(flag: Flag, fault: Fault) -> bool:
    named, true = set(flag.cause.frames), {float(frame) for frame in fault.frames}
    return named == true if len(true) == 1 else len(named & true) >= 0.6 * len(true) and named <= true


def _mended(clean: Shot, faulty: Shot, fault: Fault, flags: list[Flag]) -> tuple[float | None, int]:
    if not flags:
        return None, 0
    result = mend(faulty, Look(), flags)
    before = {flag.id for flag in check(stage_of(faulty, Look())) if flag.severity == "error"}
    after = [flag for flag in check(stage_of(result.shot, Look())) if flag.severity == "error"]
    new = sum(flag.id not in before for flag in after)
    return recovery(clean, faulty, result.shot, fault), new


def report(results: list[Result]) -> Iterator[str]:
    """Two markdown tables."""
    groups: dict[tuple[str, str], list[Result]] = defaultdict(list)
    for result in results:
        if result.trial.kind is not None:
            for habit in (result.trial.habit, "all"):
                groups[habit, result.trial.kind].append(result)
            groups["all", f"{result.trial.kind} {result.trial.size:g}"].append(result)
    yield "| habit | fault | runs | found | cause of found | median recovery of mended | made worse | new errors |"
    yield "|---|---|--:|--:|--:|--:|--:|--:|"
    for (habit, kind), rows in groups.items():
        found = [row for row in rows if row.found]
        cause = np.mean([row.cause for row in found]) if found else 0.0
        gone = [row.recovery for row in found if row.recovery is not None]
        median, worse = (float(np.median(gone)), np.mean(np.array(gone) < 0)) if gone else (0.0, 0.0)
        new = sum(row.new_errors for row in rows)
        share = len(found) / len(rows)
        yield f"| {habit} | {kind} | {len(rows)} | {share:.0%} | {cause:.0%} | {median:.2f} | {worse:.0%} | {new} |"
    yield ""
    yield "| habit | sound shots | flags a 100 control-seconds | worst shot |"
    yield "|---|--:|--:|--:|"
    for habit in HABITS:
        rows = [r for r in results if r.trial.kind is None and r.trial.habit == habit]
        if rows:
            rate = 100 * sum(r.stray for r in rows) / sum(r.seconds for r in rows)
            yield f"| {habit} | {len(rows)} | {rate:.2f} | {max(r.stray for r in rows)} |"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--clip", action="append")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    clips, seeds = options.clip or ["01_03"], range(options.seeds)
    trials = [Trial(*t) for t in product(clips, HABITS, KINDS, SIZES, seeds)]
    trials += [Trial(clip, habit, None, 0.0, seed) for clip, habit, seed in product(clips, HABITS, seeds)]
    with ProcessPoolExecutor(options.jobs) as pool:
        results = list(pool.map(run, trials, chunksize=4))
    print("\n".join(report(results)))


if __name__ == "__main__":
    main()

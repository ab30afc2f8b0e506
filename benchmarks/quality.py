"""How often the cause of a fault is found, how much of it is cured, and how seldom a sound curve is touched.

`python -m benchmarks.quality` injects faults of known place and size (see `benchmarks.faults`) and hands the
flagged range and the control to the tool, and to three common smoothers as baselines (`benchmarks.cures`). The
same ranges without the fault are handed in too. The tables on stdout are Markdown. Tune on 01_01 (the default)
and score on the clips that were never tuned on: `--clip 01_03 --clip Boxing_Toes`.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from typing import get_args

import numpy as np

from benchmarks.corpus import HABITS, Habit, keyed_shot, screen_move
from benchmarks.cures import METHODS
from benchmarks.faults import KINDS, SIZES, Fault, Kind, injected, recovery
from refine.curve import unknowns
from refine.shot import Shot

SEEN = 1.0  # px: a smaller move is not seen
CHANGED = 1e-9  # in the channel's unit or per frame: below this a key is as it was
ZIGZAG_SHARE = 0.6  # of the faulty keys of a zigzag must be named


@dataclass(frozen=True)
class Trial:
    """One fault to inject and cure; everything follows from these."""

    clip: str
    seed: int
    habit: Habit
    kind: Kind
    size: float
    methods: tuple[str, ...]
    strength: float = 1.0
    handmade: float = 0.0


@dataclass(frozen=True)
class Outcome:
    """What one method did in one trial; `sound_move` is what it did to the same range without the fault."""

    trial: Trial
    method: str
    changed: bool
    right: bool  # exactly the faulty keys were changed
    top3: bool  # they were, or they are among the first three candidates
    recovery: float  # of the faulty channel; 0 where nothing was changed
    stray_move: float  # px: what was done to channels without a fault
    sound_move: float  # px


# --- one trial -----------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def _clean(clip: str, seed: int, habit: Habit, handmade: float) -> Shot:
    return keyed_shot(clip, seed, habit, handmade=handmade)


def run(trial: Trial) -> tuple[Outcome, ...]:
    """Inject, cure by each method, compare with the truth. A pure function of the trial."""
    clean = _clean(trial.clip, trial.seed, trial.habit, trial.handmade)
    faulty, fault = injected(clean, trial.seed, trial.kind, trial.size)
    try:
        return tuple(_outcome(trial, method, clean, faulty, fault) for method in trial.methods)
    except Exception as error:
        error.add_note(f"in {trial}, {fault}")
        raise


def _outcome(trial: Trial, method: str, clean: Shot, faulty: Shot, fault: Fault) -> Outcome:
    cure = METHODS[method](faulty, fault.control, fault.flagged, trial.strength)
    sound = METHODS[method](clean, fault.control, fault.flagged, trial.strength).shot
    changed = changed_keys(faulty, cure.shot)
    right = is_right(faulty, cure.shot, fault)
    named = (
        (control, channel) == (fault.control, fault.channel) and names_truth(frames, fault)
        for control, channel, frames in cure.candidates[:3]
    )
    return Outcome(
        trial=trial,
        method=method,
        changed=bool(changed),
        right=right,
        top3=right or any(named),
        recovery=recovery(clean, faulty, cure.shot, fault) if changed else 0.0,
        stray_move=stray_move(faulty, cure.shot, fault),
        sound_move=screen_move(sound, clean, clean.frames) if changed_keys(clean, sound) else 0.0,
    )


def changed_keys(before: Shot, after: Shot) -> dict[tuple[str, str], tuple[set[int], set[int]]]:
    """Of each changed channel the frames of keys whose value, and of keys whose slope, differs."""
    changed = {}
    for old, new in zip(before.controls, after.controls, strict=True):
        for one, other in zip(old.channels, new.channels, strict=True):
            if one.keys is None or other.keys is None or one.keys is other.keys:
                continue
            step = np.abs(unknowns(other.keys) - unknowns(one.keys)).reshape(len(one.keys), 3) > CHANGED
            frames = np.rint(one.keys.frames).astype(int)
            pair = set(frames[step[:, 0]].tolist()), set(frames[step[:, 1:].any(axis=1)].tolist())
            if pair[0] or pair[1]:
                changed[old.name, one.name] = pair
    return changed


def names_truth(frames: Iterable[int], fault: Fault) -> bool:
    """The frames are those of the faulty keys; of a zigzag 60 % of them and no other."""
    named, truth = set(frames), set(fault.frames)
    if fault.kind == "zigzag":
        return named <= truth and len(named) >= ZIGZAG_SHARE * len(truth)
    return named == truth


def is_right(faulty: Shot, fixed: Shot, fault: Fault) -> bool:
    """Exactly the faulty keys were changed, and no other channel is seen to move.

    Where the fault set the neighbours' slopes anew, its cure may do so too.
    """
    changed = changed_keys(faulty, fixed)
    values, slopes = changed.get((fault.control, fault.channel), (set(), set()))
    if fault.kind == "value_reslope":
        found = names_truth(values, fault) and slopes <= _with_neighbours(faulty, fault)
    else:
        found = names_truth(values | slopes, fault)
    return found and stray_move(faulty, fixed, fault) <= SEEN


def stray_move(faulty: Shot, fixed: Shot, fault: Fault) -> float:
    """What changes of channels that had no fault move on screen, in px."""
    channel = (fault.control, fault.channel)
    if set(changed_keys(faulty, fixed)) <= {channel}:
        return 0.0
    restored = faulty.control(fault.control).channel(fault.channel)
    assert restored is not None
    return screen_move(fixed.with_channel(fault.control, restored), faulty, faulty.frames)


def _with_neighbours(shot: Shot, fault: Fault) -> set[int]:
    channel = shot.control(fault.control).channel(fault.channel)
    assert channel is not None
    assert channel.keys is not None
    around = {k + step for k in fault.keys for step in (-1, 0, 1)}
    return {round(channel.keys.frames[k]) for k in around}


# --- the report ----------------------------------------------------------------------------------------

HEAD = (
    "| habit | fault | runs | right key | top 3 | abstained | median recovery | of those changed "
    "| worst decile | made worse | other channel moved | meets |"
)
RULE = "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|---|"
GOALS = (
    "Goals: right key >= 90 %, median recovery >= 0.80, made worse <= 5 %; of value_reslope, which the curve "
    "alone can't show, only made worse <= 5 %. Abstaining counts as recovery 0. Sound ranges moved <= 2 %. "
    "Recovery and made worse are of the faulty channel; other channels moved by > 1 px stand beside them."
)


def _percent(flags: Iterable[bool]) -> str:
    return f"{100 * np.mean(list(flags)):.0f} %"


def table_row(labels: Sequence[str], outcomes: Sequence[Outcome], kind: Kind | None) -> str:
    """One row of the table; the last column names the goals that are missed."""
    score = np.array([o.recovery for o in outcomes])
    done = score[[o.changed for o in outcomes]]
    right = np.mean([o.right for o in outcomes])
    worse = np.mean(score < 0)
    missed = [f"worse {100 * worse:.1f} %"] if worse > 0.05 else []
    if kind != "value_reslope":
        missed += ["right key"] if right < 0.9 else []
        missed += ["median"] if np.median(score) < 0.8 else []
    cells = [
        *labels,
        str(len(outcomes)),
        _percent(o.right for o in outcomes),
        _percent(o.top3 for o in outcomes),
        _percent(not o.changed for o in outcomes),
        f"{np.median(score):.2f}",
        f"{np.median(done):.2f}" if len(done) else "",
        f"{np.quantile(score, 0.1):.2f}",
        _percent(score < 0),
        _percent(o.stray_move > SEEN for o in outcomes),
        "no: " + ", ".join(missed) if missed else "yes",
    ]
    return "| " + " | ".join(cells) + " |"


def report(outcomes: Sequence[Outcome]) -> str:
    """The Markdown tables: the tool by habit and fault, all methods by fault and size, sound ranges."""
    lines = [GOALS]
    for method in dict.fromkeys(o.method for o in outcomes):
        own = [o for o in outcomes if o.method == method]
        lines += ["", f"## {method}", "", HEAD, RULE]
        for habit in dict.fromkeys(o.trial.habit for o in own):
            for kind in dict.fromkeys(o.trial.kind for o in own):
                cell = [o for o in own if (o.trial.habit, o.trial.kind) == (habit, kind)]
                lines.append(table_row([habit, kind], cell, kind))
        for kind in dict.fromkeys(o.trial.kind for o in own):
            for size in dict.fromkeys(o.trial.size for o in own):
                cell = [o for o in own if (o.trial.kind, o.trial.size) == (kind, size)]
                lines.append(table_row(["all", f"{kind} {size:g}"], cell, kind))
    return "\n".join([*lines, "", *_sound_ranges(outcomes)])


def _sound_ranges(outcomes: Sequence[Outcome]) -> list[str]:
    methods = list(dict.fromkeys(o.method for o in outcomes))
    lines = ["## Ranges without a fault that are seen to move (> 1 px)", "", "| habit | ranges | "]
    lines[-1] += " | ".join(methods) + " |"
    lines.append("|---|--:|" + "--:|" * len(methods))
    for habit in [*dict.fromkeys(o.trial.habit for o in outcomes), "all"]:
        cell = [o for o in outcomes if habit in ("all", o.trial.habit)]
        shares = [
            f"{100 * np.mean([o.sound_move > SEEN for o in cell if o.method == m]):.1f} %" for m in methods
        ]
        lines.append(f"| {habit} | {len(cell) // len(methods)} | " + " | ".join(shares) + " |")
    return lines


# --- the run -------------------------------------------------------------------------------------------


def trials(options: argparse.Namespace) -> list[Trial]:
    """Every habit, fault and size over the seeds; those that share a shot stand together."""
    sizes = (0.2,) if options.quick else SIZES
    seeds = min(options.seeds, 4) if options.quick else options.seeds
    return [
        Trial(clip, seed, habit, kind, size, tuple(options.method), options.strength, options.handmade)
        for clip in options.clip
        for seed in range(seeds)
        for habit in options.habit
        for kind in options.kind
        for size in sizes
    ]


def run_all(work: Sequence[Trial], jobs: int) -> list[Outcome]:
    if jobs == 1:
        return [outcome for trial in work for outcome in run(trial)]
    with ProcessPoolExecutor(jobs) as pool:
        return [outcome for each in pool.map(run, work, chunksize=12) for outcome in each]


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.quality", description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--clip", action="append", help="01_01 when not given; can be repeated")
    parser.add_argument("--habit", action="append", choices=get_args(Habit), help="all when not given")
    parser.add_argument("--kind", action="append", choices=get_args(Kind), help="all when not given")
    parser.add_argument("--method", action="append", choices=list(METHODS), help="all when not given")
    parser.add_argument("--strength", type=float, default=1.0)
    parser.add_argument("--handmade", type=float, default=0.0, help="share of slopes adjusted by hand")
    parser.add_argument("--quick", action="store_true", help="4 seeds, one size")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    options = parser.parse_args(arguments)
    for name, every in (("clip", ["01_01"]), ("habit", HABITS), ("kind", KINDS), ("method", METHODS)):
        setattr(options, name, getattr(options, name) or list(every))
    began = time.perf_counter()
    work = trials(options)
    outcomes = run_all(work, options.jobs)
    print(f"# Quality on {', '.join(options.clip)}: {len(work)} faults\n\n{report(outcomes)}")
    print(f"{len(work)} trials in {time.perf_counter() - began:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()

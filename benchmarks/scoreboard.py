"""One scoreboard for `refine check`: every fault of the catalogue planted into keyed and baked shots.

    python -m benchmarks.scoreboard [--seeds 20] [--clip 01_03]... [--fault "dead stop"]... [--jobs 2]
    python -m benchmarks.scoreboard --confusing FOLDER    also pictures of the worst misses and false flags

Sizes are 1.5 times the catalogue's warning and error. 01_01 is for tuning; the default clips weren't tuned on. A fault
is found where a flag of warn or error says its name at its control or along its chain, about when it is; what the
sound shot is flagged for doesn't count. On untouched shots each flag of warn or error is a false one, but angle wraps
that their files really have. The cause is that of the worst such flag. The mend is what `suggest --flag`
does with those flags: recovery is 1 - |mended - clean| / |faulty - clean| in px over all points and frames, median of
those mended; of faults that have no one right answer (*) the share whose measure is sound again. Goals stand in the
head; what misses one is marked with !.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import groupby, product
from pathlib import Path

import numpy as np

from benchmarks.planted.planted import SIZES, Row, Size
from benchmarks.scored import Noise, Outcome, Quiet, Trial, listen, row_of, rows, run

CLIPS = ("01_03", "Boxing_Toes")
KINDS = ("keyed", "baked at 24 fps", "as captured")
# Bases with something beside the clip: eyes and gazes, holds, loops, props, and made walks and jumps. Not the clips
# with marked contacts: the marks say that feet stand on heights that differ by centimetres.
MADE = (
    "gaze off target, keyed",
    "eyes diverge, keyed",
    "frozen hold, keyed",
    "loop seam, keyed",
    "loop seam, baked",
    "attachment pop, keyed",
    "sliding contact, keyed",
    "through floor, baked",
    "false flight, keyed",
    "false flight, baked",
)
MADE_SEEDS = 4
RECALL: dict[Size, float] = {"warn": 0.6, "error": 0.9}
CAUSE, RECOVERY, WORSE, NOISE = 0.85, 0.8, 0.05, 1.0  # goals
HEAD = (
    "| fault | runs | recall warn >= 60 % | recall error >= 90 % | cause >= 85 % | mended, of found "
    "| recovery >= 0.8 | worse <= 5 % | new errors |"
)


def trials(chosen: Sequence[Row], clips: Sequence[str], seeds: int) -> list[Trial]:
    """Row by row, so that a process keeps its clips warm. Made shots take as many seeds as the clips have."""
    found = []
    for row in chosen:
        places = [(clip, seed) for clip in clips for seed in range(seeds)]
        if not row.uses_clip:
            places = [(clips[0], seed) for seed in range(len(places))]
        found += [Trial(row.name, clip, seed, size) for size in SIZES for clip, seed in places]
    return found


def quiets(clips: Sequence[str], seeds: int) -> list[Quiet]:
    keyed = [Quiet("keyed", clip, seed) for clip, seed in product(clips, range(seeds))]
    whole = [Quiet(kind, clip, 0) for kind, clip in product(KINDS[1:], clips)]
    made = [
        Quiet(name, clip, seed)
        for name in MADE
        for clip in (clips if row_of(name).uses_clip else clips[:1])
        for seed in range(min(seeds, MADE_SEEDS))
    ]
    return [*keyed, *whole, *made]


# --- the table -------------------------------------------------------------------------------------------


def table(outcomes: Iterable[Outcome]) -> Iterator[str]:
    """Markdown, each line as soon as its row is done."""
    yield HEAD
    yield "|---|--:|--:|--:|--:|--:|--:|--:|--:|"
    for name, group in groupby(outcomes, key=lambda outcome: outcome.trial.row):
        yield _line(row_of(name), [outcome for outcome in group if outcome.planted])


def _line(row: Row, done: Sequence[Outcome]) -> str:
    by_size = {size: [o for o in done if o.trial.size == size] for size in SIZES}
    found = [o for o in done if o.found]
    mended = [o for o in found if o.mended]
    scores = [o.recovery for o in mended if o.recovery is not None]
    cells = [row.name + (" *" if row.banded else ""), " + ".join(str(len(by_size[size])) for size in SIZES)]
    cells += [_share((o.found for o in by_size[size]), lambda s, g=RECALL[size]: s >= g) for size in SIZES]  # type: ignore[misc]
    cells += [_share((o.named for o in found), lambda s: s >= CAUSE), _share(o.mended for o in found)]
    cells += [_recovery(row, scores), _share((o.worse for o in mended), lambda s: s <= WORSE)]
    return f"| {' | '.join(cells)} | {_share((o.new_error for o in mended), lambda s: s == 0)} |"


def _share(flags: Iterable[bool], good: Callable[[float], bool] | None = None) -> str:
    values = list(flags)
    if not values:
        return "-"
    share = float(np.mean(values))
    return f"{100 * share:.3g} %" + ("" if good is None or good(share) else " !")


def _recovery(row: Row, scores: Sequence[float]) -> str:
    if not scores:
        return "-"
    if row.banded:
        return _share((score > 0 for score in scores), lambda s: s >= RECOVERY)
    median = float(np.median(scores))
    return f"{median:.2f}" + ("" if median >= RECOVERY else " !")


def quiet_table(noises: Sequence[Noise]) -> Iterator[str]:
    yield "| untouched shots | control-seconds | false flags | per 100 control-s <= 1 | which | real wraps |"
    yield "|---|--:|--:|--:|---|--:|"
    for kind in (*KINDS, *MADE):
        own = [noise for noise in noises if noise.quiet.kind == kind]
        if own:
            words = kind if kind in KINDS else f"base of: {kind}"
            seconds, flags = sum(n.seconds for n in own), [flag for n in own for flag in n.flags]
            rate = 100 * len(flags) / seconds
            names = sorted({flag.fault for flag in flags})
            which = ", ".join(f"{sum(f.fault == name for f in flags)} {name}" for name in names)
            mark = "" if rate <= NOISE else " !"
            real = sum(len(n.real) for n in own)
            yield f"| {words} | {seconds:.0f} | {len(flags)} | {rate:.2f}{mark} | {which} | {real} |"


def main() -> None:
    options = _parser().parse_args()
    chosen, clips, began = rows(options.fault or ()), options.clip or list(CLIPS), time.perf_counter()
    if not chosen:
        sys.exit(f"no such fault; there are: {', '.join(dict.fromkeys(row.fault for row in rows()))}")
    work = trials(chosen, clips, options.seeds)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for line in table(_kept(pool.map(run, work, chunksize=max(options.seeds // 2, 1)), outcomes)):
            print(line, flush=True)
        noises = list(pool.map(listen, quiets(clips, options.seeds), chunksize=4))
    print()
    print("\n".join(quiet_table(noises)), flush=True)
    if options.show:
        print("\n".join(map(_words, outcomes)))
    if options.confusing is not None:
        from benchmarks.confusing import pictures

        for path in pictures(outcomes, noises, options.confusing):
            print(path)
    print(f"{time.perf_counter() - began:.0f} s", file=sys.stderr)


def _kept(each: Iterable[Outcome], kept: list[Outcome]) -> Iterator[Outcome]:
    for outcome in each:
        kept.append(outcome)
        yield outcome


def _words(o: Outcome) -> str:
    where = f"{o.trial.row} {o.trial.size} {o.trial.clip} {o.trial.seed}"
    if not o.planted:
        return f"{where}: no place"
    words = ("found" if o.found else "missed", "cause" if o.named else "", "worse" if o.worse else "")
    recovery = "" if o.recovery is None else f" {o.recovery:.2f}"
    return f"{where}: {' '.join(filter(None, words))}{recovery} {o.why} ({o.seconds:.1f} s)"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--clip", action="append", help="default: 01_03 and Boxing_Toes")
    parser.add_argument("--fault", action="append", help='a row: "spike", or only "spike, keyed"')
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="each trial on a line of its own")
    parser.add_argument("--confusing", type=Path, help="a folder for pictures of what went wrong most")
    return parser


if __name__ == "__main__":
    main()

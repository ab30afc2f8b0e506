"""Keys moved with their slopes, which no curve tells, found by the feet and hands that slide for it.

    python -m benchmarks.quality_held [--seeds 4] [--jobs 2]

Each key between the first and the last of the hips, spine, chest and of a leg of the demo's sound shot (feet planted,
hands on a tray from 41 to 156), and of the hips and a leg of made walks, is moved by 4 to 8 degrees or 3 to 6 cm, turns
once more by 20 to 60 degrees, and the slopes of its channel are set anew by the rule that they follow there. Found: a
slide is flagged; of a leg that is in the air there is none. Right: its cause is that key alone. Wrong: another channel
is named. Recovery: 1 - |mended - clean| / |faulty - clean| of the channel over its frames, by `suggest --flag` with
those flags.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np

from benchmarks.corpus import Rule, slopes_by
from benchmarks.planted.contacts import stepping
from refine.curve import evaluate
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.formats import read
from refine.shot import ROTATIONS, Array, Keys, Shot

DEMO = Path(__file__).resolve().parents[1] / "demo" / "make_shot.py"
BAKER, WALK = "baker", "walk"
LEG = ("thigh.L", "shin.L")
PLACES = {
    BAKER: (
        ("hips", (1, 168)),
        ("spine", (41, 156)),
        ("chest", (41, 156)),
        *((leg, (1, 168)) for leg in LEG),
    ),
    WALK: (("hips", (1, 190)), *((leg, (1, 190)) for leg in LEG)),
}
RULE: dict[str, Rule] = {BAKER: "flat", WALK: "natural"}
TURN, SHIFT, FAR = (4.0, 8.0), (0.03, 0.06), (20.0, 60.0)  # deg, m, deg
EVERY = 6  # frames between the keys of the walk's hips that are moved
SLIDE = "sliding contact"


@dataclass(frozen=True)
class Trial:
    shot: str
    seed: int
    control: str
    channel: str
    key: int
    far: bool = False


@dataclass(frozen=True)
class Result:
    trial: Trial
    found: bool
    right: bool
    wrong: bool
    recovery: float | None  # None where it wasn't mended


@lru_cache(maxsize=4)
def sound(name: str, seed: int) -> Shot:
    if name == WALK:
        return stepping(seed=seed, keyed=3)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clean.shot.json"
        subprocess.run([sys.executable, str(DEMO), "--clean", str(path)], check=True)
        return read(path).shot


def keys_of(shot: Shot, control: str, channel: str) -> Keys:
    found = shot.control(control).channel(channel)
    assert found is not None
    assert found.keys is not None
    return found.keys


def with_keys(shot: Shot, control: str, channel: str, keys: Keys) -> Shot:
    found = shot.control(control).channel(channel)
    assert found is not None
    return shot.with_channel(control, replace(found, keys=keys))


def trials(seeds: int) -> Iterator[Trial]:
    for name, seed in [(BAKER, 0), *((WALK, seed) for seed in range(seeds))]:
        shot = sound(name, seed)
        for control, (first, last) in PLACES[name]:
            for channel in shot.control(control).channels:
                assert channel.keys is not None
                for k in range(1, len(channel.keys) - 1):
                    frame = channel.keys.frames[k]
                    if first <= frame <= last and (name == BAKER or frame % EVERY == 0):
                        yield Trial(name, seed, control, channel.name, k)
                        if channel.name in ROTATIONS and k % 2:
                            yield Trial(name, seed, control, channel.name, k, far=True)


def planted(clean: Shot, trial: Trial) -> Shot:
    """The shot with the key moved and the slopes that followed the rule before set anew by it."""
    rng = np.random.default_rng(
        [trial.seed, trial.key, len(trial.channel), ord(trial.channel[-1]), len(trial.control)]
    )
    near = TURN if trial.channel in ROTATIONS else SHIFT
    size = rng.uniform(*(FAR if trial.far else near)) * rng.choice([-1.0, 1.0])
    keys = keys_of(clean, trial.control, trial.channel)
    values = keys.values.copy()
    values[trial.key] += size
    before, after = (
        slopes_by(RULE[trial.shot], keys.frames, each[:, 0])[:, None] for each in (keys.values, values)
    )
    follows = np.abs(before - keys.outgoing) < 1e-4
    changed = {side: np.where(follows, after, getattr(keys, side)) for side in ("incoming", "outgoing")}
    return with_keys(clean, trial.control, trial.channel, keys.changed(values=values, **changed))


def run(trial: Trial) -> Result:
    """One shot checked and mended; a pure function of the trial."""
    clean = sound(trial.shot, trial.seed)
    faulty = planted(clean, trial)
    flags = [flag for flag in check(stage_of(faulty, Look())) if flag.fault == SLIDE]
    frame = float(keys_of(clean, trial.control, trial.channel).frames[trial.key])
    named = {(f.cause.control, f.cause.channel) for f in flags if f.cause.channel is not None}
    mine = (trial.control, trial.channel)
    right = any((f.cause.control, f.cause.channel, f.cause.frames) == (*mine, (frame,)) for f in flags)
    return Result(trial, bool(flags), right, bool(named - {mine}), _recovery(clean, faulty, trial, flags))


def _recovery(clean: Shot, faulty: Shot, trial: Trial, flags: Sequence[object]) -> float | None:
    if not flags:
        return None
    mended = mend(faulty, Look(), [f for f in check(stage_of(faulty, Look())) if f.fault == SLIDE])
    if not mended.mended:
        return None
    truth, bad, new = (_curve(shot, trial) for shot in (clean, faulty, mended.shot))
    return float(1 - np.linalg.norm(new - truth) / np.linalg.norm(bad - truth))


def _curve(shot: Shot, trial: Trial) -> Array:
    return evaluate(keys_of(shot, trial.control, trial.channel), shot.frames)[:, 0]


def report(results: Sequence[Result]) -> Iterator[str]:
    yield "| shot | keys moved | found | right key | another channel named | mended | median recovery | made worse |"
    yield "|---|--:|--:|--:|--:|--:|--:|--:|"
    for name, leg, far in product((BAKER, WALK), (False, True), (False, True)):
        own = [
            each
            for each in results
            if (each.trial.shot, each.trial.control in LEG, each.trial.far) == (name, leg, far)
        ]
        scores = [each.recovery for each in own if each.recovery is not None]
        cells = [np.mean([getattr(each, what) for each in own]) for what in ("found", "right", "wrong")]
        shares = " | ".join(f"{100 * cell:.0f} %" for cell in cells)
        median = f"{np.median(scores):.2f}" if scores else "-"
        worse = f"{100 * np.mean(np.array(scores) < 0):.0f} %" if scores else "-"
        what = f"{name}, {'a leg' if leg else 'the trunk'}{', far' if far else ''}"
        yield f"| {what} | {len(own)} | {shares} | {100 * len(scores) / len(own):.0f} % | {median} | {worse} |"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=4, help="walks")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.jobs) as pool:
        print("\n".join(report(list(pool.map(run, trials(options.seeds), chunksize=8)))))


if __name__ == "__main__":
    main()

"""One trial: a clip's truth, a degradation of it, a method, and what is left. What baselines leave is kept on disk.

evaluate(method, "01_01", "spikes-0.5", seed=0, seconds=10)   -> Figures
baselines("01_01", "spikes-0.5", 0, 10)                       -> {name: Figures}, from .cache/clean/ if possible
baseline_best(...)                                            -> the least RMS and 99th percentile of those that count
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable
from dataclasses import asdict
from functools import cache, lru_cache
from pathlib import Path

from benchmarks.cleaning import baselines as usual
from benchmarks.cleaning.degrade import Degraded, degraded
from benchmarks.cleaning.figures import Figures, Reference, figures, reference
from benchmarks.cleaning.steady_truth import truth_of
from benchmarks.cleaning.table import first_seconds
from benchmarks.open_data import cache_folder
from refine.shot import Shot

SOURCES = (
    *("trial", "truth", "steady_truth", "degrade", "drift"),
    *("baselines", "smoothers", "figures", "standing", "table"),
)


@lru_cache(maxsize=4)
def reference_of(clip: str, seconds: float | None) -> Reference:
    return reference(first_seconds(truth_of(clip), seconds))


@lru_cache(maxsize=4)
def degraded_of(clip: str, degradation: str, seed: int, seconds: float | None) -> Degraded:
    known = reference_of(clip, seconds)
    return degraded(known.shot, degradation, seed, known.standing.scale)


def evaluate(
    method: Callable[[Shot], Shot], clip: str, degradation: str, seed: int = 0, seconds: float | None = None
) -> Figures:
    """What a method leaves of a degradation. seconds: of the clip, from its start; None is all."""
    shot = degraded_of(clip, degradation, seed, seconds).shot
    began = time.process_time()
    after = method(shot)
    took = time.process_time() - began
    return figures(reference_of(clip, seconds), after, took)


def untouched(shot: Shot) -> Shot:
    return shot


def baselines(clip: str, degradation: str, seed: int = 0, seconds: float | None = None) -> dict[str, Figures]:
    """What the degraded shot itself and each baseline have, from the cache where this code has been run before."""
    path = cache_folder() / "clean" / f"{clip}_{degradation}_{seed}_{seconds or 'all'}_{fingerprint()}.json"
    if path.exists():
        return {name: Figures(**each) for name, each in json.loads(path.read_text()).items()}
    methods = {"degraded": untouched, **usual.BASELINES, **usual.BEYOND}
    gaps = degraded_of(clip, degradation, seed, seconds).gaps
    if gaps.any():
        methods[usual.TOLD] = usual.told(gaps)
    found = {name: evaluate(method, clip, degradation, seed, seconds) for name, method in methods.items()}
    _keep(path, json.dumps({name: asdict(each) for name, each in found.items()}, indent=1))
    return found


def _keep(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}.part")
    part.write_text(text)
    os.replace(part, path)


def baseline_best(
    clip: str, degradation: str, seed: int = 0, seconds: float | None = None
) -> dict[str, float]:
    """The least `rms` and `p99` in mm of the baselines that the goals name, each the best of its own."""
    found = baselines(clip, degradation, seed, seconds)
    counted = [found[name] for name in usual.BASELINES]
    return {"rms": min(f.rms for f in counted), "p99": min(f.p99 for f in counted)}


@cache
def fingerprint() -> str:
    """Of the code that the kept figures follow from: also where feet are taken to stand."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    theirs = [here.parent / "corpus.py", *sorted((here.parents[1] / "refine" / "limbs").glob("*.py"))]
    for path in [*(here / f"{name}.py" for name in SOURCES), *theirs]:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]

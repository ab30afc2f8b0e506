"""Pictures of what confused the tool most: faults that it missed, and sound motion that it flagged.

Each is the tool's own picture with a caption. A miss shows the faulty shot before and the sound one after: what a mend
would have to do. A false flag shows the mend, where there is one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from benchmarks.corpus import screen_points
from benchmarks.planted.planted import Truth
from benchmarks.scored import Noise, Outcome, flags_of, is_twin, row_of, untouched
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.measure import wobble
from refine.review.picture import suggestion_picture
from refine.shot import Array, Shot

MOST, MOST_FALSE = 6, 2  # pictures, of false flags
AROUND, LONGEST = 12, 120  # frames beside a fault, and in a picture
MOST_CURVES = 3
SEEN = 0.5  # px, under which a fault can't be seen


def pictures(outcomes: Sequence[Outcome], noises: Sequence[Noise], folder: Path) -> Iterator[Path]:
    """The pictures written, the worst first."""
    folder.mkdir(parents=True, exist_ok=True)
    false = _false_flags(noises)[:MOST_FALSE]
    for number, outcome in enumerate(_misses(outcomes)[: MOST - len(false)], 1):
        yield _written(folder, number, "missed", outcome.trial.row, _miss(outcome))
    for number, (noise, flag) in enumerate(false, MOST - len(false) + 1):
        yield _written(folder, number, "false", flag.fault, _false(noise, flag))


def _written(folder: Path, number: int, kind: str, what: str, text: str) -> Path:
    path = folder / f"{number}-{kind}-{re.sub('[^a-z]+', '-', what.lower())}.svg"
    path.write_text(text, "utf-8")
    return path


# --- misses ------------------------------------------------------------------------------------------------


def _misses(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """One missed trial of each row that missed any, error sizes first, the rows that miss most first."""
    worst: dict[str, tuple[float, Outcome]] = {}
    for size in ("error", "warn"):
        for row in dict.fromkeys(o.trial.row for o in outcomes):
            own = [o for o in outcomes if o.trial.row == row and o.trial.size == size and o.planted]
            missed = [o for o in own if not o.found]
            if missed and row not in worst:
                worst[row] = (len(missed) / len(own) + (size == "error"), missed[0])
    return [outcome for _, outcome in sorted(worst.values(), key=lambda pair: -pair[0])]


def _miss(outcome: Outcome) -> str:
    trial, row = outcome.trial, row_of(outcome.trial.row)
    base = row.base(trial.clip, trial.seed)
    planted = row.plant(base, trial.seed, trial.size)
    assert planted is not None
    faulty, truth = planted
    sound = truth.sound or base
    control, channels = _changed(faulty, sound)
    title = (
        f"Missed: {truth.fault} of {truth.size:.3g} {row.scale.unit} at {truth.control}, frames {truth.frames[0]} to "
        f"{truth.frames[1]} ({trial.clip}, {row.medium}). {_why_missed(faulty, sound, truth)}"
    )
    span = _span(sound, truth.frames)
    return suggestion_picture(faulty, sound, span, control, channels[:MOST_CURVES], None, title)


def _changed(faulty: Shot, sound: Shot) -> tuple[str, list[str]]:
    """The first control that the fault changed, and which of its channels."""
    for bad, good in zip(faulty.controls, sound.controls, strict=True):
        names = [one.name for one, other in zip(bad.channels, good.channels, strict=True) if one != other]
        if names:
            return bad.name, names
    raise ValueError("the two shots are the same")


def _why_missed(faulty: Shot, sound: Shot, truth: Truth) -> str:
    """Another name that it was flagged by, or how it compares with what the sound motion does there."""
    known = flags_of(sound)
    others = [
        flag
        for flag in flags_of(faulty)
        if flag.frames[0] <= truth.frames[1]
        and truth.frames[0] <= flag.frames[1]
        and not any(is_twin(flag, other) for other in known)
    ]
    if others:
        first = max(others, key=lambda flag: flag.ratio)
        return f"It is called a {first.severity}, {first.fault}, at {first.cause.control} instead."
    frames = np.arange(truth.frames[0] - AROUND, truth.frames[1] + AROUND + 1.0)
    frames = frames[(frames >= sound.first_frame) & (frames <= sound.last_frame)]
    clean, bad = screen_points(sound, frames), screen_points(faulty, frames)
    moved = np.linalg.norm(bad - clean, axis=2)
    most = int(np.argmax(moved.max(axis=1)))
    if moved[most].max() < SEEN:
        return f"It moves nothing by more than {moved[most].max():.2g} px."
    return (
        f"It moves a point by {moved[most].max():.1f} px there; the sound path itself leaves a cubic by "
        f"{_own(clean[most]):.1f} px."
    )


def _own(path: Array) -> float:
    """px by which a path (N, 2) leaves a cubic over five frames at the worst: the fourth difference over 6."""
    found = wobble(path)
    return max(found.arc, found.timing)


def _span(shot: Shot, frames: tuple[int, int]) -> tuple[int, int]:
    a, b = max(frames[0] - AROUND, shot.first_frame), min(frames[1] + AROUND, shot.last_frame)
    return a, min(b, a + LONGEST)


# --- false flags -------------------------------------------------------------------------------------------


def _false_flags(noises: Sequence[Noise]) -> list[tuple[Noise, Flag]]:
    """One flag of each fault that was flagged in sound shots, errors and the most frequent first."""
    every = [(noise, flag) for noise in noises for flag in noise.flags]
    count = {
        fault: sum(flag.fault == fault for _, flag in every) for fault in {flag.fault for _, flag in every}
    }
    every.sort(key=lambda pair: (pair[1].severity != "error", -count[pair[1].fault], -pair[1].ratio))
    first: dict[str, tuple[Noise, Flag]] = {}
    for pair in every:
        first.setdefault(pair[1].fault, pair)
    return list(first.values())


def _false(noise: Noise, flag: Flag) -> str:
    shot, control = untouched(noise.quiet), flag.cause.control
    after = mend(shot, Look(), [flag]).shot
    span = _span(shot, flag.frames)
    path = screen_points(shot, np.arange(span[0], span[1] + 1.0))
    usual = float(np.median([_own(each) for each in path]))
    title = (
        f"Flagged though untouched: {flag.fault} at {control}, frames {flag.frames[0]} to {flag.frames[1]} "
        f"({noise.quiet.clip}, {noise.quiet.kind}): {flag.message}. The points of the figure leave a cubic by up to "
        f"{max(_own(each) for each in path):.1f} px there, half of them by {usual:.1f} px."
    )
    own = [channel.name for channel in shot.control(control).channels]
    channels = [flag.cause.channel] if flag.cause.channel else own[:MOST_CURVES]
    return suggestion_picture(shot, after, span, control, channels, None, title)

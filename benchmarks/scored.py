"""One planted fault handed to the tool: found, its cause named, mended, and what else that did."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.corpus import HABITS, captured, clip_at, keyed_shot
from benchmarks.planted.catalogue import ROWS
from benchmarks.planted.planted import Row, Size, Truth, apart
from refine.flags.check import check, stage_of
from refine.flags.flag import RANK, Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.pose import local
from refine.rig import descendants
from refine.shot import Shot

BESIDE = 2  # frames beside the truth's that a flag may stand at
KEY_NEAR = 0.5  # frames by which a flag may miss a key
UNSEEN = 1e-6  # px: a mend that moves less did nothing
WORSE = 0.01  # of the fault, by which a shot has to be farther from the sound one to be worse


@dataclass(frozen=True, slots=True)
class Trial:
    row: str
    clip: str
    seed: int
    size: Size


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a trial.

    `recovery` is None where nothing was mended; of a banded row it is 1 if it is sound again.

    Where the shot had no place for the fault `planted` is False, and the rest says nothing.
    """

    trial: Trial
    planted: bool
    found: bool = False
    named: bool = False
    mended: bool = False
    recovery: float | None = None
    worse: bool = False
    new_error: bool = False
    why: str = ""  # of a fault that was found: what the flag says, and why it was left
    seconds: float = 0.0  # of the processor


def rows(names: Sequence[str] = ()) -> list[Row]:
    """The rows of some faults, given as their names or with their medium; all for none."""
    return [row for row in ROWS if not names or row.fault in names or row.name in names]


def row_of(name: str) -> Row:
    return next(row for row in ROWS if row.name == name)


def flags_of(shot: Shot) -> list[Flag]:
    return check(stage_of(shot, Look()))


def is_twin(one: Flag, other: Flag) -> bool:
    """Whether two flags are the same finding."""
    same = (one.fault, one.control, one.channel) == (other.fault, other.control, other.channel)
    return same and one.frames[0] <= other.frames[1] and other.frames[0] <= one.frames[1]


def found_by(flags: Sequence[Flag], sound: Sequence[Flag], truth: Truth, shot: Shot) -> list[Flag]:
    """The flags that say the fault, the worst first: its name, about when, at its control or along the chain.

    What the sound shot was flagged for already isn't found by it.
    """
    near = {name for each in truth.controls for name in _chain(shot, each)}
    hits = [
        flag
        for flag in flags
        if flag.fault in truth.faults
        and RANK[flag.severity] >= RANK[truth.least]
        and (flag.control in near or flag.cause.control in near)
        and flag.frames[0] <= truth.frames[1] + BESIDE
        and truth.frames[0] - BESIDE <= flag.frames[1]
        and not any(is_twin(flag, other) and other.amount >= 0.8 * flag.amount for other in sound)
    ]
    return sorted(hits, key=lambda flag: (-RANK[flag.severity], -flag.ratio))


def _chain(shot: Shot, name: str) -> set[str]:
    """A control, what it carries and what carries it."""
    found, parent = {name, *descendants(shot, name)}, shot.control(name).parent
    while parent is not None:
        found.add(parent)
        parent = shot.control(parent).parent
    return found


def names_cause(flag: Flag, truth: Truth) -> bool:
    """Whether a flag's cause is the truth's control, a channel of it, and of keyed faults its keys and no others."""
    cause = flag.cause
    if cause.control not in truth.controls:
        return False
    if truth.channels and cause.channel is not None and cause.channel not in truth.channels:
        return False
    if not truth.keys:
        return True
    low, high = min(truth.keys) - KEY_NEAR, max(truth.keys) + KEY_NEAR
    return bool(cause.frames) and all(low <= frame <= high for frame in cause.frames)


def run(trial: Trial) -> Outcome:
    """Plants, checks and mends; a pure function of the trial."""
    began = time.process_time()
    try:
        outcome = _run(trial)
        return replace(outcome, seconds=time.process_time() - began)
    except Exception as error:
        error.add_note(f"in {trial}")
        raise


def _run(trial: Trial) -> Outcome:
    row = row_of(trial.row)
    sound = row.base(trial.clip, trial.seed)
    planted = row.plant(sound, trial.seed, trial.size)
    if planted is None:
        return Outcome(trial, False)
    faulty, truth = planted
    sound = truth.sound or sound
    before, untouched = flags_of(faulty), flags_of(sound)
    hits = found_by(before, untouched, truth, faulty)
    if not hits:
        return Outcome(trial, True)
    named = names_cause(hits[0], truth)
    result = mend(faulty, Look(), hits)
    why = f"{hits[0].fault} at {hits[0].cause.control}.{hits[0].cause.channel} {hits[0].cause.frames}"
    if result.left:
        why += f"; left: {result.left[0][1]}"
    if all(one is other for one, other in zip(result.shot.controls, faulty.controls, strict=True)):
        return Outcome(trial, True, True, named, why=why)
    recovery, worse = _judged(row, result.shot, faulty, sound, truth)
    known = (*before, *untouched)
    after = [flag for flag in flags_of(result.shot) if flag.severity == "error"]
    new = any(not any(is_twin(flag, other) for other in known) for flag in after)
    return Outcome(trial, True, True, named, True, recovery, worse, new, why)


def _judged(row: Row, mended: Shot, faulty: Shot, sound: Shot, truth: Truth) -> tuple[float, bool]:
    """Recovery, and whether the shot is worse than before: in px over the shot, or by the row's own measure."""
    if not row.banded:
        recovery = 1 - apart(mended, sound) / max(apart(faulty, sound), UNSEEN)
        return recovery, recovery < -WORSE
    amounts = [row.measure(shot, sound, truth) for shot in (faulty, mended)]
    sign = -1.0 if row.scale.less else 1.0
    return float(row.scale.sound(amounts[1])), sign * (amounts[1] - amounts[0]) > WORSE * abs(amounts[0])


# --- untouched shots ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Quiet:
    """An untouched shot: a kind (one of the corpus, or the row whose base it is), a clip and a seed."""

    kind: str
    clip: str
    seed: int


@dataclass(frozen=True, slots=True)
class Noise:
    """The flags of warn or error on an untouched shot, and the control-seconds looked at.

    `real` are angle wraps that the file really has, which nobody planted: they are listed, but are no false flags.
    """

    quiet: Quiet
    seconds: float
    flags: tuple[Flag, ...]
    real: tuple[Flag, ...] = ()


def untouched(quiet: Quiet) -> Shot:
    for row in ROWS:
        if row.name == quiet.kind:
            return row.base(quiet.clip, quiet.seed)
    if quiet.kind == "keyed":
        return keyed_shot(quiet.clip, quiet.seed, HABITS[quiet.seed % len(HABITS)])
    return clip_at(quiet.clip, 24.0) if quiet.kind == "baked at 24 fps" else captured(quiet.clip)


def listen(quiet: Quiet) -> Noise:
    shot = untouched(quiet)
    moving = sum(bool(control.channels) for control in shot.controls)
    loud = [flag for flag in flags_of(shot) if flag.severity != "note"]
    real = tuple(flag for flag in loud if flag.fault == "angle wrap" and really_wraps(shot, flag))
    false = tuple(flag for flag in loud if flag not in real)
    return Noise(quiet, moving * len(shot.frames) / shot.fps, false, real)


def really_wraps(shot: Shot, flag: Flag) -> bool:
    """Whether the orientation turns by less than a third of what the numbers jump: they are another way to write it."""
    control = shot.control(flag.control)
    one, other = local(control, shot, np.array(flag.cause.frames))[0]
    turned = np.rad2deg(np.arccos(np.clip((np.trace(one.T @ other) - 1) / 2, -1.0, 1.0)))
    return bool(turned < flag.amount / 3)

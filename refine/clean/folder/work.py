"""One clip from bytes to bytes: what a worker does, wherever it runs.

A job carries the contents of its files and brings back the contents of its results. Only the process that was started
by the user reads and writes files: workers on other machines need no disk in common with it, no two processes ever
write one file, and a result that a lost worker has computed is simply computed again.
"""

from __future__ import annotations

import hashlib
import math
import os
import traceback
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Protocol

import numpy as np

from refine.clean.findings import Findings
from refine.clean.folder import rows
from refine.clean.folder.inputs import KEYED_ENDING
from refine.clean.report.record import plain, version
from refine.clean.settings import Settings
from refine.errors import InputError, NoSolution, RefineError
from refine.formats import (
    ENDINGS,
    SIDE_ENDING,
    Document,
    marks,
    parsed,
    patched,
    respelled,
    side_path,
    spellings,
    write,
)
from refine.formats.splice import Place
from refine.shot import QUATERNION, Channel, Shot

Status = Literal["cleaned", "set aside", "failed"]
FAULT = "a fault of this program: keep the clip and report it"
# Half a unit of the last decimal that is written at least, and what adding and rounding in binary costs up to LARGEST.
ROUNDED = 0.5 * 10.0**-rows.LEAST * 1.01

TURNED = 1e-9  # 1 - cosine of half a turn that digits cost: less than 0.01 deg
SAME_RATE = 1e-9  # relative: a rate is written with 12 digits


class Result(Protocol):
    """A cleaned shot and what was found in it."""

    @property
    def shot(self) -> Shot: ...
    @property
    def findings(self) -> Findings: ...


Cleaner = Callable[[Shot, Settings], Result]  # a function of a module, so that it can be sent by its name


@dataclass(frozen=True, slots=True)
class Job:
    """A clip to clean: its place in the output folder, its bytes and those of its side file."""

    place: str
    data: bytes
    side: bytes | None
    settings: Settings
    cleaner: Cleaner


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a clip could not be cleaned: the parts of an InputError."""

    place: str
    found: str
    allowed: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        return str(InputError(self.place, self.found, self.allowed, self.remedy))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a clip: the files to write, by their places, if it was cleaned. `version` is the worker's."""

    place: str
    status: Status
    version: str
    files: tuple[tuple[str, bytes], ...] = ()
    findings: Findings | None = None
    failure: Failure | None = None


def work(job: Job) -> Outcome:
    """Clean one clip. Never raises for a clip that can't be cleaned: the outcome says why."""
    try:
        return _worked(job)
    except RefineError as error:
        return failed(job.place, _failure(job.place, error))
    except MemoryError:
        remedy = "use fewer --jobs, or cut the clip in two"
        return failed(job.place, Failure(job.place, "there isn't enough memory for it", "", remedy))
    except Exception as error:  # reported with its place: one clip must not stop the rest
        step = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{os.path.basename(step.filename)}:{step.lineno}"
        return failed(job.place, Failure(job.place, f"{type(error).__name__} in {where}: {error}", "", FAULT))


def here(jobs: Iterator[Job]) -> Generator[Outcome, None, None]:
    """The jobs in this process, one after the other."""
    yield from map(work, jobs)


def failed(place: str, failure: Failure) -> Outcome:
    return Outcome(place, "failed", version(), failure=failure)


def _failure(place: str, error: RefineError) -> Failure:
    if isinstance(error, InputError):
        return Failure(error.place, error.found, error.allowed, error.remedy)
    found = str(error)
    return Failure(place, found, "", "loosen one of them" if isinstance(error, NoSolution) else "")


def _worked(job: Job) -> Outcome:
    shot = _read(job)
    result = job.cleaner(shot, job.settings)
    findings = result.findings
    plain(findings)  # raises for what the report couldn't say
    if findings.set_aside:
        return Outcome(job.place, "set aside", version(), findings=findings)
    return Outcome(job.place, "cleaned", version(), _files(job, shot, result.shot), findings)


def _read(job: Job) -> Shot:
    """The clip as `formats.read` reads it from files of these contents."""
    path = Path(Path(job.place).name)
    shot = parsed(job.data, path)
    return shot if job.side is None else marks.merged(shot, job.side, side_path(path).name)


def _files(job: Job, before: Shot, after: Shot) -> tuple[tuple[str, bytes], ...]:
    """The results by their places; the side file first, so that no clip ever stands there without its marks."""
    _bounded(job.place, before, after)
    stem = side_path(Path(job.place)).as_posix().removesuffix(SIDE_ENDING)
    if job.settings.within is not None:  # a shot file holds all of the shot: a side file would say it twice
        data, side, place = write(after, Path(KEYED_ENDING)), None, stem + KEYED_ENDING
    else:
        data, side = _same_format(job, before, after)
        place = job.place
    _prove(Job(place, data, side, job.settings, job.cleaner), after)
    return ((place, data),) if side is None else ((stem + SIDE_ENDING, side), (place, data))


def _bounded(place: str, before: Shot, after: Shot) -> None:
    """InputError for a cleaned sample so large that float64 hasn't the decimals that are written of it."""
    for control in after.controls:
        old = before.control(control.name)
        for channel in control.channels:
            samples = np.empty((0, 1)) if channel.samples is None else channel.samples
            size = np.abs(samples).max(axis=1)
            if size.max(initial=0.0) > rows.LARGEST and channel != old.channel(channel.name):
                k = int(size.argmax())
                raise InputError(
                    f"{place}: {control.name}.{channel.name}@{after.first_frame + k}",
                    f"found {samples[k, np.abs(samples[k]).argmax()]:.12g}",
                    f"{-rows.LARGEST:g} to {rows.LARGEST:g} where something is cleaned",
                    "take its whole turns off" if channel.unit == "deg" else "bring it nearer to 0",
                )


def _same_format(job: Job, before: Shot, after: Shot) -> tuple[bytes, bytes | None]:
    """The clip in the format that it came in and its side file; what didn't change is the same to the byte if it can.

    A side file counts frames, so a clip at another rate gets a new one, without members that mean nothing to us.
    """
    path, side = Path(Path(job.place).name), job.side
    kind = next(kind for ending, kind in ENDINGS.items() if path.name.casefold().endswith(ending))
    timed = (before.fps, before.first_frame, before.last_frame) == (
        after.fps,
        after.first_frame,
        after.last_frame,
    )
    new_side = side if side is None or timed else marks.write(after)
    if kind == "bvh":
        data = rows.with_samples(job.data, before, after)
        return (write(after, path) if data is None else data), new_side
    edits = _edits(before, after) if timed else None
    if edits is not None:
        sha256 = hashlib.sha256(job.data).hexdigest()
        document = Document(path, job.data, sha256, kind, before, None if side is None else side_path(path))
        return patched(document, _texts(document, edits)), new_side
    return write(after, path), (None if kind == "shot" else new_side)


def _edits(before: Shot, after: Shot) -> list[tuple[Place, list[float]]] | None:
    """The samples that differ, or None where anything else does."""
    edits: list[tuple[Place, list[float]]] = []
    if _plain_rig(before) != _plain_rig(after):
        return None
    for old, new in zip(before.controls, after.controls, strict=True):
        for was, now in zip(old.channels, new.channels, strict=True):
            if was.samples is None or now.samples is None:
                if was != now:
                    return None
                continue
            for row in np.flatnonzero((was.samples != now.samples).any(axis=1)).tolist():
                place = Place(old.name, was.name, float(before.first_frame + row), "value")
                edits.append((place, now.samples[row].tolist()))
    return edits


def _plain_rig(shot: Shot) -> Shot:
    """The shot without its keys and samples."""
    controls = tuple(
        replace(
            control,
            channels=tuple(Channel(channel.name, limits=channel.limits) for channel in control.channels),
        )
        for control in shot.controls
    )
    return replace(shot, controls=controls)


def _texts(document: Document, edits: list[tuple[Place, list[float]]]) -> list[tuple[Place, str]]:
    old = spellings(document, [place for place, _ in edits])
    return [
        (place, respelled(text, values, rows.LEAST)) for (place, values), text in zip(edits, old, strict=True)
    ]


def _prove(job: Job, after: Shot) -> None:
    """Read the results back; what they say must be the cleaned shot, to the digits that are written."""
    found = _read(job)
    timing = (found.first_frame - found.last_frame, len(found.controls))
    if timing != (after.first_frame - after.last_frame, len(after.controls)) or not math.isclose(
        found.fps, after.fps, rel_tol=SAME_RATE
    ):
        raise InputError(job.place, "the result reads back with other frames than were written", remedy=FAULT)
    for got, meant in zip(found.controls, after.controls, strict=True):
        for channel in got.channels:
            same = meant.channel(channel.name)
            if (
                same is not None
                and meant.rest_rotation == got.rest_rotation
                and _apart(channel, same) > ROUNDED
            ):
                where = f"{job.place}: {got.name}.{channel.name}"
                raise InputError(
                    where, "the result reads back with other numbers than were written", remedy=FAULT
                )


def _apart(one: Channel, other: Channel) -> float:
    """The largest difference of two channels' samples or key values; infinite where they aren't of one shape."""
    a, b = (channel.samples if channel.keys is None else channel.keys.values for channel in (one, other))
    if a is None or b is None or a.shape != b.shape or one.baked != other.baked:
        return math.inf
    if one.name == QUATERNION:  # read as turns, of any length and sign
        turn = float(
            np.abs(np.sum(a * b, axis=1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)).min(
                initial=1.0
            )
        )
        return 2.0 * math.sqrt(max(2.0 - 2.0 * turn, 0.0)) if turn < 1.0 - TURNED else 0.0
    return float(np.abs(a - b).max(initial=0.0))

"""The journal of a folder: a line of JSON for each finished clip, safe on the disk before the next one is begun.

A killed run leaves at most a torn last line, a result that isn't in the journal yet, and a temporary file. The next run
with --resume takes for done what the journal says and what still is as it says, and does the rest again.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from refine.clean.findings import Findings
from refine.clean.folder.work import Status
from refine.clean.report.record import findings_of, plain
from refine.errors import InputError
from refine.storage import new_file

NAME = ".refine-journal.jsonl"
HEAD = {"schema": "motion-refine/clean-journal/1"}
_PART = re.compile(r"\.refine-[0-9a-f]{16}\.part")  # what a run leaves that was killed while it wrote


@dataclass(frozen=True, slots=True)
class Entry:
    """A finished clip: what it was made from, how, and the SHA-256 of each file that was written, by place."""

    place: str
    input: str  # SHA-256
    side: str | None  # SHA-256 of the side file
    settings: str  # see record.digest
    status: Status
    files: dict[str, str]
    findings: Findings

    def made_from(self, other: tuple[str, str | None, str]) -> bool:
        """Whether it was made from this input, side file and settings."""
        return (self.input, self.side, self.settings) == other

    def stands(self, folder: Path) -> bool:
        """Whether all its files are there as they were written."""
        return all(sha256(folder / place) == digest for place, digest in self.files.items())


def sha256(path: Path) -> str | None:
    """The digest of a file, None where it can't be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def read(folder: Path) -> list[Entry]:
    """The finished clips in the order in which they were finished; a line that can't be read counts as not there.

    InputError where a file of that name isn't a journal of this version.
    """
    path = folder / NAME
    try:
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(str(path), f"it can't be read: {error.strerror}", remedy="use --force") from error
    if not lines or _parsed(lines[0]) != HEAD:
        raise InputError(str(path), "it isn't a journal of this version", remedy="use --force to begin anew")
    entries = (_entry(_parsed(line)) for line in lines[1:])
    return [entry for entry in entries if entry is not None]


def _parsed(line: bytes) -> Any:
    try:
        return json.loads(line)
    except ValueError:  # torn by a kill or a full disk
        return None


def _entry(members: Any) -> Entry | None:
    try:
        return Entry(**{**members, "findings": findings_of(members["findings"])})
    except (TypeError, KeyError, ValueError):
        return None


def _line(entry: Entry) -> bytes:
    members = {field.name: getattr(entry, field.name) for field in fields(Entry)}
    return json.dumps({**members, "findings": plain(entry.findings)}).encode() + b"\n"


def begin(folder: Path, entries: Sequence[Entry]) -> None:
    """A journal with these entries, in place of any that is there."""
    lines = [json.dumps(HEAD).encode() + b"\n", *map(_line, entries)]
    new_file(folder / NAME, b"".join(lines), force=True)


def append(folder: Path, entry: Entry) -> None:
    """Add a finished clip and wait until the disk has it. OSError where it can't; the journal is as before then."""
    handle = os.open(folder / NAME, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
    try:
        before = os.fstat(handle).st_size
        try:
            rest = memoryview(_line(entry))
            while rest:
                rest = rest[os.write(handle, rest) :]
            os.fsync(handle)
        except OSError:
            os.ftruncate(handle, before)
            raise
    finally:
        os.close(handle)


def sweep(folders: Iterable[Path]) -> None:
    """Delete the temporary files that a killed run has left in these folders."""
    for folder in folders:
        if folder.is_dir():
            for path in folder.iterdir():
                if _PART.fullmatch(path.name):
                    path.unlink(missing_ok=True)

"""The findings as a table, one row a clip: CSV for a spreadsheet, Parquet for programs where pyarrow is installed."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from typing import Any

from refine.clean.findings import Findings
from refine.clean.summary import Clip, largest, length, ordered

# Column, its kind, and how it is read off the findings; lengths are frames, the units stand in the names.
_Read = Callable[[Findings], Any]
COLUMNS: tuple[tuple[str, type, _Read], ...] = (
    ("frames", int, lambda f: f.frames),
    ("fps", float, lambda f: f.fps),
    ("joints", int, lambda f: f.joints),
    ("lead_in", int, lambda f: f.lead_in),
    ("filled", int, lambda f: len(f.filled)),
    ("filled_frames", int, lambda f: sum(map(length, f.filled))),
    ("left", int, lambda f: len(f.left)),
    ("left_frames", int, lambda f: sum(map(length, f.left))),
    ("wraps", int, lambda f: len(f.wraps)),
    ("spikes", int, lambda f: len(f.spikes)),
    ("noise_deg", float, lambda f: f.noise),
    ("noisiest", str, lambda f: f.noisiest),
    ("noisiest_noise_deg", float, lambda f: f.noisiest_noise),
    ("coloured", float, lambda f: f.coloured),
    ("keep_below_hz", float, lambda f: f.keep_below),
    ("largest_mm", float, lambda f: _move(f, "mm")[0]),
    ("largest_mm_control", str, lambda f: _move(f, "mm")[1]),
    ("largest_mm_frame", int, lambda f: _move(f, "mm")[2]),
    ("largest_px", float, lambda f: _move(f, "px")[0]),
    ("largest_deg", float, lambda f: _move(f, "deg")[0]),
    ("contacts", int, lambda f: f.contacts),
    ("drift_before_mm_s", float, lambda f: f.drift[0]),
    ("drift_after_mm_s", float, lambda f: f.drift[1]),
    ("kept_speed", float, lambda f: f.kept_speed),
    ("slowest_accent", str, lambda f: f.slowest_accent),
    ("keys", int, lambda f: f.keys),
    ("keys_per_second", float, lambda f: f.keys_per_second),
    ("warnings", int, lambda f: f.flags and f.flags[0]),
    ("errors", int, lambda f: f.flags and f.flags[1]),
    ("notes", str, lambda f: " | ".join(f.notes)),
)
ABOUT = ("place", "source", "status", "look_at")


def _move(found: Findings, unit: str) -> tuple[float | None, str | None, int | None]:
    move = largest(found, unit)
    return (None, None, None) if move is None else (move.value, move.control, move.frame)


def table(clips: Sequence[Clip]) -> dict[str, list[Any]]:
    """The columns by name, rows in the order in which the clips should be looked at; None where nothing was found."""
    rows = ordered(clips)
    columns: dict[str, list[Any]] = {
        "place": [clip.place for clip in rows],
        "source": [clip.source for clip in rows],
        "status": [clip.status for clip in rows],
        "look_at": ["; ".join(clip.reasons) for clip in rows],
    }
    for name, kind, read in COLUMNS:
        columns[name] = [None if clip.findings is None else _cell(kind, read(clip.findings)) for clip in rows]
    return columns


def _cell(kind: type, value: Any) -> Any:
    if value is None:
        return None
    return float(f"{value:.6g}") if kind is float else kind(value)


def as_csv(clips: Sequence[Clip]) -> bytes:
    """The table as UTF-8 text with a first line that names the columns; empty where nothing was found."""
    columns = table(clips)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return text.getvalue().encode("utf-8", "backslashreplace")


def as_parquet(clips: Sequence[Clip]) -> bytes | None:
    """The table as Parquet, or None where pyarrow isn't installed."""
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError:
        return None
    kinds = {int: arrow.int64(), float: arrow.float64(), str: arrow.string()}
    columns = table(clips)
    types = {**dict.fromkeys(ABOUT, str), **{name: kind for name, kind, _ in COLUMNS}}
    arrays = {
        name: arrow.array([_text(cell) for cell in cells], kinds[types[name]])
        for name, cells in columns.items()
    }
    stream = io.BytesIO()
    parquet.write_table(arrow.table(arrays), stream)
    return stream.getvalue()


def _text(cell: Any) -> Any:
    """A file name's bytes that are no text, spelled out: Parquet holds only text."""
    return cell.encode("utf-8", "backslashreplace").decode() if isinstance(cell, str) else cell

"""The findings as a table, one row a clip: CSV for a spreadsheet, Parquet for programs where pyarrow is installed."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from typing import Any

from refine.clean.findings import Findings
from refine.clean.report.summary import Clip, largest, ordered
from refine.clean.report.words import stretches

# Column, its kind, and how it is read off the findings; lengths are frames, the units stand in the names.
_Read = Callable[[Findings], Any]
COLUMNS: tuple[tuple[str, type, _Read], ...] = (
    ("frames", int, lambda f: f.frames),
    ("fps", float, lambda f: f.fps),
    ("joints", int, lambda f: f.joints),
    ("lead_in", int, lambda f: f.lead_in),
    ("filled", int, lambda f: len(stretches(f.filled))),
    ("filled_frames", int, lambda f: sum(map(len, stretches(f.filled)))),
    ("left", int, lambda f: len(stretches(f.left))),
    ("left_frames", int, lambda f: sum(map(len, stretches(f.left)))),
    ("wraps", int, lambda f: len(f.wraps)),
    ("spikes", int, lambda f: len(stretches(f.spikes))),
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
    """The table as Parquet, or None where pyarrow isn't installed.

    It goes there by its text form: made from Python's own numbers, pyarrow would load pandas for it, which takes longer
    than cleaning a clip.
    """
    try:
        import pyarrow as arrow
        from pyarrow import csv as text
        from pyarrow import parquet
    except ImportError:
        return None
    kinds = {int: arrow.int64(), float: arrow.float64(), str: arrow.string()}
    types = {**dict.fromkeys(ABOUT, str), **{name: kind for name, kind, _ in COLUMNS}}
    read = text.read_csv(
        io.BytesIO(_quoted(table(clips)).encode()),
        parse_options=text.ParseOptions(newlines_in_values=True),
        convert_options=text.ConvertOptions(
            column_types={name: kinds[kind] for name, kind in types.items()},
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,  # an empty text is one
        ),
    )
    stream = io.BytesIO()
    parquet.write_table(read, stream)
    return stream.getvalue()


def _quoted(columns: dict[str, list[Any]]) -> str:
    """The table with each text in quotes, and nothing at all where nothing was found."""
    rows = zip(*columns.values(), strict=True)
    return "\n".join([",".join(columns), *(",".join(map(_cell_text, row)) for row in rows), ""])


def _cell_text(cell: Any) -> str:
    if not isinstance(cell, str):
        return "" if cell is None else repr(cell)
    plain = cell.encode(
        "utf-8", "backslashreplace"
    ).decode()  # Parquet holds only text: a name's odd bytes spelled out
    return '"' + plain.replace('"', '""') + '"'

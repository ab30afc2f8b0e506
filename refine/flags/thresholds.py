"""The thresholds of all faults: one table, changed by a studio's or a shot's own file, following fps and delivery."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from refine.errors import InputError
from refine.flags.flag import Severity
from refine.formats import read_bytes

_TEXTS = ("unit", "scale", "mark")


@dataclass(frozen=True, slots=True)
class Threshold:
    """One fault's numbers, as they hold for a shot: warn and error in `unit`, and whatever else it needs."""

    fault: str
    warn: float
    error: float
    unit: str
    others: Mapping[str, float]

    def __getitem__(self, name: str) -> float:
        return self.others[name]

    def severity(self, amount: float) -> Severity | None:
        """What an amount is. Where the error lies below the warning, less is worse."""
        rising = self.error >= self.warn
        if (amount >= self.error) if rising else (amount <= self.error):
            return "error"
        if (amount >= self.warn) if rising else (amount <= self.warn):
            return "warn"
        return None

    def ratio(self, amount: float) -> float:
        """How many times the warning's threshold an amount is."""
        if self.error >= self.warn:
            return amount / self.warn if self.warn > 0 else 1.0
        return self.warn / amount if amount > 0 else 10.0


class Thresholds:
    """The table, scaled to a shot's frame rate and delivery height."""

    def __init__(self, table: Mapping[str, Mapping[str, Any]], fps: float, height: int) -> None:
        self._table, self._fps, self._height = table, fps, height

    def __contains__(self, fault: str) -> bool:
        return fault.replace(" ", "-") in self._table

    def __getitem__(self, fault: str) -> Threshold:
        """The numbers of a fault, whose name may hold spaces: "moved key" is the entry moved-key."""
        entry = self._table[fault.replace(" ", "-")]
        factor = {
            "px": self._height / 1080,
            "frames": self._fps / 24,
            "per frame2": (24 / self._fps) ** 2,
            "": 1.0,
        }[entry["scale"]]
        others = {k: v for k, v in entry.items() if k not in (*_TEXTS, "warn", "error")}
        return Threshold(fault, factor * entry["warn"], factor * entry["error"], entry["unit"], others)


def load(fps: float, height: int, *files: Path) -> Thresholds:
    """The package's table with the entries of some files put over it, the last file winning. InputError."""
    table = tomllib.loads(resources.files("refine.flags").joinpath("thresholds.toml").read_text("utf-8"))
    for file in files:
        _override(table, file)
    return Thresholds(table, fps, height)


def _override(table: dict[str, dict[str, Any]], file: Path) -> None:
    try:
        changes = tomllib.loads(read_bytes(file).decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(str(file), f"it isn't TOML: {error}", "a table of thresholds") from None
    rising = {fault: entry["warn"] <= entry["error"] for fault, entry in table.items()}
    for fault, entry in changes.items():
        place = f"{file.name}: {fault}"
        if fault not in table:
            near = difflib.get_close_matches(fault, table, 3, 0.4) or sorted(table)
            raise InputError(place, "no such fault", ", ".join(near))
        if not isinstance(entry, dict):
            raise InputError(place, f"{entry!r}", "a table: [" + fault + "]")
        for name, value in entry.items():
            if name not in table[fault]:
                raise InputError(f"{place}.{name}", "no such number", ", ".join(table[fault]))
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if (name in _TEXTS) == number or (number and not 0 < value < 1e9):
                raise InputError(
                    f"{place}.{name}", f"{value!r}", "a text" if name in _TEXTS else "a number above 0"
                )
            if name == "unit" and not value:
                raise InputError(f"{place}.unit", "''", "a text with letters")
            if name == "scale" and value not in ("px", "frames", "per frame2", ""):
                raise InputError(f"{place}.scale", f"{value!r}", "px, frames, per frame2 or nothing")
            table[fault][name] = value
        warn, severe = table[fault]["warn"], table[fault]["error"]
        if (warn <= severe) != rising[fault] and warn != severe:
            allowed = f"an error {'above' if rising[fault] else 'below'} the warning"
            raise InputError(place, f"warn {warn:g}, error {severe:g}", allowed, "state both")

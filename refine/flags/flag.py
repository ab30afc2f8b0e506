"""A flag: a fault that was found. What, where, how visible, what causes it, and what to do about it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

Severity = Literal["note", "warn", "error"]
RANK: dict[Severity, int] = {"note": 0, "warn": 1, "error": 2}
SAID: dict[Severity, str] = {"note": "note", "warn": "warning", "error": "error"}
GOES = "goes with "


@dataclass(frozen=True, slots=True)
class Cause:
    """The control, channel and key frames that a flag comes from; no channel means the control as a whole."""

    control: str
    channel: str | None = None
    frames: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Flag:
    """A found fault. `frames` is the range in which it shows, both ends included; `amount` is in `unit`.

    `ratio` is the amount over the threshold at which it becomes a warning, times the attention that viewers pay
    to the part: what a person should look at first.
    """

    fault: str
    control: str
    channel: str | None
    frames: tuple[int, int]
    severity: Severity
    amount: float
    unit: str
    cause: Cause
    message: str
    remedy: str
    ratio: float = 1.0

    @property
    def along(self) -> str:
        """The id of the flag whose mend takes this one along, "" where it stands by itself."""
        return self.remedy.removeprefix(GOES) if self.remedy.startswith(GOES) else ""

    @property
    def id(self) -> str:
        """Stable for the same finding in the same shot: the fault's initials and four hexadecimal digits."""
        where = f"{self.fault}|{self.control}|{self.channel}|{self.frames[0]}:{self.frames[1]}"
        initials = "".join(word[0] for word in self.fault.split())
        return f"{initials}-{hashlib.sha256(where.encode()).hexdigest()[:4]}"


def twin(flag: Flag, flags: Sequence[Flag]) -> Flag | None:
    """The same finding among others: same fault and cause, or same fault, place and overlapping frames.

    Which channel of a control did it may not have been known before.
    """
    for other in flags:
        unknown = None in (other.channel, flag.channel)
        here = other.control == flag.control and (unknown or other.channel == flag.channel)
        caused = other.cause == flag.cause and flag.cause.channel is not None
        meet = other.frames[0] <= flag.frames[1] and flag.frames[0] <= other.frames[1]
        if other.fault == flag.fault and (here or caused) and meet:
            return other
    return None


def as_json(flag: Flag) -> dict[str, Any]:
    """The contract's form of a flag."""
    return {
        "id": flag.id,
        "fault": flag.fault,
        "control": flag.control,
        "channel": flag.channel,
        "frames": list(flag.frames),
        "severity": flag.severity,
        "amount": {"value": flag.amount, "unit": flag.unit},
        "cause": {
            "control": flag.cause.control,
            "channel": flag.cause.channel,
            "frames": list(flag.cause.frames),
        },
        "message": flag.message,
        "remedy": flag.remedy,
    }

"""A flag: a fault that was found. What, where, how visible, what causes it, and what to do about it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

Severity = Literal["note", "warn", "error"]
RANK: dict[Severity, int] = {"note": 0, "warn": 1, "error": 2}
SAID: dict[Severity, str] = {"note": "note", "warn": "warning", "error": "error"}
GOES = "goes with "
DIGITS = 4  # of an id, where that many tell the flags of a look apart


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
    digits: int = field(default=DIGITS, compare=False)  # of its id: see `told_apart`

    @property
    def along(self) -> str:
        """The id of the flag whose mend takes this one along, "" where it stands by itself."""
        return self.remedy.removeprefix(GOES) if self.remedy.startswith(GOES) else ""

    @property
    def id(self) -> str:
        """The fault's initials and hexadecimal digits, four or as many as tell it from others.

        Stable for the same finding in the same shot, but for how many digits there are: each id begins with any
        shorter one of the same finding, and `goes_by` knows it by all of them.
        """
        where = f"{self.fault}|{self.control}|{self.channel}|{self.frames[0]}:{self.frames[1]}"
        digits = _hexadecimal(where)[:DIGITS]
        if self.digits > DIGITS:  # two causes may show on the same frames
            digits += _hexadecimal(f"{where}|{self.cause}")[: self.digits - DIGITS]
        return f"{''.join(word[0] for word in self.fault.split())}-{digits}"

    def goes_by(self, name: str) -> bool:
        """Whether a name is this flag's id, with four or more of its digits."""
        digits = len(name.rpartition("-")[2])
        return digits >= DIGITS and replace(self, digits=digits).id == name


def _hexadecimal(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def told_apart(flags: Sequence[Flag]) -> list[Flag]:
    """The flags of a look, those whose ids would be the same with as many digits more as tell them apart."""
    alike: dict[str, list[Flag]] = {}
    for flag in flags:
        alike.setdefault(flag.id, []).append(flag)
    return [replace(flag, digits=_digits(alike[flag.id])) for flag in flags]


def _digits(flags: Sequence[Flag]) -> int:
    """How many digits tell some flags apart, as far as any do."""
    enough = (
        n for n in range(DIGITS, DIGITS + 64) if len({replace(f, digits=n).id for f in flags}) == len(flags)
    )
    return next(enough, DIGITS) if len(flags) > 1 else DIGITS


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

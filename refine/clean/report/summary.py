"""What a cleaning found, for the person who comes back to it: what to look at first, and the whole as one document.

No clock and no process leaves a trace in it: the same clips and settings give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from refine.clean.findings import Findings, Moved
from refine.clean.folder.work import Failure, Status
from refine.clean.report.record import Json, plain, plain_settings
from refine.clean.report.words import spoken_doubts, spoken_flags, spoken_gaps, spoken_move, stretches
from refine.clean.settings import Settings
from refine.formats import SIDE_ENDING, side_path
from refine.text import aligned, counted, short

SCHEMA = "motion-refine/clean/1"
LOST_SPEED = 0.9  # of an accent's peak speed: below it the accent is worth a look [judge]
LED_FAR = (
    0.3  # s from which the filling of a gap is worth a look (catalogue [judge]): one in eight is better left
)
FAR = 50.0  # mm from which a move is worth a look, what was filled and mended not counted [judge]
SLIDES = 100.0  # mm/s that planted points still move in the median: feet as captured roll by 40 to 80 [judge]
_ORDER: tuple[Status, ...] = ("failed", "set aside", "cleaned")
_TOLD = 12  # clips that the short list names


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip of a run: where it came from, what became of it, its result's place if there is one."""

    source: str
    place: str
    sha256: str | None  # of the input, None where it couldn't be read
    status: Status
    files: tuple[str, ...] = ()
    findings: Findings | None = None
    failure: Failure | None = None

    @property
    def failed_at(self) -> str:
        """The place of the failure within the clip, whose own name needn't be said again; empty for the whole clip."""
        place = self.failure.place if self.failure else ""
        name = self.place.rpartition("/")[2]
        stem = side_path(Path(name)).name.removesuffix(SIDE_ENDING)
        for known in (self.place, name, stem):
            if place == known or place.startswith(f"{known}: "):
                return place[len(known) :].removeprefix(": ")
        return place

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why a person should look at it, the weightiest first; nothing where nothing stands out."""
        if self.failure is not None:
            return (str(replace(self.failure, place=self.failed_at)).removeprefix(": "),)
        assert self.findings is not None
        return tuple(_reasons(self.findings))


def _reasons(found: Findings) -> list[str]:
    reasons = [found.set_aside] if found.set_aside else []
    if found.left:
        reasons.append(spoken_gaps(found.left, "left open"))
    warnings, errors = found.flags or (0, 0)
    flags = [f"check finds {spoken_flags(warnings, errors)}"] if warnings or errors else []
    reasons += flags if errors else []
    if found.doubtful:
        reasons.append(spoken_doubts(found.doubtful))
    if found.kept_speed < LOST_SPEED:
        where = f" at {found.slowest_accent}" if found.slowest_accent else ""
        reasons.append(f"an accent kept {found.kept_speed:.0%} of its speed{where}")
    move = largest(found, "mm")
    if move and move.value > FAR and not found.set_aside:
        reasons.append(f"moved by {short(move.value)} mm, {move.control} at frame {move.frame}")
    if found.contacts and found.drift[1] > SLIDES:
        reasons.append(f"planted points still slide {short(found.drift[1])} mm/s")
    far = [gap for gap in found.filled if gap.length > LED_FAR * found.fps]
    if far:
        reasons.append(spoken_gaps(far, f"of over {LED_FAR:g} s filled"))
    return reasons if errors else reasons + flags


def largest(found: Findings | None, unit: str) -> Moved | None:
    """The largest move in this unit, if it was measured."""
    return None if found is None else next((move for move in found.largest if move.unit == unit), None)


def ordered(clips: Sequence[Clip]) -> list[Clip]:
    """The clips in the order in which a person should look at them: what failed or was set aside, then by what is left
    to do (frames of open gaps, errors, whether something else stands out), then by the largest move."""

    def key(clip: Clip) -> tuple[float | str, ...]:
        found = clip.findings
        gaps = sum(gap.length for gap in found.left) if found else 0
        errors = found.flags[1] if found and found.flags else 0
        move = largest(found, "mm")
        size = move.value if move else 0.0
        return _ORDER.index(clip.status), -gaps, -errors, -bool(clip.reasons), -size, clip.place

    return sorted(clips, key=key)


def document(clips: Sequence[Clip], settings: Settings) -> Json:
    """The contract's form of the whole."""
    return {
        "schema": SCHEMA,
        "settings": plain_settings(settings),
        "totals": totals(clips),
        "clips": [_plain_clip(clip) for clip in ordered(clips)],
    }


def totals(clips: Sequence[Clip]) -> Json:
    """Counts over all clips; findings count where the clip was cleaned."""
    count = {status: sum(clip.status == status for clip in clips) for status in _ORDER}
    done = [clip.findings for clip in clips if clip.findings and clip.status == "cleaned"]
    return {
        "clips": len(clips),
        "cleaned": count["cleaned"],
        "set_aside": count["set aside"],
        "failed": count["failed"],
        "frames": sum(found.frames for found in done),
        "duration": float(f"{sum(found.frames / found.fps for found in done):.6g}"),
        "filled": sum(len(stretches(found.filled)) for found in done),
        "left": sum(len(stretches(found.left)) for found in done),
        "wraps": sum(len(found.wraps) for found in done),
        "spikes": sum(len(stretches(found.spikes)) for found in done),
        "contacts": sum(found.contacts for found in done),
        "keys": sum(found.keys for found in done),
        "warnings": sum(found.flags[0] for found in done if found.flags),
        "errors": sum(found.flags[1] for found in done if found.flags),
    }


def _plain_clip(clip: Clip) -> Json:
    failure = clip.failure
    return {
        "source": clip.source,
        "place": clip.place,
        "sha256": clip.sha256,
        "status": clip.status,
        "files": list(clip.files),
        "look_at": list(clip.reasons),
        "failure": failure
        and {
            "place": failure.place,
            "found": failure.found,
            "allowed": failure.allowed,
            "remedy": failure.remedy,
        },
        "findings": None if clip.findings is None else plain(clip.findings),
    }


def lines(clips: Sequence[Clip]) -> list[str]:
    """A short table for the terminal: the counts, and what to look at first."""
    total = totals(clips)
    head = f"{counted(total['clips'], 'clip')}: {total['cleaned']} cleaned"
    for name in ("set_aside", "failed"):
        head += f", {total[name]} {name.replace('_', ' ')}" if total[name] else ""
    first = [clip for clip in ordered(clips) if clip.reasons]
    if not first:
        return [head, "nothing stands out", *_by_move(clips)]
    rows = aligned([(_word(clip), clip.place, "; ".join(clip.reasons)) for clip in first[:_TOLD]])
    more = [f"and {len(first) - _TOLD} more"] if len(first) > _TOLD else []
    return [head, "look at first:", *rows, *more]


def _by_move(clips: Sequence[Clip]) -> list[str]:
    found = [(clip.place, move) for clip in ordered(clips) if (move := largest(clip.findings, "mm"))]
    return [
        f"largest move: {spoken_move(move)} in {place}" if move.control else "nothing moved"
        for place, move in found[:1]
    ]


def _word(clip: Clip) -> str:
    return "look" if clip.status == "cleaned" else clip.status

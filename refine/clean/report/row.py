"""One clip in the report's table: how it is, what was done to it, and behind its name all that was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from refine.clean.findings import Findings, Span
from refine.clean.report.cells import BAR, HIGH, cell, drawn_bar, element, length, notch, safe
from refine.clean.report.summary import LOST_SPEED, Clip, largest
from refine.clean.report.words import Stretch, spoken_flags, spoken_flips, spoken_move, spot, stretches
from refine.clean.settings import Settings
from refine.review import svg
from refine.review.svg import BLUE, FAINT, INK, PAPER, VERMILLION, Scale
from refine.text import counted, short

LEAST_SPEED = 0.8  # at the left end of the scale of kept speed
SPANS = 40  # places that the page names of each kind; summary.json has all


@dataclass(frozen=True, slots=True)
class Scales:
    """What a full bar means."""

    move: float  # mm
    drift: float  # mm/s


@dataclass(frozen=True, slots=True)
class State:
    """How a clip's state is said: its class in the style sheet, a sign and a word."""

    css: str
    word: str


FAILED, ASIDE = State("failed", "✕ failed"), State("aside", "‖ set aside")
LOOK, FINE = State("look", "◆ look"), State("fine", "")


def state_of(clip: Clip) -> State:
    """How a clip's state is said."""
    if clip.status == "failed":
        return FAILED
    if clip.status == "set aside":
        return ASIDE
    return LOOK if clip.reasons else FINE


def spoken_length(seconds: float) -> str:
    """A length of motion in words."""
    if seconds < 90:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def row(clip: Clip, scales: Scales, settings: Settings) -> str:
    """The clip's row, as HTML."""
    found = clip.findings
    width = 6 if settings.within else 5
    if found is None:
        cells = [element("td", _failure(clip), css="clip", colspan=str(width))]
    else:
        cells = [element("td", _about(clip, found), css="clip")]
        cells += [_move(found, scales), _drift(found, scales), _speed(found), _mended(found)]
        cells += [_keys(found)] if settings.within else []
    return element("tr", "".join(cells), css=state_of(clip).css)


def _title(clip: Clip, more: str = "") -> str:
    """The state in a word, the clip's name with its folders, and something small behind it."""
    way, slash, name = clip.place.rpartition("/")
    word = state_of(clip).word
    parts = [element("span", word, css="word")] if word else []
    parts.append(element("span", safe(way + slash), css="way") + safe(name))
    parts += [" " + element("span", more, css="long")] if more else []
    return element("span", "".join(parts), css="name")


def _failure(clip: Clip) -> str:
    failure = clip.failure
    assert failure is not None
    where = clip.failed_at
    found = f"{where}: {failure.found}" if where else failure.found
    more = [f"allowed: {failure.allowed}"] if failure.allowed else []
    more += [f"to do: {failure.remedy}"] if failure.remedy else []
    says = f"<b>{safe(found)}</b>" + (f"; {safe('; '.join(more))}" if more else "")
    return _title(clip) + element("p", says, css="why")


def _about(clip: Clip, found: Findings) -> str:
    """The clip's name, which opens the list of all that was found, and what to look at."""
    title = _title(clip, spoken_length(found.frames / found.fps))
    if clip.reasons:
        title += element("span", safe("; ".join(clip.reasons)), css="why")
    return element("details", element("summary", title) + _all(clip, found))


def _move(found: Findings, scales: Scales) -> str:
    move = largest(found, "mm")
    if move is None:
        return cell("Largest move", "", "not measured")
    on_screen = largest(found, "px")
    fact = f"{short(move.value)} mm"
    bar = drawn_bar(
        (
            svg.rectangle(0, 1, BAR, HIGH - 2, fill=FAINT),
            svg.rectangle(0, 1, length(move.value, scales.move), HIGH - 2, fill=BLUE),
            notch(move.value, scales.move, 1, HIGH - 2),
        ),
        f"largest move {fact}",
    )
    where = f"{move.control} at frame {move.frame}" if move.control else ""
    where += f", {short(on_screen.value)} px" if on_screen and on_screen.control else ""
    return cell("Largest move", bar, fact, where)


def _drift(found: Findings, scales: Scales) -> str:
    if not found.contacts:
        return cell("Planted points slide", "", "no contacts", css="fact soft")
    before, after = found.drift
    bars = []
    for value, y, fill, stroke in ((before, 0.5, PAPER, INK), (after, 7.0, INK, None)):
        high = 4.5
        bars.append(
            svg.rectangle(0.5, y, max(length(value, scales.drift) - 1, 0.5), high, fill=fill, stroke=stroke)
        )
        bars.append(notch(value, scales.drift, y - 0.5, high + 1))
    fact = f"{short(before)} → {short(after)} mm/s"
    bar = drawn_bar((svg.line((0, 0), (0, HIGH), stroke=INK), *bars), f"planted points slide {fact}")
    return cell("Planted points slide", bar, fact, counted(found.contacts, "contact"))


def _speed(found: Findings) -> str:
    if not found.slowest_accent:
        return cell("Speed kept at accents", "", "no accents", css="fact soft")
    scale = Scale(LEAST_SPEED, 1.02, 4, BAR - 4)
    at = min(max(scale(found.kept_speed), 4), BAR - 4)
    middle = HIGH / 2
    lost = found.kept_speed < LOST_SPEED
    mark = (
        svg.tag(
            "polygon", points=f"{at:g},1 {at + 5:g},{HIGH - 1:g} {at - 5:g},{HIGH - 1:g}", fill=VERMILLION
        )
        if lost
        else svg.circle((at, middle), 4, fill=BLUE)
    )
    bar = drawn_bar(
        (
            svg.line((4, middle), (BAR - 4, middle), stroke=svg.GREY),
            *(svg.line((scale(x), 1), (scale(x), HIGH - 1), stroke=svg.GREY) for x in (LOST_SPEED, 1.0)),
            mark,
        ),
        f"speed kept {found.kept_speed:.0%}",
    )
    return cell("Speed kept at accents", bar, f"{found.kept_speed:.1%}", found.slowest_accent)


def _mended(found: Findings) -> str:
    parts = [counted(len(stretches(found.spikes)), "spike")] if found.spikes else []
    parts += [spoken_flips(found.wraps)] if found.wraps else []
    parts += [f"{counted(len(stretches(found.filled)), 'gap')} filled"] if found.filled else []
    noise = [f"noise {short(found.noise)} deg"] if found.noise else []
    noise += [f"{found.keep_below:.3g} Hz kept"] if found.keep_below else []
    return cell("Mended", "", ", ".join(parts) or _only(found), ", ".join(noise), css="")


def _only(found: Findings) -> str:
    """What was done to a clip in which nothing was filled, mended or made continuous."""
    if found.keep_below:
        return "only noise" if found.noise else "only smoothed"
    moved = any(move.value > 0 for move in found.largest)
    if found.contacts and moved:
        return "feet planted"
    return "noise left in" if found.noise else "nothing to mend"


def _keys(found: Findings) -> str:
    return cell("Keys", "", f"{found.keys:,}", f"{short(found.keys_per_second)}/s")


def _all(clip: Clip, found: Findings) -> str:
    """Everything that was found, as a list of terms."""
    length = f"{counted(found.frames, 'frame')} at {found.fps:g} fps, {short(found.frames / found.fps)} s"
    terms: list[tuple[str, str | list[str]]] = [
        ("clip", f"{clip.source}: {length}"),
        ("check still finds (frames of the result)", _flags(found)),
        ("joints", f"{found.joints}"),
        ("lead-in left alone", counted(found.lead_in, "frame")),
        ("gaps filled", _spans(found.filled)),
        ("gaps left open", _spans(found.left)),
        ("angle flips", _flips(found.wraps)),
        ("spikes", _spans(found.spikes)),
        ("like spikes, left in", _spans(found.doubtful)),
        ("noise", _noise(found)),
        ("kept below", f"{found.keep_below:.3g} Hz" if found.keep_below else "not smoothed"),
        ("largest moves", "; ".join(map(spoken_move, found.largest)) or "not measured"),
        (
            "contacts",
            f"{found.contacts}, sliding {short(found.drift[0])} mm/s before, {short(found.drift[1])} after",
        ),
        (
            "speed kept",
            f"{found.kept_speed:.1%} at {found.slowest_accent}" if found.slowest_accent else "no accents",
        ),
        (
            "keys",
            f"{found.keys:,}, {short(found.keys_per_second)} a second" if found.keys else "not asked for",
        ),
        ("set aside", found.set_aside or "no"),
        ("notes", "; ".join(found.notes) or "none"),
        ("written", ", ".join(clip.files) or "nothing"),
    ]
    return element("dl", "".join(_term(title, said) for title, said in terms))


def _term(title: str, said: str | list[str]) -> str:
    """A term and what is said of it, which may be several lines."""
    lines = [said] if isinstance(said, str) else said
    return element("dt", title) + "".join(element("dd", safe(line)) for line in lines)


def _flags(found: Findings) -> str | list[str]:
    """What `check` still finds, and the first of it in its own words."""
    if found.flags is None:
        return "not asked for"
    more = sum(found.flags) - len(found.flagged)
    rest = [f"and {more:,} more"] if found.flagged and more > 0 else []
    return [spoken_flags(*found.flags) or "nothing", *found.flagged, *rest]


def _noise(found: Findings) -> str:
    kind = "white" if found.coloured < 0.05 else f"coloured {found.coloured:.2g}"
    text = f"{found.noise:.3g} deg, {kind}"
    return f"{text}; most in {found.noisiest}, {found.noisiest_noise:.3g} deg" if found.noisiest else text


def _spans(spans: Sequence[Span]) -> str:
    return _listed([spot(stretch) for stretch in stretches(spans)])


def _flips(spans: Sequence[Span]) -> str:
    """Joint by joint, since a bad one flips on thousands of frames."""
    jumps: dict[tuple[str, str], list[Span]] = {}
    for span in spans:
        jumps.setdefault((span.control, span.what), []).append(span)
    places = []
    for found in jumps.values():
        frames = min(span.frames[0] for span in found), max(span.frames[1] for span in found)
        times = f"{len(found):,} times " if len(found) > 1 else ""
        places.append(times + spot(Stretch(frames, (found[0],))))
    return _listed(places)


def _listed(places: Sequence[str]) -> str:
    text = ", ".join(places[:SPANS]) or "none"
    return f"{text}, and {len(places) - SPANS:,} more" if len(places) > SPANS else text

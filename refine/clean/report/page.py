"""The report as one page that needs nothing beside it: no script, no font, no file; it prints, and fits a phone.

Clips stand in the order in which a person should look at them. Each state has a word and a pattern besides its colour.
Bars of one kind have one scale on the whole page, so clips can be compared at a glance; a bar that is longer than its
scale is cut with a notch, so that one wild clip doesn't make all others look alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources

from refine.clean.report.cells import element, safe
from refine.clean.report.row import (
    ASIDE,
    FAILED,
    FINE,
    LEAST_SPEED,
    LOOK,
    Scales,
    row,
    spoken_length,
    state_of,
)
from refine.clean.report.summary import LOST_SPEED, Clip, largest, ordered, totals
from refine.clean.report.words import spoken_flags
from refine.clean.settings import Settings
from refine.review.svg import round_step
from refine.text import counted

ENDS_AT = 0.9  # share of the clips whose bars fit their scale


def page(clips: Sequence[Clip], settings: Settings) -> str:
    """The whole page as HTML."""
    rows = ordered(clips)
    scales = _scales(rows)
    first = [clip for clip in rows if clip.reasons]
    rest = [clip for clip in rows if not clip.reasons]
    parts = [
        element("h1", "Cleaned motion"),
        _overview(clips, settings),
        _section("Look at these first", first, scales, settings),
        _section("Nothing stands out", rest, scales, settings),
    ]
    style = resources.files("refine.clean.report").joinpath("page.css").read_text("utf-8")
    head = '<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    head += f"<title>Cleaned motion: {counted(len(clips), 'clip')}</title><style>\n{style}</style>"
    body = "\n".join(parts)
    return f'<!DOCTYPE html>\n<html lang="en">\n<head>{head}</head>\n<body>\n{body}\n</body>\n</html>\n'


def _overview(clips: Sequence[Clip], settings: Settings) -> str:
    total = totals(clips)
    states = [(FAILED, "failed"), (ASIDE, "set aside, not changed"), (LOOK, "cleaned, look at them")]
    states.append((FINE, "cleaned, nothing stands out"))
    number = {state: sum(state_of(clip) is state for clip in clips) for state, _ in states}
    shares = "".join(
        element("i", "", css=f"f-{state.css}", style=f"flex:{number[state]}")
        for state, _ in states
        if number[state]
    )
    counts = "".join(
        element("li", element("i", "", css=f"f-{state.css}") + f"<b>{number[state]:,}</b> {said}")
        for state, said in states
        if number[state]
    )
    length = f"{counted(len(clips), 'clip')}; {spoken_length(total['duration'])} of motion cleaned, "
    length += counted(total["frames"], "frame")
    flipped = sum(bool(clip.findings and clip.findings.wraps) for clip in clips if clip.status == "cleaned")
    mended = [
        counted(total["spikes"], "spike"),
        f"angle flips in {counted(flipped, 'clip')}",
        f"{counted(total['filled'], 'gap')} filled",
        f"{counted(total['left'], 'gap')} left open",
        f"{counted(total['contacts'], 'contact')} {'planted' if settings.smooths else 'found'}",
    ]
    mended += [counted(total["keys"], "key")] if settings.within else []
    if settings.check:
        mended.append(f"check still finds {spoken_flags(total['warnings'], total['errors']) or 'nothing'}")
    spans = " ".join(element("span", text) for text in mended)
    return "\n".join(
        (
            element("p", length, css="soft"),
            element("div", shares, css="split"),
            element("ul", counts, css="counts"),
            element(
                "div", element("p", spans) + element("p", safe(asked(settings)), css="soft"), css="mended"
            ),
        )
    )


def asked(settings: Settings) -> str:
    """The settings in words."""
    parts = [f"asked for: strength {settings.strength:g}"]
    below = settings.keep_below
    parts.append("smoothing as the noise asks" if below is None else f"motion below {below:g} Hz kept")
    parts.append(f"gaps up to {settings.fill:g} s filled")
    parts += [f"keys within {settings.within}"] if settings.within else []
    parts += [f"set aside what moves more than {settings.at_most}"] if settings.at_most else []
    parts += [f"{settings.fps:g} frames a second"] if settings.fps else []
    parts += [f"through camera {settings.camera}"] if settings.camera else []
    parts += ["looked over by check afterwards"] if settings.check else []
    return ", ".join(parts)


def _scales(clips: Sequence[Clip]) -> Scales:
    found = [clip.findings for clip in clips if clip.findings is not None]
    moves = [move.value for each in found if (move := largest(each, "mm"))]
    return Scales(_full(moves), _full([value for each in found if each.contacts for value in each.drift]))


def _full(values: list[float]) -> float:
    """A round amount that most of the values don't exceed."""
    if not values or max(values) <= 0:
        return 1.0
    reached = sorted(values)[min(len(values) - 1, int(ENDS_AT * len(values)))]
    return round_step(reached if reached > 0 else max(values), 1)


def _section(title: str, clips: Sequence[Clip], scales: Scales, settings: Settings) -> str:
    if not clips:
        return ""
    heads = [
        ("Clip", ""),
        ("Largest move", f"full bar {scales.move:,g} mm"),
        ("Planted points slide", f"hollow before, solid after; full bar {scales.drift:,g} mm/s"),
        (
            "Speed kept at accents",
            f"{100 * LEAST_SPEED:.0f} to 100 %, ticks at {100 * LOST_SPEED:.0f} and 100",
        ),
        ("Mended", ""),
    ]
    heads += [("Keys", "over all channels")] if settings.within else []
    columns = element("col", "", css="c-clip").removesuffix("</col>") + "".join(
        element("col", "", css=f"c-{name}").removesuffix("</col>")
        for name in ("move", "slide", "speed", "mended", "keys")[: len(heads) - 1]
    )
    head = "".join(
        element("th", title + (element("small", safe(more)) if more else ""), scope="col")
        for title, more in heads
    )
    rows = "\n".join(row(clip, scales, settings) for clip in clips)
    count = element("small", f"{len(clips):,}")
    table = element(
        "table", f"<colgroup>{columns}</colgroup><thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>"
    )
    return element("h2", f"{title} {count}") + "\n" + table

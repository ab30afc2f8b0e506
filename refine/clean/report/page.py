"""The report as one page that needs nothing beside it: no script, no font, no file; it prints, and fits a phone.

Clips stand in the order in which a person should look at them. Each state has a word and a pattern besides its colour.
Bars of one kind have one scale on the whole page, so clips can be compared at a glance; a bar that is longer than its
scale is cut with a notch, so that one wild clip doesn't make all others look alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources

from refine.clean.findings import Findings, Span
from refine.clean.report.summary import LOST_SPEED, Clip, counted, largest, ordered, spoken_move, spot, totals
from refine.clean.settings import Settings
from refine.review import svg
from refine.review.svg import BLUE, FAINT, INK, PAPER, VERMILLION, Scale, round_step

BAR, HIGH = 84.0, 12.0  # px, length and height of a bar
ENDS_AT = 0.9  # share of the clips whose bars fit their scale
LEAST_SPEED = 0.8  # at the left end of the scale of kept speed
SPANS = 40  # places that the page names of each kind; summary.json has all


@dataclass(frozen=True, slots=True)
class _Scales:
    """What a full bar means."""

    move: float  # mm
    drift: float  # mm/s


@dataclass(frozen=True, slots=True)
class _State:
    """How a clip's state is said: its class in the style sheet, a sign and a word."""

    css: str
    word: str


_FAILED, _ASIDE = _State("failed", "✕ failed"), _State("aside", "‖ set aside")
_LOOK, _FINE = _State("look", "◆ look"), _State("fine", "")


def page(clips: Sequence[Clip], settings: Settings) -> str:
    """The whole page as HTML."""
    rows = ordered(clips)
    scales = _scales(rows)
    first = [clip for clip in rows if clip.reasons]
    rest = [clip for clip in rows if not clip.reasons]
    parts = [
        _element("h1", "Cleaned motion"),
        _overview(clips, settings),
        _section("Look at these first", first, scales, settings),
        _section("Nothing stands out", rest, scales, settings),
    ]
    style = resources.files("refine.clean.report").joinpath("page.css").read_text("utf-8")
    head = '<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    head += f"<title>Cleaned motion: {counted(len(clips), 'clip')}</title><style>\n{style}</style>"
    body = "\n".join(parts)
    return f'<!DOCTYPE html>\n<html lang="en">\n<head>{head}</head>\n<body>\n{body}\n</body>\n</html>\n'


def _element(name: str, inside: str, **attributes: str) -> str:
    """One element; `css` becomes class, data_of data-of. `inside` is HTML already, attributes are plain text."""
    names = {"css": "class"}
    said = "".join(
        f' {names.get(key, key.replace("_", "-"))}="{escape(svg.clean(value))}"'
        for key, value in attributes.items()
    )
    return f"<{name}{said}>{inside}</{name}>"


def _words(text: str) -> str:
    return escape(svg.clean(text), quote=False)


def _state(clip: Clip) -> _State:
    if clip.status == "failed":
        return _FAILED
    if clip.status == "set aside":
        return _ASIDE
    return _LOOK if clip.reasons else _FINE


# --- the whole ---


def _overview(clips: Sequence[Clip], settings: Settings) -> str:
    total = totals(clips)
    states = [(_FAILED, "failed"), (_ASIDE, "set aside, not changed"), (_LOOK, "cleaned, look at them")]
    states.append((_FINE, "cleaned, nothing stands out"))
    number = {state: sum(_state(clip) is state for clip in clips) for state, _ in states}
    shares = "".join(
        _element("i", "", css=f"f-{state.css}", style=f"flex:{number[state]}")
        for state, _ in states
        if number[state]
    )
    counts = "".join(
        _element("li", _element("i", "", css=f"f-{state.css}") + f"<b>{number[state]:,}</b> {said}")
        for state, said in states
        if number[state]
    )
    length = f"{counted(len(clips), 'clip')}; {spoken_length(total['duration'])} of motion cleaned, "
    length += counted(total["frames"], "frame")
    mended = [
        counted(total["spikes"], "spike"),
        counted(total["wraps"], "angle flip"),
        f"{counted(total['filled'], 'gap')} filled",
        f"{counted(total['left'], 'gap')} left open",
        f"{counted(total['contacts'], 'contact')} planted",
    ]
    mended += [counted(total["keys"], "key")] if settings.within else []
    if settings.check:
        left = f"{counted(total['errors'], 'error')}, {counted(total['warnings'], 'warning')}"
        mended.append(f"check still finds {left}")
    spans = " ".join(_element("span", text) for text in mended)
    return "\n".join(
        (
            _element("p", length, css="soft"),
            _element("div", shares, css="split"),
            _element("ul", counts, css="counts"),
            _element(
                "div", _element("p", spans) + _element("p", _words(asked(settings)), css="soft"), css="mended"
            ),
        )
    )


def spoken_length(seconds: float) -> str:
    """A length of motion in words."""
    if seconds < 90:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


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
    return ", ".join(parts)


def _scales(clips: Sequence[Clip]) -> _Scales:
    found = [clip.findings for clip in clips if clip.findings is not None]
    moves = [move.value for each in found if (move := largest(each, "mm"))]
    return _Scales(_full(moves), _full([value for each in found if each.contacts for value in each.drift]))


def _full(values: list[float]) -> float:
    """A round amount that most of the values don't exceed."""
    if not values or max(values) <= 0:
        return 1.0
    reached = sorted(values)[min(len(values) - 1, int(ENDS_AT * len(values)))]
    return round_step(reached if reached > 0 else max(values), 1)


def _section(title: str, clips: Sequence[Clip], scales: _Scales, settings: Settings) -> str:
    if not clips:
        return ""
    heads = [
        ("Clip", ""),
        ("Largest move", f"full bar {scales.move:g} mm"),
        ("Planted points slide", f"hollow before, solid after; full bar {scales.drift:g} mm/s"),
        (
            "Speed kept at accents",
            f"{100 * LEAST_SPEED:.0f} to 100 %, ticks at {100 * LOST_SPEED:.0f} and 100",
        ),
        ("Mended", ""),
    ]
    heads += [("Keys", "over all channels")] if settings.within else []
    columns = _element("col", "", css="c-clip").removesuffix("</col>") + "".join(
        _element("col", "", css=f"c-{name}").removesuffix("</col>")
        for name in ("move", "slide", "speed", "mended", "keys")[: len(heads) - 1]
    )
    head = "".join(
        _element("th", title + (_element("small", _words(more)) if more else ""), scope="col")
        for title, more in heads
    )
    rows = "\n".join(_row(clip, scales, settings) for clip in clips)
    count = _element("small", f"{len(clips):,}")
    table = _element(
        "table", f"<colgroup>{columns}</colgroup><thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>"
    )
    return _element("h2", f"{title} {count}") + "\n" + table


# --- one clip ---


def _row(clip: Clip, scales: _Scales, settings: Settings) -> str:
    found = clip.findings
    width = 6 if settings.within else 5
    if found is None:
        cells = [_element("td", _failure(clip), css="clip", colspan=str(width))]
    else:
        cells = [_element("td", _about(clip, found), css="clip")]
        cells += [_move(found, scales), _drift(found, scales), _speed(found), _mended(found)]
        cells += [_keys(found)] if settings.within else []
    return _element("tr", "".join(cells), css=_state(clip).css)


def _title(clip: Clip, more: str = "") -> str:
    """The state in a word, the clip's name with its folders, and something small behind it."""
    way, slash, name = clip.place.rpartition("/")
    word = _state(clip).word
    parts = [_element("span", word, css="word")] if word else []
    parts.append(_element("span", _words(way + slash), css="way") + _words(name))
    parts += [" " + _element("span", more, css="long")] if more else []
    return _element("span", "".join(parts), css="name")


def _failure(clip: Clip) -> str:
    failure = clip.failure
    assert failure is not None
    where = clip.failed_at
    found = f"{where}: {failure.found}" if where else failure.found
    more = [f"allowed: {failure.allowed}"] if failure.allowed else []
    more += [f"to do: {failure.remedy}"] if failure.remedy else []
    says = f"<b>{_words(found)}</b>" + (f"; {_words('; '.join(more))}" if more else "")
    return _title(clip) + _element("p", says, css="why")


def _about(clip: Clip, found: Findings) -> str:
    """The clip's name, which opens the list of all that was found, and what to look at."""
    title = _title(clip, spoken_length(found.frames / found.fps))
    if clip.reasons:
        title += _element("span", _words("; ".join(clip.reasons)), css="why")
    return _element("details", _element("summary", title) + _all(clip, found))


def _short(value: float) -> str:
    """An amount with as many decimals as one can make use of."""
    return f"{value:.{0 if value >= 20 else 1 if value >= 1 else 2}f}"


def _cell(title: str, bar: str, fact: str, more: str = "", css: str = "fact") -> str:
    small = _element("small", _words(more)) if more else ""
    return _element("td", _element("div", bar + _words(fact), css="pair") + small, css=css, data_of=title)


def _bar(inside: Iterable[str], words: str, high: float = HIGH) -> str:
    title = svg.tag("title", _words(words))
    return svg.tag("svg", title, *inside, viewBox=f"0 0 {BAR:g} {high:g}", width=BAR, height=high, role="img")


def _length(value: float, full: float) -> float:
    return BAR * min(max(value / full, 0.0), 1.0)


def _notch(value: float, full: float, y: float, high: float) -> str:
    """A gap near the end of a bar that is cut off: it goes on beyond its scale."""
    if value <= full:
        return ""
    corners = [(BAR - 12, y + high), (BAR - 8, y), (BAR - 5, y), (BAR - 9, y + high)]
    return svg.tag("polygon", points=" ".join(f"{x:g},{at:g}" for x, at in corners), fill=PAPER)


def _move(found: Findings, scales: _Scales) -> str:
    move = largest(found, "mm")
    if move is None:
        return _cell("Largest move", "", "not measured")
    on_screen = largest(found, "px")
    fact = f"{_short(move.value)} mm"
    bar = _bar(
        (
            svg.rectangle(0, 1, BAR, HIGH - 2, fill=FAINT),
            svg.rectangle(0, 1, _length(move.value, scales.move), HIGH - 2, fill=BLUE),
            _notch(move.value, scales.move, 1, HIGH - 2),
        ),
        f"largest move {fact}",
    )
    where = f"{move.control} at {move.frame}" if move.control else ""
    where += f", {_short(on_screen.value)} px" if on_screen and on_screen.control else ""
    return _cell("Largest move", bar, fact, where)


def _drift(found: Findings, scales: _Scales) -> str:
    if not found.contacts:
        return _cell("Planted points slide", "", "no contacts", css="fact soft")
    before, after = found.drift
    bars = []
    for value, y, fill, stroke in ((before, 0.5, PAPER, INK), (after, 7.0, INK, None)):
        high = 4.5
        bars.append(
            svg.rectangle(0.5, y, max(_length(value, scales.drift) - 1, 0.5), high, fill=fill, stroke=stroke)
        )
        bars.append(_notch(value, scales.drift, y - 0.5, high + 1))
    fact = f"{_short(before)} → {_short(after)} mm/s"
    bar = _bar((svg.line((0, 0), (0, HIGH), stroke=INK), *bars), f"planted points slide {fact}")
    return _cell("Planted points slide", bar, fact, counted(found.contacts, "contact"))


def _speed(found: Findings) -> str:
    if not found.slowest_accent:
        return _cell("Speed kept at accents", "", "no accents", css="fact soft")
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
    bar = _bar(
        (
            svg.line((4, middle), (BAR - 4, middle), stroke=svg.GREY),
            *(svg.line((scale(x), 1), (scale(x), HIGH - 1), stroke=svg.GREY) for x in (LOST_SPEED, 1.0)),
            mark,
        ),
        f"speed kept {found.kept_speed:.0%}",
    )
    return _cell("Speed kept at accents", bar, f"{found.kept_speed:.1%}", found.slowest_accent)


def _mended(found: Findings) -> str:
    parts = [counted(len(found.spikes), "spike")] if found.spikes else []
    parts += [counted(len(found.wraps), "angle flip")] if found.wraps else []
    parts += [f"{counted(len(found.filled), 'gap')} filled"] if found.filled else []
    noise = f"noise {found.noise:.2g} deg"
    if found.keep_below:
        noise += f", {found.keep_below:.3g} Hz kept"
    return _cell("Mended", "", ", ".join(parts) or "only noise", noise, css="")


def _keys(found: Findings) -> str:
    return _cell("Keys", "", f"{found.keys:,}", f"{found.keys_per_second:.3g}/s")


def _all(clip: Clip, found: Findings) -> str:
    """Everything that was found, as a list of terms."""
    seconds = found.frames / found.fps
    flags = "not asked for"
    if found.flags is not None:
        flags = f"{counted(found.flags[1], 'error')}, {counted(found.flags[0], 'warning')}"
    terms = [
        ("clip", f"{clip.source}: {counted(found.frames, 'frame')} at {found.fps:g} fps, {seconds:.3g} s"),
        ("joints", f"{found.joints}"),
        ("lead-in left alone", counted(found.lead_in, "frame")),
        ("gaps filled", _spans(found.filled)),
        ("gaps left open", _spans(found.left)),
        ("angle flips", _spans(found.wraps)),
        ("spikes", _spans(found.spikes)),
        ("noise", _noise(found)),
        ("kept below", f"{found.keep_below:.3g} Hz" if found.keep_below else "not smoothed"),
        ("largest moves", "; ".join(map(spoken_move, found.largest)) or "not measured"),
        (
            "contacts",
            f"{found.contacts}, sliding {found.drift[0]:.3g} mm/s before, {found.drift[1]:.3g} after",
        ),
        (
            "speed kept",
            f"{found.kept_speed:.1%} at {found.slowest_accent}" if found.slowest_accent else "no accents",
        ),
        ("keys", f"{found.keys:,}, {found.keys_per_second:.3g} a second" if found.keys else "not asked for"),
        ("check still finds", flags),
        ("set aside", found.set_aside or "no"),
        ("notes", "; ".join(found.notes) or "none"),
        ("written", ", ".join(clip.files) or "nothing"),
    ]
    return _element(
        "dl", "".join(_element("dt", title) + _element("dd", _words(text)) for title, text in terms)
    )


def _noise(found: Findings) -> str:
    kind = "white" if found.coloured < 0.05 else f"coloured {found.coloured:.2g}"
    text = f"{found.noise:.3g} deg, {kind}"
    return f"{text}; most in {found.noisiest}, {found.noisiest_noise:.3g} deg" if found.noisiest else text


def _spans(spans: Sequence[Span]) -> str:
    text = ", ".join(map(spot, spans[:SPANS])) or "none"
    return f"{text}, and {len(spans) - SPANS:,} more" if len(spans) > SPANS else text

"""The report: what stands first, the document by its schema, the table, and the page as a browser would read it."""

from __future__ import annotations

import csv
import io
import json
import sys
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from refine.clean.findings import Findings, Moved, Span
from refine.clean.folder.progress import Progress, spoken
from refine.clean.folder.work import Failure
from refine.clean.report.page import page
from refine.clean.report.summary import (
    FAR,
    LED_FAR,
    LOST_SPEED,
    SLIDES,
    Clip,
    document,
    lines,
    ordered,
    totals,
)
from refine.clean.report.table import as_csv, as_parquet, table
from refine.clean.report.words import short
from refine.clean.settings import Amount, Settings
from tests.cli.console import validator

SOUND = Findings(
    frames=600, fps=120.0, joints=31, noise=0.08, noisiest="hand.L", noisiest_noise=0.2, keep_below=6.5,
    largest=(Moved(4.25, "mm", "hand.L", 88), Moved(1.5, "px", "hand.L", 88), Moved(0.6, "deg", "head", 3)),
    contacts=9, drift=(31.0, 1.5), kept_speed=0.99, slowest_accent="hand.L at 301",
)  # fmt: skip
GAP = (Span("hips", (20, 69)),)
BODY = (Span("head", (7, 9)), *(Span(name, (500, 530), "rotation") for name in ("hips", "arm", "leg")), Span("hips", (500, 530), "translation"))  # noqa: E501  # fmt: skip


def clip(name: str, findings: Findings | None = SOUND, **options: str) -> Clip:
    place = f"day <1>/{name}.bvh"
    status = "set aside" if findings and findings.set_aside else "cleaned" if findings else "failed"
    failure = None if findings else Failure(f"{name}.bvh: line 7", "no number", "a number", "put one there")
    files = (place,) if status == "cleaned" else ()
    return Clip(f"takes/{place}", place, "0" * 64, status, files, findings, failure)


def some() -> list[Clip]:
    """Clips in another order than the one in which they should be looked at, which their numbers say."""
    return [
        clip("9 sound", replace(SOUND, largest=(Moved(2.0, "mm", "hand.L", 1),))),
        clip("6 slow accent", replace(SOUND, kept_speed=0.8)),
        clip("3 more gaps", replace(SOUND, left=GAP)),
        clip("1 failed", None),
        clip("7 far", replace(SOUND, largest=(Moved(40.0, "mm", "foot.R", 5),))),
        clip("4 gap", replace(SOUND, left=(Span("hips", (20, 30)),), flags=(0, 9))),
        clip("8 sound", SOUND),
        clip("2 aside", replace(SOUND, set_aside="it would move by 90 mm, more than 50 mm")),
        clip("5 errors", replace(SOUND, flags=(3, 2))),
    ]


def test_what_a_person_should_look_at_stands_first() -> None:
    assert [c.place.partition("/")[2][0] for c in ordered(some())] == list("123456789")
    assert ordered(some()[::-1]) == ordered(some())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, None),
        ({"left": GAP}, "1 gap left open, 50 frames in hips at frames 20:69"),
        ({"filled": GAP}, f"1 gap of over {LED_FAR:g} s filled, 50 frames in hips at frames 20:69"),
        ({"left": BODY}, "2 gaps left open, the longest 31 frames in 3 joints at frames 500:530"),
        ({"left": BODY[1:]}, "1 gap left open, 31 frames in 3 joints at frames 500:530"),
        ({"filled": (Span("hips", (20, 54), ""),)}, None),
        ({"flags": (0, 1)}, "check finds 1 error"),
        ({"flags": (1, 2)}, "check finds 2 errors and 1 warning"),
        ({"flags": (2, 0)}, "check finds 2 warnings"),
        ({"flags": (0, 0)}, None),
        ({"largest": (Moved(FAR, "mm", "foot.R", 975),)}, None),
        ({"largest": (Moved(75.2, "mm", "foot.R", 975),)}, "moved by 75 mm, foot.R at frame 975"),
        ({"largest": (Moved(1150.0, "mm", "foot.R", 975),)}, "moved by 1,150 mm"),
        ({"largest": (Moved(75.2, "px", "foot.R", 975),)}, None),
        ({"largest": (Moved(75.2, "mm", "foot.R", 975),), "set_aside": "it would move"}, "it would move"),
        ({"doubtful": GAP[:1]}, "1 jump there and back left in, hips at frames 20:69"),
        ({"doubtful": BODY}, "2 jumps there and back left in, first head at frames 7:9"),
        ({"kept_speed": LOST_SPEED}, None),
        ({"kept_speed": 0.8}, "80% of its speed at hand.L at 301"),
        ({"drift": (50.0, SLIDES)}, None),
        ({"drift": (500.0, 120.0)}, "slide 120 mm/s"),
        ({"drift": (50.0, 12.0), "contacts": 0}, None),
    ],
)
def test_the_reasons_to_look(changes: dict[str, object], words: str | None) -> None:
    reasons = clip("a", replace(SOUND, **changes)).reasons  # type: ignore[arg-type]
    assert reasons == () if words is None else len(reasons) == 1 and words in reasons[0]


def test_the_document_is_as_its_schema_says() -> None:
    settings = Settings(
        keep_below=7.0, within=Amount(2, "mm"), at_most=Amount(20, "px"), fps=30, camera="left"
    )
    for asked in (settings, Settings()):
        plain = json.loads(json.dumps(document(some(), asked)))
        validator("clean").validate(plain)
        assert [each["status"] for each in plain["clips"]][:3] == ["failed", "set aside", "cleaned"]
        for broken in ({**plain, "more": 1}, {**plain, "clips": [{**plain["clips"][4], "findings": {}}]}):
            assert not validator("clean").is_valid(broken)


def test_totals_count_what_was_cleaned() -> None:
    total = totals(some())
    assert (total["clips"], total["cleaned"], total["set_aside"], total["failed"]) == (9, 7, 1, 1)
    assert total["frames"] == 7 * 600
    assert total["duration"] == 35.0
    assert (total["left"], total["errors"], total["warnings"]) == (2, 11, 3)


def test_the_short_list_for_the_terminal() -> None:
    text = lines(some())
    assert text[0] == "9 clips: 7 cleaned, 1 set aside, 1 failed"
    assert text[2].split() == ["failed", "day", "<1>/1", "failed.bvh", *"line 7: no number; allowed: a number; put one there".split()]  # noqa: E501, SIM905  # fmt: skip
    assert "nothing stands out" in lines([clip("a")])[1]
    many = lines([clip(str(n), None) for n in range(200)])
    assert len(many) < 20
    assert many[-1].startswith("and 188 more")


def test_the_table_has_a_row_for_each_clip() -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv(some()).decode())))
    assert [row["place"] for row in rows] == [c.place for c in ordered(some())]
    assert rows[0]["frames"] == ""
    assert rows[0]["look_at"] == "line 7: no number; allowed: a number; put one there"
    assert rows[6]["largest_mm"] == "40.0"
    assert rows[6]["largest_mm_control"] == "foot.R"
    assert rows[2]["left_frames"] == "50"


def test_parquet_reads_back_as_the_same_table() -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    data = as_parquet(some())
    assert data is not None
    assert parquet.read_table(io.BytesIO(data)).to_pydict() == table(some())
    assert data == as_parquet(some()[::-1])


def test_without_pyarrow_there_is_no_parquet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert as_parquet(some()) is None


# --- the page ---


class Reader(HTMLParser):
    """Elements that are opened and closed, as HTML has them, and the text between them."""

    VOID = frozenset({"meta", "col"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.names: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert "svg" in self.open, tag  # only there may an element close itself
        self.names.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text += data


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader


@pytest.mark.parametrize("settings", [Settings(), Settings(within=Amount(2, "mm"))])
def test_the_page_needs_nothing_beside_it(settings: Settings) -> None:
    html = page(some(), settings)
    seen = read(html)
    assert not {"script", "link", "img", "iframe", "object"} & set(seen.names)
    assert not {"src", "href", "onclick", "onload"} & {name for name, _ in seen.attributes}
    assert "url(" not in html
    assert "http" not in html


def test_the_page_says_of_each_clip_all_that_was_found() -> None:
    full = Findings(
        frames=4321, fps=119.88, joints=29, lead_in=3, filled=(Span("f1", (1, 2), "turn"),),
        left=(Span("l1", (3, 104)),),
        wraps=(Span("w1", (5, 6)),), spikes=tuple(Span(f"s{n}", (n, n)) for n in range(60)), noise=0.0123,
        noisiest="n1", noisiest_noise=0.456, coloured=0.31, keep_below=7.89, largest=(Moved(11.1, "mm", "m1", 7),),
        contacts=17, drift=(22.2, 3.33), kept_speed=0.944, slowest_accent="a1 at 9", keys=5432, keys_per_second=67.8,
        flags=(12, 13), flagged=("error  sf-1  1:9  foot.L  slides",), notes=("n2 is odd",),
        doubtful=(Span("d1", (8, 8)),),
    )  # fmt: skip
    text = read(page([clip("a", full)], Settings(within=Amount(2, "mm")))).text
    words = "4,321|119.88|29|3 frames|f1 turn at frames 1:2"
    words += "|l1 at frames 3:104|w1 at frames 5:6|s0 at frame 0|and 20 more|d1 at frame 8"
    words += "|0.0123|n1|0.456|0.31|7.89|11.1 mm|m1 at frame 7|17|22 mm/s|3.3 after|94.4%|a1 at 9|5,432|68 a second"
    words += "|13 errors and 12 warnings|slides|and 24 more|n2 is odd"
    assert [word for word in words.split("|") if word not in text] == []


def mended(findings: Findings) -> str:
    """What the clip's last cell says."""
    return page([clip("a", findings)], Settings()).rpartition('data-of="Mended">')[2].partition("</td>")[0]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "only noise"),
        ({"noise": 0.0}, "only smoothed"),
        ({"noise": 0.0, "keep_below": 0.0}, "feet planted"),
        ({"keep_below": 0.0}, "feet planted"),
        ({"noise": 0.0, "keep_below": 0.0, "contacts": 0}, "nothing to mend"),
        ({"keep_below": 0.0, "contacts": 0}, "noise left in"),
        ({"noise": 0.0, "keep_below": 0.0, "largest": (Moved(0.0, "mm", "", 1),)}, "nothing to mend"),
        ({"filled": BODY}, "2 gaps filled"),
        ({"wraps": BODY}, "angle flips in 4 joints"),
        ({"spikes": BODY[:1]}, "1 spike"),
    ],
)
def test_what_was_mended_is_counted_as_people_count(changes: dict[str, object], words: str) -> None:
    said = mended(replace(SOUND, **changes))  # type: ignore[arg-type]
    assert f">{words}<" in said
    assert ("noise 0" in said) == (changes.get("noise") != 0.0)


def test_a_joint_that_flips_on_many_frames_is_named_once() -> None:
    flips = tuple(Span("hips", (frame, frame), "rotation") for frame in range(3, 2000))
    text = read(page([clip("a", replace(SOUND, wraps=flips))], Settings(check=True))).text
    assert "1,997 times hips rotation at frames 3:1999" in text
    assert "angle flips in 1 clip" in text
    assert "looked over by check" in text
    assert "check still finds nothing" in text


def test_a_dropout_of_the_whole_body_is_one_gap() -> None:
    clips = [clip("a", replace(SOUND, filled=BODY, left=BODY[1:], spikes=BODY[:1]))]
    total = totals(clips)
    assert (total["filled"], total["left"], total["spikes"]) == (2, 1, 1)
    row = next(csv.DictReader(io.StringIO(as_csv(clips).decode())))
    assert (row["filled"], row["filled_frames"], row["left"], row["left_frames"]) == ("2", "34", "1", "31")


@pytest.mark.parametrize(
    ("value", "words"), [(0.0, "0.00"), (0.314, "0.31"), (4.25, "4.2"), (75.2, "75"), (2083.1, "2,083")]
)
def test_amounts_are_short_and_plain(value: float, words: str) -> None:
    assert short(value) == words


def test_names_cannot_break_the_page() -> None:
    evil = replace(SOUND, slowest_accent="<script>alert(1)</script> at 3", notes=("a\x00b\udcff", '"&<'))
    html = page([clip("x\"'><b>", evil), clip("y", None)], Settings(camera="</style><p>"))
    seen = read(html)
    assert "script" not in seen.names
    assert "b" in seen.names  # our own
    assert "x\"'><b>.bvh" in seen.text
    html.encode("utf-8", "backslashreplace").decode()


def test_bars_of_one_kind_have_one_scale() -> None:
    """Twice the move is twice the bar, and a wild clip's bar is full and cut with a notch."""
    moves = (2.0, 4.0, 5.0, 6.0, 7.0, 7.5, 8.0, 8.5, 9.0, 9.5, 10.0, 500.0)
    clips = [
        clip(f"{n}", replace(SOUND, largest=(Moved(move, "mm", "a", 1),))) for n, move in enumerate(moves)
    ]
    drawn = [part.partition("</svg>")[0] for part in page(clips, Settings()).split("<svg")[1:]]
    bars = [ElementTree.fromstring(f"<svg{part}</svg>") for part in drawn if "largest move" in part]
    lengths = [float(bar.findall("rect")[1].get("width", "")) for bar in bars]
    notched = [bar.find("polygon") is not None for bar in bars]
    assert len(bars) == len(moves)
    assert lengths[0] == float(bars[0].get("width", ""))
    assert lengths[-2] == pytest.approx(2 * lengths[-1])
    assert notched == [True] + [False] * 11


def test_the_states_are_told_apart_without_colour() -> None:
    text = read(page(some(), Settings())).text
    for word in ("✕ failed", "‖ set aside", "◆ look"):
        assert word in text


def test_a_page_of_no_motion_at_all() -> None:
    still = Findings(frames=1, fps=24, joints=1)
    for clips in ([clip("a", still)], [clip("a", None)], [clip("a", replace(still, contacts=1))]):
        read(page(clips, Settings()))


# --- progress ---


def test_the_time_left_follows_the_work_not_the_clips() -> None:
    now, said = [0.0], list[str]()
    progress = Progress(4, 1000, said.append, lambda: now[0])
    progress.clip("old.bvh", 400, "cleaned earlier", worked=False)
    assert "left" not in said[-1]
    now[0] = 30.0
    progress.clip("long.bvh", 300, "cleaned")
    assert said[-1] == "2/4  long.bvh  cleaned  (about 30 s left)"  # 300 of 600 bytes took 30 s
    now[0] = 100.0
    progress.clip("short.bvh", 10, "cleaned")
    assert "about 2 min left" in said[-1]  # 290 bytes at 3.1 a second
    progress.clip("last.bvh", 290, "cleaned")
    assert "left" not in said[-1]


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.2, "5 s"), (33, "35 s"), (56, "1 min"), (200, "3 min"), (9000, "2.5 h")]
)
def test_times_are_no_more_exact_than_a_guess(seconds: float, words: str) -> None:
    assert spoken(seconds) == words


def test_where_nothing_moved_no_control_and_no_frame_are_named() -> None:
    still = replace(
        SOUND, largest=(Moved(0.0, "mm", "", 1), Moved(0.0, "px", "", 1), Moved(0.0, "deg", "", 1))
    )
    assert lines([clip("held", still)])[-1] == "nothing moved"
    shown = page([clip("held", still)], Settings())
    assert "0 mm" in shown
    assert " of  at" not in shown
    assert "> at " not in shown

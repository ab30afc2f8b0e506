"""BVH: every variant seen in the wild is read with a note, or refused with its line."""

from __future__ import annotations

import random
import re
import tracemalloc
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.errors import InputError
from refine.formats import bvh
from refine.formats.bvh_header import snapped_rate
from refine.formats.splice import Place, spell, splice
from refine.pose import pose
from refine.shot import Channel
from tests.formats.bvh_texts import HEAD, MOTION, ROWS, TEXT, VALUES, read, refused, remarks, values

# --- reading ---------------------------------------------------------------------------------------------


def test_a_clean_file() -> None:
    shot = read(TEXT)
    hips, arm = shot.controls
    assert (shot.name, shot.fps, shot.first_frame, shot.last_frame) == ("walk", 30.0, 0, 2)
    assert (hips.name, hips.parent, hips.order, hips.tip) == ("Hips", None, "zxy", None)
    assert (arm.name, arm.parent, arm.order, arm.tip) == ("Left Arm.01:a", "Hips", "yzx", (0.0, 3.5, 0.0))
    assert arm.rest_translation == (1.5, -2.0, 0.25)
    assert [channel.name for channel in arm.channels] == ["rotation.y", "rotation.z", "rotation.x"]
    assert values(shot) == VALUES
    assert remarks(shot) == []


def test_channels_are_read_only_views_of_one_array() -> None:
    columns = [channel.samples for control in read(TEXT).controls for channel in control.channels]
    assert all(
        column is not None and column.shape == (3, 1) and not column.flags.writeable for column in columns
    )
    assert len({id(column.base) for column in columns if column is not None}) == 1


@pytest.mark.parametrize(
    "text",
    [
        TEXT.replace("\n", "\r\n"),
        TEXT.replace("\n", "\r"),
        "\ufeff" + TEXT,
        TEXT.replace("\t", " ").replace(" 5 ", "\t5\t"),
        TEXT.lower().replace("left arm.01:a", "Left Arm.01:a").replace("hips", "Hips"),
        TEXT.upper().replace("LEFT ARM.01:A", "Left Arm.01:a").replace("HIPS", "Hips"),
        TEXT.replace("\n\t{", " {").replace("Hips\n{", "Hips{"),
        TEXT.replace("6 Xposition Yposition", "6\n\t\tXposition\n\n Yposition"),
        TEXT.replace("Frames: 3\nFrame Time: 0.0333333", "Frame Time:0.0333333\nFrames:3"),
        TEXT.replace("\n-1.5", "\n\n   \n-1.5") + "\n \t\n",
        TEXT.rstrip("\n"),
        TEXT.replace("End Site", "End Site wrist end"),
        TEXT.replace("End Site", "EndSite"),
    ],
    ids=[
        "crlf",
        "cr",
        "bom",
        "spaces",
        "lower",
        "upper",
        "braces",
        "channels",
        "order",
        "blank",
        "no end",
        "named",
        "one word",
    ],
)
def test_harmless_variants_read_the_same_without_a_note(text: str) -> None:
    assert read(text) == read(TEXT)
    assert remarks(read(text)) == []


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (TEXT.replace("Frames: 3", "Frames: 1000000"), 17, "Frames says 1000000, but 3 rows"),
        (TEXT.replace("Frames: 3", "Frames: 2"), 17, "Frames says 2, but 3 rows"),
        (TEXT.replace("Frames: 3\n", ""), 16, "Frames is missing"),
        (TEXT.replace("Frames: 3", "Frames: -3"), 17, "Frames is missing or isn't a count"),
        (TEXT.replace("Frame Time: 0.0333333\n", ""), 17, "Frame Time is missing; 30 frames"),
        (TEXT.replace("1 2 3 4", "1 2 3\n4", 1), 19, "wrapped"),
        (TEXT.replace("\n-1.5 0.25", "\n-1.50.25".replace("50.25", "5+0.25")), 20, "run together"),
        (TEXT.replace("1.5 -2 0.25", "1.5-2 0.25"), 8, "run together"),
        (TEXT.replace("\t\tOFFSET 1.5 -2 0.25\n", ""), 6, "no OFFSET"),
        (TEXT.replace("HIERARCHY\n", ""), 1, "HIERARCHY is missing"),
        (TEXT.replace("OFFSET 0.0 0.0 0.0", "OFFSET 0.0 9 0.0"), 2, "replace the OFFSET of 'Hips'"),
        (TEXT.replace("\t\t}\n", "\t\t}\nEnd Site {OFFSET 1 1 1}\n", 1), 14, "second End Site"),
    ],
)
def test_what_is_settled_by_a_rule_is_noted_with_its_line(text: str, line: int, says: str) -> None:
    (note,) = remarks(read(text))
    assert note.startswith(f"walk.bvh: line {line}: ")
    assert says in note
    if "OFFSET" not in note:
        assert values(read(text)) == VALUES


def test_names_that_are_not_utf8_are_latin1() -> None:
    shot = read(TEXT.replace("Hips", "H\xfcfte").encode("latin-1"))
    assert shot.controls[0].name == "Hüfte"
    assert "line 2: the name 'Hüfte' isn't UTF-8" in remarks(shot)[0]
    assert read(TEXT.replace("Hips", "Hüfte")).controls[0].name == "Hüfte"


def test_glued_and_wrapped_rows_together() -> None:
    rows = "1 2 3\n4 5 6-7 8 9\n-1.5+0.25 1e-2 4.0\n\n5 6 7\n8 +9\n.5 2. 3 4 5 6 7 8 9E0\n"
    shot = read(HEAD + MOTION + rows)
    expected = [row[:] for row in VALUES]
    expected[0][6] = -7
    assert values(shot) == expected
    assert [note.partition(": ")[2] for note in remarks(shot)] == [
        "line 20: numbers run together; split before the sign, and 1 more",
        "line 19: 2 frames are wrapped over several lines",
    ]


def test_several_roots_and_three_and_six_channels_mixed() -> None:
    second = (
        "ROOT Prop\n{\nOFFSET 1 2 3\nCHANNELS 3 Xrotation Yrotation Zrotation\nJOINT Lid\n{\nOFFSET 4 5 6\n"
    )
    second += "CHANNELS 6 Xposition Yposition Zposition Xrotation Zrotation Yrotation\n}\n}\n"
    row = " ".join(map(str, range(18))) + "\n"
    shot = read(HEAD + second + MOTION.replace("3", "1", 1) + row)
    prop, lid = shot.controls[2:]
    assert (prop.parent, prop.rest_translation, prop.order) == (None, (1.0, 2.0, 3.0), "xyz")
    assert (lid.parent, lid.order, lid.tip) == ("Prop", "xzy", None)
    assert values(shot) == [list(range(18))]
    # The joint's positions replace its OFFSET (source: bvhio 1.5.4, tests/outside/test_bvh_outside.py).
    assert lid.rest_translation == (0.0, 0.0, 0.0)
    assert pose(shot, np.array([0.0])).origin[2, 0].tolist() == [1, 2, 3]


def test_positions_replace_only_their_own_component_of_the_offset() -> None:
    shot = read("HIERARCHY ROOT a\n{ OFFSET 1 2 3 CHANNELS 1 Yposition } MOTION Frames: 1 Frame Time: 0.1 7")
    assert shot.controls[0].rest_translation == (1.0, 0.0, 3.0)
    assert pose(shot, np.array([0.0])).origin[0, 0].tolist() == [1, 7, 3]


@pytest.mark.parametrize("order", ["".join(axes) for axes in permutations("xyz")])
def test_the_order_is_that_of_the_rotation_channels(order: str) -> None:
    channels = " ".join(f"{axis.upper()}rotation" for axis in order)
    shot = read(HEAD.replace("Zrotation Xrotation Yrotation", channels) + MOTION + ROWS)
    assert shot.controls[0].order == order


def test_a_joint_with_one_rotation_has_a_whole_order() -> None:
    shot = read(
        "HIERARCHY\nROOT a\n{\nOFFSET 0 0 0\nCHANNELS 1 Yrotation\n}\nMOTION\nFrame Time: .1\nFrames: 1\n5\n"
    )
    assert shot.controls[0].order == "yxz"


# --- refusing --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (TEXT.replace("0.25 1e-2", "-1.#IND 1e-2"), 20, "'-1.#IND'"),
        (TEXT.replace("0.25 1e-2", "nan 1e-2"), 20, "'nan'"),
        (TEXT.replace("0.25 1e-2", "-inf 1e-2"), 20, "'-inf'"),
        (TEXT.replace("0.25 1e-2", "1e400 1e-2"), 20, "'1e400' is too large"),
        (TEXT.replace("0.25 1e-2", "-2e12 1e-2"), 20, "'-2e12' is too large"),
        (TEXT.replace("0.25 1e-2", "True 1e-2"), 20, "'True'"),
        (TEXT.replace("0.25 1e-2", "0,25 1e-2"), 20, "'0,25'"),
        (TEXT.replace("0.25 1e-2", "1_0 1e-2"), 20, "'1_0'"),
        (TEXT.replace("0.25 1e-2", "0x1 1e-2"), 20, "'0x1'"),
        (TEXT.replace("0.25 1e-2", "0.2.5 1e-2"), 20, "'0.2.5'"),
        (TEXT.replace("0.25 1e-2", "- 1e-2"), 20, "'-'"),
        (TEXT.replace("0.25 1e-2", "\x00 1e-2"), 20, "'\\x00'"),
        (TEXT + "}\n", 22, "'}'"),
        (TEXT[:-6], 21, "the file ends within frame 2, which has 7 numbers"),
        (TEXT.replace("-1.5 0.25", "-1.5"), 20, "frame 1 begins here with 8 numbers"),
        (TEXT.replace("-1.5 0.25", "-1.5 0 0.25"), 20, "frame 1 has 10 numbers"),
        (HEAD + MOTION, 19, "no frame follows"),
        (HEAD + "MOTION", 16, "no frame follows"),
        (HEAD, 16, "the file ends here"),
        (HEAD[:33], 4, "the file ends here"),
        (TEXT.replace("\t}\n}\n", "\t}\n"), 15, "'MOTION' within 'Hips'"),
        (TEXT.replace("\t}\n}\n", "\t}\n}\n}\n"), 16, "'}' outside"),
        (TEXT.replace("JOINT Left Arm.01:a", "JOINT"), 6, "no name"),
        (TEXT.replace("Left Arm.01:a", "Hips"), 6, "'Hips' again, first on line 2"),
        (TEXT.replace("Left Arm.01:a", "Left\x07"), 6, "unprintable"),
        (TEXT.replace("ROOT", "BONE"), 2, "'BONE' outside"),
        (TEXT.replace("\t\tOFFSET 1.5", "\t\tOFSET 1.5"), 8, "'OFSET' within 'Left Arm.01:a'"),
        (TEXT.replace("1.5 -2 0.25", "1.5 -2"), 9, "'CHANNELS' where a number belongs"),
        (TEXT.replace("1.5 -2 0.25", "1.5 -2 0.25 7"), 8, "'7' within"),
        (TEXT.replace("1.5 -2 0.25", "1.5 -2 nan"), 8, "'nan'"),
        (TEXT.replace("1.5 -2 0.25", "1.5 -2 0.25-7"), 8, "4 numbers"),
        (TEXT.replace("CHANNELS 3 Y", "OFFSET 1 2 3\nCHANNELS 3 Y"), 9, "a second OFFSET"),
        (TEXT.replace("CHANNELS 3 Y", "CHANNELS 0\nCHANNELS 3 Y"), 10, "a second CHANNELS"),
        (TEXT.replace("CHANNELS 3 Y", "CHANNELS 2 Y"), 9, "more channels than the 2"),
        (TEXT.replace("CHANNELS 3 Y", "CHANNELS 999999999 Y"), 10, "'End', channel 4 of 999999999"),
        (TEXT.replace("CHANNELS 3 Y", "CHANNELS " + "9" * 5000 + " Y"), 9, "after CHANNELS"),
        (TEXT.replace("CHANNELS 3 Y", "CHANNELS x Y"), 9, "'x' after CHANNELS"),
        (TEXT.replace("3 Yrotation", "3 Wrotation"), 9, "'Wrotation', channel 1 of 3"),
        (TEXT.replace("3 Yrotation", "3 Zrotation"), 9, "twice"),
        (TEXT.replace("OFFSET 0 3.5 0", "CHANNELS 0"), 12, "in an End Site"),
        (TEXT.replace("0.0333333", "0"), 18, "Frame Time is '0'"),
        (TEXT.replace("0.0333333", "-0.1"), 18, "Frame Time is '-0.1'"),
        (TEXT.replace("0.0333333", "1e-300"), 18, "Frame Time is '1e-300'"),
        (TEXT.replace("0.0333333", "nan"), 18, "'nan'"),
        (TEXT.replace("0.0333333", "0,0333"), 18, "'0,0333'"),
        (TEXT.replace("Frames: 3", "Frames: 3\nFrames: 3"), 18, "Frames again"),
        (re.sub("CHANNELS.*", "", HEAD) + MOTION + ROWS, 16, "no channels"),
        (TEXT.encode("utf-16"), 1, "UTF-16"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", 1, "begins with"),
        (b"\x00" * 5000, 1, "begins with"),
    ],
)
def test_bad_files_are_refused_with_their_line(text: str | bytes, line: int, says: str) -> None:
    error = refused(text)
    assert error.place == f"walk.bvh: line {line}"
    assert says in error.found
    assert error.allowed
    assert len(str(error)) < 400


@pytest.mark.parametrize("text", ["", " \r\n\t", "\ufeff", "\ufeff\n"])
def test_an_empty_file_is_refused(text: str) -> None:
    assert "empty" in refused(text).found


def test_lines_are_counted_alike_whatever_ends_them() -> None:
    bad = TEXT.replace("0.25 1e-2", "nan 1e-2")
    for end in ("\r\n", "\r"):
        assert refused(bad.replace("\n", end)).place == "walk.bvh: line 20"


def test_a_huge_claim_takes_no_memory() -> None:
    text = TEXT.replace("Frames: 3", "Frames: 900000000").encode()
    read(text)
    tracemalloc.start()
    read(text)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 4_000_000  # bytes; the claim would be 65 GB


def test_deep_nesting_is_no_recursion() -> None:
    depth = 20_000
    joints = "".join(f"JOINT j{i}\n{{\nOFFSET 0 1 0\n" for i in range(depth))
    text = f"HIERARCHY\nROOT r\n{{\nOFFSET 0 0 0\nCHANNELS 1 Xposition\n{joints}{'}' * (depth + 1)}\n"
    shot = read(text + "MOTION\nFrames: 1\nFrame Time: 0.1\n4\n")
    assert shot.controls[-1].parent == f"j{depth - 2}"
    assert read(bvh.write(shot)) == shot


@pytest.mark.property
@settings(max_examples=300, deadline=None)
@given(st.data())
def test_damaged_files_raise_nothing_but_input_errors(data: st.DataObject) -> None:
    text = bytearray(TEXT.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        a = data.draw(st.integers(0, len(text)))
        b = data.draw(st.integers(a, min(a + 12, len(text))))
        junk = st.sampled_from(
            [b"", b"-", b"}", b"{", b"1e999", b"\xff", b"\0", b"\r", b"MOTION", b"9" * 50, b"nan", b"_"]
        )
        text[a:b] = data.draw(junk)
    try:
        shot = read(bytes(text))
    except InputError:
        return
    # What was read can be found again, number by number.
    places = [
        Place(c.name, ch.name, f, "value")
        for c in shot.controls
        for ch in c.channels
        for f in (0, shot.last_frame)
    ]
    found = [float(text[a:b]) for a, b in bvh.spans(bytes(text), shot, places)]
    assert found == [value for c in shot.controls for ch in c.channels for value in _ends(ch)]


def _ends(channel: Channel) -> tuple[float, float]:
    assert channel.samples is not None
    return float(channel.samples[0, 0]), float(channel.samples[-1, 0])


# --- frame rates -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "fps"),
    [
        ("0.0083333", 120.0),
        ("0.008333", 120.0),
        (".0083", 120.0),
        ("0.033333", 30.0),
        ("0.0333", 30.0),
        ("0.03333333333333333", 30.0),
        ("0.0333667", 30000 / 1001),
        ("0.0334", 30000 / 1001),
        ("0.033366700033366704", 29.97),
        ("0.0417", 24.0),
        ("0.0416", 24.0),
        ("0.041708", 24000 / 1001),
        ("0.041666667", 24.0),
        ("1.66667e-02", 60.0),
        ("0.01", 100.0),
        ("0.0100", 100.0),
        ("0.03", 30.0),
        ("0.04", 25.0),
        ("0.0357143", 28.0),
        ("0.0357", 28.0),
        ("0.03571", 28.0),
        ("0.034", 29.0),
        ("0.0312345", 32.0158798764),
        ("1", 1.0),
        ("0.1", 10.0),
        ("0.005", 200.0),
    ],
)
def test_a_rate_is_snapped_only_within_the_precision_of_its_text(word: str, fps: float) -> None:
    assert snapped_rate(word) == fps


@pytest.mark.parametrize(
    "fps", [1, 12, 23.976, 24, 24000 / 1001, 25, 29.97, 30, 47.3, 59.94, 100, 120, 143.7, 1000]
)
def test_a_written_rate_is_read_again(fps: float) -> None:
    shot = replace(read(TEXT), fps=float(fps))
    assert read(bvh.write(shot)).fps == fps


# --- splicing --------------------------------------------------------------------------------------------

PLACES = [
    (Place("Hips", "translation.x", 0, "value"), "1"),
    (Place("Hips", "translation.z", 1, "value"), "1e-2"),
    (Place("Left Arm.01:a", "rotation.y", 1, "value"), "7"),
    (Place("Left Arm.01:a", "rotation.x", 2, "value"), "9E0"),
    (Place("Left Arm.01:a", "rotation.x", 1, "value"), "+9"),
]
LAYOUTS = [
    TEXT,
    TEXT.replace("\n", "\r\n"),
    TEXT.replace("\n", "\r"),
    "\ufeff" + TEXT.replace(" 5 ", "\t5\t "),
    TEXT.replace(" 6 ", "\n  6 ").replace("\n-1.5", "\n\n \t\n-1.5"),
    TEXT.replace("4 5 6 7", "4 5\n6 7").rstrip("\n"),
    TEXT.replace("Frame Time: 0.0333333\n", "Frame Time: 0.0333333\n\n" + " " * 40 + "\n"),
]


@pytest.mark.parametrize("text", LAYOUTS)
def test_spans_are_those_of_the_tokens(text: str) -> None:
    data = text.encode()
    found = bvh.spans(data, read(data), [place for place, _ in PLACES])
    assert [data[a:b].decode() for a, b in found] == [token for _, token in PLACES]


def test_spans_within_glued_numbers() -> None:
    data = TEXT.replace("-1.5 0.25 1e-2 4.0", "-1.5-0.25 1e-2-4.0").encode()
    places = [
        Place("Hips", name, 1, "value")
        for name in ("translation.x", "translation.y", "translation.z", "rotation.z")
    ]
    assert [data[a:b] for a, b in bvh.spans(data, read(data), places)] == [
        b"-1.5",
        b"-0.25",
        b"1e-2",
        b"-4.0",
    ]


@pytest.mark.parametrize("text", LAYOUTS)
def test_one_spliced_token_changes_nothing_else(text: str) -> None:
    data = text.encode()
    shot = read(data)
    place = Place("Hips", "translation.y", 1, "value")
    ((start, end),) = bvh.spans(data, shot, [place])
    new = splice(data, [((start, end), spell(data[start:end].decode(), -3.14159))])
    assert new == data[:start] + b"-3.14" + data[end:]
    changed = [row[:] for row in VALUES]
    changed[1][1] = -3.14
    assert values(read(new)) == changed


def test_splicing_in_a_large_file_at_random() -> None:
    rng = random.Random(3)
    rows = [[f"{rng.uniform(-180, 180):.{rng.randint(0, 7)}f}" for _ in range(9)] for _ in range(4000)]
    data = (HEAD + MOTION + "\r\n".join(" \t".join(row) for row in rows) + "\r\n").encode()
    shot = read(data)
    channels = [(control.name, channel.name) for control in shot.controls for channel in control.channels]
    wanted = [(rng.randrange(4000), rng.randrange(9)) for _ in range(500)]
    found = bvh.spans(data, shot, [Place(*channels[column], row, "value") for row, column in wanted])
    assert [data[a:b].decode() for a, b in found] == [rows[row][column] for row, column in wanted]


@pytest.mark.parametrize(
    ("place", "says"),
    [
        (Place("Hip", "translation.x", 0, "value"), "no such channel"),
        (Place("Hips", "scale.x", 0, "value"), "no such channel"),
        (Place("Hips", "translation.x", 3, "value"), "no value there"),
        (Place("Hips", "translation.x", -1, "value"), "no value there"),
        (Place("Hips", "translation.x", 0.5, "value"), "no value there"),
        (Place("Hips", "translation.x", 0, "incoming_slope"), "no incoming_slope there"),
    ],
)
def test_places_that_the_file_does_not_have(place: Place, says: str) -> None:
    with pytest.raises(InputError) as caught:
        bvh.spans(TEXT.encode(), read(TEXT), [place])
    assert says in caught.value.found


def test_spans_in_another_file_than_the_one_read_are_refused() -> None:
    longer = (TEXT + "1 2 3 4 5 6 7 8 9 10\n").encode()
    with pytest.raises(InputError, match="doesn't hold the numbers"):
        bvh.spans(longer, read(TEXT), [PLACES[0][0]])

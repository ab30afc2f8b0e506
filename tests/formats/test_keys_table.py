"""The key table: spreadsheets' habits are read or refused with their line; a patch touches one field."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from refine.errors import InputError
from refine.formats import Document, keys_table, marks, numbers, patched, read, spellings
from refine.formats.splice import Place
from refine.shot import Channel, Control, Segment, Shot, frozen
from tests.strategies import shots

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])

TABLE = '''\
# lid of the kettle, blocked on twos
control,channel,frame,value,incoming_slope,outgoing_slope,incoming_reach,outgoing_reach,corner,segment
baker.hips,translation.y,1,0,0,0,,,,
"lid, ""left""",rotation,1,0 0 0 1,,,,,,line
baker.hips,translation.y,3.5,-2.25,-0.5,1.50,,0.8,true,
"lid, ""left""",rotation,5,0 0.6 0 0.8,,,,,,

baker.hips , translation.y , 6,-1,0,0,,,,hold
é:ns,curl,2,7,,,,,,line
'''


def document(text: str | bytes) -> Document:
    data = text.encode() if isinstance(text, str) else text
    return Document(Path("t.keys.csv"), data, "", "table", keys_table.read(data, "t.keys.csv"), None)


def test_a_table_reads_as_it_says() -> None:
    shot = document(TABLE).shot
    assert [control.name for control in shot.controls] == ["baker.hips", 'lid, "left"', "é:ns"]
    assert (shot.name, shot.first_frame, shot.last_frame) == ("t", 1, 6)
    keys = shot.controls[0].channels[0].keys
    assert keys is not None
    assert keys.frames.tolist() == [1, 3.5, 6]
    assert keys.values[:, 0].tolist() == [0, -2.25, -1]
    assert (keys.incoming[1, 0], keys.outgoing[1, 0], keys.corner.tolist()) == (
        -0.5,
        1.5,
        [False, True, False],
    )
    np.testing.assert_array_equal(keys.outgoing_reach, [np.nan, 0.8, np.nan])
    assert keys.segment.tolist() == [Segment.CURVE, Segment.CURVE, Segment.HOLD]
    turn = shot.controls[1].channels[0].keys
    assert turn is not None
    assert turn.values.tolist() == [[0, 0, 0, 1], [0, 0.6, 0, 0.8]]
    assert shot.fps == 24
    assert len(shot.notes) == 1
    assert "no frame rate" in shot.notes[0]


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_numbers_are_found_and_patched_whatever_the_line_ends(line_end: str, start: str) -> None:
    before = document((start + TABLE).replace("\n", line_end).encode())
    assert before.shot == document(TABLE).shot
    hips, lid = ("baker.hips", "translation.y"), ('lid, "left"', "rotation")
    edits = [
        (Place(*hips, 3.5, "outgoing_slope"), "1.50"),
        (Place(*hips, 6, "key"), "6"),
        (Place(*lid, 5, "value"), "0 0.6 0 0.8"),
        (Place("é:ns", "curl", 2, "value"), "7"),
    ]
    assert spellings(before, [place for place, _ in edits]) == [text for _, text in edits]
    after = patched(before, [(edits[0][0], "-3.25"), (edits[3][0], "8")])
    assert after == before.data.replace(b"-0.5,1.50", b"-0.5,-3.25").replace(b"curl,2,7", b"curl,2,8")


def test_what_the_table_leaves_out_has_no_place() -> None:
    before = document(TABLE)
    with pytest.raises(InputError, match="doesn't state it"):
        spellings(before, [Place("é:ns", "curl", 2, "incoming_slope")])
    with pytest.raises(InputError, match="no key stands"):
        spellings(before, [Place("é:ns", "curl", 3, "value")])


HEAD = "control,channel,frame,value,incoming_slope,outgoing_slope\n"


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("", "", "empty"),
        ("# nothing\n\n", "", "empty"),
        (HEAD, "", "no keys"),
        (HEAD.replace(",", ";") + "a;c;1;0;0;0", "line 1", "commas"),
        (HEAD.replace(",", "\t"), "line 1", "commas"),
        ("control,channel,frame,vaule\n", "line 1", "did you mean 'value'?"),
        ("control,channel,frame\n", "line 1", "no column 'value'"),
        ("control,channel,frame,value,value\n", "line 1", "twice"),
        (HEAD + "a,c,1,0,0\n", "line 2", "5 fields"),
        (HEAD + "a,c,1,0,5,0,0\n", "line 2", "7 fields"),
        (HEAD + 'a,c,1,"0,5",0,0\n', "line 2, column value", "'0,5'"),
        (HEAD + "a,c,1,nan,0,0\n", "line 2, column value", "'nan'"),
        (HEAD + "a,c,1,1e999,0,0\n", "line 2, column value", "1e+12"),
        (HEAD + "a,c,1,1_0,0,0\n", "line 2, column value", "'1_0'"),
        (HEAD + "a,c,1,,0,0\n", "line 2, column value", "empty"),
        (HEAD + "a,c,,1,0,0\n", "line 2, column frame", "empty"),
        (HEAD + ",c,1,1,0,0\n", "line 2, column control", "empty name"),
        (HEAD + "a,rotation.W,1,1,0,0\n", "line 2, column channel", "no channel"),
        (HEAD + "a,rotation,1,1,0,0\n", "line 2, column value", "4 numbers"),
        (HEAD + "a,c,2,0,0,0\nb,c,1,0,0,0\na,c,1,0,0,0\n", "line 4, column frame", "after frame 2"),
        (HEAD + "a,c,2,0,0,0\na,c,2,0,0,0\n", "line 3, column frame", "repeats"),
        (HEAD + "a,c,1,0,0,0\na,c,2,0,,0\n", "line 3", "incoming slope is missing"),
        ("control,channel,frame,value\na,c,1,0\na,c,2,0\n", "line 2", "outgoing slope is missing"),
        (HEAD + 'a,"c,1,0,0,0\n', "line 2", "quote"),
        (HEAD + 'a,c"d,1,0,0,0\n', "line 2", "quote"),
        (HEAD + "a,rotation.x,1,0,0,0\na,rotation,1,0 0 0 1,,\n", "line 2, column channel", "both rotation"),
        ("control,channel,frame,value,corner\na,c,1,0,yes\n", "line 2, column corner", "true, false"),
        ("control,channel,frame,value,segment\na,c,1,0,steps\n", "line 2, column segment", "'hold'"),
        (
            "control,channel,frame,value,incoming_reach\na,c,1,0,-2\n",
            "line 2, column incoming_reach",
            "0 or more",
        ),
    ],
)
def test_an_error_names_its_line(text: str, place: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        keys_table.read(text.encode(), "t.keys.csv")
    assert caught.value.place == ("t.keys.csv: " + place if place else "t.keys.csv")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_baked_channel_has_no_table() -> None:
    baked = Channel("c", samples=frozen([[1.0]]))
    with pytest.raises(InputError, match="baked"):
        keys_table.write(Shot("s", 24, 0, 0, (Control("a", channels=(baked,)),)))


@pytest.mark.property
@SLOW
@given(shots(baked=False, least_channels=1))
def test_a_table_and_its_side_file_hold_the_whole_shot(shot: Shot) -> None:
    table = keys_table.write(shot)
    found = marks.merged(keys_table.read(table, "t.keys.csv"), marks.write(shot), "t.marks.json")
    by_name = {control.name: control for control in found.controls}
    assert [by_name[control.name] for control in shot.controls] == list(shot.controls)
    assert found.cameras == shot.cameras
    assert (found.fps, found.up, found.metres_per_unit) == (shot.fps, shot.up, shot.metres_per_unit)
    assert (found.first_frame, found.last_frame) == (shot.first_frame, shot.last_frame)
    for kind in ("pins", "marks", "gazes"):
        assert getattr(found, kind) == tuple(dict.fromkeys(getattr(shot, kind)))
    assert found.notes == ()


@pytest.mark.property
@SLOW
@given(shots(baked=False, least_channels=1))
def test_every_number_of_a_written_table_is_found(shot: Shot) -> None:
    before = document(keys_table.write(shot))
    for control in shot.controls:
        for channel in control.channels:
            keys = channel.keys
            assert keys is not None
            places = [Place(control.name, channel.name, frame, "value") for frame in keys.frames.tolist()]
            assert [numbers(text) for text in spellings(before, places)] == [
                tuple(v) for v in keys.values.tolist()
            ]


def test_a_table_whose_turns_move_nothing_says_what_the_side_file_has_to_give(tmp_path: Path) -> None:
    path, side = tmp_path / "a.keys.csv", tmp_path / "a.marks.json"
    turn = "control,channel,frame,value,segment\narm,rotation.x,1,0,line\narm,rotation.x,9,90,hold\n"
    path.write_text(turn)
    (note,) = (note for note in read(path).shot.notes if "turns" in note)
    for word in ("a.marks.json", "parent", "tip"):
        assert word in note
    side.write_text('{"schema": "motion-refine/marks/1", "controls": [{"name": "arm", "tip": [0, 1, 0]}]}')
    assert not any("turns" in note for note in read(path).shot.notes)
    side.unlink()
    path.write_text(turn.replace("rotation", "translation"))
    assert not any("turns" in note for note in read(path).shot.notes)


def test_the_side_file_says_the_frame_rate(tmp_path: Path) -> None:
    path = tmp_path / "walk.KEYS.csv"
    path.write_text(TABLE, "utf-8")
    (tmp_path / "walk.marks.json").write_text('{"schema": "motion-refine/marks/1", "fps": 30}')
    found = read(path)
    assert (found.shot.fps, found.side) == (30, tmp_path / "walk.marks.json")
    assert not any("frame rate" in note for note in found.shot.notes)

"""Whole keys put into a file and taken out of it: all else keeps its bytes, and an undo gives back every one."""

from __future__ import annotations

import hashlib
import json
import random
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from refine.application import Applied, applied, as_document, chosen, proof
from refine.changes import Change, as_json, differences, made
from refine.errors import InputError
from refine.formats import Document, keys_table, parsed, shot_file, write
from refine.key_rows import Key, key_at, of_rows, only, smooth, with_keys
from refine.shot import Channel, Control, Keys, Segment, Shot, frozen
from refine.spelling import spelled
from refine.suggestion import read_changes

KEYS = of_rows(
    [1.0, 5.0, 5.25, 9.0, 14.0],
    [
        smooth(1.5, 0.0),
        smooth(3.0, 0.125),
        smooth(3.25, 0.25),
        Key((4.0,), (1.0,), (-1.0,), 1.5, None, corner=True),
        Key((2.0,), (0.0,), (0.0,), segment=Segment.HOLD),
    ],
)
TABLE = """\
# the door: "x" turns it
control,channel,frame,value,incoming_slope,outgoing_slope,incoming_reach,outgoing_reach,corner,segment
"a, door",rotation.x,1,1.50,0,0,,,,
lamp,rotation.x,1,1.5,0,0,,,,
# the pose
"a, door",rotation.x,5,3.000, .125 ,.125,,,,
lamp,rotation.x,5,3,0.125,0.125,,,,

lamp,rotation.x,5.25,3.25,0.25,0.25,,,,curve
"a, door",rotation.x,5.25,3.25,+0.25,+0.25,,,false,
# both stop here
"a, door",rotation.x,9,4,1,-1,1.5,,true,
lamp,rotation.x,9,4,1,-1,1.5,,,
"a, door",rotation.x,14,2e0,0,0,,,,hold
lamp,rotation.x,14,2,0,0,,,,hold"""


def shot_of(keys: Keys) -> Shot:
    return Shot(
        "door",
        24.0,
        0,
        20,
        tuple(Control(n, channels=(Channel("rotation.x", keys),)) for n in ("a, door", "lamp")),
    )


def document(data: bytes, ending: str) -> Document:
    path = Path(f"door{ending}")
    kind = "shot" if ending == ".shot.json" else "table"
    return Document(path, data, hashlib.sha256(data).hexdigest(), kind, parsed(data, path), None)


def sources() -> dict[str, Document]:
    json_text = write(shot_of(KEYS), Path("door.shot.json")).decode()
    own = json_text.replace('"value": 3.25,', '"value": 3.2500, "x_why": "señal",')
    return {
        "shot": document(json_text.encode(), ".shot.json"),
        "own members": document(own.encode(), ".shot.json"),
        "one line": document(json.dumps(json.loads(json_text)).encode(), ".shot.json"),
        "tabs and CRLF": document(json_text.replace("\n", "\r\n\t").encode(), ".shot.json"),
        "table": document(write(shot_of(KEYS), Path("door.keys.csv")), ".keys.csv"),
        "mixed table": document(TABLE.encode(), ".keys.csv"),
        "mixed table, CRLF": document(TABLE.replace("\n", "\r\n").encode() + b"\r\n", ".keys.csv"),
        "mixed table, CR, BOM": document(b"\xef\xbb\xbf" + TABLE.replace("\n", "\r").encode(), ".keys.csv"),
    }


def without(keys: Keys, *at: int) -> Keys:
    return only(keys, ~np.isin(np.arange(len(keys)), at))


def other_segment(keys: Keys, k: int, kind: Segment) -> Keys:
    segment = keys.segment.copy()
    segment[k] = kind
    return replace(keys, segment=frozen(segment, np.int8))


def bent(keys: Keys, k: int) -> Keys:
    """The k-th key with two slopes."""
    row = replace(key_at(keys, k), outgoing=(-0.75,), corner=True)
    return with_keys(without(keys, k), [float(keys.frames[k])], [row])


AFTER = {
    "one out": without(KEYS, 2),
    "the first out": without(KEYS, 0),
    "the first two out": without(KEYS, 0, 1),
    "the last out": without(KEYS, 4),
    "two in a row out": without(KEYS, 1, 2),
    "all but one out": without(KEYS, 0, 1, 2, 4),
    "one out and another moved over it": without(KEYS, 1).changed(frames=[1.0, 5.0, 9.0, 14.0]),  # type: ignore[arg-type]
    "one out and another moved and set": without(KEYS, 2).changed(
        frames=[1.0, 6.0, 9.0, 14.0],  # type: ignore[arg-type]
        values=[[1.5], [3.5], [4.0], [2.0]],  # type: ignore[arg-type]
    ),
    "hold to curve": other_segment(KEYS, 4, Segment.CURVE),
    "curve to hold": other_segment(KEYS, 0, Segment.HOLD),
    "a corner": bent(KEYS, 2),
    "no corner": with_keys(without(KEYS, 3), [9.0], [smooth(4.0, 0.5)]),
    "some in": with_keys(KEYS, [3.0, 12.0, 20.0], [smooth(1.0, 0.5), smooth(2.0, -0.5), smooth(0.0, 0.0)]),
    "one in front": with_keys(KEYS, [0.0], [smooth(1.0, 0.5)]),
    "one out, one in": with_keys(without(KEYS, 2), [12.0], [smooth(2.0, -0.5)]),
}


def changes_to(source: Document, keys: Keys, both: bool = True) -> list[Change]:
    shot = source.shot
    for control in shot.controls[: 1 + both]:
        shot = shot.with_channel(control.name, replace(control.channels[0], keys=keys))
    return spelled(differences(source.shot, shot), source, 4)


@pytest.mark.parametrize("name", sources())
@pytest.mark.parametrize("after", AFTER)
def test_there_and_back_to_the_byte(name: str, after: str) -> None:
    source = sources()[name]
    changes = changes_to(source, AFTER[after])
    result = applied(source, source.sha256, changes)
    assert result.left == ()
    ending = "".join(source.path.suffixes)
    proof(source, result, source.path)(result.data)
    there = document(result.data, ending)
    for control in there.shot.controls:
        assert _same(control.channels[0].keys, AFTER[after])
        assert control in made(source.shot, changes).controls
    again = applied(there, "", changes, rebase=True)
    assert_already_so(again, there, changes)
    back = applied(there, "", changes, undo=True)
    assert back.left == ()
    proof(there, back, there.path)(back.data)
    assert back.data == source.data
    again = applied(source, "", changes, undo=True)
    assert_already_so(again, source, changes)


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_a_line_that_goes_back_into_a_file_with_other_line_ends_has_these(end: str) -> None:
    """As an undo in a copy that somebody's program wrote with its own."""
    source = sources()["mixed table"]
    changes = changes_to(source, AFTER["two in a row out"])
    there = applied(source, source.sha256, changes).data
    copied = document(there.replace(b"\n", end.encode()), ".keys.csv")
    back = applied(copied, "", changes, undo=True)
    assert back.left == ()
    assert back.data == source.data.replace(b"\n", end.encode())


def assert_already_so(again: Applied, source: Document, changes: list[Change]) -> None:
    """Nothing is left; what is made anew is at most a key put in the place of its like."""
    assert (again.data, again.left) == (source.data, ())
    assert {*again.made, *again.already} == {*changes}
    assert all(change.key is not None for change in again.made)


def _same(found: Keys | None, wanted: Keys) -> bool:
    assert found is not None
    return found == replace(wanted, corner=found.corner)  # a reader takes two slopes for a corner by itself


@pytest.mark.parametrize("name", sources())
def test_only_the_lines_of_the_keys_change(name: str) -> None:
    source = sources()[name]
    kept = applied(source, source.sha256, changes_to(source, AFTER["one out"])).data
    own = [word for word in (b"# the pose", b"# both stop here", b"3.000", b"2e0") if word in source.data]
    assert all(word in kept for word in own)
    assert b"5.25" not in kept
    assert len(source.data) - len(kept) < 300


def test_a_key_in_the_place_of_another_keeps_what_is_the_same() -> None:
    source = sources()["own members"]
    text = applied(source, source.sha256, changes_to(source, AFTER["a corner"])).data.decode()
    assert text.count('"value": 3.2500, "x_why": "señal"') == 2
    assert text.count('"incoming_slope": 0.25, "outgoing_slope": -0.7500') == 2
    source = sources()["mixed table"]
    text = applied(source, source.sha256, changes_to(source, AFTER["hold to curve"])).data.decode()
    assert text.splitlines()[-2] == '"a, door",rotation.x,14,2e0,0,0,,,,curve'


@pytest.mark.parametrize("name", ["shot", "mixed table"])
def test_a_suggestion_file_says_all_of_it(name: str) -> None:
    source = sources()[name]
    for keys in AFTER.values():
        changes = changes_to(source, keys)
        result = applied(source, source.sha256, changes)
        plain = json.loads(json.dumps(as_document(result, None)))
        schema = json.loads(files("refine").joinpath("schemas/applied.schema.json").read_text("utf-8"))
        Draft202012Validator(schema).validate(plain)
        file = {"schema": "motion-refine/suggestion/1", "sha256": source.sha256, "changes": plain["made"]}
        assert read_changes(json.dumps(file).encode(), "s")[1] == tuple(changes)


def test_a_suggestion_that_names_a_whole_key_twice_is_refused() -> None:
    """Made, such a result couldn't be undone: the key would be put in twice."""
    source = sources()["shot"]
    changes = changes_to(source, AFTER["one out"])
    plain = [as_json(change) for change in (*changes, changes[0])]
    file = {"schema": "motion-refine/suggestion/1", "sha256": source.sha256, "changes": plain}
    with pytest.raises(InputError, match="the same key as in"):
        read_changes(json.dumps(file).encode(), "s")


@pytest.mark.parametrize("name", sources())
def test_one_channel_alone_and_a_second_time(name: str) -> None:
    source = sources()[name]
    changes = changes_to(source, AFTER["one out"])
    some = chosen(changes, ["lamp.rotation.x@5:6"], source.shot)
    result = applied(source, source.sha256, some)
    there = document(result.data, "".join(source.path.suffixes))
    assert _same(there.shot.control("lamp").channels[0].keys, AFTER["one out"])
    assert _same(there.shot.control("a, door").channels[0].keys, KEYS)
    again = applied(there, source.sha256, changes, rebase=True)
    assert again.left == ()
    assert list(again.already) == some
    back = applied(there, "", changes, undo=True)
    assert back.left == ()
    assert {change.control for change in back.already} == {"a, door"}
    assert back.data == source.data


@pytest.mark.parametrize(
    "text",
    [
        ', {"frame": 5.25, "value": 3.25, "slope": 0.25}, {"frame": 6, "value": 0, "slope": 0}',
        ", 7",
        "]",
        "},",
    ],
)
def test_no_more_than_one_key_slips_in(text: str) -> None:
    source = sources()["shot"]
    changes = changes_to(source, AFTER["one out"])
    there = document(applied(source, source.sha256, changes).data, ".shot.json")
    bad = [replace(change, before_text=text) for change in changes if change.key is not None]
    with pytest.raises((InputError, ValueError)) as caught:
        applied(there, "", bad, undo=True)
    assert isinstance(caught.value, InputError)


def test_a_text_that_says_another_key_is_found_out() -> None:
    source = sources()["table"]
    changes = changes_to(source, AFTER["one out"])
    there = document(applied(source, source.sha256, changes).data, ".keys.csv")
    bad = [replace(change, before_text=change.before_text.replace("3.25", "3.5")) for change in changes]
    back = applied(there, "", bad, undo=True)
    with pytest.raises(InputError, match="isn't what should have been written"):
        proof(there, back, there.path)(back.data)


@pytest.mark.property
@pytest.mark.parametrize("seed", range(60))
def test_any_keys_there_and_back(seed: int) -> None:
    """Random keys out, in, moved, and put in the place of others, of a channel of numbers or of quaternions."""
    chance = random.Random(seed)
    source = sources()[chance.choice(list(sources()))]
    rows = [key_at(KEYS, k) for k in range(len(KEYS))]
    frames = chance.sample([n / 4 for n in range(2, 80)], chance.randint(1, 8))
    frames = sorted({*frames, *chance.sample(KEYS.frames.tolist(), chance.randint(0, 4))})
    new = [
        chance.choice([*rows, smooth(round(chance.uniform(-5, 5), 3), round(chance.uniform(-1, 1), 3))])
        for _ in frames
    ]
    frames, new = [0.25, *frames[1:]], [rows[0], *new[1:]]  # the first key stays, moved
    changes = changes_to(source, of_rows(frames, new), chance.random() < 0.5)
    result = applied(source, source.sha256, changes)
    assert result.left == ()
    proof(source, result, source.path)(result.data)
    there = document(result.data, "".join(source.path.suffixes))
    assert applied(there, "", changes, undo=True).data == source.data
    some = [change for change in changes if chance.random() < 0.5]
    part = applied(there, "", some, undo=True)
    assert len(part.made) + len(part.left) == len(some)


def test_formats_read_what_they_wrote() -> None:
    assert shot_file.read(write(shot_of(KEYS), Path("a.shot.json")), "a").controls == shot_of(KEYS).controls
    assert keys_table.read(TABLE.encode(), "a").controls == shot_of(KEYS).controls

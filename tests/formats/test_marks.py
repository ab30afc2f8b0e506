"""The side file: what it says wins or is added, and what the tool adds leaves the rest as it was typed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from referencing import Registry, Resource

from refine.errors import InputError
from refine.formats import Document, marks, read, shot_file, side_path, spellings
from refine.formats.splice import Place
from refine.shot import Limits, Link, Mark, Pin, Shot
from tests.strategies import shots

SCHEMAS = Path(marks.__file__).parents[1] / "schemas"
SHOT_SCHEMA, SCHEMA = (
    json.loads((SCHEMAS / f"{kind}.schema.json").read_text("utf-8")) for kind in ("shot", "marks")
)
REGISTRY: Registry[Any] = Registry().with_resource("shot.schema.json", Resource.from_contents(SHOT_SCHEMA))
VALID = jsonschema.Draft202012Validator(SCHEMA, registry=REGISTRY)
KETTLE = json.dumps(SHOT_SCHEMA["examples"][0]).encode()

BVH = b"""HIERARCHY
ROOT LeftFoot
{
  OFFSET 0 0 0
  CHANNELS 3 Zrotation Xrotation Yrotation
  End Site
  {
    OFFSET 0 -1 5
  }
}
MOTION
Frames: 2
Frame Time: 0.0083333
1 2 3
4 5 6
"""


def side(**members: object) -> bytes:
    return json.dumps({"schema": marks.SCHEMA, **members}).encode()


def kettle() -> Shot:
    return shot_file.read(KETTLE, "kettle.shot.json")


def test_the_example_of_the_schema_reads_beside_captured_motion(tmp_path: Path) -> None:
    (tmp_path / "walk.bvh").write_bytes(BVH)
    (tmp_path / "walk.marks.json").write_text(json.dumps(SCHEMA["examples"][0]))
    VALID.validate(SCHEMA["examples"][0])
    found = read(tmp_path / "walk.bvh")
    foot = found.shot.controls[0]
    assert found.side == tmp_path / "walk.marks.json"
    assert found.data == BVH
    assert (found.shot.fps, found.shot.metres_per_unit) == (119.88, 0.0254)
    assert (foot.part, foot.mass, foot.tip) == ("foot", 0.0137, (0, -1.2, 5.5))
    rotation = foot.channel("rotation.x")
    assert rotation is not None
    assert rotation.limits == Limits(-60, 45)
    assert [camera.name for camera in found.shot.cameras] == ["side"]
    assert found.shot.marks == (Mark("contact", (12, 31), ("LeftFoot",)),)
    assert found.shot.pins == (Pin("LeftFoot", None, (12, 31)),)
    assert spellings(found, [Place("LeftFoot", "rotation.x", 1, "value")]) == ["5"]


def test_the_name_of_the_side_file_drops_the_ending() -> None:
    assert side_path(Path("a/walk.2.bvh")) == Path("a/walk.2.marks.json")
    assert side_path(Path("a/baker.SHOT.json")) == Path("a/baker.marks.json")


def test_fields_that_are_stated_win_and_the_others_stay() -> None:
    before = kettle()
    rig = [
        {"name": "baker.hand", "parent": None, "links": [], "mass": 0.01},
        {"name": "lid", "parent": "baker.hand"},
    ]
    found = marks.merged(before, side(controls=rig, up="z"), "kettle.marks.json")
    hand, lid = found.controls[1:]
    assert (hand.parent, hand.links, hand.mass) == (None, (), 0.01)
    assert (hand.pivot, hand.tip, hand.channels) == ((0, 1.5, 0), (0, -8, 0), before.controls[1].channels)
    assert lid.parent == "baker.hand"
    assert before.controls[1].links == (Link("attachment", "lid"),)
    assert (found.up, found.fps) == ("z", before.fps)


def test_a_side_file_can_say_that_a_shot_loops_and_that_it_does_not() -> None:
    assert marks.merged(kettle(), side(loop=True), "kettle.marks.json").loop
    looping = replace(kettle(), loop=True)
    assert marks.merged(looping, side(), "kettle.marks.json").loop
    assert not marks.merged(looping, side(loop=False), "kettle.marks.json").loop


def test_pins_come_after_the_shots_own_and_none_twice() -> None:
    added = [
        {"control": "lid", "frames": [4, 5]},
        {"control": "lid", "frame": 1},
        {"control": "lid", "frames": [1, 1]},
    ]
    found = marks.merged(kettle(), side(pins=added), "kettle.marks.json")
    assert [str(pin) for pin in found.pins] == ["baker.hips.translation.y@3", "lid@4:5", "lid@1"]


def test_the_first_frame_of_samples_can_be_shifted() -> None:
    found = marks.merged(kettle(), side(frames=[101, 105]), "kettle.marks.json")
    assert (found.first_frame, found.last_frame) == (101, 105)
    document = Document(Path("kettle.shot.json"), KETTLE, "", "shot", found, None)
    assert spellings(document, [Place("lid", "rotation.x", 103, "value")]) == ["2.25"]


@pytest.mark.parametrize(
    ("members", "place", "words"),
    [
        ({"schema": "motion-refine/shot/1"}, "schema", "motion-refine/marks/1"),
        ({"fps": 0}, "fps", "more than 0"),
        ({"loop": "yes"}, "loop", "true or false"),
        ({"frames": [1, 6]}, "frames", "5 samples"),
        ({"pin": []}, "", "did you mean 'pins'?"),
        ({"controls": [{"name": "lidd"}]}, "controls[0].name", "did you mean 'lid'?"),
        ({"controls": [{"name": "lid"}, {"name": "lid"}]}, "controls[1].name", "second control"),
        ({"controls": [{"name": "lid", "parent": "pot"}]}, "controls[0].parent", "no control 'pot'"),
        ({"controls": [{"name": "lid", "parent": "lid"}]}, "controls[0].parent", "'lid' -> 'lid'"),
        (
            {"controls": [{"name": "baker.hips", "parent": "baker.hand"}]},
            "controls[0].parent",
            "'baker.hips' -> 'baker.hand' -> 'baker.hips'",
        ),
        ({"controls": [{"name": "lid", "channels": []}]}, "controls[0]", "unknown member 'channels'"),
        (
            {"controls": [{"name": "lid", "limits": {"rotation.y": {}}}]},
            "controls[0].limits",
            "did you mean 'rotation.x'?",
        ),
        (
            {"cameras": [{"name": "lid", "vertical_angle": 30, "width": 9, "height": 9}]},
            "cameras[0].name",
            "taken",
        ),
        (
            {"cameras": [{"name": "close", "vertical_angle": 30, "width": 9, "height": 9}]},
            "cameras[0].name",
            "has a",
        ),
        ({"pins": [{"control": "pot", "frame": 1}]}, "pins[0].control", "no control 'pot'"),
        ({"marks": [{"kind": "hold", "frames": [1]}]}, "marks[0].frames", "two frames"),
        ({"gazes": [{"control": "lid", "frames": [1, 2]}]}, "gazes[0]", "exactly one"),
        ({"x_own": float("inf")}, "", "Infinity"),
    ],
)
def test_an_error_names_its_place_in_the_side_file(
    members: dict[str, object], place: str, words: str
) -> None:
    with pytest.raises(InputError) as caught:
        marks.merged(kettle(), side(**members), "kettle.marks.json")
    assert caught.value.place == ("kettle.marks.json: " + place if place else "kettle.marks.json")
    assert words in str(caught.value)


def test_numbers_of_a_side_files_camera_are_not_spliced() -> None:
    zoom = {"name": "vertical_angle", "keys": [{"frame": 1, "value": 30}]}
    camera = {"name": "wide", "vertical_angle": 30, "width": 9, "height": 9, "channels": [zoom]}
    shot = marks.merged(kettle(), side(cameras=[camera]), "kettle.marks.json")
    document = Document(Path("kettle.shot.json"), KETTLE, "", "shot", shot, None)
    with pytest.raises(InputError, match="side file"):
        spellings(document, [Place("wide", "vertical_angle", 1, "value")])


ADDED = [Pin("lid", None, (2, 2)), Pin("baker.hips", "translation.y", (1, 3.5))]
NOTED = [Mark("accent", (3, 4), ("lid",), "the clack")]
TYPED = [
    b'{"schema": "motion-refine/marks/1"}',
    b'{"schema":"motion-refine/marks/1","pins":[]}',
    b'{ "pins" : [ ] , "schema": "motion-refine/marks/1", "x_note": "\xc3\xa9 ]}" }\r\n',
    b'\xef\xbb\xbf{\n\t"pins": [\n\t\t{"control": "lid", "frame": 5, "x_by": "mo"}\n\t],\n'
    b'\t"schema": "motion-refine/marks/1", "marks": [{"kind": "cut", "frames": [1, 1.0e0]}]\n}',
]


@pytest.mark.parametrize("typed", TYPED)
def test_additions_leave_every_byte_that_was_there(typed: bytes) -> None:
    found = marks.with_additions(typed, ADDED, NOTED)
    assert_subsequence(typed, found)
    before, after = (marks.merged(kettle(), data, "kettle.marks.json") for data in (typed, found))
    assert after.pins == (*before.pins, *ADDED)
    assert after.marks == (*before.marks, *NOTED)
    assert marks.with_additions(found, ADDED, NOTED) == found
    VALID.validate(json.loads(found.decode("utf-8-sig")))


def assert_subsequence(short: bytes, long: bytes) -> None:
    rest = iter(long.replace(b" ", b""))
    assert all(byte in rest for byte in short.replace(b" ", b""))


def test_the_first_addition_makes_a_side_file() -> None:
    found = marks.with_additions(None, [*ADDED, ADDED[0]], NOTED)
    after = marks.merged(kettle(), found, "kettle.marks.json")
    assert after.pins == (*kettle().pins, *ADDED)
    assert after.marks == (*kettle().marks, *NOTED)
    assert marks.with_additions(None) == b'{"schema": "motion-refine/marks/1"}\n'


@pytest.mark.property
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(shots())
def test_a_written_side_file_obeys_the_schema_and_changes_nothing_of_its_shot(shot: Shot) -> None:
    data = marks.write(shot)
    VALID.validate(json.loads(data))
    if not shot.cameras:
        again = marks.merged(shot, data, "t.marks.json")
        assert again == shot


def test_the_schema_knows_the_members_that_the_reader_knows() -> None:
    assert set(SCHEMA["properties"]) == set(marks.SIDE)
    assert set(SCHEMA["$defs"]["control"]["properties"]) == set(marks.CONTROL)

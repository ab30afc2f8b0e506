"""The shot file: what is written reads back the same, single numbers are found in any layout."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import product
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refine.errors import InputError
from refine.formats import (
    Document,
    json_places,
    numbers,
    patched,
    read,
    respelled,
    shot_channels,
    shot_file,
    spellings,
    write,
)
from refine.formats.splice import Place
from refine.shot import QUATERNION, Channel, Control, Keys, Segment, Shot, make_keys
from tests.strategies import shots

SCHEMAS = Path(shot_file.__file__).parents[1] / "schemas"
SCHEMA = json.loads((SCHEMAS / "shot.schema.json").read_text("utf-8"))
EXAMPLE = SCHEMA["examples"][0]
VALID = jsonschema.Draft202012Validator(SCHEMA)
SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def document(data: bytes, name: str = "t.shot.json") -> Document:
    return Document(Path(name), data, "", "shot", shot_file.read(data, name), None)


def as_bytes(value: object, **layout: object) -> bytes:
    return json.dumps(value, **layout).encode()  # type: ignore[arg-type]


def every_place(shot: Shot) -> list[tuple[Place, tuple[float, ...]]]:
    """Each number of the shot's channels that the writer states, with its value."""
    found: list[tuple[Place, tuple[float, ...]]] = []
    for control in (*shot.controls, *(camera.control for camera in shot.cameras)):
        for channel in control.channels:
            if channel.samples is not None:
                for frame, value in zip(shot.frames, channel.samples.tolist(), strict=True):
                    found.append((Place(control.name, channel.name, frame, "value"), tuple(value)))
                continue
            assert channel.keys is not None
            for k, frame in enumerate(channel.keys.frames.tolist()):
                for field, array in (
                    ("value", channel.keys.values),
                    ("incoming_slope", channel.keys.incoming),
                    ("outgoing_slope", channel.keys.outgoing),
                    ("key", channel.keys.frames[:, None]),
                ):
                    found.append((Place(control.name, channel.name, frame, field), tuple(array[k].tolist())))
    return found


@pytest.mark.property
@SLOW
@given(shots())
def test_a_written_shot_reads_back_the_same_and_obeys_the_schema(shot: Shot) -> None:
    data = shot_file.write(shot)
    found = shot_file.read(data, "t.shot.json")
    assert found == shot
    assert found.notes == ()
    VALID.validate(json.loads(data))


@pytest.mark.property
@SLOW
@given(
    shots(),
    st.sampled_from([{}, {"indent": 1}, {"separators": (",", ":")}, {"indent": "\t", "ensure_ascii": False}]),
)
def test_every_number_is_found_in_every_layout(shot: Shot, layout: dict[str, object]) -> None:
    data = as_bytes(json.loads(shot_file.write(shot)), **layout)
    places = every_place(shot)
    texts = spellings(document(data), [place for place, _ in places])
    for text, (_, expected) in zip(texts, places, strict=True):
        assert numbers(text) == expected


@pytest.mark.property
@SLOW
@given(st.data())
def test_a_patch_changes_one_number_and_its_inverse_restores_the_bytes(data: st.DataObject) -> None:
    shot = data.draw(
        shots().filter(lambda shot: any(place[0].field == "value" for place in every_place(shot)))
    )
    before = document(shot_file.write(shot))
    values = [item for item in every_place(shot) if item[0].field == "value"]
    place, old = data.draw(st.sampled_from(values))
    (text,) = spellings(before, [place])
    new = (0.5, 0.5, -0.5, 0.5) if len(old) == 4 else (12.5,)
    after = document(patched(before, [(place, respelled(text, new))]))
    changed = {p: v for p, v in every_place(after.shot) if v != dict(every_place(shot))[p]}
    assert changed == ({place: new} if new != old else {})
    assert replace(after.shot, controls=(), cameras=()) == replace(shot, controls=(), cameras=())
    assert patched(after, [(place, text)]) == before.data


def test_the_example_of_the_schema_reads() -> None:
    shot = shot_file.read(as_bytes(EXAMPLE), "kettle.shot.json")
    assert (shot.name, shot.fps, shot.first_frame, shot.last_frame) == ("kettle lid", 24, 1, 5)
    hips, hand, lid = shot.controls
    keys = hips.channels[0].keys
    assert keys is not None
    assert keys.values[:, 0].tolist() == [0, -2.25, -1]
    assert keys.incoming[:, 0].tolist() == [0, -0.5, 0.75]
    assert keys.outgoing[:, 0].tolist() == [0, -0.5, 0]
    assert keys.corner.tolist() == [False, False, True]
    np.testing.assert_array_equal(keys.outgoing_reach, [np.nan, 0.8, np.nan])
    turn = hand.channels[0].keys
    assert turn is not None
    assert turn.values.tolist() == [[0, 0, 0, 1], [0, 0.6, 0, 0.8]]
    assert turn.segment.tolist() == [Segment.LINE, Segment.CURVE]
    assert lid.channels[0].samples is not None
    assert lid.channels[0].samples[:, 0].tolist() == [0, 0.5, 2.25, 1.75, 0.25]
    # 2 atan(24 / (2 * 50)) in degrees: the pinhole camera's angle of view [computed by hand to 6 digits].
    assert f"{shot.cameras[0].vertical_angle:.4f}" == "26.9915"
    assert [str(pin) for pin in shot.pins] == ["baker.hips.translation.y@3", "lid@4:5"]
    VALID.validate(EXAMPLE)


def test_a_shot_loops_only_where_its_file_says_so() -> None:
    shot = shot_file.read(as_bytes(EXAMPLE), "kettle.shot.json")
    looping = shot_file.read(as_bytes(edited("loop", True)), "kettle.shot.json")
    assert not shot.loop
    assert looping == replace(shot, loop=True)
    assert b'"loop"' not in shot_file.write(shot)
    assert b'"loop": true' in shot_file.write(looping)


def test_the_schema_describes_each_member() -> None:
    def bare(node: object, path: str) -> list[str]:
        if not isinstance(node, dict):
            return []
        found: list[str] = []
        for name, member in node.get("properties", {}).items():
            target = member
            while "description" not in target and "$ref" in target:
                target = SCHEMA["$defs"][target["$ref"].removeprefix("#/$defs/")]
            found += [f"{path}.{name}"] * ("description" not in target) + bare(member, f"{path}.{name}")
        return found

    nodes = {"shot": SCHEMA} | SCHEMA["$defs"]
    assert [path for name, node in nodes.items() for path in bare(node, name)] == []


def test_the_schema_knows_the_members_that_the_reader_knows() -> None:
    from refine.formats import shot_channels, shot_fields

    def known(name: str) -> set[str]:
        return set(SCHEMA["$defs"][name]["properties"])

    assert set(SCHEMA["properties"]) == set(shot_file.SHOT)
    assert known("control") == set(shot_file.CONTROL)
    assert known("camera") == {*shot_file.CONTROL, *shot_fields.LENS}
    assert known("key") == set(shot_channels.KEY)
    assert set(SCHEMA["$defs"]["mark"]["properties"]["kind"]["enum"]) == set(shot_fields.MARKS)
    assert set(SCHEMA["$defs"]["order"]["enum"]) == set(shot_fields.ORDERS)


def edited(path: str, value: object) -> dict[str, object]:
    """The example with the value at a dotted path replaced, or removed where it is Ellipsis."""
    whole = json.loads(json.dumps(EXAMPLE))
    node = whole
    *way, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    for step in way:
        node = node[step]
    if value is ...:
        del node[last]
    elif isinstance(node, list) and last == len(node):
        node.append(value)
    else:
        node[last] = value
    result: dict[str, object] = whole
    return result


KEYS = "controls/0/channels/0/keys"
AT = "controls[0].channels[0].keys"
# path, value, place and words of the message, whether the JSON Schema can say it too
WRONG = [
    ("schema", "motion-refine/shot/2", "schema", "motion-refine/shot/1", True),
    ("fps", 0, "fps", "more than 0", True),
    ("fps", -24, "fps", "more than 0", True),
    ("fps", 1e9, "fps", "10000", True),
    ("fps", True, "fps", "true", True),
    ("fps", "24", "fps", "'24'", True),
    ("frames", [5, 1], "frames", "before the first", False),
    ("frames", [1.5, 5], "frames[0]", "whole", True),
    ("frames", [1, 9_999_999], "controls[2].channels[0].samples", "one for each frame", False),
    ("frames", [-9_000_000, 9_000_000], "frames", "at most 10000000", False),
    ("frames", [1, 2, 3], "frames", "two frames", True),
    ("controls", [], "controls", "no controls", True),
    ("controls", {}, "controls", "an object", True),
    ("contrls", [], "", "did you mean 'controls'?", True),
    ("controls/0/nmae", 1, "controls[0]", "did you mean 'name'?", True),
    (f"{KEYS}/0/valeu", 1, f"{AT}[0]", "did you mean 'value'?", True),
    ("controls/0/name", "  ", "controls[0].name", "empty name", True),
    ("controls/0/name", "a\nb", "controls[0].name", "U+000A", True),
    ("controls/0/name", "lid", "controls[2].name", "second control", False),
    ("cameras/0/name", "lid", "cameras[0].name", "taken by controls[2]", False),
    ("controls/1/parent", "baker.hip", "controls[1].parent", "did you mean 'baker.hips'?", False),
    (
        "controls/0/parent",
        "baker.hand",
        "controls[0].parent",
        "'baker.hips' -> 'baker.hand' -> 'baker.hips'",
        False,
    ),
    ("controls/0/parent", "baker.hips", "controls[0].parent", "'baker.hips' -> 'baker.hips'", False),
    ("controls/1/links/0/to", "lidd", "controls[1].links[0].to", "did you mean 'lid'?", False),
    ("controls/1/links/0/to", "baker.hand", "controls[1].links[0].to", "itself", False),
    ("controls/1/links/0/kind", "glue", "controls[1].links[0].kind", "'attachment'", True),
    ("controls/0/order", "xxy", "controls[0].order", "'zyx'", True),
    ("controls/0/mass", 1.5, "controls[0].mass", "0 to 1", True),
    ("controls/0/rest/rotation", [0, 0, 0, 0], "controls[0].rest.rotation", "length 0", False),
    ("controls/0/rest/translation", [0, 1], "controls[0].rest.translation", "3 numbers", True),
    ("controls/0/channels/0/limits/lower", 11, "controls[0].channels[0].limits", "less than lower", False),
    ("controls/0/channels/0/limits/rate", -1, "controls[0].channels[0].limits.rate", "0 to", True),
    (
        "controls/0/channels/0/name",
        "rotation.w",
        "controls[0].channels[0].name",
        "no channel 'rotation.w'",
        False,
    ),
    ("controls/0/channels/0/name", "Translation.Y", "controls[0].channels[0].name", "no channel", False),
    (
        "controls/0/channels/1",
        {"name": "translation.y", "keys": []},
        "controls[0].channels[1].keys",
        "empty",
        True,
    ),
    (
        "controls/2/channels/2",
        {"name": "steam", "keys": [{"frame": 1, "value": 0}]},
        "controls[2].channels[2].name",
        "second channel",
        False,
    ),
    (
        "controls/2/channels/2",
        {"name": "rotation", "keys": [{"frame": 1, "value": [0, 0, 0, 1]}]},
        "controls[2].channels",
        "both rotation and rotation.x",
        False,
    ),
    ("controls/0/channels/0/samples", [1, 2, 3, 4, 5], "controls[0].channels[0]", "exactly one", True),
    (KEYS, ..., "controls[0].channels[0]", "exactly one", True),
    (f"{KEYS}/1", 3, f"{AT}[1]", "an object", True),
    (f"{KEYS}/1/frame", 1, f"{AT}[1].frame", "repeats", False),
    (f"{KEYS}/1/frame", 6, f"{AT}[2].frame", "frame 5 stands after frame 6", False),
    (f"{KEYS}/2/frame", 2e7, f"{AT}[2].frame", "10000000", True),
    (f"{KEYS}/1/frame", ..., f"{AT}[1].frame", "missing", True),
    (f"{KEYS}/2/value", ..., f"{AT}[2].value", "missing", True),
    (f"{KEYS}/2/value", None, f"{AT}[2].value", "null", True),
    (f"{KEYS}/2/value", False, f"{AT}[2].value", "false", True),
    (f"{KEYS}/2/value", [1], f"{AT}[2].value", "a list of 1", True),
    (f"{KEYS}/2/value", 1e13, f"{AT}[2].value", "1e+12", True),
    (f"{KEYS}/2/value", 10**400, f"{AT}[2].value", "integer", True),
    (f"{KEYS}/1/slope", ..., f"{AT}[1]", "incoming slope is missing", False),
    (f"{KEYS}/1/slope", "steep", f"{AT}[1].slope", "'steep'", True),
    (f"{KEYS}/1/incoming_slope", 0, f"{AT}[1]", "both slope and incoming_slope", False),
    (f"{KEYS}/1/corner", True, f"{AT}[1]", "single slope", False),
    (f"{KEYS}/2/corner", False, f"{AT}[2]", "isn't a corner", False),
    (f"{KEYS}/2/corner", 1, f"{AT}[2].corner", "true or false", True),
    (f"{KEYS}/1/outgoing_reach", -1, f"{AT}[1].outgoing_reach", "0 or more", True),
    (f"{KEYS}/1/segment", "step", f"{AT}[1].segment", "'hold'", True),
    (f"{KEYS}/1/segment", {}, f"{AT}[1].segment", "'hold'", True),
    (
        "controls/1/channels/0/keys/0/value",
        [0, 0, 1],
        "controls[1].channels[0].keys[0].value",
        "4 numbers",
        True,
    ),
    (
        "controls/1/channels/0/keys/0/value",
        [0, 0, 0, 0],
        "controls[1].channels[0].keys[0].value",
        "length 0",
        False,
    ),
    (
        "controls/1/channels/0/keys/0/value",
        [0, 0, "0", 1],
        "controls[1].channels[0].keys[0].value[2]",
        "'0'",
        True,
    ),
    (
        "controls/1/channels/0/keys/0/segment",
        "curve",
        "controls[1].channels[0].keys[0]",
        "outgoing slope",
        False,
    ),
    ("controls/2/channels/0/samples/5", 1, "controls[2].channels[0].samples", "6 samples", False),
    ("controls/2/channels/0/samples/4", True, "controls[2].channels[0].samples[4]", "true", True),
    ("cameras/0/width", 0, "cameras[0].width", "1 to", True),
    ("cameras/0/height", 1080.5, "cameras[0].height", "whole", True),
    ("cameras/0/vertical_angle", 30, "cameras[0]", "exactly one", True),
    ("cameras/0/lens/focal_length", 0, "cameras[0].lens.focal_length", "greater than 0", True),
    ("cameras/0/parent", "nobody", "cameras[0].parent", "no control 'nobody'", False),
    ("marks/0/kind", "contct", "marks[0].kind", "did you mean 'contact'?", True),
    ("marks/0/frames", [4, 2], "marks[0].frames", "before the first", False),
    ("marks/0/controls", ["baker.hnd"], "marks[0].controls[0]", "did you mean 'baker.hand'?", False),
    ("pins/0/control", "hips", "pins[0].control", "no control 'hips'", False),
    ("pins/0/channel", "translation.x", "pins[0].channel", "did you mean 'translation.y'?", False),
    ("pins/0/frames", [1, 2], "pins[0]", "exactly one", True),
    ("gazes/0/target", "moon", "gazes[0].target", "no control 'moon'", False),
    ("gazes/0/target", "baker.hips", "gazes[0].target", "itself", False),
    ("gazes/0/point", [0, 0, 0], "gazes[0]", "exactly one", True),
    ("up", "x", "up", "'y', 'z'", True),
    ("metres_per_unit", 0, "metres_per_unit", "greater than 0", True),
    ("loop", 1, "loop", "true or false", True),
]


@pytest.mark.parametrize(("path", "value", "place", "words", "in_schema"), WRONG)
def test_an_error_names_its_place_and_the_remedy(
    path: str, value: object, place: str, words: str, in_schema: bool
) -> None:
    broken = edited(path, value)
    with pytest.raises(InputError) as caught:
        shot_file.read(as_bytes(broken), "baker.shot.json")
    expected = f"baker.shot.json: {place}" if place else "baker.shot.json"
    assert caught.value.place == expected
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert VALID.is_valid(broken) is not in_schema


@pytest.mark.parametrize("spelling", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
def test_numbers_that_are_none_have_their_place(spelling: str) -> None:
    data = as_bytes(EXAMPLE).replace(b'"value": -2.25', f'"value": {spelling}'.encode())
    with pytest.raises(InputError, match=r"controls\[0\]\.channels\[0\]\.keys\[1\]\.value"):
        shot_file.read(data, "baker.shot.json")


def test_nan_in_a_member_of_the_users_own_is_an_error() -> None:
    with pytest.raises(InputError, match="NaN"):
        shot_file.read(as_bytes({**EXAMPLE, "x_mine": [float("nan")]}), "baker.shot.json")
    assert shot_file.read(as_bytes({**EXAMPLE, "x_mine": "NaN"}), "baker.shot.json")


def test_truncation_is_told_with_line_and_column() -> None:
    data = as_bytes(EXAMPLE, indent=1)
    with pytest.raises(InputError, match=r"line 3, column \d+: the file ends in the middle"):
        shot_file.read(data[: data.index(b"\n", data.index(b'"name"')) - 2], "baker.shot.json")


def test_a_member_given_twice_has_its_place() -> None:
    data = as_bytes(EXAMPLE).replace(b'{"frame": 3,', b'{"frame": 3, "fr\\u0061me": 4,')
    with pytest.raises(
        InputError, match=r"controls\[0\]\.channels\[0\]\.keys\[1\]: member 'frame' stands twice"
    ):
        shot_file.read(data, "baker.shot.json")


def test_a_byte_order_mark_is_allowed_and_spans_count_it() -> None:
    data = b"\xef\xbb\xbf \r\n" + as_bytes(EXAMPLE)
    assert spellings(document(data), [Place("baker.hips", "translation.y", 3, "value")]) == ["-2.25"]


def test_escaped_member_names_are_found() -> None:
    data = as_bytes(EXAMPLE)
    for name in ("controls", "channels", "keys", "samples", "value", "cameras", "name"):
        data = data.replace(f'"{name}":'.encode(), f'"\\u{ord(name[0]):04x}{name[1:]}"\n :\t'.encode())
    found = spellings(
        document(data),
        [Place("baker.hips", "translation.y", 3, "value"), Place("lid", "rotation.x", 3, "value")],
    )
    assert found == ["-2.25", "2.25"]


def test_a_single_slope_is_both_and_takes_one_text() -> None:
    before = document(as_bytes(EXAMPLE))
    sides = [Place("baker.hips", "translation.y", 3, side) for side in ("incoming_slope", "outgoing_slope")]
    assert spellings(before, sides) == ["-0.5", "-0.5"]
    after = document(patched(before, [(place, "-0.25") for place in sides]))
    keys = after.shot.controls[0].channels[0].keys
    assert keys is not None
    assert (keys.incoming[1, 0], keys.outgoing[1, 0]) == (-0.25, -0.25)
    with pytest.raises(InputError, match="would become"):
        patched(before, list(zip(sides, ["1", "2"], strict=True)))


@pytest.mark.parametrize(
    ("place", "words"),
    [
        (Place("nobody", "translation.y", 3, "value"), "no control"),
        (Place("lid", "translation.y", 3, "value"), "no such channel"),
        (Place("baker.hips", "translation.y", 4, "value"), "no key stands"),
        (Place("lid", "rotation.x", 2.5, "value"), "no such number"),
        (Place("lid", "rotation.x", 6, "value"), "no such number"),
        (Place("lid", "rotation.x", 2, "incoming_slope"), "no such number"),
        (Place("lid", "steam", 2, "outgoing_slope"), "doesn't state it"),
    ],
)
def test_a_place_that_the_file_lacks_is_an_error(place: Place, words: str) -> None:
    with pytest.raises(InputError, match=words):
        spellings(document(as_bytes(EXAMPLE)), [place])


def test_slopes_may_be_missing_only_where_no_curve_runs() -> None:
    def keys(*rest: dict[str, object]) -> dict[str, object]:
        stated = [{"frame": 1 + k, "value": k, **members} for k, members in enumerate(rest)]
        return edited(KEYS, stated)

    shot = shot_file.read(
        as_bytes(
            keys({"segment": "hold"}, {"outgoing_slope": 2}, {"incoming_slope": 3, "segment": "line"}, {})
        ),
        "t",
    )
    found = shot.controls[0].channels[0].keys
    assert found is not None
    # A side that isn't given follows the other one, so that the key isn't a corner; with neither it is 0.
    assert found.incoming[:, 0].tolist() == [0, 2, 3, 0]
    assert found.outgoing[:, 0].tolist() == [0, 2, 3, 0]
    assert not found.corner.any()


def test_rising_frames_are_read_whichever_columns_the_keys_share() -> None:
    """The reader takes a short cut where all keys have the same members: both ways must agree."""
    members: dict[str, object] = {"slope": 0.5, "incoming_reach": 1.5, "x_note": "kept"}
    alike = [{"frame": k, "value": k * k, **members} for k in range(4)]
    mixed = [dict(key) for key in alike]
    mixed[2] = {"frame": 2, "value": 4, "incoming_slope": 0.5, "outgoing_slope": 0.5, "incoming_reach": 1.5}
    first, second = (shot_file.read(as_bytes(edited(KEYS, keys)), "t") for keys in (alike, mixed))
    assert first.controls == second.controls


def test_long_quaternions_are_normalised_with_their_slopes_and_noted() -> None:
    stated = [{"frame": k, "value": [0, 0, 0, 2 + k], "slope": [0, 1, 0, 0]} for k in range(2)]
    shot = shot_file.read(as_bytes(edited("controls/1/channels/0/keys", stated)), "t.shot.json")
    keys = shot.controls[1].channels[0].keys
    assert keys is not None
    assert keys.values.tolist() == [[0, 0, 0, 1], [0, 0, 0, 1]]
    assert keys.incoming[:, 1].tolist() == [1 / 2, 1 / 3]
    assert len(shot.notes) == 1
    assert "2 quaternions normalised" in shot.notes[0]


def test_ten_million_frames_may_be_claimed_for_keys() -> None:
    whole = edited("controls/2/channels/0", {"name": "steam2", "keys": [{"frame": 9e6, "value": 1}]})
    shot = shot_file.read(as_bytes({**whole, "frames": [0, 9_999_999]}), "t")
    assert shot.last_frame == 9_999_999


def test_the_name_of_the_file_is_the_name_of_a_nameless_shot() -> None:
    data = as_bytes(edited("name", ...))
    assert shot_file.read(data, "lid.a.SHOT.json").name == "lid.a"


def test_a_large_shot_keeps_a_line_for_each_key() -> None:
    keys = make_keys(np.arange(50.0), np.linspace(0, 1, 50) ** 3, np.full(50, 1 / 3))
    shot = Shot("s", 24, 0, 49, (Control("a", channels=(Channel("rotation.x", keys=keys),)),))
    lines = shot_file.write(shot).decode().splitlines()
    assert sum('"frame":' in line for line in lines) == 50


def test_deep_nesting_ends_in_an_error() -> None:
    for opening, inner in product(("[", '{"a":'), (100_000,)):
        with pytest.raises(InputError, match=r"nested|middle"):
            json_places.parse((opening * inner).encode(), "t.shot.json")


def test_read_and_write_by_the_ending(tmp_path: Path) -> None:
    path = tmp_path / "baker.Shot.JSON"
    path.write_bytes(as_bytes(EXAMPLE))
    found = read(path)
    assert (found.format, found.side, len(found.sha256)) == ("shot", None, 64)
    assert write(found.shot, path) == shot_file.write(found.shot)
    for wrong in ("baker.json", "baker.shot.json.bak", "keys"):
        with pytest.raises(InputError, match=r"\.shot\.json, \.keys\.csv, \.bvh"):
            read(tmp_path / wrong)
    with pytest.raises(InputError, match="no such file"):
        read(tmp_path / "missing.shot.json")
    (tmp_path / "folder.bvh").mkdir()
    with pytest.raises(InputError, match="it is a folder"):
        read(tmp_path / "folder.bvh")


def test_keys_become_arrays_as_they_are_parsed_unless_there_is_something_to_say_of_them() -> None:
    sound = {"name": "rotation.x", "keys": [{"frame": n, "value": 2 * n, "slope": 3} for n in (1, 4)]}
    found = shot_channels.folded(sound)["keys"]
    assert isinstance(found, Keys)
    np.testing.assert_array_equal(found.values, [[2.0], [8.0]])
    for key in (
        {"slope": 3},
        {"frame": 4, "value": True, "slope": 3},
        {"frame": 0, "value": 5, "slope": 3},
        7,
    ):
        faulty = {"name": "rotation.x", "keys": [{"frame": 1, "value": 2, "slope": 3}, key]}
        assert shot_channels.folded(faulty) is faulty
    long = {"name": QUATERNION, "keys": [{"frame": 1, "value": [0, 0, 0, 9], "slope": [0, 0, 0, 0]}]}
    assert shot_channels.folded(long) is long  # that it was normalised is said with its place

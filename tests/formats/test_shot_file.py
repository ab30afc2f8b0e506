"""The shot file: what is written reads back the same, single numbers are found in any layout."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import product
from pathlib import Path

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
from tests.formats.shot_texts import EXAMPLE, KEYS, SCHEMA, VALID, as_bytes, edited
from tests.strategies import shots

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def document(data: bytes, name: str = "t.shot.json") -> Document:
    return Document(Path(name), data, "", "shot", shot_file.read(data, name), None)


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

"""What is wrong with a shot file is said with its place and a remedy."""

from __future__ import annotations

import pytest

from refine.errors import InputError
from refine.formats import shot_file
from tests.formats.shot_texts import EXAMPLE, KEYS, VALID, as_bytes, edited

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

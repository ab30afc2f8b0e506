"""Broken files of all formats, made by code, and sound ones to break.

Every file must be refused with one line that has its name in it; nothing may be written, no traceback seen.
A broken side file stands beside a sound `SIDE_OF`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

Bad = tuple[str, bytes]

SHOT = {
    "schema": "motion-refine/shot/1",
    "name": "tray",
    "fps": 24,
    "frames": [0, 2],
    "controls": [
        {
            "name": "hips",
            "channels": [
                {
                    "name": "translation.y",
                    "keys": [{"frame": 0, "value": 1, "slope": 0}, {"frame": 2, "value": 3, "slope": 0.5}],
                },
                {"name": "bounce", "samples": [0.5, 0.25, 0.125]},
            ],
        },
        {"name": "hand", "parent": "hips", "links": [{"kind": "aim", "to": "hips"}]},
    ],
    "cameras": [{"name": "front", "vertical_angle": 40, "width": 640, "height": 360}],
    "pins": [{"control": "hips", "channel": "translation.y", "frame": 2}],
    "marks": [{"kind": "hold", "frames": [0, 1], "controls": ["hand"]}],
    "gazes": [{"control": "hand", "frames": [0, 2], "target": "hips"}],
}
TABLE = """control,channel,frame,value,incoming_slope,outgoing_slope,segment
hips,translation.y,0,1,0,0,
hips,translation.y,2,3,0.5,0.5,line
"""
BVH = """HIERARCHY
ROOT Hips
{
\tOFFSET 0 0 0
\tCHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
\tJOINT Chest
\t{
\t\tOFFSET 0 10 0
\t\tCHANNELS 3 Zrotation Xrotation Yrotation
\t\tEnd Site
\t\t{
\t\t\tOFFSET 0 5 0
\t\t}
\t}
}
MOTION
Frames: 2
Frame Time: 0.041667
0 1 2 3 4 5 6 7 8
1 2 3 4 5 6 7 8 9
"""
SIDE = {"schema": "motion-refine/marks/1", "controls": [{"name": "Chest", "parent": "Hips", "mass": 0.3}]}
SIDE_OF = ("bad_side.bvh", BVH.encode())


def bad_files() -> list[Bad]:
    """(name, bytes) of every broken file."""
    return [*_raw(), *_shots(), *_spelled_shots(), *_tables(), *_bvh(), *_sides()]


def lay_out(folder: Path, bad: Bad) -> Path:
    """Put a broken file into a folder, with the sound file that a side file needs; the path to read."""
    name, data = bad
    (folder / name).write_bytes(data)
    if not name.endswith(".marks.json"):
        return folder / name
    sound = folder / (name.removesuffix(".marks.json") + ".bvh")
    sound.write_bytes(SIDE_OF[1])
    return sound


def _raw() -> Iterator[Bad]:
    """What isn't even text of the format, for each format."""
    for ending, sound in {
        ".shot.json": json.dumps(SHOT, indent=1),
        ".keys.csv": TABLE,
        ".bvh": BVH,
        ".marks.json": json.dumps(SIDE, indent=1),
    }.items():
        data = sound.encode()
        yield f"empty{ending}", b""
        yield f"blank{ending}", b" \r\n\t\n"
        yield f"only_a_mark{ending}", b"\xef\xbb\xbf"
        yield f"binary{ending}", bytes(range(256)) * 40
        yield f"zeros{ending}", bytes(4096)
        yield f"utf16{ending}", sound.encode("utf-16")
        yield f"first_byte{ending}", data[:1]
        yield f"deep{ending}", b"[" * 200_000
        yield f"wrong_kind{ending}", b"<html><body>404</body></html>\n"
    for ending, sound in {".shot.json": json.dumps(SHOT), ".marks.json": json.dumps(SIDE)}.items():
        for part in (10, 35, 60, 85, 99):
            yield f"cut_at_{part}{ending}", sound.encode()[: len(sound) * part // 100]
        yield f"latin1{ending}", sound.replace('"schema"', '"x_é": 1, "schema"').encode("latin-1")
        yield f"deep_objects{ending}", b'{"a":' * 100_000
        yield f"trailing{ending}", sound.encode() + b" {}"
        yield f"long_integer{ending}", sound.replace("{", '{"x_long": ' + "9" * 5000 + ",", 1).encode()
        yield f"twice{ending}", sound.replace("{", '{"schema": "other",', 1).encode()
        yield f"list{ending}", f"[{sound}]".encode()
        yield f"null{ending}", b"null"


def _edited(document: object, path: str, value: object) -> bytes:
    """A document with the value at a path replaced; Ellipsis removes it; the step + appends to a list."""
    whole = json.loads(json.dumps(document))
    node = whole
    *way, last = path.split("/")
    for step in way:
        node = node[int(step)] if isinstance(node, list) else node[step]
    if last == "+":
        node.append(value)
    elif value is ...:
        del node[int(last) if isinstance(node, list) else last]
    else:
        node[int(last) if isinstance(node, list) else last] = value
    return json.dumps(whole).encode()


def _shots() -> Iterator[Bad]:
    keys = "controls/0/channels/0/keys"
    empty = {"name": "translation.x", "keys": []}
    million = {"name": "translation.x", "samples": [0, 1, 2]}
    for name, path, value in (
        ("no_schema", "schema", ...),
        ("other_schema", "schema", "motion-refine/shot/99"),
        ("no_fps", "fps", ...),
        ("zero_fps", "fps", 0),
        ("negative_fps", "fps", -24),
        ("absurd_fps", "fps", 1e11),
        ("true_fps", "fps", True),
        ("no_frames", "frames", ...),
        ("frames_back", "frames", [2, 0]),
        ("million_frames", "frames", [0, 999_999]),
        ("billion_frames", "frames", [0, 999_999_999]),
        ("half_frames", "frames", [0.5, 2.5]),
        ("no_controls", "controls", []),
        ("controls_of_text", "controls", "hips"),
        ("unknown_member", "cotrols", []),
        ("unknown_parent", "controls/1/parent", "hip"),
        ("own_parent", "controls/0/parent", "hips"),
        ("circle", "controls/0/parent", "hand"),
        ("unknown_link", "controls/1/links/0/to", "foot"),
        ("own_link", "controls/1/links/0/to", "hand"),
        ("same_control", "controls/1/name", "hips"),
        ("same_channel", "controls/0/channels/1/name", "translation.y"),
        ("same_camera", "cameras/+", SHOT["cameras"][0]),  # type: ignore[index]
        ("camera_like_control", "cameras/0/name", "hand"),
        ("camera_without_lens", "cameras/0/vertical_angle", ...),
        ("camera_angle", "cameras/0/vertical_angle", 180),
        ("camera_angle_of_nothing", "cameras/0/vertical_angle", 1e-300),
        ("camera_size", "cameras/0/width", 0),
        ("empty_name", "controls/0/name", ""),
        ("name_of_two_lines", "controls/0/name", "hips\nhand"),
        ("half_a_surrogate", "controls/0/name", "hips\ud800"),
        ("number_for_name", "controls/0/name", 7),
        ("empty_channel", "controls/0/channels/0", empty),
        ("channel_of_nothing", "controls/0/channels/0", {"name": "translation.x"}),
        ("wrong_sample_count", "controls/0/channels/1/samples", [1, 2]),
        ("million_samples_claimed", "controls/0/channels/+", {**million, "samples": []}),
        ("bad_sample", "controls/0/channels/1/samples/1", None),
        ("unsorted", f"{keys}/0/frame", 3),
        ("repeated", f"{keys}/0/frame", 2),
        ("no_slope", f"{keys}/0/slope", ...),
        ("null_value", f"{keys}/0/value", None),
        ("text_value", f"{keys}/0/value", "1"),
        ("true_value", f"{keys}/0/value", True),
        ("huge_value", f"{keys}/0/value", 1e300),
        ("huge_integer", f"{keys}/0/value", 10**400),
        ("far_frame", f"{keys}/1/frame", 1e15),
        ("key_of_text", f"{keys}/0", "key"),
        ("unknown_segment", f"{keys}/0/segment", "steps"),
        ("negative_reach", f"{keys}/0/outgoing_reach", -1),
        ("corner_with_one_slope", f"{keys}/0/corner", True),
        ("quaternion_of_three", "controls/1/channels", [{"name": "rotation", "samples": [[0, 0, 1]] * 3}]),
        ("zero_quaternion", "controls/1/channels", [{"name": "rotation", "samples": [[0, 0, 0, 0]] * 3}]),
        ("zero_rest", "controls/1/rest", {"rotation": [0, 0, 0, 0]}),
        ("order", "controls/0/order", "xyx"),
        ("limits", "controls/0/channels/0/limits", {"lower": 1, "upper": 0}),
        ("unknown_pin", "pins/0/control", "head"),
        ("unknown_pin_channel", "pins/0/channel", "translation.z"),
        ("unknown_mark", "marks/0/controls", ["head"]),
        ("unknown_mark_kind", "marks/0/kind", "snap"),
        ("unknown_gaze", "gazes/0/target", "head"),
        ("gaze_of_both", "gazes/0/point", [0, 0, 0]),
        ("no_unit", "metres_per_unit", 0),
        ("loop_number", "loop", 1),
        ("up_down", "up", "down"),
    ):
        yield f"{name}.shot.json", _edited(SHOT, path, value)


def _spelled_shots() -> Iterator[Bad]:
    """What json.dumps wouldn't write."""
    sound = json.dumps(SHOT)
    for name, text in (
        ("nan", "NaN"),
        ("infinity", "Infinity"),
        ("minus_infinity", "-Infinity"),
        ("e999", "1e999"),
    ):
        yield f"{name}.shot.json", sound.replace('"value": 3', f'"value": {text}').encode()
        yield f"{name}_frame.shot.json", sound.replace('"frame": 2', f'"frame": {text}').encode()
        yield f"{name}_sample.shot.json", sound.replace("0.125", text).encode()
        yield f"{name}_fps.shot.json", sound.replace('"fps": 24', f'"fps": {text}').encode()
    yield "nan_of_your_own.shot.json", sound.replace("{", '{"x_mine": [NaN], ', 1).encode()
    yield "member_twice_inside.shot.json", sound.replace('"value": 3', '"value": 3, "value": 4').encode()
    yield "twice_and_cut.shot.json", sound.replace('"value": 3', '"value": 3, "value": 4').encode()[:-40]
    yield "trailing_comma.shot.json", sound.replace("]", ",]", 1).encode()
    yield "comment.shot.json", b"// a shot\n" + sound.encode()
    yield "raw_line_end.shot.json", sound.replace("tray", "tr\nay").encode()
    yield "overlong_utf8.shot.json", sound.encode().replace(b"tray", b"tr\xc0\xafay")


def _tables() -> Iterator[Bad]:
    head, first, second = TABLE.splitlines(keepends=True)
    for name, text in (
        ("no_rows", head),
        ("semicolons", TABLE.replace(",", ";")),
        ("unknown_column", TABLE.replace("value", "valeu", 1)),
        ("missing_column", TABLE.replace("frame,", "time,", 1)),
        ("column_twice", TABLE.replace("segment", "value", 1)),
        ("short_row", TABLE.replace("0.5,0.5,line", "0.5")),
        ("long_row", TABLE.replace("line", "line,1")),
        ("cut", TABLE[:-9]),
        ("decimal_comma", TABLE.replace("0.5,", '"0,5",', 1)),
        ("text", TABLE.replace(",1,", ",one,")),
        ("nan", TABLE.replace(",1,", ",nan,")),
        ("infinity", TABLE.replace(",1,", ",inf,")),
        ("e999", TABLE.replace(",1,", ",1e999,")),
        ("huge", TABLE.replace(",1,", f",{'9' * 5000},")),
        ("unsorted", head + second + first),
        ("repeated", head + first + first),
        ("far_frame", TABLE.replace("y,2", "y,2e9")),
        ("no_slope", TABLE.replace("1,0,0", "1,,")),
        ("open_quote", TABLE.replace("hips", '"hips', 1)),
        ("stray_quote", TABLE.replace("hips", 'hi"ps', 1)),
        ("no_name", TABLE.replace("hips", "", 1)),
        ("segment", TABLE.replace("line", "steps")),
        ("quaternion", TABLE.replace("translation.y", "rotation")),
        ("no_such_axis", TABLE.replace("translation.y", "translation.w")),
    ):
        yield f"{name}.keys.csv", text.encode()
    yield "latin1.keys.csv", TABLE.replace("hips", "hüfte").encode("latin-1")


def _bvh() -> Iterator[Bad]:
    for part in (5, 20, 40, 60, 75):
        yield f"cut_at_{part}.bvh", BVH.encode()[: len(BVH) * part // 100]
    for name, text in (
        ("no_motion", BVH[: BVH.index("MOTION")]),
        ("no_rows", BVH[: BVH.index("0 1 2")]),
        ("short_row", BVH.replace("7 8 9", "7 8")),
        ("nan", BVH.replace("7 8 9", "7 8 nan")),
        ("ind", BVH.replace("7 8 9", "7 8 -1.#IND")),
        ("infinity", BVH.replace("7 8 9", "7 8 inf")),
        ("e999", BVH.replace("7 8 9", "7 8 1e999")),
        ("text", BVH.replace("7 8 9", "7 8 nine")),
        ("zero_time", BVH.replace("0.041667", "0")),
        ("negative_time", BVH.replace("0.041667", "-0.04")),
        ("nan_time", BVH.replace("0.041667", "nan")),
        ("nan_offset", BVH.replace("0 10 0", "0 nan 0")),
        ("same_joint", BVH.replace("Chest", "Hips")),
        ("unknown_channel", BVH.replace("Yposition", "Yscale")),
        ("fewer_channels", BVH.replace("CHANNELS 3", "CHANNELS 4")),
        ("absurd_channels", BVH.replace("CHANNELS 3", "CHANNELS 99999999999")),
        ("open_brace", BVH.replace("}\nMOTION", "MOTION")),
        ("closing_brace", BVH.replace("}\nMOTION", "}\n}\nMOTION")),
        ("deep_joints", "HIERARCHY\nROOT a\n{\nOFFSET 0 0 0\n" + "JOINT b\n{\nOFFSET 0 0 0\n" * 5000),
    ):
        yield f"{name}.bvh", text.encode()


def _sides() -> Iterator[Bad]:
    for name, path, value in (
        ("no_schema", "schema", ...),
        ("shot_schema", "schema", "motion-refine/shot/1"),
        ("zero_fps", "fps", 0),
        ("wrong_frames", "frames", [0, 99]),
        ("million_frames", "frames", [0, 999_999]),
        ("unknown_member", "pin", []),
        ("unknown_control", "controls/0/name", "Head"),
        ("unknown_parent", "controls/0/parent", "Head"),
        ("circle", "controls/+", {"name": "Hips", "parent": "Chest"}),
        ("same_control", "controls/+", {"name": "Chest"}),
        ("mass", "controls/0/mass", 3),
        ("limits", "controls/0/limits", {"rotation.x": {"rate": -1}}),
        ("unknown_limits", "controls/0/limits", {"scale.x": {}}),
        ("keys_here", "controls/0/channels", []),
        ("camera_like_joint", "cameras", [{"name": "Hips", "vertical_angle": 30, "width": 4, "height": 3}]),
        ("unknown_pin", "pins", [{"control": "Head", "frame": 1}]),
        ("unknown_mark", "marks", [{"kind": "contact", "frames": [0, 1], "controls": ["Head"]}]),
        ("unknown_gaze", "gazes", [{"control": "Hips", "frames": [0, 1], "target": "Head"}]),
        ("nan", "metres_per_unit", float("nan")),
    ):
        yield f"{name}.marks.json", _edited(SIDE, path, value)

"""Pictures: valid XML, the numbers in them right, the same each time, and of everything that may come along."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from refine.curve import bake, evaluate
from refine.errors import InputError
from refine.formats import read
from refine.key_rows import only
from refine.pose import Point, pose, world_point
from refine.review import panel_arc, panel_frames, svg
from refine.review.picture import comparison_picture, suggestion_picture
from refine.shot import Array, Channel, Shot, make_keys
from refine.view import project, view
from tests.review.tolerances import PAGE
from tests.tolerances import PIXEL

DEMO = Path(__file__).resolve().parents[2] / "demo" / "baker.shot.json"
RANGE = (49, 81)
HIPS = Point("hips", (0.0, 0.0, 0.0))
SHOWN = np.arange(45.0, 86.0)  # four frames more on each side
NAMESPACE = "{http://www.w3.org/2000/svg}"
Element = ElementTree.Element


@pytest.fixture(scope="module")
def before() -> Shot:
    return read(DEMO).shot


@pytest.fixture(scope="module")
def after(before: Shot) -> Shot:
    return with_value(before, "hips", "translation.y", 60, -0.237)


@pytest.fixture(scope="module")
def picture(before: Shot, after: Shot) -> Element:
    return parsed(draw(before, after))


def with_value(shot: Shot, control: str, channel: str, frame: float, value: float) -> Shot:
    old = shot.control(control).channel(channel)
    assert old is not None
    assert old.keys is not None
    values = old.keys.values.copy()
    values[old.keys.index(frame)] = value
    return shot.with_channel(control, replace(old, keys=old.keys.changed(values=values)))


def with_frames(shot: Shot, control: str, channel: str, frames: Array, kept: Array) -> Shot:
    """The shot with keys on other frames, and only some of them."""
    old = shot.control(control).channel(channel)
    assert old is not None
    assert old.keys is not None
    return shot.with_channel(control, replace(old, keys=only(old.keys.changed(frames=frames), kept)))


def draw(
    before: Shot, after: Shot, control: str = "hips", channels: tuple[str, ...] = ("translation.y",)
) -> str:
    return suggestion_picture(before, after, RANGE, control, channels, None, "a value off at frame 60")


def parsed(text: str) -> Element:
    # [lib] expat, the standard library's XML parser, refuses what isn't well-formed
    root = ElementTree.fromstring(text)
    assert root.tag == NAMESPACE + "svg"
    assert not re.search(r"\b(nan|inf)\b", text, re.IGNORECASE)
    return root


def of_class(root: Element, name: str) -> list[Element]:
    return [element for element in root.iter() if element.get("class") == name]


def words(root: Element) -> str:
    return " ".join(element.text or "" for element in root.iter(NAMESPACE + "text"))


def on_screen(shot: Shot, control: str, camera_of: Shot) -> Array:
    """(N, 2) px of a control's pivot on the shown frames."""
    seen = view(camera_of, pose(camera_of, SHOWN))
    return project(seen, world_point(pose(shot, SHOWN), shot, Point(control, (0.0, 0.0, 0.0))))


def page_places(arc: Element, path: Array) -> Array:
    """Where px belong on the page, by the crop that the panel states: one scale for both axes."""
    back = next(arc.iter(NAMESPACE + "rect"))
    corner = np.array([float(back.attrib["x"]), float(back.attrib["y"])])
    origin = np.array([float(arc.attrib["data-left"]), float(arc.attrib["data-top"])])
    return corner + (path - origin) * float(arc.attrib["data-scale"])


@pytest.mark.parametrize("when", ["before", "after"])
def test_marks_stand_where_the_camera_sees_the_point(
    picture: Element, before: Shot, after: Shot, when: str
) -> None:
    """Against `project`, which tests/outside holds against another library."""
    path = on_screen(before if when == "before" else after, "hips", before)
    arcs = of_class(picture, "arc")
    assert arcs
    for arc in arcs:
        places = page_places(arc, path)
        marks = of_class(arc, f"frame {when}")
        assert len(marks) == (len(SHOWN) if when == "after" else 12)  # the fault lifts frames 55 to 66
        for mark in marks:
            n = int(float(mark.attrib["data-frame"]) - SHOWN[0])
            place = [float(mark.attrib["cx"]), float(mark.attrib["cy"])]
            # the crop's corner is written with two decimals of a px, and magnified
            near = PAGE * (1 + float(arc.attrib["data-scale"]))
            assert place == pytest.approx(places[n], abs=near)


def test_bars_are_as_high_as_the_way_from_frame_to_frame(picture: Element, after: Shot, before: Shot) -> None:
    steps = np.linalg.norm(np.diff(on_screen(after, "hips", before), axis=0), axis=1)
    bars = of_class(picture, "step after")
    heights = np.array([float(bar.attrib["height"]) for bar in bars])
    assert [float(bar.attrib["data-frame"]) for bar in bars] == SHOWN[:-1].tolist()
    unit = heights.sum() / steps.sum()
    assert heights == pytest.approx(steps * unit, abs=PAGE)
    open_marks = of_class(picture, "step before")
    foot = float(bars[0].attrib["y"]) + heights[0]
    old = np.linalg.norm(np.diff(on_screen(before, "hips", before), axis=0), axis=1)
    for mark in open_marks:
        n = int(float(mark.attrib["data-frame"]) - SHOWN[0])
        assert foot - float(mark.attrib["cy"]) == pytest.approx(old[n] * unit, abs=2 * PAGE)


def test_the_largest_move_is_named_with_its_frame_and_change(
    picture: Element, before: Shot, after: Shot
) -> None:
    apart = np.linalg.norm(on_screen(after, "hips", before) - on_screen(before, "hips", before), axis=1)
    text = words(picture)
    assert "a value off at frame 60" in text
    assert f"hips moves up to {apart.max():.1f} px, at frame {SHOWN[np.argmax(apart)]:g}" in text
    assert f"{apart.max():.1f} px at frame 60" in text
    assert "translation.y at frame 60 (-0.045 m)" in text


def test_the_keys_of_the_curve_stand_on_it(picture: Element, after: Shot) -> None:
    channel = after.control("hips").channel("translation.y")
    assert channel is not None
    assert channel.keys is not None
    marks = of_class(picture, "key after")
    inside = [k for k, f in enumerate(channel.keys.frames) if 44.5 <= f <= 85.5]
    assert [float(mark.attrib["data-frame"]) for mark in marks] == channel.keys.frames[inside].tolist()
    values = channel.keys.values[inside, 0]
    heights = np.array([float(mark.attrib["cy"]) for mark in marks])
    unit = np.ptp(heights) / np.ptp(values)
    assert heights - heights[0] == pytest.approx(-unit * (values - values[0]), abs=2 * PAGE)


def test_before_and_after_differ_by_more_than_colour(picture: Element) -> None:
    for line in of_class(picture, "path before"):
        assert line.get("stroke-dasharray")
    for line in of_class(picture, "path after"):
        assert line.get("stroke-dasharray") is None
    assert {mark.get("fill") for mark in of_class(picture, "frame before")} == {svg.PAPER}


def test_colours_are_greys_or_of_the_colour_blind_safe_palette(picture: Element) -> None:
    # [mem] Okabe and Ito 2008, "Color Universal Design": black, orange, sky blue, bluish green, yellow, blue,
    # vermillion, reddish purple
    palette = {"000000", "e69f00", "56b4e9", "009e73", "f0e442", "0072b2", "d55e00", "cc79a7"}
    used = {
        element.attrib[name].lower().lstrip("#")
        for element in picture.iter()
        for name in ("fill", "stroke")
        if element.get(name, "none") != "none"
    }
    for colour in used - palette:
        levels = [int(colour[i : i + 2], 16) for i in (0, 2, 4)]
        assert max(levels) - min(levels) <= 29, f"#{colour} is neither grey nor of the palette"


def test_the_same_picture_has_the_same_bytes(before: Shot, after: Shot) -> None:
    assert draw(before, after) == draw(before, after)


def test_nothing_changed_is_said(before: Shot) -> None:
    root = parsed(draw(before, before))
    assert "nothing changes" in words(root)
    assert "nothing moves" in words(root)
    assert of_class(root, "frame after")
    assert not of_class(root, "frame before")


def test_names_with_signs_of_xml_are_escaped(before: Shot) -> None:
    name = "hips <&> \"'\x01"
    renamed = replace(
        before,
        controls=tuple(
            replace(
                c, name=name if c.name == "hips" else c.name, parent=name if c.parent == "hips" else c.parent
            )
            for c in before.controls
        ),
        marks=(),
        pins=(),
    )
    changed = with_value(renamed, name, "translation.y", 60, -0.237)
    text = suggestion_picture(renamed, changed, RANGE, name, ["translation.y"], None, "why <b> & why")
    root = parsed(text)
    assert "hips <&> \"'\ufffd" in words(root)
    assert "why <b> & why" in words(root)


def test_a_turn_is_watched_where_it_shows(before: Shot) -> None:
    """The breastbone moves 9 px by the chest's turn, the fingers four times as far."""
    changed = with_value(before, "chest", "rotation.y", 129, -6.5)
    text = suggestion_picture(before, changed, (111, 145), "chest", ["rotation.y"], None, "turn")
    assert "Arc of tip of hand" in words(parsed(text))


def test_a_baked_channel_has_a_curve_without_keys(before: Shot, after: Shot) -> None:
    def baked(shot: Shot) -> Shot:
        channel = shot.control("hips").channel("translation.y")
        assert channel is not None
        return shot.with_channel("hips", bake(channel, shot))

    root = parsed(draw(baked(before), baked(after)))
    assert of_class(root, "curve")
    assert not of_class(root, "key after")
    assert "translation.y on 12 frames (most at 60, by 0.045 m)" in words(root)
    assert len(of_class(root, "frame before")) >= 12


def test_a_channel_that_drives_no_point_has_only_its_curve(before: Shot) -> None:
    def with_steam(value: float) -> Shot:
        i = before.index("tray")
        steam = Channel("steam", make_keys([1, 60, 168], [0.0, value, 0.0], [0.0, 0.0, 0.0]))
        tray = replace(before.controls[i], channels=(*before.controls[i].channels, steam))
        return replace(before, controls=(*before.controls[:i], tray, *before.controls[i + 1 :]))

    root = parsed(
        suggestion_picture(with_steam(1.0), with_steam(0.5), RANGE, "tray", ["steam"], None, "less steam")
    )
    assert of_class(root, "curve")
    assert not of_class(root, "arc")
    assert "steam at frame 60 (-0.5)" in words(root)


def test_a_quaternion_shows_its_four_numbers(before: Shot) -> None:
    def turning(w: float) -> Shot:
        i = before.index("tray")
        values = np.array([[0, 0, 0, 1.0], [0, np.sqrt(1 - w * w), 0, w], [0, 0, 0, 1.0]])
        channel = Channel("rotation", make_keys([1, 60, 168], values, np.zeros((3, 4))))
        tray = replace(before.controls[i], channels=(channel,))
        return replace(before, controls=(*before.controls[:i], tray, *before.controls[i + 1 :]))

    root = parsed(suggestion_picture(turning(0.9), turning(0.95), RANGE, "tray", ["rotation"], None, "turn"))
    assert len(of_class(root, "key after")) == 4
    assert len(of_class(root, "key before")) == 4


@pytest.mark.parametrize(("slope", "words"), [(1e-16, "slope 0.25 to 0"), (0.001, "slope 0.25 to 0.001")])
def test_what_a_solver_leaves_of_a_slope_is_zero(slope: float, words: str) -> None:
    old, new = (make_keys([1.0], [2.0], [by]) for by in (0.25, slope))
    assert panel_frames.change_in_words(old, 0, new, 0, "deg") == words


def test_a_moved_key_is_shown_before_and_after(before: Shot) -> None:
    old = before.control("hips").channel("translation.y")
    assert old is not None
    assert old.keys is not None
    frames = old.keys.frames.copy()
    frames[old.keys.index(60)] = 61
    moved = before.with_channel("hips", replace(old, keys=old.keys.changed(frames=frames)))
    root = parsed(draw(before, moved))
    assert [mark.attrib["data-frame"] for mark in of_class(root, "key before")] == ["60"]
    assert "61" in [mark.attrib["data-frame"] for mark in of_class(root, "key after")]


def test_what_is_not_there_is_refused(before: Shot) -> None:
    with pytest.raises(KeyError, match="nobody"):
        draw(before, before, "nobody")
    with pytest.raises(KeyError, match="wobble"):
        draw(before, before, channels=("wobble",))
    with pytest.raises(InputError, match="no camera"):
        suggestion_picture(before, before, RANGE, "hips", ["translation.y"], "nowhere", "")
    with pytest.raises(ValueError, match="outside"):
        suggestion_picture(before, before, (200, 210), "hips", ["translation.y"], None, "")
    with pytest.raises(ValueError, match="can't be drawn"):
        svg.number(float("nan"))


@pytest.mark.parametrize("path", [np.zeros((9, 2)), np.arange(18.0).reshape(9, 2) * [100, 0.01]])
def test_a_crop_holds_the_whole_path_at_one_scale(path: Array) -> None:
    cut = panel_arc.crop([path], panel_arc.Box(10, 20, 300, 200))
    places = np.array([cut(point) for point in path])
    assert (places >= [10, 20]).all()
    assert (places <= [310, 220]).all()
    assert cut.size[0] >= panel_arc.LEAST_EXTENT
    assert np.diff(places, axis=0) == pytest.approx(np.diff(path, axis=0) * cut.scale, abs=PIXEL)


# --- several strengths ---

STRENGTHS = (0.25, 0.5, 1.0, 2.0)
LEFT = (0.8, 0.5, 0.2, 0.15)
MOVES = (5.0, 10.0, 20.0, 40.0)
TABLE = [{"left": a, "largest_move": b} for a, b in zip(LEFT, MOVES, strict=True)]


@pytest.fixture(scope="module")
def compared(before: Shot) -> Element:
    shots = [with_value(before, "hips", "translation.y", 60, -0.192 - 0.045 * min(s, 1)) for s in STRENGTHS]
    variants = list(zip(STRENGTHS, shots, strict=True))
    return parsed(comparison_picture(before, variants, RANGE, HIPS, None, TABLE, knee=2))


def test_each_variant_has_its_arc_and_spacing_at_one_scale(compared: Element) -> None:
    assert len(of_class(compared, "arc")) == len(of_class(compared, "spacing")) == len(STRENGTHS)
    assert len({arc.attrib["data-scale"] for arc in of_class(compared, "arc")}) == 1
    for strength in STRENGTHS:
        assert f"strength {strength:g}" in words(compared)


def test_the_trade_off_stands_where_the_table_says(compared: Element) -> None:
    (panel,) = of_class(compared, "trade-off")
    marks = of_class(panel, "variant")
    x, y = (np.array([float(mark.attrib[name]) for mark in marks]) for name in ("cx", "cy"))
    for places, numbers in ((x, np.array(MOVES)), (-y, np.array(LEFT))):
        unit = np.ptp(places) / np.ptp(numbers)
        assert places - places[0] == pytest.approx(unit * (numbers - numbers[0]), abs=2 * PAGE)


def test_the_knee_is_ringed_and_named(compared: Element, before: Shot) -> None:
    (ring,) = of_class(compared, "knee")
    knee = of_class(compared, "variant")[2]
    assert (ring.get("cx"), ring.get("cy")) == (knee.get("cx"), knee.get("cy"))
    assert "Knee at strength 1: 20 % of the unevenness left for a move of 20.0 px" in words(compared)
    without = parsed(comparison_picture(before, [(1.0, before)], RANGE, HIPS, None, TABLE[:1]))
    assert not of_class(without, "knee")
    assert "No knee" in words(without)


def test_variants_may_have_names_and_more_rows(before: Shot) -> None:
    variants = [("the key <60> moved to 61", before)] * 7
    root = parsed(comparison_picture(before, variants, RANGE, HIPS, None, [TABLE[0]] * 7))
    assert len(of_class(root, "arc")) == 7
    with pytest.raises(ValueError, match="7 variants, 1 rows"):
        comparison_picture(before, variants, RANGE, HIPS, None, TABLE[:1])
    with pytest.raises(ValueError, match="0 variants"):
        comparison_picture(before, [], RANGE, HIPS, None, [])


def test_the_drawn_curve_is_the_evaluated_one(picture: Element, after: Shot) -> None:
    channel = after.control("hips").channel("translation.y")
    assert channel is not None
    assert channel.keys is not None
    (panel,) = of_class(picture, "curve")
    line = [e for e in panel.iter(NAMESPACE + "polyline") if e.get("stroke") == svg.BLUE]
    points = np.array([[float(n) for n in pair.split(",")] for pair in line[0].attrib["points"].split()])
    frames = np.linspace(SHOWN[0], SHOWN[-1], len(points))
    values = evaluate(channel.keys, frames)[:, 0]
    unit = np.ptp(points[:, 1]) / np.ptp(values)
    expected = points[0, 1] - unit * (values - values[0])
    assert points[:, 1] == pytest.approx(expected, abs=2 * PAGE)
    for key in of_class(panel, "key after"):
        n = int(np.argmin(np.abs(points[:, 0] - float(key.attrib["cx"]))))
        assert [float(key.attrib["cx"]), float(key.attrib["cy"])] == pytest.approx(points[n], abs=PAGE)


@pytest.mark.parametrize(
    ("by", "taken", "words"),
    [
        (0.3, False, "translation.y: frame 60 -> 60.3"),
        (3.0, False, "translation.y: a new key at frame 63; translation.y: the key at frame 60 goes"),
        (0.0, True, "translation.y: the key at frame 60 goes"),
    ],
)
def test_keys_that_move_come_and_go_are_named(before: Shot, by: float, taken: bool, words: str) -> None:
    keys = before.control("hips").channel("translation.y").keys
    at = keys.frames == 60
    after = with_frames(before, "hips", "translation.y", keys.frames + by * at, ~(at & taken))
    assert f"Changed on hips: {words}." in draw(before, after).replace("&gt;", ">")

"""What-ifs side by side: each variant is a suggestion of its own; shifted poses keep pins; where the knee is."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from refine.compare import Row, as_document, compare, knee, retimings, table_lines
from refine.curve import sample
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.on_frames import OFF
from refine.formats import Document
from refine.measure import Move, marked_points, unevenness
from refine.prepared import prepare
from refine.review.illustrate import of_comparison
from refine.shot import Channel, Control, Mark, Pin, Shot
from refine.suggest import Request, suggest
from refine.suggestion import Suggestion, applied
from tests.hand_made import (
    ARM_Z,
    RANGE,
    baked_shot,
    document,
    faulty,
    keyed,
    moved_frames,
    places,
    two_part_shot,
    value_off,
)
from tests.tolerances import ARITHMETIC, PIXEL, SPELLED

STRENGTHS = (0.25, 0.5, 1.0, 2.0)


def walk(mistimed: float = 2.0) -> Shot:
    """A box at constant speed, keyed each 10 frames, whose key at frame 70 comes too late."""
    frames = np.arange(0.0, 161.0, 10.0)
    values = 0.02 * frames
    frames[7] += mistimed
    channels = (
        Channel("translation.x", keyed("chord", frames, values)),
        Channel("rotation.z", keyed("chord", frames, 0 * values)),
    )
    box = Control("box", tip=(0.2, 0.0, 0.0), channels=channels)
    return replace(two_part_shot(), controls=(box,))


# --- strengths -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Document:
    shot = replace(value_off("flat"), marks=(Mark("accent", (85.0, 87.0), ("arm",)),))
    return document(shot, tmp_path_factory.mktemp("compare") / "a.shot.json")


def test_each_variant_is_the_suggestion_of_that_strength(source: Document) -> None:
    request = Request(RANGE, ("arm",))
    found = compare(source, request, STRENGTHS)
    assert [row.name for row in found.rows] == ["0.25", "0.5", "1", "2"]
    for strength, suggestion in zip(STRENGTHS, found.suggestions, strict=True):
        assert suggestion == suggest(source.shot, replace(request, strength=strength), source)


def test_the_rows_measure_what_the_suggestions_do(source: Document) -> None:
    found = compare(source, Request(RANGE, ("arm",)), (0.0, *STRENGTHS))
    none, quarter, half, whole, more = found.rows
    assert (none.left, none.keys, none.largest_change, none.move.pixels) == (1.0, 0, 0.0, 0.0)
    assert whole.largest_change == pytest.approx(3.0, abs=ARITHMETIC)
    assert half.largest_change == pytest.approx(1.5, abs=ARITHMETIC)
    assert (half.unit, half.keys) == ("deg", 1)
    assert more.keys > 1
    assert none.unevenness > quarter.unevenness > half.unevenness > whole.unevenness
    assert half.left == pytest.approx(half.unevenness / none.unevenness, abs=ARITHMETIC)
    assert (
        half.move.pixels
        < whole.move.pixels
        == pytest.approx(found.suggestions[3].effect.largest_move.pixels, abs=PIXEL)
    )
    assert all(row.accent_speed is not None and 0.5 < row.accent_speed < 1.5 for row in found.rows)
    assert whole.accent_speed == 1.0  # the accent isn't touched


def test_nothing_to_do_is_a_row_too(tmp_path: Path) -> None:
    found = compare(document(two_part_shot(), tmp_path / "b.shot.json"), Request(RANGE, ("arm",)), STRENGTHS)
    assert [row.keys for row in found.rows] == [0, 0, 0, 0]
    assert found.knee is None
    *rows, empty, why = table_lines(found)
    assert all("none" in line for line in rows[1:])
    assert (empty, why) == ("", f"Nothing changes at any strength: {found.suggestions[-1].reason}")


def test_where_nothing_changes_no_panel_is_drawn_and_what_moves_most_unevenly_is_measured(
    tmp_path: Path,
) -> None:
    found = compare(document(two_part_shot(), tmp_path / "b.shot.json"), Request(RANGE), STRENGTHS)
    assert found.idle is not None
    (point,) = found.points
    given = prepare(two_part_shot(), Request(RANGE))
    every = [p for control in given.shot.controls for p in marked_points(control)]
    uneven = {p: unevenness(given.shot, given.posed, given.view, (p,)).spacing for p in every}
    assert 0.0 < uneven[point] == max(uneven.values()) == found.rows[0].unevenness
    drawn = of_comparison(two_part_shot(), found, None)
    assert found.idle.reason[:40] in drawn
    assert "nothing changes at any strength" in drawn
    assert "<path" not in drawn
    assert "variant" not in drawn


def test_what_some_strengths_leave_alone_is_told_with_the_reason(source: Document) -> None:
    found = compare(source, Request(RANGE, ("arm",)), STRENGTHS)
    assert found.left_alone == ()
    shaken = replace(
        found.suggestions[-1], changes=(), left_alone=("arm.rotation.z: off: it would shake", "x.y: no")
    )
    found = replace(found, suggestions=(*found.suggestions[:-1], shaken))
    words = "Left alone at 2: arm.rotation.z: off: it would shake"
    assert found.left_alone == (words,)
    assert table_lines(found)[-1] == words
    assert as_document(found, [f"{n}.json" for n in range(4)])["left_alone"] == [words]


def test_the_table_and_the_document_tell_the_same(source: Document) -> None:
    found = compare(source, Request(RANGE, ("arm",)), STRENGTHS)
    plain = as_document(found, [f"{n}.json" for n in range(4)])
    lines = table_lines(found)
    assert len(lines) == 5
    for line, row, variant in zip(lines[1:], found.rows, plain["variants"], strict=True):
        assert line.startswith(row.name)
        assert f"{row.unevenness:.3f} px" in line
        assert variant["unevenness"]["value"] == row.unevenness
        assert variant["keys_changed"] == row.keys
    metres = table_lines(replace(found, rows=tuple(replace(r, unit="unit") for r in found.rows)), "m")
    assert all(" m " in line and "unit " not in line for line in metres[1:])
    assert plain["knee"] == found.knee
    assert sum("knee" in line for line in lines) == (found.knee is not None)


def row(left: float) -> Row:
    return Row("", 1.0, left, left, Move(10 * (1 - left), "arm", 50.0), 0.0, "deg", 1, None)


@pytest.mark.parametrize(
    ("left", "at"),
    [
        ([1.0, 0.4, 0.35, 0.3], 1),
        ([1.0, 0.9, 0.3, 0.28, 0.27], 2),
        ([1.0, 0.75, 0.5, 0.25], None),  # each step pays as much
        ([1.0, 1.0, 1.0], None),
        ([1.0, 1.2, 1.4], None),  # more strength makes it worse
        ([1.0, 0.2], None),
        ([], None),
    ],
)
def test_the_knee_is_where_more_strength_stops_paying(left: list[float], at: int | None) -> None:
    assert knee([row(each) for each in left]) == at


# --- retiming ------------------------------------------------------------------------------------------------


def shifts(shot: Shot, folder: Path, frames: tuple[int, int] = RANGE) -> list[Suggestion]:
    source = document(shot, folder / "walk.shot.json")
    request = Request(frames, ("box",))
    return retimings(source, request, prepare(source.shot, request))


def moves(found: list[Suggestion]) -> set[tuple[float, float]]:
    """(frame, new frame) of the shifted poses."""
    pairs = {(c.frame, c.after) for suggestion in found for c in suggestion.changes if c.field == "key"}
    assert all(isinstance(after, float) for _, after in pairs)
    return {(frame, after) for frame, after in pairs if isinstance(after, float)}


def test_a_mistimed_pose_is_moved_back_by_a_frame_first(tmp_path: Path) -> None:
    found = shifts(walk(), tmp_path)
    assert 1 <= len(found) <= 3
    assert found[0].reason == "box: the key pose at frame 72 moved to 71"
    lefts = [suggestion.effect.after.spacing for suggestion in found]
    assert lefts[0] < found[0].effect.before.spacing


def test_slopes_that_followed_their_rule_follow_the_shifted_pose(tmp_path: Path) -> None:
    shot = walk()
    (first, *_) = shifts(shot, tmp_path)
    turned = {c.frame for c in first.changes if c.field != "key"}
    assert turned == {60.0, 80.0}  # by the chord its own slope is that of its neighbours
    keys = applied(shot, first).channel("box", "translation.x").keys
    assert keys is not None
    chord = (keys.values[2:] - keys.values[:-2]) / (keys.frames[2:] - keys.frames[:-2])[:, None]
    np.testing.assert_allclose(keys.outgoing[1:-1], chord, atol=SPELLED)
    assert [flag.fault for flag in check(stage_of(applied(shot, first), Look())) if flag.fault == OFF] == []


def test_slopes_that_were_set_for_another_frame_stay_where_the_pose_goes_there(tmp_path: Path) -> None:
    sound, shot = walk(0.0), walk(0.0)
    for channel in sound.controls[0].channels:
        assert channel.keys is not None
        frames = channel.keys.frames.copy()
        frames[7] += 2.0
        shot = shot.with_channel("box", replace(channel, keys=channel.keys.changed(frames=frames)))
    first = shifts(shot, tmp_path)[0]
    assert {c.field for c in first.changes} == {"key"}


def test_all_channels_of_a_pose_move_together(tmp_path: Path) -> None:
    first = shifts(walk(), tmp_path)[0]
    assert {(c.channel, c.frame, c.after) for c in first.changes if c.field == "key"} == {
        ("translation.x", 72.0, 71.0),
        ("rotation.z", 72.0, 71.0),
    }


def test_a_well_timed_walk_is_left_alone(tmp_path: Path) -> None:
    assert shifts(walk(0.0), tmp_path) == []


@pytest.mark.parametrize(
    "pin",
    [
        Pin("box", "rotation.z", (72.0, 72.0)),  # one channel's key pins the pose
        Pin("box", None, (72.0, 72.0)),
        Pin("box", None, (71.0, 74.0)),
        Pin("box", "translation.x", (67.0, 67.0)),  # no key there: both neighbours would move it
        Pin("box", None, (66.5, 66.5)),
    ],
    ids=str,
)
def test_pins_keep_their_poses_where_they_are(pin: Pin, tmp_path: Path) -> None:
    shot = replace(walk(), pins=(pin,))
    found = shifts(shot, tmp_path)
    assert 72.0 not in {frame for frame, _ in moves(found)}
    at = np.arange(pin.frames[0], pin.frames[1] + 0.25, 0.5)
    for suggestion in found:
        after = applied(shot, suggestion)
        for channel in shot.controls[0].channels:
            if pin.channel in (None, channel.name):
                old, new = (sample(s.channel("box", channel.name), s, at) for s in (shot, after))
                assert np.array_equal(old, new)


def test_a_shift_moves_nothing_outside_the_range(tmp_path: Path) -> None:
    shot = walk()
    for frames in (RANGE, (60, 80), (61, 85)):
        for suggestion in shifts(shot, tmp_path, frames):
            for moved in moved_frames(shot, applied(shot, suggestion)).values():
                assert min(moved) >= frames[0]
                assert max(moved) <= frames[1]
    assert shifts(shot, tmp_path, (61, 85)) == []


def test_retimed_variants_stand_beside_the_strengths(tmp_path: Path) -> None:
    found = compare(
        document(walk(), tmp_path / "walk.shot.json"), Request(RANGE, ("box",)), STRENGTHS, retime=True
    )
    assert len(found.rows) > len(STRENGTHS)
    shifted = found.rows[len(STRENGTHS)]
    assert (shifted.unit, shifted.largest_change, shifted.keys) == ("frame", 1.0, 4)
    drawn = of_comparison(found.shots[0], found, None)
    assert shifted.name == "box: the key pose at frame 72 moved to 71"
    assert drawn.count(">box 72 to 71</text>") == 3  # above its arc, beside its mark and in the table
    (steps,) = re.findall(r'points="([^"]*)"[^>]*class="steps"', drawn)
    assert len(steps.split()) == len(STRENGTHS)
    assert shifted.left < 1.0


def test_baked_controls_have_no_pose_to_shift(tmp_path: Path) -> None:
    shot = baked_shot({"translation.x": 0.01 * np.arange(200.0)}, control="box")
    assert shifts(shot, tmp_path) == []


def test_comparing_leaves_the_source_as_it_was(source: Document) -> None:
    before = source.path.read_bytes()
    compare(source, Request(RANGE), STRENGTHS, retime=True)
    assert source.path.read_bytes() == before == source.data
    assert places(suggest(faulty(two_part_shot(), *ARM_Z, {11: 3.0}), Request(RANGE))) == {
        (*ARM_Z, 65.0, "value")
    }

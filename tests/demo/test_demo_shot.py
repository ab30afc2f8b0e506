"""The demo's shot: it is what its script makes, keeps its promises, and its faults are exactly those listed.

Files are compared as plain JSON, not through our own reader, wherever the question is what stands in them.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from refine.formats import read
from refine.pose import Point, pose, world_point
from refine.shot import Array, Shot
from tests.demo.tolerances import DEMO_FOOT, DEMO_GRIP, TYPED_SLOPE
from tests.tolerances import PLACE, PRINTED_4

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo"
FLAT, CHORD = "flat", "chord"

Number = tuple[str, str, float, str]  # control, channel, frame, field


def make(seed: str, *arguments: str) -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": seed}
    subprocess.run([sys.executable, str(DEMO / "make_shot.py"), *arguments], check=True, env=environment)


@pytest.fixture(scope="module")
def clean_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("clean") / "clean.shot.json"
    make("1", "--clean", str(path))
    return path


@pytest.fixture(scope="module")
def clean(clean_file: Path) -> Shot:
    return read(clean_file).shot


@pytest.fixture(scope="module")
def faults() -> list[dict[str, Any]]:
    listed = json.loads((DEMO / "faults.json").read_text())
    assert listed["shot"] == "baker.shot.json"
    return list(listed["faults"])


def numbers(path: Path) -> dict[Number, float]:
    """Every value and slope in a shot file; a single slope counts for both sides."""
    found = {}
    for control, channel, key in each_key(path):
        where = control, channel, float(key["frame"])
        found[*where, "value"] = key["value"]
        for side in ("incoming_slope", "outgoing_slope"):
            found[*where, side] = key.get(side, key.get("slope"))
    return found


def each_key(path: Path) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for control in json.loads(path.read_text())["controls"]:
        for channel in control.get("channels", []):
            for key in channel["keys"]:
                yield control["name"], channel["name"], key


def without_keys(path: Path) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(path.read_text())
    for control in plain["controls"]:
        for channel in control.get("channels", []):
            channel["keys"] = [
                {"frame": key["frame"], "corner": key.get("corner")} for key in channel["keys"]
            ]
    return plain


def test_the_committed_files_are_what_the_script_makes(tmp_path: Path) -> None:
    make("7", "--to", str(tmp_path))
    for name in ("baker.shot.json", "faults.json"):
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), f"{name}: run demo/make_shot.py"


def test_the_shot_reads_without_remarks_and_is_valid(clean_file: Path) -> None:
    # [lib] jsonschema, on the schema that exporters are written from
    schema = json.loads((ROOT / "refine/schemas/shot.schema.json").read_text())
    for path in (DEMO / "baker.shot.json", clean_file):
        assert read(path).shot.notes == ()
        jsonschema.Draft202012Validator(schema).validate(json.loads(path.read_text()))


def test_the_list_of_faults_is_exactly_what_differs(clean_file: Path, faults: list[dict[str, Any]]) -> None:
    good, bad = numbers(clean_file), numbers(DEMO / "baker.shot.json")
    assert good.keys() == bad.keys()
    differs = {where: (good[where], bad[where]) for where in good if good[where] != bad[where]}
    listed = {
        (fault["control"], fault["channel"], float(change["frame"]), change["field"]): (
            change["clean"],
            change["faulty"],
        )
        for fault in faults
        for change in fault["changes"]
    }
    assert listed == differs
    assert len(listed) == sum(len(fault["changes"]) for fault in faults)
    assert without_keys(clean_file) == without_keys(DEMO / "baker.shot.json")


def test_the_faults_are_of_different_kinds_and_can_be_seen(faults: list[dict[str, Any]]) -> None:
    assert len({fault["kind"] for fault in faults}) == len(faults) >= 4
    for fault in faults:
        assert 5 <= fault["largest_move"]["value"] <= 40, fault["kind"]
        assert 5 <= fault["largest_own_move"]["value"] <= fault["largest_move"]["value"], fault["kind"]


def test_numbers_look_typed(clean_file: Path) -> None:
    for (_, _, _, field), value in numbers(clean_file).items():
        assert value == round(value, 4 if field == "value" else 5)
        assert str(value) != "-0.0"


def test_slopes_follow_one_habit_and_corners_stand_at_the_trays_contacts(clean_file: Path) -> None:
    """Flat at extremes and ends, else the chord between the neighbours: recomputed from the file alone."""
    corners = set()
    channels: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for control, channel, key in each_key(clean_file):
        channels.setdefault((control, channel), []).append(key)
    for (control, channel), keys in channels.items():
        for before, key, after in zip([None, *keys], keys, [*keys[1:], None], strict=False):
            if key.get("corner"):
                corners.add((control, key["frame"]))
                continue
            slope = 0.0
            if before is not None and after is not None:
                up, down = after["value"] - key["value"], key["value"] - before["value"]
                if up * down > 0:
                    slope = (after["value"] - before["value"]) / (after["frame"] - before["frame"])
            assert key["slope"] == pytest.approx(slope, abs=TYPED_SLOPE), (control, channel, key)
    assert corners == {("tray", 53), ("tray", 150)}


def planted_drift(shot: Shot, point: Point) -> float:
    """Metres that a point strays from where it stands on the first frame."""
    path = world_point(pose(shot, shot.frames), shot, point)
    return float(np.linalg.norm(path - path[0], axis=1).max())


@pytest.mark.parametrize("side", ["L", "R"])
def test_the_feet_stay_where_they_are(clean: Shot, side: str) -> None:
    foot = clean.control(f"foot.{side}")
    assert foot.tip is not None
    for local in ((0.0, 0.0, 0.0), foot.tip):
        assert planted_drift(clean, Point(foot.name, local)) < DEMO_FOOT


def test_the_hands_stay_on_the_tray_while_they_hold_it(clean: Shot) -> None:
    at = pose(clean, np.arange(38.0, 157.0))
    for side, x in (("L", 0.27), ("R", -0.27)):
        hand = world_point(at, clean, Point(f"hand.{side}", (0.0, -0.09, 0.0)))
        rim = world_point(at, clean, Point("tray", (x, 0.0, 0.0)))
        assert np.linalg.norm(hand - rim, axis=1).max() < DEMO_GRIP


def test_the_tray_rests_in_its_contacts(clean: Shot) -> None:
    for mark in clean.marks:
        if mark.kind == "contact" and mark.controls == ("tray",):
            at = pose(clean, np.arange(mark.frames[0], mark.frames[1] + 1))
            for array in (at.origin[clean.index("tray")], at.linear[clean.index("tray")]):
                assert np.ptp(array, axis=0).max() < PLACE


def test_the_eyes_are_on_the_window_during_the_gaze(clean: Shot) -> None:
    (gaze,) = clean.gazes
    at = pose(clean, np.arange(gaze.frames[0], gaze.frames[1] + 1))
    i = clean.index(gaze.control)
    assert gaze.point is not None
    to: Array = np.array(gaze.point) - at.origin[i]
    cosine = np.sum(at.linear[i][:, :, 2] * to, axis=1) / np.linalg.norm(to, axis=1)
    # 2 deg: the "warn" threshold of a gaze off its target, our judgement
    assert np.rad2deg(np.arccos(cosine)).max() < 2


def test_weight_shows_hips_lead_and_the_rest_follows(clean: Shot) -> None:
    """Common practice for a lift: hips rise first, then the chest, the tray hangs behind."""

    def half_way(name: str, first: int, last: int) -> int:
        height = pose(clean, np.arange(first, last + 1.0)).origin[clean.index(name)][:, 1]
        share = (height - height[0]) / (height[-1] - height[0])
        return first + int(np.argmax(share >= 0.5))

    hips, head, tray = (half_way(name, 49, 81) for name in ("hips", "head", "tray"))
    assert hips < head <= tray


def test_carried_masses_are_sums_of_the_published_segments(clean: Shot) -> None:
    # [doc] de Leva 1996, J Biomech 29:1223-1230, male: shares of the body's mass
    head, upper, middle, arm, forearm, hand = 0.0694, 0.1596, 0.1633, 0.0271, 0.0162, 0.0061
    thigh, shank, foot = 0.1416, 0.0433, 0.0137
    chest = upper + head + 2 * (arm + forearm + hand)
    expected = {
        "head": head,
        "chest": chest,
        "spine": chest + middle,
        "upper_arm.L": arm + forearm + hand,
        "forearm.L": forearm + hand,
        "hand.L": hand,
        "thigh.R": thigh + shank + foot,
        "shin.R": shank + foot,
        "foot.R": foot,
        "hips": 1.0,
    }
    for name, mass in expected.items():
        assert clean.control(name).mass == pytest.approx(mass, abs=PRINTED_4)


def test_size_of_the_shot(clean: Shot) -> None:
    assert 18 <= len(clean.controls) <= 25
    assert (clean.fps, clean.first_frame, clean.last_frame) == (24, 1, 168)
    assert {mark.kind for mark in clean.marks} >= {"contact", "accent", "hold"}
    assert {(pin.channel is None, pin.is_range) for pin in clean.pins} == {
        (True, False),
        (False, False),
        (True, True),
    }

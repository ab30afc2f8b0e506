"""What `check` prints obeys its JSON Schema, and the schema refuses what isn't a document of flags."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from refine.flags import coverage, gaze, loops, rotations
from refine.flags.check import SCHEMA as NAME
from refine.flags.check import as_document, stage_of
from refine.flags.flag import RANK, Cause, Flag, as_json
from refine.flags.look import Look
from refine.flags.thresholds import load
from refine.formats import Document, read
from refine.shot import Gaze, Shot

ROOT = Path(__file__).resolve().parents[2]
SCHEMA = json.loads((ROOT / "refine" / "schemas" / "flags.schema.json").read_text("utf-8"))
VALID = jsonschema.Draft202012Validator(SCHEMA)
FLAG = Flag(
    "moved key",
    "hips",
    "rotation.y",
    (3, 9),
    "warn",
    2.5,
    "px",
    Cause("hips", "rotation.y", (6.5,)),
    "the key at 6.5 is off by 2.5 px",
    "put it back",
)


def demo() -> Document:
    return read(ROOT / "demo" / "baker.shot.json")


def document(shot: Shot, flags: list[Flag]) -> dict[str, Any]:
    """As the command prints it: through JSON and back."""
    made = as_document(replace(demo(), shot=shot), stage_of(shot, Look()), flags)
    return dict(json.loads(json.dumps(made)))


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["properties"]["schema"]["const"] == NAME


def test_a_document_without_flags_and_one_of_each_form_obey_it() -> None:
    shot = demo().shot
    VALID.validate(document(shot, []))
    whole = replace(FLAG, channel=None, cause=Cause("hips"), severity="note", amount=0.0)
    VALID.validate(document(shot, [FLAG, whole, replace(FLAG, severity="error")]))


def test_what_the_families_find_obeys_it() -> None:
    shot = demo().shot
    shot = replace(shot, loop=True, gazes=(Gaze("eyes", (96, 116), point=(3.0, 2.0, 2.0)),))
    stage = stage_of(shot, Look())
    found = [f for family in (rotations, gaze, coverage, loops) for f in family.find(stage)]
    assert {flag.fault for flag in found} >= {gaze.OFF, loops.FAULT}
    VALID.validate(document(shot, found))


def test_the_schema_knows_just_the_members_and_severities_that_there_are() -> None:
    flag = SCHEMA["$defs"]["flag"]
    made = as_json(FLAG)
    assert set(flag["properties"]) == set(flag["required"]) == set(made)
    assert set(flag["properties"]["cause"]["properties"]) == set(made["cause"])
    assert set(SCHEMA["properties"]) == set(document(demo().shot, []))
    assert set(flag["properties"]["severity"]["enum"]) == set(RANK)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("flags/0/id", "moved key"),
        ("flags/0/severity", "fatal"),
        ("flags/0/frames", [3]),
        ("flags/0/frames", [3.5, 9]),
        ("flags/0/amount", 2.5),
        ("flags/0/amount/unit", ""),
        ("flags/0/cause/control", None),
        ("flags/0/cause/frames", None),
        ("flags/0/message", ""),
        ("flags/0/ratio", 1.0),
        ("sha256", "0"),
        ("schema", "motion-refine/flags/2"),
    ],
)
def test_the_schema_refuses_what_is_wrong(path: str, value: object) -> None:
    made = document(demo().shot, [FLAG])
    *way, last = path.split("/")
    node: Any = made
    for step in way:
        node = node[int(step)] if step.isdigit() else node[step]
    node[last] = value
    assert not VALID.is_valid(made)


def test_every_fault_of_these_families_has_its_thresholds() -> None:
    table = load(24.0, 1080)
    for fault in (rotations.FAULT, gaze.OFF, gaze.APART, coverage.STILL, coverage.TWINS, loops.FAULT):
        assert table[fault].warn <= table[fault].error

"""The JSON Schemas of the package: sound, complete, in plain words, and strict enough to notice a mistake."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

import refine

FOLDER = Path(str(refine.__file__)).parent / "schemas"
SCHEMAS = {
    path.name.removesuffix(".schema.json"): json.loads(path.read_text()) for path in FOLDER.glob("*.json")
}
# Documents that the tool writes, by the module that says their version; they admit no members but their own.
RESULTS = {
    "suggestion": "suggestion",
    "diff": "diff",
    "comparison": "compare",
    "applied": "application",
    "show": "show",
    "clean": "clean.report.summary",
}

Schema = dict[str, Any]


def objects(node: Any, path: str = "") -> Iterator[tuple[str, Schema]]:
    """Every schema of an object inside a schema, with its path."""
    if isinstance(node, dict):
        if node.get("type") == "object":
            yield path, node
        for name, value in node.items():
            yield from objects(value, f"{path}/{name}")


def described(schema: Schema, node: Schema) -> bool:
    """Whether a member says what it is, itself or where it refers to."""
    target = schema
    for step in node.get("$ref", "#").split("/")[1:]:
        target = target[step]
    return bool(
        node.get("description", "").strip() or ("$ref" in node and target.get("description", "").strip())
    )


def test_every_document_has_its_schema() -> None:
    assert {*RESULTS, "shot", "marks"} <= set(SCHEMAS)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_it_is_a_schema_and_describes_each_member(name: str) -> None:
    schema = SCHEMAS[name]
    Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"{name}.schema.json"
    assert schema["title"]
    for path, node in objects(schema):
        assert node.get("description"), path
        # Limits by the name of their channel are the one object whose members' names aren't known.
        assert node["additionalProperties"] is False or "$ref" in node["additionalProperties"], path
        assert set(node.get("required", [])) <= set(node.get("properties", {})), path
        for member, said in node.get("properties", {}).items():
            if schema is not SCHEMAS["marks"]:  # it refers to shot.schema.json, where the words stand
                assert described(schema, said), f"{path}: {member}"


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_it_is_of_the_version_that_the_tool_writes(name: str) -> None:
    version = importlib.import_module(f"refine.{RESULTS[name]}").SCHEMA
    assert SCHEMAS[name]["properties"]["schema"]["const"] == version == f"motion-refine/{name}/1"


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_whatever_has_a_number_says_its_unit(name: str) -> None:
    """An amount stands beside its unit, or its description says in what it is counted."""
    counted = (
        "frame",
        "fps",
        "strength",
        "share",
        "0 to 1",
        "fourth difference",
        "changes of speed",
        "per unit",
    )
    counted += ("along the path", "px", "pixel", "degrees", "`unit`", "position", "keys", "number", "size")
    for path, node in objects(SCHEMAS[name]):
        for member, said in node.get("properties", {}).items():
            if said.get("type") in ("number", "integer") and "unit" not in node["properties"]:
                words = f"{member} {said['description']}".casefold()
                assert any(word in words for word in counted), f"{path}: {member}"


def test_what_several_documents_share_is_the_same_in_all() -> None:
    shared: dict[str, Schema] = {}
    for name in RESULTS:
        for part, node in SCHEMAS[name]["$defs"].items():
            assert shared.setdefault(part, node) == node, f"{name}: {part}"
    assert {"change", "move", "name"} <= set(shared)


CHANGE: Schema = {
    "control": "hips",
    "channel": "translation.y",
    "frame": 12.5,
    "field": "value",
    "before": 1.0,
    "after": 2.0,
    "before_text": "1",
    "after_text": "2.0000",
    "unit": "unit",
}
SOUND: dict[str, Schema] = {
    "applied": {
        "schema": "motion-refine/applied/1",
        "written": None,
        "made": [CHANGE],
        "already": [CHANGE],
        "left": [],
    },
    "diff": {
        "schema": "motion-refine/diff/1",
        "before": "a.bvh",
        "after": "b.bvh",
        "camera": "front",
        "changes": [CHANGE],
        "others": [],
        "moved": ["hips"],
        "moves": [{"value": 1.5, "unit": "px", "control": "hips", "frame": 12}],
    },
}


@pytest.mark.parametrize("name", sorted(SOUND))
def test_a_member_too_many_too_few_or_of_another_kind_is_noticed(name: str) -> None:
    check = Draft202012Validator(SCHEMAS[name])
    sound = SOUND[name]
    assert check.is_valid(sound)
    assert not check.is_valid({**sound, "more": 1})
    for member in sound:
        assert not check.is_valid({key: value for key, value in sound.items() if key != member})
        assert not check.is_valid({**sound, member: 7})
    many = "made" if name == "applied" else "changes"
    for member in CHANGE:
        broken = {key: value for key, value in CHANGE.items() if key != member}
        assert not check.is_valid({**sound, many: [broken]})
        assert not check.is_valid({**sound, many: [{**CHANGE, member: None}]})
    assert not check.is_valid({**sound, many: [{**CHANGE, "field": "slope"}]})
    assert not check.is_valid({**sound, many: [{**CHANGE, "before": [0, 0, 1]}]})
    assert check.is_valid({**sound, many: [{**CHANGE, "before": [0, 0, 0, 1], "turn": [0, 0, 90]}]})

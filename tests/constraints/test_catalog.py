"""The catalogue names each constraint of the folder, and each one says where it comes from."""

from __future__ import annotations

import importlib
from dataclasses import is_dataclass
from pathlib import Path

import pytest

import constraints
from constraints.catalog import CATALOG

LANGUAGE = {"__init__", "affine", "terms", "catalog"}


def folder() -> set[str]:
    return {path.stem for path in Path(constraints.__file__).parent.glob("*.py")} - LANGUAGE


def test_catalogue_and_folder_agree() -> None:
    assert set(CATALOG) == folder()


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_each_is_a_frozen_dataclass_with_terms_formula_and_source(name: str) -> None:
    constraint = CATALOG[name]
    assert getattr(importlib.import_module(f"constraints.{name}"), constraint.__name__) is constraint
    assert is_dataclass(constraint)
    assert constraint.__dataclass_params__.frozen  # type: ignore[attr-defined]
    assert callable(constraint.terms)
    assert "Source:" in (constraint.__doc__ or "")

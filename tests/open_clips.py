"""Open clips for tests: where one can't be fetched the test is skipped with the reason; under CI it fails."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchmarks.open_data import DataUnavailable, open_clip


def clip_or_skip(name: str) -> Path:
    """The file of an open clip, fetched if need be."""
    try:
        return open_clip(name)
    except DataUnavailable as reason:
        if os.environ.get("CI"):
            raise
        pytest.skip(f"open clip {name} can't be had: {reason}")

"""Open data for the checks against the world outside. Nobody's data lies in the repository: it is fetched."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from benchmarks.open_data import DataUnavailable, open_clip


@pytest.fixture(scope="session")
def clip() -> Callable[[str], Path]:
    """Path of an open clip by its name; the test is skipped where it can't be had, but fails under CI."""

    def fetched(name: str) -> Path:
        try:
            return open_clip(name)
        except DataUnavailable as error:
            reason = f"open data not reachable: {error}"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)

    return fetched

"""Open data for the checks against the world outside. Nobody's data lies in the repository: it is fetched."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.open_clips import clip_or_skip


@pytest.fixture(scope="session")
def clip() -> Callable[[str], Path]:
    """Path of an open clip by its name; the test is skipped where it can't be had, but fails under CI."""
    return clip_or_skip

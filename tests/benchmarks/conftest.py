"""The clip that the benchmarks were tuned on."""

from __future__ import annotations

import pytest

from tests.open_clips import clip_or_skip


@pytest.fixture(scope="session")
def clip() -> str:
    """The tuning clip's name, once its file is there."""
    clip_or_skip("01_01")
    return "01_01"

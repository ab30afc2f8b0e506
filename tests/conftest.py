"""What holds for all tests: no say of the caller's terminal, and property tests that repeat under CI."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

# Shared machines are slow at times: speed is measured in benchmarks/, never here.
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("ci" if os.environ.get("CI") else "here")


@pytest.fixture(autouse=True)
def _plain_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Colours are asked for by the tests that mean to."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.delenv("FORCE_COLOR", raising=False)

"""What else is told of a clip: the unit that was used, and what `check` still finds, in its words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.clean.clip import FLAGS, _flags, cleaned
from refine.clean.settings import Settings
from refine.flags.check import check, lines, stage_of
from refine.flags.look import Look
from refine.formats.bvh import ASSUMED
from refine.shot import Shot, frozen
from tests.clean.walks import walk


def test_only_the_unit_that_was_used_is_told() -> None:
    note = f"walk.bvh: no unit; up is taken as y{ASSUMED}"
    read = replace(walk(False)[0], notes=("a", note), unit_stated=False)
    assert cleaned(read, Settings()).findings.notes == ("a", note)
    _, _, measured = told = cleaned(replace(read, metres_per_unit=20.0), Settings()).findings.notes
    assert told[:2] == ("a", "walk.bvh: no unit; up is taken as y")
    assert measured.startswith("1 unit is taken as ")
    assert measured.endswith(" m, by the length of the legs")


def faulty(frames: range) -> Shot:
    """A walk whose arms and legs jump on some frames."""
    made = walk(False)[0]
    for control in made.controls:
        for channel in control.channels:
            if channel.name == "rotation.x" and channel.samples is not None:
                values = np.array(channel.samples)
                values[list(frames)] += 25.0
                made = made.with_channel(control.name, replace(channel, samples=frozen(values)))
    return made


def test_what_check_finds_is_named_in_its_words_errors_first(monkeypatch: pytest.MonkeyPatch) -> None:
    made = faulty(range(40, 200, 40))
    (warnings, errors), named = _flags(made, None)
    assert min(warnings, errors) > 0
    assert warnings + errors <= FLAGS
    found = {lines([flag])[0] for flag in check(stage_of(made, Look())) if flag.severity != "note"}
    assert set(named) == found
    assert [line.partition(" ")[0] for line in named] == ["error"] * errors + ["warn"] * warnings
    monkeypatch.setattr("refine.clean.clip.FLAGS", 1)
    assert _flags(made, None) == ((warnings, errors), named[:1])

"""What was never animated gets a little of its carrier's motion, later, in keys that are added; only where asked."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from refine.application import applied, proof
from refine.body.masses import ROWS
from refine.changes import differences
from refine.flags.check import stage_of
from refine.flags.coverage import STILL, find
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend, suggested
from refine.formats import read, write
from refine.shot import Keys, Limits, Pin, Shot
from refine.suggestion import read_changes
from tests.flags.test_coverage import hand, still

RATES = (12.0, 24.0, 30.0, 60.0)


def flags(shot: Shot) -> list[Flag]:
    return [flag for flag in find(stage_of(shot, Look())) if flag.fault == STILL]


def keys_of(shot: Shot, name: str) -> Keys:
    keys = shot.control(name).channels[0].keys
    assert keys is not None
    return keys


@pytest.mark.parametrize("fps", RATES)
def test_it_follows_its_carrier_later_and_smaller_and_keeps_the_key_it_had(fps: float) -> None:
    shot = hand(fps, still())
    (flag,) = flags(shot)
    assert mend(shot, Look(), [flag]).mended == ()
    result = mend(shot, Look(), [flag], asked=(flag.id,))
    assert result.mended == (flag,)
    assert flags(result.shot) == []
    changes = differences(shot, result.shot)
    assert {c.control for c in changes} == {"finger 4"}
    assert all((c.key is not None) == (c.field == "key") for c in changes)
    assert {c.frame for c in changes if c.key is None} <= {0.0}  # the slope of the key that it had
    own, palm = keys_of(result.shot, "finger 4"), keys_of(shot, "hand")
    assert (own.frames[0], own.values[0, 0]) == (0.0, 4.0)
    finger = ROWS["finger"].response
    assert finger is not None
    lag = max(round(finger.lag * fps), 1)
    at = np.isin(palm.frames + lag, own.frames)
    gains = (own.values[1:, 0] - 4.0) / (palm.values[at, 0] - palm.values[0, 0])[-len(own) + 1 :]
    np.testing.assert_allclose(gains, gains[0], rtol=1e-9)
    assert 0 < gains[0] < 1


def test_pins_and_limits_leave_it_still() -> None:
    shot = hand(24.0, still())
    (flag,) = flags(shot)
    pinned = replace(shot, pins=(Pin("finger 4", None, (0.0, 120.0)),))
    narrow = replace(shot.controls[-1], channels=(replace(still(), limits=Limits(3.9, 4.1)),))
    for other in (pinned, replace(shot, controls=(*shot.controls[:-1], narrow))):
        assert mend(other, Look(), [flag], asked=(flag.id,)).mended == ()


@pytest.mark.parametrize("ending", [".shot.json", ".keys.csv"])
@pytest.mark.parametrize("line", ["\n", "\r\n"])
def test_added_keys_are_written_and_taken_out_again_to_the_byte(
    tmp_path: Path, ending: str, line: str
) -> None:
    path = tmp_path / f"hand{ending}"
    shot = hand(24.0, still())
    path.write_bytes(write(shot, path).replace(b"\n", line.encode()))
    document = replace(read(path), shot=replace(shot, notes=()))
    (flag,) = flags(document.shot)
    suggestion, left = suggested(document, Look(), [flag], asked=(flag.id,))
    assert left == ()
    plain = json.loads(suggestion.text())
    schema = json.loads(files("refine").joinpath("schemas/suggestion.schema.json").read_text("utf-8"))
    Draft202012Validator(schema).validate(plain)
    new = [c for c in plain["changes"] if c["field"] == "key"]
    assert new
    assert all(c["before"] is None for c in new)
    sha, changes = read_changes(suggestion.text().encode(), "suggestion")
    assert changes == suggestion.changes
    made = applied(read(path), sha, changes)
    assert made.left == ()
    after = tmp_path / f"after{ending}"
    after.write_bytes(made.data)
    proof(read(path), made, after)(made.data)
    assert len(keys_of(read(after).shot, "finger 4")) == 1 + len(new)
    again = applied(read(after), "", changes, rebase=True)
    assert len([change for change in again.already if change.field == "key"]) == len(new)
    back = applied(read(after), "", changes, undo=True)
    assert back.left == ()
    assert back.data == path.read_bytes()
    proof(read(after), back, path)(back.data)


def test_a_key_that_was_changed_since_stays(tmp_path: Path) -> None:
    path = tmp_path / "hand.shot.json"
    path.write_bytes(write(hand(24.0, still()), path))
    document = read(path)
    (flag,) = flags(document.shot)
    suggestion, _ = suggested(document, Look(), [flag], asked=(flag.id,))
    made = applied(document, document.sha256, suggestion.changes)
    fourth = [change for change in suggestion.changes if change.key is not None][3]
    assert fourth.key is not None
    (value,), (slope,) = fourth.key.value, fourth.key.outgoing
    text = json.dumps({"frame": int(fourth.frame), "value": value, "slope": slope})
    other = text.replace(f'"value": {value}', '"value": 11.5')
    path.write_bytes(made.data.replace(text.encode(), other.encode()))
    back = applied(read(path), "", suggestion.changes, undo=True)
    assert [why for _, why in back.left] == ["the key has been changed since"]
    path.write_bytes(back.data)
    assert len(keys_of(read(path).shot, "finger 4")) == 2

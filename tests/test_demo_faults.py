"""The demo's planted faults: found, mended as demo/faults.json says.

Where slopes were redone with the key, a search of the range alone has nothing to tell by; a look over
the whole shot has the hands that slide on the tray.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from refine.curve import evaluate
from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.formats import Document, read
from refine.shot import Array, Keys
from refine.suggest import Request, suggest
from refine.suggestion import Suggestion, applied
from tests.hand_made import keys_of, moved_frames

DEMO = Path(__file__).parents[1] / "demo"
FAULTS: list[dict[str, Any]] = json.loads((DEMO / "faults.json").read_text(encoding="utf-8"))["faults"]
KINDS = {"value": "a value off", "slope": "a slope off", "value and slope": "a value and its slope off"}
TELLING = [fault for fault in FAULTS if "redone" not in fault["kind"]]
SILENT = [fault for fault in FAULTS if "redone" in fault["kind"]]
AROUND = 16  # frames that an animator would flag to each side
MENDED = 0.9  # share of the fault's displacement of the curve that has to go


@pytest.fixture(scope="module")
def baker() -> Document:
    return read(DEMO / "baker.shot.json")


def name_of(fault: dict[str, Any]) -> str:
    return f"{fault['kind']} of {fault['control']}"


def flagged(fault: dict[str, Any], shot_frames: tuple[int, int]) -> tuple[int, int]:
    at = [change["frame"] for change in fault["changes"]]
    return max(min(at) - AROUND, shot_frames[0]), min(max(at) + AROUND, shot_frames[1])


def suggestion_for(baker: Document, fault: dict[str, Any], named: bool, strength: float = 1.0) -> Suggestion:
    frames = flagged(fault, (baker.shot.first_frame, baker.shot.last_frame))
    controls = (fault["control"],) if named else ()
    return suggest(baker.shot, Request(frames, controls, strength), baker)


def put_right(keys: Keys, fault: dict[str, Any]) -> Keys:
    """The keys with the clean numbers of the list of faults."""
    arrays = {
        "value": keys.values.copy(),
        "incoming_slope": keys.incoming.copy(),
        "outgoing_slope": keys.outgoing.copy(),
    }
    for change in fault["changes"]:
        k = keys.index(change["frame"])
        assert k is not None
        assert arrays[change["field"]][k, 0] == change["faulty"]
        arrays[change["field"]][k] = change["clean"]
    values, incoming, outgoing = arrays.values()
    return keys.changed(values=values, incoming=incoming, outgoing=outgoing)


def curve(keys: Keys) -> Array:
    return evaluate(keys, np.arange(keys.frames[0], keys.frames[-1] + 0.1, 0.25))[:, 0]


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("fault", TELLING, ids=name_of)
def test_the_fault_is_found_and_mended(baker: Document, fault: dict[str, Any], named: bool) -> None:
    found = suggestion_for(baker, fault, named)
    assert {(c.control, c.channel) for c in found.changes} == {(fault["control"], fault["channel"])}
    assert {(c.frame, c.field) for c in found.changes} == {(c["frame"], c["field"]) for c in fault["changes"]}
    keys = keys_of(baker.shot, fault["control"], fault["channel"])
    clean, bad = curve(put_right(keys, fault)), curve(keys)
    new = curve(keys_of(applied(baker.shot, found), fault["control"], fault["channel"]))
    assert np.linalg.norm(new - clean) < (1 - MENDED) * np.linalg.norm(bad - clean)
    kind = KINDS.get(fault["kind"], fault["kind"])
    assert f"{fault['control']}.{fault['channel']}" in found.reason
    assert kind in found.reason


@pytest.mark.parametrize("fault", [fault for fault in TELLING if fault["kind"] != "zigzag"], ids=name_of)
def test_where_one_key_is_off_the_typed_numbers_come_back(baker: Document, fault: dict[str, Any]) -> None:
    found = suggestion_for(baker, fault, named=True)
    numbers = {(c.frame, c.field): c.after for c in found.changes}
    assert numbers == {(c["frame"], c["field"]): c["clean"] for c in fault["changes"]}


@pytest.mark.parametrize("fault", TELLING, ids=name_of)
def test_the_effect_is_that_of_the_list(baker: Document, fault: dict[str, Any]) -> None:
    """The largest move on screen by the demo's own reckoning, to the tenth that the cure may miss."""
    found = suggestion_for(baker, fault, named=True)
    move, listed = found.effect.largest_move, fault["largest_move"]
    assert move.pixels == pytest.approx(listed["value"], rel=1 - MENDED)
    assert (move.control, move.frame) == (listed["control"], listed["frame"])


@pytest.mark.parametrize("fault", TELLING, ids=name_of)
def test_a_second_run_finds_nothing_more(baker: Document, fault: dict[str, Any]) -> None:
    found = suggestion_for(baker, fault, named=True)
    frames = flagged(fault, (baker.shot.first_frame, baker.shot.last_frame))
    again = suggest(applied(baker.shot, found), Request(frames, (fault["control"],)))
    assert again.changes == ()


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("fault", SILENT, ids=name_of)
def test_where_slopes_were_redone_candidates_are_offered_at_most(
    baker: Document, fault: dict[str, Any], named: bool
) -> None:
    found = suggestion_for(baker, fault, named)
    assert (fault["control"], fault["channel"]) not in {(c.control, c.channel) for c in found.changes}
    assert found.changes == ()
    assert found.reason
    assert len(SILENT) == 1


@pytest.mark.parametrize("fault", TELLING, ids=name_of)
def test_nothing_outside_the_flagged_range_moves(baker: Document, fault: dict[str, Any]) -> None:
    first, last = flagged(fault, (baker.shot.first_frame, baker.shot.last_frame))
    after = applied(baker.shot, suggestion_for(baker, fault, named=False, strength=2.0))
    for frames in moved_frames(baker.shot, after).values():
        assert first <= min(frames) <= max(frames) <= last


def test_a_look_over_the_whole_shot_finds_every_fault_with_its_cause_and_mends_it(baker: Document) -> None:
    flags = check(stage_of(baker.shot, Look()))
    causes = {(flag.cause.control, flag.cause.channel, flag.cause.frames) for flag in flags}
    assert causes == {(fault["control"], fault["channel"], planted_at(fault)) for fault in FAULTS}
    result = mend(baker.shot, Look(), flags)
    assert not result.left
    assert check(stage_of(result.shot, Look())) == []
    for fault in FAULTS:
        keys = keys_of(baker.shot, fault["control"], fault["channel"])
        clean, bad = curve(put_right(keys, fault)), curve(keys)
        new = curve(keys_of(result.shot, fault["control"], fault["channel"]))
        assert np.linalg.norm(new - clean) < (1 - MENDED) * np.linalg.norm(bad - clean)


def planted_at(fault: dict[str, Any]) -> tuple[float, ...]:
    """The keys that were moved, or turned where none was."""
    moved = [c["frame"] for c in fault["changes"] if c["field"] == "value"]
    return tuple(dict.fromkeys(float(f) for f in moved or [c["frame"] for c in fault["changes"]]))

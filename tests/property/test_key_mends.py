"""Keys planted between frames, and held segments: mended through a file they are gone, and an undo gives its bytes."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.corpus import RULES, Rule, screen_points
from benchmarks.planted.planted import inserted
from refine.application import applied, proof
from refine.diff import difference
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import picture, suggested
from refine.flags.on_frames import DOUBLED, OFF
from refine.flags.unheld import LEFTOVER
from refine.formats import Document, parsed, write
from refine.key_rows import only
from refine.shot import Pin, Shot
from refine.suggestion import Suggestion, read_changes
from tests.flags.test_unheld import held
from tests.hand_made import keys_of, two_part_shot, with_keys
from tests.property.test_suggest_properties import check_pin
from tests.property.tolerances import MENDED_PIXELS

pytestmark = pytest.mark.property

FAULTS = (DOUBLED, OFF, LEFTOVER)
SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]
repeated = settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=SLOW)


Spec = tuple[Rule, list[tuple[tuple[str, str], str, int, float, bool]]]
PLACES = [
    (control.name, channel.name) for control in two_part_shot().controls for channel in control.channels
]


@st.composite
def specs(draw: st.DrawFn) -> Spec:
    """A rule, and one to four faults in channels of their own: which, at which key, how many frames, with slopes."""
    fault = st.tuples(
        st.sampled_from(PLACES),
        st.sampled_from(FAULTS),
        st.integers(4, 16),
        st.sampled_from([-0.4, -0.25, 0.02, 0.1, 0.3, 0.45]),
        st.booleans(),
    )
    return draw(st.sampled_from(RULES)), draw(
        st.lists(fault, min_size=1, max_size=4, unique_by=lambda f: f[0])
    )


def planted(spec: Spec) -> tuple[Shot, Shot]:
    """The sound shot, and the same with the faults."""
    sound = shot = two_part_shot(spec[0])
    for place, fault, k, by, flat in spec[1]:
        keys = keys_of(shot, *place)
        if fault == LEFTOVER:
            keys = held(keys, k, flat)
        else:
            keys = inserted(keys, np.array([keys.frames[k] + by]))
            if fault == OFF:
                keys = only(keys, np.arange(len(keys)) != (k if by > 0 else k + 1))
        shot = with_keys(shot, *place, keys)
    return sound, shot


def document_of(shot: Shot, ending: str, line: str, by_frame: bool) -> Document:
    """A shot as a file's bytes; a table's lines by channel, or by frame with a comment among them."""
    path = Path(f"two{ending}")
    text = write(replace(shot, cameras=()), path).decode()
    if ending == ".keys.csv" and by_frame:
        head, *rows = text.splitlines()
        rows.sort(key=lambda row: float(row.split(",")[2]))
        text = "\n".join([head, *rows[:9], "# what comes now", "", *rows[9:]])
    data = text.replace("\n", line).encode()
    kind = "shot" if ending == ".shot.json" else "table"
    return Document(path, data, hashlib.sha256(data).hexdigest(), kind, shot, None)


def through(document: Document, suggestion: Suggestion) -> tuple[Shot, bytes]:
    """The shot once a suggestion's file is applied to another, and the bytes once it is undone."""
    sha, changes = read_changes(suggestion.text().encode(), "s")
    result = applied(document, sha, changes)
    assert result.left == ()
    plain = replace(document, shot=parsed(document.data, document.path))
    proof(plain, result, document.path)(result.data)
    after = replace(document, data=result.data, shot=parsed(result.data, document.path))
    back = applied(after, "", changes, undo=True)
    assert back.left == ()
    shot = document.shot
    for control in after.shot.controls:
        for channel in control.channels:
            shot = shot.with_channel(control.name, channel)
    return shot, back.data


def flags_of(shot: Shot) -> list[Flag]:
    return check(stage_of(shot, Look()))


@given(specs(), st.sampled_from([".shot.json", ".keys.csv"]), st.sampled_from(["\n", "\r\n"]), st.booleans())
@repeated
def test_mended_through_a_file_and_back(spec: Spec, ending: str, line: str, by_frame: bool) -> None:
    sound, shot = planted(spec)
    document = document_of(shot, ending, line, by_frame)
    before = [flag for flag in flags_of(shot) if flag.fault in FAULTS]
    suggestion, left = suggested(document, Look(), before)
    after, back = through(document, suggestion)
    assert back == document.data
    refused = {flag.id for flag, *_ in left}
    found = flags_of(after)
    assert {flag.id for flag in found if flag.fault in FAULTS} == refused
    known = {(flag.fault, flag.control, flag.channel) for flag in (*flags_of(shot), *flags_of(sound))}
    assert [f for f in found if f.severity != "note" and (f.fault, f.control, f.channel) not in known] == []
    if all(flag.fault != LEFTOVER for flag in before):
        away = screen_points(after, shot.frames) - screen_points(shot, shot.frames)
        assert np.linalg.norm(away, axis=-1).max() < MENDED_PIXELS * len(before) + 1e-9
    assert difference(shot, after).any == bool(suggestion.changes)
    for flag in before[:1]:
        assert picture(document, Look(), flag).startswith("<svg")


@given(specs(), st.sampled_from(PLACES), st.integers(3, 17), st.sampled_from([0.0, 5.0]))
@settings(repeated, max_examples=15)
def test_pins_stay(spec: Spec, place: tuple[str, str], k: int, length: float) -> None:
    _, shot = planted(spec)
    frame = float(keys_of(shot, *place).frames[k])
    pin = Pin(*place, (frame, frame + length))
    pinned = replace(shot, pins=(pin,))
    document = document_of(pinned, ".shot.json", "\n", False)
    suggestion, _ = suggested(document, Look(), [f for f in flags_of(pinned) if f.fault in FAULTS])
    after, back = through(document, suggestion)
    check_pin(shot, after, pin)
    assert back == document.data

"""What else a suggestion may be asked for: candidates, the same bytes every time, long channels and odd ones."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from refine.errors import InputError
from refine.formats import read
from refine.report import suggestion_lines
from refine.shot import Channel, Control, Pin, Shot, make_keys
from refine.suggest import Request, suggest
from refine.suggestion import applied
from tests.hand_made import (
    ARM_Z,
    RANGE,
    document,
    faulty,
    key_frames,
    keyed,
    keys_of,
    places,
    two_part_shot,
    value_off,
    wave,
    with_keys,
)
from tests.tolerances import CURED

ROOT = Path(__file__).parents[1]


# --- candidates ----------------------------------------------------------------------------------------------


def resloped() -> Shot:
    """A value off with all slopes set anew: no slope tells, only candidates can be offered."""
    clean = two_part_shot("chord")
    keys = keys_of(clean, *ARM_Z)
    values = keys.values[:, 0].copy()
    values[11] += 3.0
    return with_keys(clean, *ARM_Z, keyed("chord", keys.frames, values))


def torn() -> Shot:
    """Two neighbouring keys off by the same: either could be put right together with its slope."""
    return faulty(two_part_shot("chord"), *ARM_Z, {10: 0.6, 11: 0.6})


@pytest.mark.parametrize("guessed", [True, False])
def test_nothing_clear_gives_candidates_and_taking_one_adds_it(guessed: bool) -> None:
    shot = resloped() if guessed else torn()
    listed = suggest(shot, Request(RANGE, ("arm",)))
    assert listed.changes == ()
    assert "--candidate N" in listed.reason
    assert 2 <= len(listed.candidates) <= 5
    chances = [c.probability for c in listed.candidates if c.probability is not None]
    assert chances == sorted(chances, reverse=True)
    assert len(chances) == (0 if guessed else len(listed.candidates))  # a guess claims no probability
    for n, candidate in enumerate(listed.candidates, start=1):
        taken = suggest(shot, Request(RANGE, ("arm",), candidate=n))
        assert taken.changes == candidate.changes
        assert f"candidate {n}, chosen by you: {candidate.explains}" in taken.reason
        assert {(c.control, c.channel) for c in taken.changes} == {(candidate.control, candidate.channel)}
        assert taken.candidates == tuple(c for c in listed.candidates if c.number != n)


def test_guesses_about_a_key_with_neighbours_on_one_side_only_come_last() -> None:
    shot = resloped()
    frames = keys_of(shot, *ARM_Z).frames
    found = suggest(shot, Request((int(frames[0]), int(frames[3])), ("arm",))).candidates
    ends = [bool({frames[0], frames[-1]} & set(c.frames)) for c in found]
    assert any(ends)
    assert ends == sorted(ends)


def test_a_candidate_is_added_to_what_is_clear() -> None:
    shot = faulty(torn(), "hips", "rotation.z", {12: 6.0})
    listed = suggest(shot, Request(RANGE))
    assert places(listed) == {("hips", "rotation.z", 73.0, "value")}
    n, candidate = next((i, c) for i, c in enumerate(listed.candidates, 1) if c.control == "arm")
    taken = suggest(shot, Request(RANGE, candidate=n))
    assert set(taken.changes) == {*listed.changes, *candidate.changes}


@pytest.mark.parametrize("n", [0, -1, 99])
def test_candidates_that_are_not_there(n: int) -> None:
    with pytest.raises(InputError, match=f"--candidate {n}: no such candidate"):
        suggest(torn(), Request(RANGE, ("arm",), candidate=n))


# --- the same every time -------------------------------------------------------------------------------------


def suggested_text(path: Path, hash_seed: str) -> bytes:
    """The suggestion file's text from a fresh process."""
    code = (
        "import sys; from pathlib import Path; from refine.formats import read; "
        "from refine.suggest import Request, suggest; d = read(Path(sys.argv[1])); "
        "sys.stdout.buffer.write(suggest(d.shot, Request((40, 100), ('hips', 'arm'), 2.0), d).text().encode())"
    )
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed}  # BLAS reads its own variables there
    command = [sys.executable, "-c", code, str(path)]
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, check=True).stdout


def test_the_same_bytes_twice_and_in_fresh_processes(tmp_path: Path) -> None:
    shot = faulty(faulty(value_off(), *ARM_Z, slopes={13: 0.8}), "hips", "rotation.z", {12: 6.0})
    source = document(shot, tmp_path / "test.shot.json")
    request = Request((40, 100), ("hips", "arm"), 2.0)
    here = suggest(source.shot, request, source).text().encode()
    assert suggest(read(source.path).shot, request, source).text().encode() == here
    assert suggested_text(source.path, "1") == here
    assert suggested_text(source.path, "2") == here


# --- long channels and odd ones ------------------------------------------------------------------------------


def long_shot(count: int) -> Shot:
    """The two-part shot with rotation.z of the arm keyed `count` times, the fault at the middle key."""
    frames = np.concatenate([[0], np.cumsum(np.resize([5, 6, 7, 4, 6, 8], count - 1))]).astype(float)
    keys = keyed("natural", frames, wave(frames, 6))
    shot = replace(with_keys(two_part_shot(), *ARM_Z, keys), last_frame=int(frames[-1]))
    return faulty(shot, *ARM_Z, {count // 2: 3.0})


def test_five_thousand_keys_give_the_changes_of_the_keys_nearby() -> None:
    shot = long_shot(5000)
    keys = keys_of(shot, *ARM_Z)
    middle = keys.frames[2500]
    request = Request((int(middle) - 30, int(middle) + 30), ("arm",))
    found = suggest(shot, request)
    near = slice(2500 - 100, 2500 + 100)
    names = (
        "frames",
        "values",
        "incoming",
        "outgoing",
        "incoming_reach",
        "outgoing_reach",
        "corner",
        "segment",
    )
    short = with_keys(shot, *ARM_Z, replace(keys, **{name: getattr(keys, name)[near] for name in names}))
    assert places(found) == {(*ARM_Z, float(middle), "value")}
    assert [np.subtract(c.after, c.before) for c in found.changes] == pytest.approx([-3.0], abs=CURED)
    again = suggest(short, request)
    assert [c.after for c in again.changes] == pytest.approx([c.after for c in found.changes], abs=CURED)
    assert len(keys_of(applied(shot, found), *ARM_Z)) == 5000


def odd(channel: Channel) -> Shot:
    shot = two_part_shot()
    return replace(shot, controls=(*shot.controls, Control("odd", tip=(1.0, 0.0, 0.0), channels=(channel,))))


ODD: Sequence[Channel] = (
    Channel("size", make_keys([0, 10, 20, 120, 150], [0, 3, 1, 5, 2], [0] * 5)),
    Channel("size", make_keys([70], [1], [0])),
    Channel("rotation.x", make_keys([60, 70], [1, 2], [5, 5])),
    Channel("rotation.x", make_keys([50, 60, 70], [2, 2, 2], [0, 0, 0])),
    Channel("scale.y", make_keys(key_frames(), 1e-9 * wave(key_frames()), np.zeros(len(key_frames())))),
    Channel("translation.x", make_keys(key_frames(), 1e7 * wave(key_frames()), np.zeros(len(key_frames())))),
)


@pytest.mark.parametrize("channel", ODD)
@pytest.mark.parametrize("controls", [(), ("odd",)])
def test_odd_channels_are_no_trouble(channel: Channel, controls: tuple[str, ...]) -> None:
    """No key in the range, one key, two keys, no movement, tiny and huge values."""
    found = suggest(odd(channel), Request((30, 90), controls))
    assert {c.control for c in found.changes} <= {"odd"}


NO_SENSE = (
    Request((200, 300)),
    Request((90, 40)),
    Request(RANGE, ("nobody",)),
    Request(RANGE, (), -1.0),
    Request(RANGE, (), float("nan")),
    Request(RANGE, camera="none"),
    Request(RANGE, pins=(Pin("nobody", None, (50.0, 50.0)),)),
)


@pytest.mark.parametrize("wrong", NO_SENSE)
def test_requests_that_make_no_sense(wrong: Request) -> None:
    with pytest.raises(InputError):
        suggest(two_part_shot(), wrong)


def test_a_range_that_leaves_the_shot_is_cut_to_it() -> None:
    assert places(suggest(value_off(), Request((-50, 1000)))) == {(*ARM_Z, 65.0, "value")}


def test_of_several_flags_each_has_its_line_of_reasons() -> None:
    found = suggest(torn(), Request(RANGE, ("arm",)))
    several = replace(
        found, reason="z-bab5: chest: zigzag mended; sc-2fa4: hips: slide left, pinned; by hand"
    )
    assert suggestion_lines(several)[:2] == [
        "Why: z-bab5: chest: zigzag mended",
        "     sc-2fa4: hips: slide left, pinned; by hand",
    ]

"""New samples in an old BVH file: what didn't change stays to the byte, what did is near enough and reads back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from refine.clean.folder import rows
from refine.clean.folder.rows import LEAST, with_samples
from refine.formats import digits, parsed
from refine.shot import Array, Shot, frozen
from tests.clean.stand_in import HEADER
from tests.clean.tolerances import RESPELLED

NAME = Path("a.bvh")
HEAD = HEADER.replace("{frames}", "3")
PLAIN = HEAD + "".join(f"{n} 2.50 -3.125 0.0 5 6 7 8 9\n" for n in (1, 2, 3))


def samples(shot: Shot) -> Array:
    """(N, C) of all channels."""
    columns = [channel.samples for control in shot.controls for channel in control.channels]
    return np.concatenate([column for column in columns if column is not None], axis=1)


def changed(shot: Shot, values: Array) -> Shot:
    """The shot with other samples, (N, C)."""
    controls, column = [], 0
    for control in shot.controls:
        channels = []
        for channel in control.channels:
            channels.append(replace(channel, samples=frozen(values[:, column : column + 1])))
            column += 1
        controls.append(replace(control, channels=tuple(channels)))
    return replace(shot, controls=tuple(controls))


def rewritten(text: str, change: Array | float) -> tuple[bytes, Array]:
    """The file with this added to its samples, and the samples that are meant."""
    shot = parsed(text.encode(), NAME)
    old = samples(shot)
    new = old + change
    data = with_samples(text.encode(), shot, changed(shot, new))
    assert data is not None
    return data, new


def only(row: int, column: int, by: float) -> Array:
    change = np.zeros((3, 9))
    change[row, column] = by
    return change


LAYOUTS = {
    "plain": PLAIN,
    "crlf": PLAIN.replace("\n", "\r\n"),
    "tabs and spaces": PLAIN.replace(" 2.50", "\t\t2.50").replace("8 9\n", "8  9 \n"),
    "blank lines": PLAIN.replace("8 9\n", "8 9\n\n  \n"),
    "no last end": PLAIN.rstrip("\n"),
    "indented": PLAIN.replace("\n1 2", "\n\n  1 2"),
    "exponents": PLAIN.replace(" 5 6", " 5e+00 6.1e-05"),
}


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS)
def test_nothing_changes_where_nothing_changed(text: str) -> None:
    assert rewritten(text, 0.0)[0] == text.encode()


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS)
def test_only_the_numbers_that_changed_are_replaced(text: str) -> None:
    data, _ = rewritten(text, only(1, 1, 0.25))
    before, after = text.encode(), b"2.750000"
    at = before.index(b"2.50", before.index(b"2.50") + 1)
    assert data == before[:at] + after + before[at + 4 :]


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS)
def test_all_numbers_read_back(text: str) -> None:
    data, meant = rewritten(text, np.random.default_rng(1).normal(0, 1, (3, 9)))
    found = samples(parsed(data, NAME))
    assert np.abs(found - meant).max() <= RESPELLED


def test_wrapped_and_glued_rows_are_written_one_a_line() -> None:
    wrapped = PLAIN.replace(" 5 6", "\n5 6")
    glued = PLAIN.replace("2.50 -3.125", "2.50-3.125")
    for text in (wrapped, glued):
        data, meant = rewritten(text, only(0, 0, 1.0))
        found = samples(parsed(data, NAME))
        assert np.abs(found - meant).max() <= RESPELLED
        assert data.startswith(HEAD.encode())
        assert len(data.removeprefix(HEAD.encode()).splitlines()) == 3


def test_blanks_that_are_absurdly_wide_are_written_anew() -> None:
    data, meant = rewritten(PLAIN.replace(" 5 6", " " * 1000 + "5 6"), only(0, 0, 1.0))
    assert np.abs(samples(parsed(data, NAME)) - meant).max() <= RESPELLED
    assert len(data) < 1.5 * len(PLAIN)


def test_as_many_decimals_as_the_file_has_and_six_at_least() -> None:
    assert b" 2.600000 " in rewritten(PLAIN, only(0, 1, 0.1))[0]
    fine = PLAIN.replace("2.50", "2.5000000001")
    assert b" 2.6000000001 " in rewritten(fine, only(0, 1, 0.1))[0]
    assert LEAST == 6


def test_the_pieces_of_a_long_clip_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    whole, meant = rewritten(PLAIN, 0.125)
    anew, _ = at_half_rate()
    for size in (1, 2, 3):
        monkeypatch.setattr(rows, "PIECE", size)
        monkeypatch.setattr(digits, "WINDOW", 20 * size)
        assert rewritten(PLAIN, 0.125)[0] == whole
        assert at_half_rate()[0] == anew
        for text in LAYOUTS.values():
            assert rewritten(text, 0.0)[0] == text.encode()
    assert np.abs(samples(parsed(whole, NAME)) - meant).max() <= RESPELLED


def test_a_value_that_rounds_to_zero_has_no_minus() -> None:
    data, _ = rewritten(PLAIN, only(0, 3, -1e-9))
    assert b"-0.0" not in data


def at_half_rate() -> tuple[bytes, str]:
    """A file with other frames, and the one before."""
    text = PLAIN.replace("\n", "\r\n").replace("Chest", "motion capture")
    shot = parsed(text.encode(), NAME)
    halved = replace(changed(shot, np.arange(18.0).reshape(2, 9)), fps=60.0, last_frame=1)
    data = with_samples(text.encode(), shot, halved)
    assert data is not None
    return data, text


def test_other_frames_come_under_the_old_hierarchy() -> None:
    data, text = at_half_rate()
    found = parsed(data, NAME)
    assert (found.fps, found.last_frame) == (60.0, 1)
    assert found.controls[1].name == "motion capture"
    begin = text.index("MOTION")
    assert data[:begin] == text.encode()[:begin]
    assert b"\r\nFrames: 2\r\nFrame Time: 0.0166666666667\r\n0.000000 1.000000" in data


def test_what_is_no_longer_the_same_channels_is_refused() -> None:
    shot = parsed(PLAIN.encode(), NAME)
    fewer = replace(shot, controls=shot.controls[:1])
    assert with_samples(PLAIN.encode(), shot, fewer) is None

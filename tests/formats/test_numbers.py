"""Blocks of numbers: three readers that agree to the last bit, or of which one refuses."""

from __future__ import annotations

import random
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.errors import InputError
from refine.formats import number_blocks
from tests.formats.bvh_texts import HEAD, MOTION, read, refused, values


def _tokens(count: int) -> list[str]:
    rng = random.Random(5)
    makers = (
        lambda: f"{rng.uniform(-180, 180):.6f}",
        lambda: f"{rng.uniform(-180, 180):.17g}",
        lambda: f"{rng.uniform(-1, 1) * 10.0 ** rng.randint(-30, 10):.25f}",
        lambda: f"{rng.uniform(-1, 1):.12e}",
        lambda: repr(struct.unpack("d", struct.pack("Q", rng.getrandbits(62) & ~(1 << 61)))[0]),
    )
    return [makers[i % len(makers)]() for i in range(count)]


@pytest.mark.parametrize("reader", ["_pandas", "_loadtxt", "_read_carefully"])
def test_each_reader_gives_the_nearest_float64(reader: str) -> None:
    tokens = _tokens(60_000)
    lines = [" ".join(tokens[i : i + 6]) for i in range(0, len(tokens), 6)]
    data = "\n".join(["head", *lines]).encode()
    if reader == "_read_carefully":
        result, _ = number_blocks._read_carefully(data, 5, 6, str)
    else:
        found = getattr(number_blocks, reader)(data, 5, 6)
        assert found is not None
        result = found
    assert result.ravel().tolist() == [float(token) for token in tokens]  # Python's float: correctly rounded


@pytest.mark.property
@settings(max_examples=400, deadline=None)
@given(
    st.lists(
        st.sampled_from(["1", "-2.5", ".5", "1e-3", "7.", " ", "\t", "\n", "\r\n", "\r", "-", "+", "e", "."]),
        max_size=40,
    )
)
def test_a_fast_reader_never_reads_what_the_careful_one_would_not(parts: list[str]) -> None:
    data = "".join(parts).encode()
    try:
        careful, notes = number_blocks._read_carefully(data, 0, 2, str)
    except InputError:
        careful, notes = np.empty((0, 2)), ["refused"]
    for reader in (number_blocks._pandas, number_blocks._loadtxt):
        if not data.strip():
            continue
        try:
            fast = reader(data, 0, 2)
        except ValueError:
            fast = None
        if fast is not None and np.isfinite(fast).all():
            assert notes == []
            assert fast.tolist() == careful.tolist()


def test_a_big_block_is_read_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(number_blocks, "PANDAS_FROM", 0)
    monkeypatch.setattr(number_blocks, "PIECE", 27)
    rows = "".join(f"{i} 2 3 4 5 6 7 8 {-i}.5\n" for i in range(100))
    shot = read(HEAD + MOTION.replace("3", "100", 1) + rows)
    assert values(shot) == [[i, 2, 3, 4, 5, 6, 7, 8, float(f"{-i}.5")] for i in range(100)]
    broken = HEAD + MOTION + rows.replace("50 2 3 4", "50 2 3")
    assert refused(broken).place == "walk.bvh: line 69"

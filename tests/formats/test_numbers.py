"""Blocks of numbers: three readers that agree to the last bit, or of which one refuses."""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.errors import InputError
from refine.formats import digits, number_blocks
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


def _plain_tokens(count: int) -> list[str]:
    """Decimals of all lengths, one in eight with an exponent or more digits than a word of 64 bits holds."""
    rng = random.Random(6)
    found = ["-0.0", ".5", "7.", "+3", "0", "-00012.50", "99999999.5", "123456789.5", "0.1234567890123456789"]
    odd = iter(_tokens(count))
    while len(found) < count:
        decimals = rng.randint(0, 19)
        digits = rng.randint(1, min(19, decimals + 12))
        number = f"{rng.getrandbits(64) % 10**digits:0{decimals + 1}d}"
        point = len(number) - decimals
        found.append(f"{rng.choice(['', '-'])}{number[:point]}.{number[point:]}")
        if len(found) % 10 == 0:
            found.append(next(odd))
    return found[:count]


def _halfway_tokens(count: int) -> list[str]:
    """19 digits as near as they come to half-way between two float64, and those beside them."""
    rng = random.Random(7)
    found = []
    for n in range(count // 3):
        low = 2.0 ** rng.randint(-3, 20) if n % 9 == 0 else rng.uniform(0.1, 1e6)
        middle = (Decimal(low) + Decimal(math.nextafter(low, rng.choice([0.0, 1e9])))) / 2
        unit = Decimal(1).scaleb(len(f"{low:.0f}") - 19)
        found += [f"{middle.quantize(unit) + n * unit:f}" for n in (-1, 0, 1)]
    return found


@pytest.mark.parametrize("tokens", [_tokens, _plain_tokens, _halfway_tokens])
@pytest.mark.parametrize("reader", ["_digits", "_loadtxt", "_read_carefully"])
def test_each_reader_gives_the_nearest_float64(
    reader: str, tokens: Callable[[int], list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digits, "FEW", 1.0)
    texts = tokens(30_000)
    lines = [" ".join(texts[i : i + 6]) for i in range(0, len(texts), 6)]
    data = "\n".join(["head", *lines]).encode()
    if reader == "_read_carefully":
        result, _ = number_blocks._read_carefully(data, 5, 6, str)
    else:
        found = getattr(number_blocks, reader)(data, 5, 6)
        assert found is not None
        result = found
    assert result.ravel().tolist() == [float(text) for text in texts]  # Python's float: correctly rounded


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
    for reader in (number_blocks._digits, number_blocks._loadtxt):
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
    monkeypatch.setattr(digits, "WINDOW", 100)
    rows = "".join(f"{i} 2 3 4 5 6 7 8 {-i}.5\n" for i in range(100))
    shot = read(HEAD + MOTION.replace("3", "100", 1) + rows)
    assert values(shot) == [[i, 2, 3, 4, 5, 6, 7, 8, float(f"{-i}.5")] for i in range(100)]
    broken = HEAD + MOTION + rows.replace("50 2 3 4", "50 2 3")
    assert refused(broken).place == "walk.bvh: line 69"

"""Answers that were given before, by all that they depend on.

Mends are tried again and again on shots that differ elsewhere: after each look, once more by themselves, and without
each of the pins that may be in the way. What is asked of the same numbers is answered once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Generic, TypeVar

import numpy as np

from refine.key_rows import content
from refine.shot import Keys

A = TypeVar("A")


class Answers(Generic[A]):
    """The last answers of one kind. They may be None, and mustn't be changed by who gets them."""

    def __init__(self, kept: int) -> None:
        self._kept = kept
        self._known: dict[bytes, A] = {}

    def get(self, case: bytes, answer: Callable[[], A]) -> A:
        """The answer to a `case`, found once."""
        if case not in self._known:
            found = answer()
            if len(self._known) >= self._kept:
                self._known.clear()
            self._known[case] = found
        return self._known[case]


def case(*parts: object) -> bytes:
    """What names a case: the digest of arrays, keys and whatever its `repr` tells in full, sequences of them too."""
    named = hashlib.blake2b(digest_size=16)
    _add(named, parts)
    return named.digest()


def _add(named: hashlib.blake2b, part: object) -> None:
    if isinstance(part, np.ndarray):
        named.update(f"{part.dtype}{part.shape}".encode())
        named.update(part.tobytes())
    elif isinstance(part, Keys):
        _add(named, content(part))
    elif isinstance(part, bytes):
        named.update(f"b{len(part)}".encode())
        named.update(part)
    elif isinstance(part, tuple | list):
        named.update(f"[{len(part)}".encode())
        for each in part:
            _add(named, each)
    else:
        text = repr(part).encode()
        named.update(f"r{len(text)}".encode())
        named.update(text)

"""What was smoothed strongly runs into held samples, over no break, and no farther than half way to the next ones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from refine.clean.eased import Mask, eased
from refine.shot import Array

COUNT = 40


def at(frames: Sequence[int]) -> Mask:
    mask = np.zeros(COUNT, np.bool_)
    mask[list(frames)] = True
    return mask


def moved(held: Sequence[int], breaks: Sequence[int] = (), reach: int = 6, least: float = 0.1) -> Array:
    """(COUNT,) by how much what rests at 0 goes along with held samples that are at 1."""
    z, y = np.zeros((1, COUNT)), np.ones((1, COUNT))
    out = eased(z, y, at(held), at(breaks), np.array([least]), reach)[0]
    return np.asarray(np.where(at(held), 1.0, out))


def test_what_is_beside_goes_along_the_less_the_farther_off_it_is() -> None:
    by = moved([20, 21])
    assert np.flatnonzero(by).tolist() == list(range(14, 28))
    assert np.all(np.diff(by[14:21]) > 0)
    np.testing.assert_allclose(by, by[::-1].take(range(-2, COUNT - 2), mode="wrap"))
    assert np.abs(np.diff(by)).max() < 0.25


@pytest.mark.parametrize(
    ("breaks", "first", "last"), [([16], 17, 26), ([19], 20, 26), ([20], 14, 20), ([23], 14, 23)]
)
def test_a_break_is_not_crossed(breaks: list[int], first: int, last: int) -> None:
    """A break is after its sample."""
    by = np.flatnonzero(moved([20], breaks))
    assert (by[0], by[-1]) == (first, last)


def test_between_two_stretches_each_has_half_of_the_way() -> None:
    by = moved([10, 19])
    assert by.max() <= 1.0
    assert np.flatnonzero(by[11:19] == 0).size == 0
    assert moved([10, 12])[11] == 0  # no room for either
    assert np.flatnonzero(moved([0, COUNT - 1], reach=100)).tolist() == list(range(COUNT))


def test_what_noise_explains_stays() -> None:
    assert np.flatnonzero(moved([20], least=1.1)).tolist() == [20]

"""What a picture says in words: of many changes the largest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from refine.review.scene import changes_in_words
from refine.shot import Channel
from tests.hand_made import two_part_shot


def changed(by: dict[int, float], slope: bool = False) -> tuple[Channel, Channel]:
    """A channel of the two-part shot before and after some of its keys' numbers changed."""
    old = two_part_shot().controls[1].channels[0]
    assert old.keys is not None
    apart = np.zeros_like(old.keys.values)
    for k, amount in by.items():
        apart[k] = amount
    keys = old.keys
    if slope:
        keys = keys.changed(incoming=keys.incoming + apart, outgoing=keys.outgoing + apart)
    else:
        keys = keys.changed(values=keys.values + apart)
    return old, replace(old, keys=keys)


def test_of_many_changes_the_largest_are_named_in_their_order() -> None:
    pair = changed({2: 0.5, 3: 0.1, 5: 9.0, 7: 0.2, 9: -4.0})
    assert pair[0].keys is not None
    at = [f"frame {pair[0].keys.frames[k]:g}" for k in (2, 5, 9)]
    said = changes_in_words(two_part_shot(), [pair], "arm")
    assert [word for word in at if word in said] == at
    assert said.endswith("and 2 smaller.")
    assert said.index(at[0]) < said.index(at[1]) < said.index(at[2])


def test_a_slope_counts_by_how_far_it_moves_the_curve() -> None:
    value, slope = changed({2: 0.01, 3: 0.01, 4: 0.01}), changed({6: 5.0}, slope=True)
    assert "slope" in changes_in_words(two_part_shot(), [value, slope], "arm")


def test_what_doesn_t_differ_is_no_change() -> None:
    assert changes_in_words(two_part_shot(), [changed({})], "arm") == "arm: nothing changes."

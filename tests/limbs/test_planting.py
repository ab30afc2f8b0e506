"""The shift that puts a planted point back: each frame its own inside the contact, dying away beside it."""

from __future__ import annotations

import numpy as np

from benchmarks.planted.contacts import stepping
from refine.limbs.planting import BLEND, CALM, shift_of

FRAMES = np.arange(40.0, 60.0)
TOLERANCE = 0.0025


def test_frames_of_a_contact_that_stand_right_arent_moved_with_those_that_dont() -> None:
    shot, by = stepping(), np.zeros((20, 3))
    by[8:12, 0] = 0.02
    shift = shift_of(shot, FRAMES, by, TOLERANCE)
    assert shift is not None
    inside = (shift.frames >= FRAMES[0]) & (shift.frames <= FRAMES[-1])
    np.testing.assert_array_equal(shift.by[inside], by[np.isin(FRAMES, shift.frames[inside])])
    assert not shift.by[~inside].any()


def test_beside_a_contact_the_shift_of_its_ends_dies_away() -> None:
    shot, by = stepping(), np.full((20, 3), 0.02)
    shift = shift_of(shot, FRAMES, by, TOLERANCE)
    assert shift is not None
    fade = round(BLEND * shot.fps)
    assert (shift.frames[0], shift.frames[-1]) == (FRAMES[0] - fade, FRAMES[-1] + fade)
    before = shift.by[shift.frames <= FRAMES[0], 0]
    assert np.all(np.diff(before) > 0)
    assert (before[0], before[-1]) == (0.0, 0.02)


def test_a_contact_that_is_off_by_next_to_nothing_isnt_moved() -> None:
    assert shift_of(stepping(), FRAMES, np.full((20, 3), 0.5 * CALM * TOLERANCE), TOLERANCE) is None

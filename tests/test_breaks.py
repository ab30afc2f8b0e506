"""What breaks the habit, one cause after the other, and channels of one control that back each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.breaks import Break, backing, breaks
from refine.cause import Explanation, Suspect, explain
from refine.flags.check import check, stage_of
from refine.flags.keys import habit_breaks
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.habit import HabitBook
from refine.prepared import Request
from refine.search import keyed as keyed_search
from refine.shot import Array, Keys, Shot
from refine.suggest import suggest
from tests.hand_made import (
    ARM_Z,
    RANGE,
    faulty,
    key_frames,
    keyed,
    keys_of,
    suspect_of,
    two_part_shot,
    value_off,
    wave,
    with_keys,
)
from tests.tolerances import ARITHMETIC, FOUND

K = 11  # a key in the middle of the range
AXES = ("rotation.x", "rotation.y", "rotation.z")


def posed_shot() -> Shot:
    """The two parts with all of the arm keyed on the same frames: poses."""
    shot = two_part_shot("chord")
    for voice, name in enumerate(AXES, start=4):
        shot = with_keys(shot, "arm", name, keyed("chord", key_frames(4), wave(key_frames(4), voice)))
    return shot


def nudged(by: dict[str, float]) -> Shot:
    """A pose of which each axis is off by some degrees, slopes kept."""
    shot = posed_shot()
    for name, amount in by.items():
        shot = faulty(shot, "arm", name, {K: amount})
    return shot


def chance(suspect: Suspect) -> float:
    """Probability that the value of the key in the middle is off."""
    found = explain(suspect, 100)
    return sum(e.probability for e in found if e.keys == (K,) and e.kind == "value")


def only(k: int, count: int) -> Array:
    at = np.zeros(count)
    at[k] = 1.0
    return at


def test_a_move_that_nobody_would_notice_is_believed_where_the_pose_was_nudged() -> None:
    suspect = suspect_of(faulty(two_part_shot(), *ARM_Z, {K: 3.0}), *ARM_Z)
    unseen = replace(suspect, pixels=lambda: 1e-6)
    backed = replace(unseen, backed=only(K, len(suspect.keys)))
    elsewhere = replace(unseen, backed=only(K + 3, len(suspect.keys)))
    cost = {
        name: next(e.cost for e in explain(each, 100) if e.keys == (K,) and e.kind == "value")
        for name, each in (("alone", unseen), ("backed", backed), ("elsewhere", elsewhere))
    }
    assert cost["elsewhere"] == cost["alone"]
    searched = int(suspect.searched.sum())
    spared = np.log(2 * searched * 100) + np.log1p((2.0 / 3e-6) ** 2) - np.log(2)  # odds of 1:2 remain
    assert cost["alone"] - cost["backed"] == pytest.approx(spared, abs=FOUND)


def test_backing_grows_with_what_siblings_are_sure_of() -> None:
    shot = faulty(two_part_shot(), *ARM_Z, {K: 0.02})
    suspect = replace(suspect_of(shot, *ARM_Z), pixels=lambda: 1.0, strange=True)
    chances = [chance(replace(suspect, backed=q * only(K, len(suspect.keys)))) for q in (0.0, 0.01, 0.5, 1.0)]
    assert chances == sorted(chances)
    assert chances[0] < chances[-1]


def test_a_sound_channel_stays_sound_however_sure_its_siblings_are() -> None:
    suspect = replace(suspect_of(two_part_shot(), *ARM_Z), strange=True)
    assert explain(replace(suspect, backed=only(K, len(suspect.keys))))[0].kind == "nothing"


def test_siblings_are_met_on_their_frames_and_each_counts_by_itself() -> None:
    here, there = keys_of(two_part_shot(), *ARM_Z), keys_of(two_part_shot(), "arm", "rotation.x")
    shared, own, other = np.intersect1d(here.frames, there.frames, return_indices=True)
    assert 2 < len(shared) < len(here)
    nothing = Explanation("nothing", (), 0.0)
    first = Break(nothing, there, there, 1.0, np.full(len(there), 0.5))
    second = Break(nothing, here, here, 1.0, np.full(len(here), 0.2))
    expected = np.full(len(here), 0.2)
    expected[own] = 1 - 0.5 * 0.8
    assert len(other) == len(own)
    assert backing(here, [(first,), (second,)]) == pytest.approx(expected, abs=ARITHMETIC)
    assert not backing(here, []).any()


def test_what_breaks_no_habit_any_more_is_not_guessed_about() -> None:
    """A key far from its neighbours, with slopes set by the habit, is as it should be, whoever is mended beside it."""
    frames, values = key_frames(6), wave(key_frames(6), 6)
    values[K - 2] += 60.0
    wild = with_keys(two_part_shot("chord"), *ARM_Z, keyed("chord", frames, values))
    shot = faulty(wild, *ARM_Z, {K: 3.0})
    found = habit_breaks(stage_of(shot, Look()), *ARM_Z)
    assert [each.frames for each in found] == [(frames[K],)]
    assert found[0].after.values == pytest.approx(keys_of(wild, *ARM_Z).values, abs=FOUND)


def test_the_search_ends_with_the_last_strange_slope() -> None:
    suspect = suspect_of(value_off(), *ARM_Z)
    asked: list[Keys] = []

    def once(keys: Keys) -> Suspect | None:
        asked.append(keys)
        return replace(suspect, keys=keys) if len(asked) == 1 else None

    found = list(breaks(suspect.keys, once))
    assert [each.explanation.keys for each in found] == [(K,)]
    assert asked == [suspect.keys, found[0].after]
    assert found[0].off[K] == pytest.approx(1.0, abs=0.01)


def test_a_book_knows_which_slopes_are_strange_after_an_edit() -> None:
    clean, shot = two_part_shot(), value_off()
    book = HabitBook(shot, RANGE)
    was = book.strange_frames(*ARM_Z)
    assert len(was)
    assert book.strange_frames(*ARM_Z, keys_of(shot, *ARM_Z)).tolist() == was.tolist()
    assert not len(book.strange_frames(*ARM_Z, keys_of(clean, *ARM_Z)))


SMALL = {"rotation.x": 3.0, "rotation.y": 0.2, "rotation.z": -2.0}  # deg; the second is under a pixel


def test_a_nudged_pose_is_put_back_as_one() -> None:
    """Mending the flags of the axes that show takes along the one that doesn't."""
    clean, shot = posed_shot(), nudged(SMALL)
    flags = check(stage_of(shot, Look()))
    assert {flag.channel for flag in flags if flag.cause.control == "arm"} == {"rotation.x", "rotation.z"}
    after = mend(shot, Look(), flags).shot
    for name in AXES:
        assert keys_of(after, "arm", name).values == pytest.approx(
            keys_of(clean, "arm", name).values, abs=FOUND
        )


def test_what_is_too_faint_alone_is_found_with_its_pose() -> None:
    faint = {"rotation.y": 0.02}
    alone, together = (
        habit_breaks(stage_of(nudged(by), Look()), "arm", "rotation.y") for by in (faint, SMALL | faint)
    )
    assert not alone
    assert [each.explanation.keys for each in together] == [(K,)]


def test_a_search_is_told_what_the_other_axes_say(monkeypatch: pytest.MonkeyPatch) -> None:
    told: dict[bytes, Array] = {}
    real = keyed_search.explain

    def recorded(suspect: Suspect, places: int) -> list[Explanation]:
        told.setdefault(suspect.keys.values.tobytes(), np.broadcast_to(suspect.backed, len(suspect.keys)))
        return real(suspect, places)

    monkeypatch.setattr(keyed_search, "explain", recorded)
    shot = nudged({"rotation.x": 3.0, "rotation.z": -2.0})
    suggest(shot, Request(RANGE, ("arm",)))
    by_axis = [told[keys_of(shot, "arm", name).values.tobytes()] for name in AXES]
    assert [int(np.argmax(backed)) for backed in by_axis] == [K, 0, K]
    assert [float(backed[K]) for backed in by_axis] == pytest.approx([1.0, 0.0, 1.0], abs=0.01)


def test_a_suggestion_puts_back_what_shows_of_a_pose_and_nothing_else() -> None:
    shot = nudged({"rotation.x": 3.0, "rotation.z": -2.0})
    found = suggest(shot, Request(RANGE, ("arm",)))
    frame = float(key_frames(4)[K])
    assert {(c.channel, c.frame, c.field) for c in found.changes} == {
        (name, frame, "value") for name in ("rotation.x", "rotation.z")
    }

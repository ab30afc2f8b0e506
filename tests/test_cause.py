"""The cause of a fault: found exactly, named where it may not move, and judged by what undoing it would do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import RULES, Rule, slopes_by
from refine.cause import Edit, Explanation, Suspect, edited, explain, verdicts
from refine.rotation import vector_quaternion
from refine.shot import Array, Channel, Control, Keys, Mark, Pin, Shot, make_keys
from tests.hand_made import (
    RANGE,
    faulty,
    key_frames,
    keys_of,
    suspect_of,
    two_part_shot,
    wave,
    with_keys,
)
from tests.tolerances import ARITHMETIC, FOUND, FOUND_QUATERNION

CHANNELS = [("arm", "rotation.z"), ("hips", "rotation.y")]
# What was added to the values and slopes of keys, by position; key 11 stands in the middle of the range.
FAULTS: dict[str, tuple[dict[int, float], dict[int, float]]] = {
    "value": ({11: 3.0}, {}),
    "slope": ({}, {11: 0.8}),
    "value and slope": ({11: 3.0}, {11: 0.8}),
    "zigzag": ({10: 2.0, 11: -2.5, 12: 2.2}, {}),
    "zigzag over four": ({9: -2.0, 10: 2.0, 11: -2.5, 12: 2.2}, {}),
}


def undone(explanation: Explanation) -> tuple[dict[int, float], dict[int, float]]:
    """What an explanation takes away from values and slopes, by position."""
    values = {e.key: -float(e.value[0]) for e in explanation.edits if e.value is not None}
    slopes = {e.key: -float(e.slope[0]) for e in explanation.edits if e.slope is not None}
    return values, slopes


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize(("control", "channel"), CHANNELS)
def test_each_kind_is_found_exactly(rule: Rule, fault: str, control: str, channel: str) -> None:
    values, slopes = FAULTS[fault]
    suspect = suspect_of(faulty(two_part_shot(rule), control, channel, values, slopes), control, channel)
    explanations = explain(suspect, 5)
    best = explanations[0]
    assert best.kind == fault.removesuffix(" over four")
    found_values, found_slopes = undone(best)
    assert found_values == pytest.approx(values, abs=FOUND)
    assert found_slopes == pytest.approx(slopes, abs=FOUND)
    assert verdicts(explanations, suspect.keys)[0].clear


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(("control", "channel"), CHANNELS)
def test_a_clean_channel_has_no_cause(rule: Rule, control: str, channel: str) -> None:
    suspect = suspect_of(two_part_shot(rule), control, channel)
    explanations = explain(suspect)
    assert explanations[0].kind == "nothing"
    assert not any(verdict.clear for verdict in verdicts(explanations, suspect.keys))


def test_a_clean_channel_that_is_called_strange_is_still_left_alone() -> None:
    """Even when all kinds of edits are tried. A value alone is none, as it leaves no slope better than it is."""
    suspect = replace(suspect_of(two_part_shot("natural"), "arm", "rotation.z"), strange=True)
    explanations = explain(suspect)
    assert explanations[0].kind == "nothing"
    assert {e.kind for e in explanations} >= {"slope", "value and slope"}
    assert not any(verdict.clear for verdict in verdicts(explanations, suspect.keys))


def test_a_value_that_stands_out_is_no_cause_of_slopes_that_it_leaves_strange() -> None:
    """A chord goes from the key before to the key after: no other value has a part in the slope."""
    clean = two_part_shot("chord")
    keys = keys_of(clean, "arm", "rotation.z")
    values = keys.values.copy()
    values[14] += 8.0  # a sound accent: all slopes are set with it
    slopes = slopes_by("chord", keys.frames, values[:, 0])[:, None]
    shot = with_keys(
        clean, "arm", "rotation.z", keys.changed(values=values, incoming=slopes, outgoing=slopes)
    )
    found = explain(suspect_of(faulty(shot, "arm", "rotation.z", slopes={10: 0.8}), "arm", "rotation.z"))
    assert {e.keys for e in found if e.kind == "value"} <= {(9,), (11,)}
    assert (found[0].kind, found[0].keys) == ("slope", (10,))


def test_probabilities_sum_to_one_and_fall() -> None:
    explanations = explain(
        suspect_of(faulty(two_part_shot(), "arm", "rotation.z", {11: 3.0}), "arm", "rotation.z")
    )
    chances = [e.probability for e in explanations]
    assert sum(chances) == pytest.approx(1.0, abs=ARITHMETIC)
    assert chances == sorted(chances, reverse=True)


def test_looking_in_more_places_asks_for_more_evidence() -> None:
    suspect = suspect_of(faulty(two_part_shot(), "arm", "rotation.z", slopes={11: 0.1}), "arm", "rotation.z")
    nothing = [
        next(e.probability for e in explain(suspect, places) if e.kind == "nothing")
        for places in (1, 10, 1000)
    ]
    assert nothing[0] < nothing[1] < nothing[2]


def test_what_moves_little_on_screen_is_an_unlikely_cause() -> None:
    suspect = suspect_of(faulty(two_part_shot(), "arm", "rotation.z", {11: 3.0}), "arm", "rotation.z")
    near, far = (explain(replace(suspect, pixels=lambda gain=gain: gain), 5) for gain in (10.0, 1e-3))
    assert near[0].kind == "value"
    cost = {id(es): next(e.cost for e in es if e.keys == (11,) and e.kind == "value") for es in (near, far)}
    expected = np.log1p((2.0 / (3e-3)) ** 2) - np.log1p((2.0 / 30.0) ** 2)
    assert cost[id(far)] - cost[id(near)] == pytest.approx(expected, abs=FOUND)


def test_only_keys_of_the_range_are_searched() -> None:
    shot = faulty(two_part_shot(), "arm", "rotation.z", {20: 3.0})
    suspect = suspect_of(shot, "arm", "rotation.z")
    keys = suspect.keys
    for explanation in explain(replace(suspect, strange=True)):
        assert all(RANGE[0] <= keys.frames[k] <= RANGE[1] for k in explanation.keys)


def test_a_range_without_a_key_has_nothing_to_search() -> None:
    keys = keys_of(two_part_shot(), "arm", "rotation.z")
    a, b = keys.frames[11:13]
    empty = (int(a) + 1, int(b) - 1)
    for strange in (True, False):
        suspect = suspect_of(two_part_shot(), "arm", "rotation.z", empty)
        suspect = replace(suspect, strange=strange, pixels=lambda: 0.0)
        assert [e.kind for e in explain(suspect)] == ["nothing"]


@pytest.mark.parametrize(
    ("lock", "reason"),
    [
        (Pin("arm", "rotation.z", (65.0, 65.0)), "pinned by arm.rotation.z@65"),
        (Pin("arm", None, (65.0, 65.0)), "pinned by arm@65"),
        (Pin("arm", None, (60.0, 61.0)), "pinned by arm@60:61"),
        (Mark("accent", (64.0, 66.0)), "accent marked at 64:66"),
    ],
)
def test_a_key_that_may_not_move_is_named_and_not_cleared(lock: Pin | Mark, reason: str) -> None:
    shot = faulty(two_part_shot(), "arm", "rotation.z", {11: 3.0})
    assert keys_of(shot, "arm", "rotation.z").frames[11] == 65
    shot = replace(shot, pins=(lock,)) if isinstance(lock, Pin) else replace(shot, marks=(lock,))
    suspect = suspect_of(shot, "arm", "rotation.z")
    explanations = explain(suspect)
    assert undone(explanations[0])[0] == pytest.approx({11: 3.0}, abs=FOUND)
    assert explanations[0].blocked == reason
    judged = verdicts(explanations, suspect.keys)
    assert not judged[0].clear
    assert judged[0].gain > 0.9  # it would have been


# --- without slopes ------------------------------------------------------------------------------------------


def test_where_no_slope_is_strange_only_neighbours_speak() -> None:
    """A value moved and all slopes set anew: guesses only, none of them clear."""
    clean = two_part_shot("chord")
    keys = keys_of(clean, "arm", "rotation.z")
    values = keys.values.copy()
    values[11] += 3.0
    slopes = slopes_by("chord", keys.frames, values[:, 0])[:, None]
    shot = with_keys(
        clean, "arm", "rotation.z", keys.changed(values=values, incoming=slopes, outgoing=slopes)
    )
    suspect = suspect_of(shot, "arm", "rotation.z")
    explanations = explain(suspect, 5)
    assert not suspect.strange
    assert {e.kind for e in explanations} == {"nothing", "value"}
    guess = next(e for e in explanations if e.keys == (11,))
    expected = suspect.predict[11] @ suspect.keys.values - suspect.keys.values[11]
    assert guess.edits[0].value == pytest.approx(expected, abs=ARITHMETIC)
    assert not any(verdict.clear for verdict in verdicts(explanations, suspect.keys))


# --- quaternions ---------------------------------------------------------------------------------------------


def quaternion_keys(rule: Rule) -> Keys:
    frames = key_frames(3)
    turns = np.column_stack([3 * wave(frames, 5), 2 * wave(frames, 6), np.zeros(len(frames))])
    values = vector_quaternion(np.deg2rad(turns))
    return make_keys(
        frames, values, np.column_stack([slopes_by(rule, frames, values[:, i]) for i in range(4)])
    )


def quaternion_shot(keys: Keys) -> Shot:
    shot = two_part_shot()
    arm: Control = replace(shot.controls[1], channels=(Channel("rotation", keys),))
    return replace(shot, controls=(shot.controls[0], arm))


@pytest.mark.parametrize("rule", ["natural", "chord"])
def test_a_quaternion_off_is_found(rule: Rule) -> None:
    clean = quaternion_keys(rule)
    values = clean.values.copy()
    values[11] += [0.08, 0.02, 0.0, 0.0]
    values[11] /= np.linalg.norm(values[11])
    suspect = suspect_of(quaternion_shot(clean.changed(values=values)), "arm", "rotation")
    suspect = replace(suspect, pixels=lambda: 500.0)
    best = explain(suspect, 5)[0]
    assert (best.kind, best.keys) == ("value", (11,))
    assert edited(suspect.keys, best.edits).values == pytest.approx(clean.values, abs=FOUND_QUATERNION)


def test_a_quaternion_slope_off_is_found() -> None:
    clean = quaternion_keys("natural")
    slopes = clean.outgoing.copy()
    slopes[11] += [0.02, -0.01, 0.0, 0.01]
    spoilt = clean.changed(incoming=slopes, outgoing=slopes)
    suspect = replace(suspect_of(quaternion_shot(spoilt), "arm", "rotation"), pixels=lambda: 500.0)
    best = explain(suspect, 5)[0]
    assert (best.kind, best.keys) == ("slope", (11,))
    assert edited(spoilt, best.edits).outgoing == pytest.approx(clean.outgoing, abs=FOUND_QUATERNION)


# --- harm and gain -------------------------------------------------------------------------------------------


def weighed(*explanations: tuple[float, dict[int, float]]) -> tuple[list[Explanation], Keys]:
    """Explanations by (probability, value edits) on keys that don't matter."""
    keys = make_keys(np.arange(6) * 10.0, np.zeros(6), np.zeros(6))

    def one(chance: float, values: dict[int, float]) -> Explanation:
        edits = tuple(Edit(k, np.array([v])) for k, v in values.items())
        return Explanation("value" if edits else "nothing", edits, -np.log(chance), chance)

    return [one(*each) for each in explanations], keys


def test_harm_and_gain_by_hand() -> None:
    """Acting on A (key 2 by 4). If nothing is wrong: harm, all lost. If B (key 2 by 3) is true: 1 away of 3, so
    2/3 mended. If C (key 4 by 3) is true: 5 away of 3: harm, -2/3."""
    explanations, keys = weighed((0.6, {2: 4.0}), (0.1, {}), (0.2, {2: 3.0}), (0.1, {4: 3.0}))
    judged = {v.explanation.probability: v for v in verdicts(explanations, keys)}
    a = judged[0.6]
    assert a.harm == pytest.approx(0.1 + 0.1, abs=ARITHMETIC)
    assert a.gain == pytest.approx(0.6 * 1 - 0.1 * 1 + 0.2 * 2 / 3 - 0.1 * 2 / 3, abs=ARITHMETIC)
    assert not a.clear
    b = judged[0.2]
    assert b.harm == pytest.approx(0.2, abs=ARITHMETIC)  # if A is true, B is 1 away of 4
    assert b.gain == pytest.approx(0.6 * 0.75 - 0.1 + 0.2 + 0.1 * (1 - np.sqrt(18) / 3), abs=ARITHMETIC)


def test_likely_enough_and_harmless_enough_is_clear() -> None:
    explanations, keys = weighed((0.92, {2: 4.0}), (0.08, {}))
    assert verdicts(explanations, keys)[0].clear
    explanations, keys = weighed((0.88, {2: 4.0}), (0.12, {}))
    assert not verdicts(explanations, keys)[0].clear
    explanations, keys = weighed((0.92, {2: 4.0}), (0.08, {}))
    blocked = [replace(explanations[0], blocked="pinned"), explanations[1]]
    assert not verdicts(blocked, keys)[0].clear


def test_a_slope_counts_by_the_bulge_that_it_makes() -> None:
    """u (1 - u)^2 has its maximum 4/27 at u = 1/3, times the longer of the two segments (10 frames here)."""
    keys = make_keys(np.arange(6) * 10.0, np.zeros(6), np.zeros(6))
    value = Explanation("value", (Edit(2, value=np.array([4 / 27 * 10 * 0.5])),), 0.0, 0.5)
    slope = Explanation("slope", (Edit(3, slope=np.array([0.5])),), 0.0, 0.5)
    judged = verdicts([value, slope], keys)
    # Equally large and at right angles: each is sqrt(2) sizes from the other.
    assert [v.gain for v in judged] == pytest.approx([0.5 + 0.5 * (1 - np.sqrt(2))] * 2, abs=ARITHMETIC)


def test_edits_turn_both_slopes_of_a_key() -> None:
    keys = make_keys([0, 10, 20], [1, 2, 3], [0.1, 0.2, 0.3])
    new = edited(keys, [Edit(1, np.array([0.5]), np.array([-1.0]))])
    changed: list[Array] = [new.values[:, 0], new.incoming[:, 0], new.outgoing[:, 0]]
    expected = [[1, 2.5, 3], [0.1, -0.8, 0.3], [0.1, -0.8, 0.3]]
    assert np.array(changed) == pytest.approx(np.array(expected), abs=ARITHMETIC)
    assert edited(keys, []) == keys


def test_suspects_are_judged_by_their_own_habit() -> None:
    """A natural channel in a shot of chords: its clean slopes aren't faults, since its own keys outvote the shot."""
    shot = with_keys(
        two_part_shot("chord"), "arm", "rotation.z", keys_of(two_part_shot(), "arm", "rotation.z")
    )
    suspect: Suspect = suspect_of(shot, "arm", "rotation.z")
    assert explain(suspect)[0].kind == "nothing"

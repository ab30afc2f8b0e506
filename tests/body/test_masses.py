"""Who carries what, and what each part answers: explicit masses, parts, names, loads, creatures."""

from __future__ import annotations

from dataclasses import replace

import pytest

from refine.body.masses import Body, family
from refine.body.response import Response
from refine.shot import Control, Link, Shot
from tests.flags.weights import PARTS, figure
from tests.tolerances import ARITHMETIC, PRINTED_4

SHOT = figure({}, 24.0, 10)


def changed(name: str, **fields: object) -> Shot:
    controls = tuple(replace(c, **fields) if c.name == name else c for c in SHOT.controls)
    return replace(SHOT, controls=controls)


def test_carried_mass_is_the_sum_of_what_hangs_on_a_control() -> None:
    body = Body(SHOT)
    assert body.carried["upper arm"] == pytest.approx(0.0271 + 0.0162 + 0.0061, abs=ARITHMETIC)
    assert body.carried["head"] == pytest.approx(0.0694, abs=ARITHMETIC)
    # One arm and one leg of the two are missing in this figure.
    assert body.carried["hips"] == pytest.approx(1.0 - 0.0494 - 0.1986, abs=PRINTED_4)
    assert body.source == "part"


def test_an_explicit_mass_wins_and_is_what_the_control_carries() -> None:
    body = Body(changed("forearm", mass=0.1))
    assert body.carried["forearm"] == 0.1
    assert body.carried["upper arm"] == pytest.approx(0.0271 + 0.1, abs=ARITHMETIC)


def test_what_is_not_known_is_said_and_not_filled_in() -> None:
    body = Body(changed("forearm", part="gadget"))
    assert "forearm" not in body.carried
    assert body.row("forearm") is None
    assert body.response("forearm") is None
    assert any("forearm" in note for note in body.notes)


def test_a_limb_of_many_pieces_is_not_guessed() -> None:
    twists = tuple(
        Control(f"twist {i}", "upper arm" if i == 0 else f"twist {i - 1}", "arm") for i in range(3)
    )
    jointed = changed("forearm", parent="twist 2")
    body = Body(replace(jointed, controls=jointed.controls + twists))
    assert not {"upper arm", "twist 0", "twist 2"} & set(body.carried)
    assert any("twist 0" in note for note in body.notes)


def test_parts_come_from_names_only_where_the_shot_says_none_and_that_is_said() -> None:
    nameless = replace(SHOT, controls=tuple(replace(c, part=None) for c in SHOT.controls))
    body = Body(nameless)
    assert body.source == "name"
    assert any("names" in note for note in body.notes)
    assert body.carried["upper arm"] == pytest.approx(Body(SHOT).carried["upper arm"], abs=ARITHMETIC)


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("upper_arm.L", "arm"),
        ("LeftForeArm", "forearm"),
        ("RightHandThumb1", "finger"),
        ("LeftUpLeg", "leg"),
        ("LHipJoint", "leg"),
        ("Hips", "pelvis"),
        ("LowerBack", "spine"),
        ("Neck1", "head"),
        ("rig:eye_R", "eye"),
        ("LeftToeBase", "foot"),
        ("tray", None),
        ("control 12", None),
    ],
)
def test_families(words: str, kind: str | None) -> None:
    assert family(words) == kind


def test_rows_follow_the_part_and_what_it_carries() -> None:
    body = Body(SHOT)
    rows = {name: None if (row := body.row(name)) is None else row.name for name, *_ in PARTS}
    assert rows["upper arm"] == "arm"
    assert rows["forearm"] == "forearm and hand"  # the rig calls it an arm
    assert rows["hips"] == rows["chest"] == "upper body"
    assert rows["shin"] is None
    assert any("shin" in note for note in body.notes)
    assert body.row("eyes") is not None
    assert body.response("eyes") is None


def test_a_load_slows_the_parts_that_carry_it() -> None:
    """I' = I + m r^2 with a rod's I = m L^2 / 3: the hand holds as much as it weighs, at its end."""
    share = Body(SHOT).carried["hand"]
    tray = Control(
        "tray",
        part="prop",
        mass=share,
        rest_translation=(0.2, 0.79, 0.0),
        links=(Link("attachment", "hand"),),
    )
    loaded = Body(replace(SHOT, controls=(*SHOT.controls, tray)))
    bare, answer = Body(SHOT).response("hand"), loaded.response("hand")
    assert bare is not None
    assert answer is not None
    assert answer.hz / bare.hz == pytest.approx(0.5, abs=ARITHMETIC)  # sqrt(1/3 / (1/3 + 1))
    assert answer.zeta / bare.zeta == pytest.approx(0.5, abs=ARITHMETIC)
    assert loaded.response("head") == Body(SHOT).response("head")


def test_smaller_creatures_are_quicker() -> None:
    bare, cat = Body(SHOT).response("head"), Body(SHOT, kg=4.5).response("head")
    assert bare is not None
    assert cat is not None
    assert cat.hz / bare.hz == pytest.approx((4.5 / 75) ** -0.2, abs=ARITHMETIC)
    assert cat.zeta == bare.zeta


def test_lags_add_up_along_a_chain_and_a_spine_counts_once() -> None:
    body = Body(SHOT)
    hand, forearm = body.response("hand"), body.response("forearm")
    assert hand is not None
    assert forearm is not None
    leader, due = body.leader("hand", 1 / 24)
    assert leader == "upper arm"  # the hand's own lag is just under a frame
    assert due == pytest.approx(hand.lag + forearm.lag, abs=ARITHMETIC)
    assert body.leader("chest", 1 / 24) == (None, 0.0)


@pytest.mark.parametrize(("hz", "zeta"), [(0.0, 0.5), (2.0, 1.0), (2.0, -0.1)])
def test_impossible_responses_are_refused(hz: float, zeta: float) -> None:
    with pytest.raises(ValueError, match="hz"):
        Response(hz, zeta)

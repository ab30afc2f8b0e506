"""Keys moved with their slopes: the curve is sound in itself, the feet and hands that slide tell which it was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.corpus import slopes_by
from benchmarks.quality_held import BAKER, WALK, Trial, keys_of, planted, sound, with_keys
from refine.curve import evaluate
from refine.flags import contacts, slide
from refine.flags.anew import Anew
from refine.flags.check import check, stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.mend import mend
from refine.flags.pull import Gains
from refine.flags.stage import Stage
from refine.habit import HabitBook
from refine.limbs.planted import Planted
from refine.pose import Point
from refine.shot import Mark, Pin, Shot
from tests.flags.tolerances import KEY_PUT_BACK, KEYS_PUT_BACK, SAME_PLACE, SAME_SHARE
from tests.tolerances import SAME_CURVE

SLIDE = "sliding contact"
MOVED = [("hips", "translation.y", 125.0), ("spine", "rotation.x", 127.0), ("chest", "rotation.z", 71.0)]


def looked(shot: Shot) -> Stage:
    return stage_of(shot, Look())


def slides(shot: Shot) -> list[Flag]:
    return [flag for flag in check(looked(shot)) if flag.fault == SLIDE]


def trial(control: str, channel: str, frame: float) -> Trial:
    k = keys_of(sound(BAKER, 0), control, channel).index(frame)
    assert k is not None
    return Trial(BAKER, 0, control, channel, k)


@pytest.mark.parametrize(("control", "channel", "frame"), MOVED)
def test_a_key_moved_with_its_slopes_is_named_and_put_back(control: str, channel: str, frame: float) -> None:
    clean, one = sound(BAKER, 0), trial(control, channel, frame)
    faulty = planted(clean, one)
    found = slides(faulty)
    assert {(f.cause.control, f.cause.channel, f.cause.frames) for f in found} == {
        (control, channel, (frame,))
    }
    after = mend(faulty, Look(), found)
    assert not after.left
    assert not slides(after.shot)
    before, bad, new = (
        keys_of(shot, control, channel).values[one.key, 0] for shot in (clean, faulty, after.shot)
    )
    assert new == pytest.approx(before, abs=KEY_PUT_BACK * abs(bad - before))


@pytest.mark.parametrize(("control", "channel", "frame"), MOVED[1:])
def test_without_hands_that_hold_nothing_tells(control: str, channel: str, frame: float) -> None:
    clean = sound(BAKER, 0)
    feet = tuple(mark for mark in clean.marks if "hand.L" not in mark.controls)
    assert not slides(replace(planted(clean, trial(control, channel, frame)), marks=feet))


@pytest.mark.parametrize("kind", ["pin", "accent"])
def test_a_held_key_is_named_and_not_moved(kind: str) -> None:
    control, channel, frame = MOVED[1]
    faulty = planted(sound(BAKER, 0), trial(control, channel, frame))
    held = (
        replace(faulty, pins=(*faulty.pins, Pin(control, channel, (frame, frame))))
        if kind == "pin"
        else replace(faulty, marks=(*faulty.marks, Mark("accent", (frame - 2, frame + 2), (control,))))
    )
    found = slides(held)
    assert {flag.cause.frames for flag in found} == {(frame,)}
    result = mend(held, Look(), found)
    assert (
        keys_of(result.shot, control, channel).values.tobytes()
        == keys_of(faulty, control, channel).values.tobytes()
    )


def redone(clean: Shot, control: str, channel: str, moves: dict[float, float]) -> Shot:
    """Keys moved, and their slopes and those beside them set anew by the chord between neighbours, extremes as well:
    a rule that the demo's artist doesn't follow at extremes."""
    keys = keys_of(clean, control, channel)
    values, slopes = keys.values.copy(), keys.outgoing.copy()
    at = [k for k, frame in enumerate(keys.frames.tolist()) if frame in moves]
    assert len(at) == len(moves)
    values[at, 0] += list(moves.values())
    beside = slice(min(at) - 1, max(at) + 2)
    slopes[beside, 0] = slopes_by("chord", keys.frames, values[:, 0])[beside]
    return with_keys(clean, control, channel, keys.changed(values=values, incoming=slopes, outgoing=slopes))


def left_of(control: str, channel: str, clean: Shot, faulty: Shot, after: Shot) -> float:
    """The share of what was done to a channel that is left, by its curve at the worst; no other channel has moved."""
    pairs = zip(faulty.controls, after.controls, strict=True)
    assert [new.name for old, new in pairs if old != new] == [control]
    truth, bad, new = (
        evaluate(keys_of(shot, control, channel), shot.frames) for shot in (clean, faulty, after)
    )
    return float(np.abs(new - truth).max() / np.abs(bad - truth).max())


@pytest.mark.parametrize(
    ("control", "channel", "moves"),
    [
        ("hips", "translation.y", {118.0: 0.0333}),
        ("spine", "rotation.x", {40.0: -2.8}),
        ("thigh.L", "rotation.y", {89.0: 5.0, 94.0: 8.0, 100.0: 6.0}),
        ("thigh.R", "rotation.x", {89.0: 4.0, 94.0: 5.0}),
    ],
)
def test_slopes_that_were_redone_with_neighbouring_keys_go_back_with_them(
    control: str, channel: str, moves: dict[float, float]
) -> None:
    clean = sound(BAKER, 0)
    faulty = redone(clean, control, channel, moves)
    found = slides(faulty)
    assert [(f.cause.control, f.cause.channel, f.cause.frames) for f in found] == [
        (control, channel, tuple(moves))
    ]
    after = mend(faulty, Look(), found)
    assert not after.left
    assert left_of(control, channel, clean, faulty, after.shot) < KEYS_PUT_BACK


def test_what_could_not_have_made_a_slide_is_not_named_for_it() -> None:
    """A pose of the chest comes a frame late: a key of the hips that is strange there moves the hands too little."""
    clean = sound(BAKER, 0)
    late = clean
    for channel in clean.control("chest").channels:
        keys = keys_of(clean, "chest", channel.name)
        frames = np.where(keys.frames == 122.0, 123.0, keys.frames)
        late = with_keys(late, "chest", channel.name, replace(keys, frames=frames))
    found = slides(late)
    assert found
    assert all(flag.cause.control not in ("hips", "spine") for flag in found)


def test_what_is_held_may_be_what_moved() -> None:
    clean, one = sound(BAKER, 0), trial("tray", "translation.y", 103.0)
    keys = keys_of(clean, one.control, one.channel)
    book = HabitBook(clean, (1, 168))
    moved = Anew(keys, book.rules(keys), book.habit(one.control, one.channel)).moved(one.key, 0.03)
    found = slides(with_keys(clean, one.control, one.channel, moved))
    assert {(f.cause.control, f.cause.channel, f.cause.frames) for f in found} == {
        ("tray", "translation.y", (103.0,))
    }


def test_a_slide_that_a_flagged_key_explains_is_told_with_that_key() -> None:
    clean, control, channel, frame = sound(BAKER, 0), "hips", "translation.y", 60.0
    keys = keys_of(clean, control, channel)
    k = keys.index(frame)
    assert k is not None
    values = keys.values.copy()
    values[k] += 0.05  # its slopes stay: the habit is broken
    found = check(looked(with_keys(clean, control, channel, keys.changed(values=values))))
    shown = [flag for flag in found if flag.severity != "note"]
    assert [(flag.fault, flag.cause.frames) for flag in shown] == [("moved key", (frame,))]
    assert shown[0].severity == "error"
    assert "foot.L" in shown[0].message
    assert "hand.R" in shown[0].message
    assert [flag.remedy for flag in found if flag.fault == SLIDE] == [f"goes with {shown[0].id}"]


def test_a_leg_s_own_slide_isn_t_blamed_on_the_hips_while_the_other_foot_stands() -> None:
    clean = sound(BAKER, 0)
    control, channel, frame = "thigh.L", "rotation.z", 118.0
    found = slides(planted(clean, trial(control, channel, frame)))
    assert found
    assert all(flag.cause.control in ("thigh.L", "shin.L", "foot.L") for flag in found)


def test_moving_there_and_back_gives_the_same_keys() -> None:
    clean = sound(BAKER, 0)
    book = HabitBook(clean, (1, 168))
    for control, channel, frame in MOVED:
        keys = keys_of(clean, control, channel)
        rules, habit = book.rules(keys), book.habit(control, channel)
        k = keys.index(frame)
        assert k is not None
        back = Anew(Anew(keys, rules, habit).moved(k, 3.0), rules, habit).moved(k, -3.0)
        np.testing.assert_allclose(back.values, keys.values, atol=SAME_CURVE)
        follows = np.abs(back.outgoing - keys.outgoing) > 1e-3 * np.ptp(keys.values)
        assert not follows.any()


@pytest.mark.parametrize(
    ("control", "channel"), [("thigh.L", "rotation.x"), ("shin.L", "rotation.x"), ("hips", "rotation.y")]
)
def test_a_turn_moves_points_as_far_as_it_says(control: str, channel: str) -> None:
    """However far: posed anew the points are where the gains have them; without a bow only near by."""
    stage = looked(sound(BAKER, 0))
    slid = [each for each in contacts.standing(stage).contacts if each.control == "foot.L"]
    pull = slide.Pull(stage, slid)
    keys = keys_of(stage.shot, control, channel)
    after = keys.changed(values=keys.values + 50.0)
    posed = pull.after(control, channel, after)
    made = pull.made(pull.gains(control, channel), keys, after)
    np.testing.assert_allclose(pull.away - posed.away, made, atol=SAME_PLACE)
    by_unit = Gains(pull.gains(control, channel).by_unit)
    assert np.abs(pull.made(by_unit, keys, after) - made).max() > 100 * SAME_PLACE


@pytest.mark.parametrize(("frame", "degrees"), [(30.0, -92.0), (72.0, -47.0), (118.0, 40.0)])
def test_a_knee_that_one_key_turns_far_is_put_back(frame: float, degrees: float) -> None:
    clean = sound(BAKER, 0)
    keys = keys_of(clean, "shin.L", "rotation.x")
    k = keys.index(frame)
    assert k is not None
    values = keys.values.copy()
    values[k] += degrees
    slopes = slopes_by("flat", keys.frames, values[:, 0])[:, None]
    changed = {
        side: np.where(np.isin(np.arange(len(keys)), [k - 1, k, k + 1])[:, None], slopes, getattr(keys, side))
        for side in ("incoming", "outgoing")
    }
    faulty = with_keys(clean, "shin.L", "rotation.x", keys.changed(values=values, **changed))
    found = slides(faulty)
    assert ("shin.L", "rotation.x", (frame,)) in {
        (f.cause.control, f.cause.channel, f.cause.frames) for f in found
    }
    after = mend(faulty, Look(), check(looked(faulty)))
    new = keys_of(after.shot, "shin.L", "rotation.x").values[k, 0]
    assert new == pytest.approx(keys.values[k, 0], abs=KEY_PUT_BACK * abs(degrees))


@pytest.mark.parametrize("control", ["hips", "thigh.L"])
def test_of_two_that_turn_a_foot_alike_the_one_that_stands_out_is_named(control: str) -> None:
    """Where only this foot stands, and both turn it about the same axis."""
    clean = sound(WALK, 0)
    k = keys_of(clean, control, "rotation.x").index(18.0)
    assert k is not None
    found = slides(planted(clean, Trial(WALK, 0, control, "rotation.x", k)))
    assert [(f.cause.control, f.cause.frames) for f in found] == [(control, (18.0,))]


def test_slopes_of_many_moves_at_once_are_those_of_each_move() -> None:
    clean = sound(BAKER, 0)
    book = HabitBook(clean, (1, 168))
    for control, channel, _ in MOVED:
        keys = keys_of(clean, control, channel)
        anew = Anew(keys, book.rules(keys), book.habit(control, channel))
        at = np.tile(np.arange(len(keys)), 2)
        by = np.linspace(-1.0, 1.0, len(at)) * np.ptp(keys.values)
        for rows in (slice(0, len(keys)), slice(1, 4), slice(len(keys) - 3, len(keys))):
            turned = anew.turned(at, by, rows)
            for s, (k, amount) in enumerate(zip(at.tolist(), by.tolist(), strict=True)):
                after = anew.moved(k, amount)
                np.testing.assert_allclose(
                    turned[:, s], (after.outgoing - keys.outgoing)[rows, 0], atol=SAME_CURVE
                )


def test_all_keys_at_once_leave_what_each_leaves_by_itself() -> None:
    stage = looked(planted(sound(BAKER, 0), trial(*MOVED[1])))
    (slid, *_) = [each for each in contacts.standing(stage).contacts if each.relative == "tray"]
    pull = slide.Pull(stage, [slid])
    every = [anew for name in ("hips", "spine", "chest", "tray") for anew in slide._keyed(pull, name)]
    compared = 0
    for anew in every:
        gains, near = pull.gains(*anew.place), slide.near_keys(pull, anew.keys)
        left = slide._left_by(pull, gains, anew, near)
        for k, all_at_once in zip(near.tolist(), left.tolist(), strict=True):
            alone = min((each[0] for each in slide._moves(pull, gains, anew, k)), default=1.0)
            assert all_at_once == pytest.approx(min(alone, 1.0), abs=SAME_SHARE)
            compared += alone < 1.0
    assert compared > 20


def test_what_was_searched_is_known_until_something_that_it_looks_at_changes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    searched: list[int] = []
    real = slide._found

    def found(*given: object) -> slide.PutBack | None:
        searched.append(1)
        return real(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(slide, "_found", found)
    monkeypatch.setattr(slide, "_answers", type(slide._answers)(8))
    control, channel, frame = MOVED[1]
    faulty = planted(sound(BAKER, 0), trial(control, channel, frame))

    def put_back(shot: Shot) -> slide.PutBack | None:
        stage = looked(shot)
        slid = [each for each in contacts.standing(stage).contacts if each.relative == "tray"]
        return slide.put_back(stage, ["hips", "spine", "chest"], slid[:1])

    first = put_back(faulty)
    assert first is not None
    assert first.cause.frames == (frame,)
    assert put_back(planted(faulty, trial("head", "rotation.x", 62.0))) == first  # carries nothing
    assert len(searched) == 1
    for name, turned, at in (("chest", "rotation.x", 71.0), ("hips", "rotation.y", 60.0)):
        put_back(planted(faulty, trial(name, turned, at)))
    assert len(searched) == 3


def test_a_prop_that_a_mark_names_with_hands_is_what_they_hold() -> None:
    clean = sound(BAKER, 0)
    held = [each for each in contacts.standing(looked(clean)).contacts if each.relative == "tray"]
    assert {each.control for each in held} == {"hand.L", "hand.R"}
    assert {each.point.control for each in held} == {"palm.L", "palm.R"}  # what stays in place, not the wrist
    alone = replace(clean, marks=(Mark("contact", (150.0, 168.0), ("tray",)),))
    assert any(each.control == "tray" for each in contacts.standing(looked(alone)).contacts)


def test_a_contact_within_frames_keeps_those_only() -> None:
    path = np.arange(15.0).reshape(5, 3)
    whole = Planted(Point("foot", (0.0, 0.0, 0.0)), np.arange(5.0), path, path, "foot", True)
    part = whole.within(1.0, 3.0)
    assert part.frames.tolist() == [1.0, 2.0, 3.0]
    assert part.path.tolist() == part.anchor.tolist() == path[1:4].tolist()

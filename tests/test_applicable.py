"""What stands in the way of a change: another number than it expects, a key on its frame, a channel left empty."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from refine.applicable import already_so, unfit
from refine.application import apply, proof, take_back
from refine.changes import Change, differences, made, reversals
from refine.formats import Document, parsed, write
from refine.key_rows import of_rows, only, smooth
from refine.shot import Channel, Control, Keys, Shot

KEYS = of_rows([1.0, 5.0, 5.25, 9.0], [smooth(value, 0.25) for value in (1.5, 3.0, 3.25, 4.0)])


def document(keys: Keys) -> Document:
    shot = Shot("door", 24.0, 0, 20, (Control("door", channels=(Channel("rotation.x", keys),)),))
    path = Path("door.shot.json")
    data = write(shot, path)
    return Document(path, data, "", "shot", parsed(data, path), None)


def changes_to(keys: Keys) -> list[Change]:
    return differences(document(KEYS).shot, document(keys).shot)


def without(k: int) -> Keys:
    return only(KEYS, KEYS.frames != KEYS.frames[k])


def moved(frame: float, there: float) -> Change:
    """A key moved in time."""
    keys = KEYS.changed(frames=[there if each == frame else each for each in KEYS.frames.tolist()])  # type: ignore[arg-type]
    (found,) = changes_to(keys)
    return found


def sent(change: Change, there: float) -> Change:
    """A key moved elsewhere, past others too."""
    return replace(change, after=there, after_text=f"{there:g}")


def test_a_key_that_was_changed_since_stays() -> None:
    (out,) = changes_to(without(2))
    values = KEYS.values.copy()
    values[2] = 3.5
    assert unfit(document(KEYS), [out]) == [""]
    assert unfit(document(KEYS.changed(values=values)), [out]) == ["the key has been changed since"]


def test_a_number_that_was_changed_since_is_told() -> None:
    values = KEYS.values.copy()
    values[2] = 3.5
    (risen,) = changes_to(KEYS.changed(values=values))
    values[2] = 7.0
    assert unfit(document(KEYS.changed(values=values)), [risen]) == ["7 stands there, not 3.25"]
    assert unfit(document(without(2)), [risen]) == ["no such key or sample is there"]


def test_a_key_goes_where_another_stands_only_if_that_one_goes() -> None:
    (out,) = changes_to(without(2))
    there = replace(moved(9.0, 9.5), after=5.25, after_text="5.25")
    assert unfit(document(KEYS), [there]) == ["a key stands on frame 5.25"]
    assert unfit(document(KEYS), [there, out]) == ["", ""]


def test_a_key_does_not_go_past_one_that_was_put_in_since() -> None:
    """Nor one that stays for it: all of them are named, and what is left can be made."""
    away = [sent(moved(5.0, 5.125), 7.0), moved(5.25, 7.25), moved(9.0, 9.5)]
    assert unfit(document(KEYS), away) == [""] * 3
    now = of_rows([1.0, 5.0, 5.25, 7.125, 9.0], [smooth(v, 0.25) for v in (1.5, 3.0, 3.25, 8.0, 4.0)])
    onto, past = "a key stands on frame 5.25", "in the way a key stands on frame 7.125"
    assert unfit(document(now), away) == ["in the way a key stands on frame 5.25", past, ""]
    assert unfit(document(now), [sent(away[0], 5.25), *away[1:]]) == [onto, past, ""]
    there = document(now)
    done = made(there.shot, away[2:])
    assert parsed(apply(there, away).data, there.path).controls == done.controls


def test_what_was_moved_goes_not_back_past_a_key_that_was_put_in_since() -> None:
    back = reversals([sent(moved(5.0, 5.125), 7.0), moved(5.25, 7.25)])
    rows = [smooth(v, 0.25) for v in (1.5, 8.0, 3.0, 3.25, 4.0)]
    now = of_rows([1.0, 5.125, 7.0, 7.25, 9.0], rows)
    words = "in the way a key stands on frame"
    assert unfit(document(now), back) == [f"{words} 5.125", f"{words} 7"]
    swapped = [sent(moved(5.0, 5.125), 8.0), sent(moved(5.25, 5.5), 6.0)]
    assert unfit(document(KEYS), swapped) == [f"{words} 6", f"{words} 8"]


def test_numbers_of_a_key_that_cannot_go_back_are_put_back_where_it_stands() -> None:
    values = KEYS.values.copy()
    values[1] = 2.0
    frames = KEYS.frames.copy()
    frames[1:3] = 7.0, 7.25
    changes = changes_to(KEYS.changed(frames=frames, values=values))
    rows = [smooth(v, 0.25) for v in (1.5, 8.0, 2.0, 3.25, 4.0)]
    now = document(of_rows([1.0, 5.125, 7.0, 7.25, 9.0], rows))
    result = take_back(now, changes)
    proof(now, result, now.path)(result.data)
    assert [change.field for change in result.made] == ["value"]
    assert [(change.field, change.frame) for change, _ in result.left] == [("key", 5.0), ("key", 5.25)]
    keys = parsed(result.data, now.path).controls[0].channels[0].keys
    assert keys is not None
    assert keys.frames.tolist() == [1.0, 5.125, 7.0, 7.25, 9.0]
    assert keys.values[2] == KEYS.values[1]


def test_a_channel_keeps_a_key() -> None:
    out = [change for change in changes_to(of_rows([2.0], [smooth(7.0, 0.0)])) if change.taken]
    assert unfit(document(KEYS), out) == ["all of the channel's keys would go"] * len(KEYS)
    assert unfit(document(KEYS), out[1:]) == [""] * (len(KEYS) - 1)


def test_a_number_of_a_key_that_goes_is_not_set() -> None:
    (out,) = changes_to(without(2))
    values = KEYS.values.copy()
    values[2] = 3.5
    (risen,) = changes_to(KEYS.changed(values=values))
    assert unfit(document(KEYS), [out, risen]) == ["", "its key is taken out"]


def test_what_is_made_already_is_so() -> None:
    changes = [*changes_to(without(2)), moved(9.0, 9.5)]
    done = made(document(KEYS).shot, changes)
    keys = done.controls[0].channels[0].keys
    assert keys is not None
    assert already_so(document(KEYS), changes) == [False, False]
    assert already_so(document(keys), changes) == [True, True]
    assert all(unfit(document(keys), changes))

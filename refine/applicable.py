"""Which of some changes can be made in a document as it stands, why others can't, and which are made already."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf

import numpy as np

from refine.changes import FIELDS, Change, reversals
from refine.formats import Document, numbers, spellings
from refine.formats.key_rules import NEAREST_FRAMES
from refine.formats.splice import Place
from refine.key_rows import Key, key_at, no_room
from refine.shot import QUATERNION, Channel, Keys, Shot

_TAKEN, _MOVED, _SET, _LAST = range(4)


def unfit(document: Document, changes: Sequence[Change]) -> list[str]:
    """Why each change can't be made in a document; empty where it can.

    A key may go where another one stands that goes away at the same time, if that one can. None goes past another.
    """
    plain = iter(_unfit_numbers(document, [change for change in changes if change.key is None]))
    gone = {change.place for change in changes if change.taken}
    why = ["" if change.key is not None else next(plain) for change in changes]
    why = [w or _key_goes(c, gone) for c, w in zip(changes, why, strict=True)]
    why = _with_room(document, changes, why, _TAKEN)
    why = _in_order(document, changes, why)
    why = _with_room(document, changes, why, _LAST)
    return _with_one_kept(document, changes, why)


def _key_goes(change: Change, gone: set[Place]) -> str:
    other = change.key is None and replace(change.place, field="key") in gone
    return "its key is taken out" if other else ""


def _with_one_kept(document: Document, changes: Sequence[Change], why: list[str]) -> list[str]:
    """The reasons, with one where all keys of a channel would go: what comes instead has no place to go to."""
    taken: dict[tuple[str, str], int] = {}
    for change, reason in zip(changes, why, strict=True):
        if change.taken and not reason:
            name = change.control, change.channel
            taken[name] = taken.get(name, 0) + 1
    for n, change in enumerate(changes):
        count = taken.get((change.control, change.channel))
        keys = None if not count else getattr(_channel_at(document.shot, change.place), "keys", None)
        if change.key is not None and keys is not None and len(keys) == count:
            why[n] = why[n] or "all of the channel's keys would go"
    return why


def _turn(change: Change) -> int:
    """When a change is judged: what goes first, then what may have to make room for it, at last what is put in."""
    if change.key is not None:
        return _TAKEN if change.taken else _LAST
    return _MOVED if change.field == "key" else _SET


def _leaving(changes: Sequence[Change], why: Sequence[str]) -> dict[tuple[str, str], list[float]]:
    """Of each channel the frames whose keys go away."""
    found: dict[tuple[str, str], list[float]] = {}
    for change, reason in zip(changes, why, strict=True):
        if not reason and _turn(change) in (_TAKEN, _MOVED):
            found.setdefault(_channel_of(change), []).append(change.frame)
    return found


def _with_room(document: Document, changes: Sequence[Change], why: Sequence[str], turn: int) -> list[str]:
    """The reasons, with one for each whole key that there is no room for, or that is another one by now."""
    leaving = _leaving(changes, why)
    found = list(why)
    for n, change in enumerate(changes):
        if change.key is not None and _turn(change) == turn and not why[n]:
            channel, free = _channel_at(document.shot, change.place), leaving.get(_channel_of(change), ())
            found[n] = no_room(channel, change.frame, change.key, change.taken, free)
    return found


def _in_order(document: Document, changes: Sequence[Change], why: Sequence[str]) -> list[str]:
    """The reasons, with one for each moved key that would come to stand on another one, or go past it."""
    moved: dict[tuple[str, str], list[int]] = {}
    gone: dict[tuple[str, str], list[float]] = {}
    for n, change in enumerate(changes):
        if not why[n] and _turn(change) == _MOVED:
            moved.setdefault(_channel_of(change), []).append(n)
        elif not why[n] and _turn(change) == _TAKEN:
            gone.setdefault(_channel_of(change), []).append(change.frame)
    found = list(why)
    for name, places in moved.items():
        channel = _channel_at(document.shot, changes[places[0]].place)
        if channel is None or channel.keys is None:
            continue
        at = {n: k for n in places if (k := channel.keys.index(changes[n].frame)) is not None}
        goes = {k: changes[n].result_place.frame for n, k in at.items()}
        away = {channel.keys.index(frame) for frame in gone.get(name, ())}
        met = _in_the_way(channel.keys, goes, away)
        for n, k in at.items():
            if k in met:
                on = abs(met[k] - goes[k]) <= NEAREST_FRAMES
                found[n] = f"{'a key' if on else 'in the way a key'} stands on frame {met[k]:g}"
    return found


def _in_the_way(keys: Keys, goes: Mapping[int, float], away: Collection[int | None]) -> dict[int, float]:
    """Which keys can't go where they should, each with the frame of a key that it would stand on or go past.

    Keys that go `away` are in nobody's way; those that can't go stay, where they may be in the way of more.
    """
    stay = [k for k in range(len(keys)) if k not in away]
    refused: dict[int, float] = {}
    while True:
        going = {k: frame for k, frame in goes.items() if k not in refused}
        frames = {k: going.get(k, float(keys.frames[k])) for k in stay}
        met = _met(frames, going)
        if not met:
            return refused
        refused |= met


def _met(frames: Mapping[int, float], going: Mapping[int, float]) -> dict[int, float]:
    """The keys `going` that meet one that stands still, or, where none does, one another; with the other's frame."""
    found: dict[int, float] = {}
    for order, sign in ((list(frames), 1), (list(frames)[::-1], -1)):
        still = -inf
        for k in order:
            if k not in going:
                still = sign * frames[k]
            elif sign * frames[k] - still <= NEAREST_FRAMES:
                found[k] = sign * still
    if not found:
        for a, b in pairwise(frames):
            if frames[b] - frames[a] <= NEAREST_FRAMES:
                found |= {a: frames[b], b: frames[a]}
    return found


def _channel_of(change: Change) -> tuple[str, str]:
    return change.control, change.channel


def _unfit_numbers(document: Document, changes: Sequence[Change]) -> list[str]:
    here = [_standing(document.shot, change.place) for change in changes]
    # A reader brings quaternions to unit length, so that only their spelling says whether they are the same.
    turns = [n for n, c in enumerate(changes) if here[n] is not None and c.channel == QUATERNION]
    texts = dict(zip(turns, spellings(document, [changes[n].place for n in turns]), strict=True))
    found = [numbers(texts[n]) if n in texts else row for n, row in enumerate(here)]
    wanted = [
        numbers(c.before_text) if n in texts else tuple(np.ravel(c.before).tolist())
        for n, c in enumerate(changes)
    ]
    return [
        "" if row is not None and row == want else _why(row, change.before_text)
        for row, want, change in zip(found, wanted, changes, strict=True)
    ]


def _why(found: tuple[float, ...] | None, wanted: str) -> str:
    if found is None:
        return "no such key or sample is there"
    return f"{', '.join(f'{value:g}' for value in found)} stands there, not {wanted}"


def already_so(document: Document, changes: Sequence[Change]) -> list[bool]:
    """Whether what each change wants stands in the document: its number is found there as to undo it.

    A key that was to go has gone also where another change puts or moves one to its frame.
    """
    shot = document.shot
    lands = {c.result_place for c in changes if c.field == "key" and not c.taken}
    plain = iter(_unfit_numbers(document, [c for c in reversals(changes) if c.key is None]))
    so = {}
    for change in changes:
        gone = change.place in lands or _standing(shot, replace(change.place, field="key")) is None
        if change.key is None:
            so[change] = not next(plain) and (change.field != "key" or gone)
        elif not change.taken:
            so[change] = _key_standing(shot, change.place) == change.key
    there = {change.result_place for change, is_so in so.items() if is_so}
    for change in changes:
        if change.taken:
            channel, key = _channel_at(shot, change.place), _key_standing(shot, change.place)
            emptied = channel is not None and channel.keys is not None and key is None
            so[change] = emptied or (key is not None and change.place in there)
    return [so[change] for change in changes]


def _channel_at(shot: Shot, place: Place) -> Channel | None:
    control = next((control for control in shot.controls if control.name == place.control), None)
    return control.channel(place.channel) if control is not None else None


def _key_standing(shot: Shot, place: Place) -> Key | None:
    """The key on a frame, None where there is none."""
    channel = _channel_at(shot, place)
    keys = None if channel is None else channel.keys
    k = None if keys is None else keys.index(place.frame)
    return None if keys is None or k is None else key_at(keys, k)


def _standing(shot: Shot, place: Place) -> tuple[float, ...] | None:
    """The number or numbers at a place, None where nothing stands."""
    channel = _channel_at(shot, place)
    if channel is None:
        return None
    if channel.samples is not None:
        n = place.frame - shot.first_frame
        inside = place.field == "value" and n == int(n) and 0 <= n < len(channel.samples)
        return tuple(channel.samples[int(n)].tolist()) if inside else None
    assert channel.keys is not None
    k = channel.keys.index(place.frame)
    if k is None:
        return None
    if place.field == "key":
        return (float(channel.keys.frames[k]),)
    names: dict[str, str] = dict(FIELDS)
    return tuple(getattr(channel.keys, names[place.field])[k].tolist())

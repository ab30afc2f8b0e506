"""Looks shifted onto their target as a whole: the mends of a gaze beside it and of eyes that part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample_matrix
from refine.flags.flag import Flag
from refine.flags.keys import habit_breaks
from refine.flags.sight import (
    EYES,
    FIXATION,
    SMALL_DART,
    axis,
    common,
    errors,
    fixations,
    key_frames,
    looking,
    turns,
    unit,
    wanted,
)
from refine.flags.stage import Stage
from refine.habit import moving
from refine.pinned import pinned_keys, within
from refine.pose import Point, jacobian
from refine.shot import Array, Gaze, Keys, Shot

EDGE = 1 / 6  # s beside a look that its darts hide, in which keys may still belong to it [judge]
BLAME = 0.25  # of the angle between two eyes, off its target by less than which one of them is right [judge]
WHOLE = 1e-9  # a frame is carried by some keys alone but for rounding
LEAST = 1e-6  # of the best turned axis: one that turns the gaze less, as a roll about it, is left alone
ROUNDS = 8  # Gauss-Newton steps: some 5 deg of turn are solved to rounding in 4


def retargeted(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with the keys of the fixation shifted, all by the same, so that on the whole it meets the target."""
    for gaze in stage.shot.gazes:
        if (
            gaze.control == flag.control
            and gaze.frames[0] <= flag.frames[1]
            and gaze.frames[1] >= flag.frames[0]
        ):
            return _shifted(stage, flag.control, flag.frames, wanted(stage, gaze, flag.control))
    return None


def together(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with the eye that looks beside their target, or both, shifted onto it; without one both parallel."""
    others = [c.name for c in stage.shot.controls if c.part in EYES and c.name != flag.control]
    other = next(name for name in others if stage.control(name).parent == stage.control(flag.control).parent)
    pair = flag.control, other
    shares = [(_overlap(gaze.frames, flag.frames), gaze) for gaze, _ in common(stage, *pair)]
    share, gaze = max(shares, key=lambda each: each[0], default=(0, None))
    if gaze is not None and share >= max(2.0, FIXATION * stage.shot.fps):
        return _onto(stage, pair, flag, gaze)
    ahead = [g for g in (looking(stage, name) for name in pair) if g is not None]
    shot: Shot | None = stage.shot
    for name in pair:
        shot = (
            None
            if shot is None
            else _shifted(_with(stage, shot), name, flag.frames, unit(ahead[0] + ahead[1]))
        )
    return shot


def _onto(stage: Stage, pair: tuple[str, str], flag: Flag, gaze: Gaze) -> Shot | None:
    """The shot with the look of each eye that is off, as far as the flag goes, shifted onto the target of a gaze.

    An eye that looks where it should stays: turning it too would take the blame off the other.
    """
    first, last = max(gaze.frames[0], flag.frames[0]), min(gaze.frames[1], flag.frames[1])
    inside = (stage.frames >= first) & (stage.frames <= last)
    at = np.flatnonzero((stage.frames >= gaze.frames[0]) & (stage.frames <= gaze.frames[1]))
    shot, moved = stage.shot, False
    for name in pair:
        g, aim = looking(stage, name), wanted(stage, gaze, name)
        assert g is not None
        error = errors(g, aim)
        if np.linalg.norm(np.median(error[inside], axis=0)) < BLAME * flag.amount:
            continue
        looks = [
            (int(stage.frames[at[a]]), int(stage.frames[at[b]]))
            for a, b, _ in fixations(error[at], stage.shot.fps)
        ]
        met = [(first, last), *(look for look in looks if _overlap(look, (first, last)))]
        whole = min(a for a, _ in met), max(b for _, b in met)
        shifted = _shifted(_with(stage, shot), name, whole, aim)
        if shifted is None:
            return None
        shot, moved = shifted, True
    return shot if moved else None


def _overlap(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Frames that two ranges share."""
    return max(min(one[1], other[1]) - max(one[0], other[0]) + 1, 0)


def _with(stage: Stage, shot: Shot) -> Stage:
    return stage if shot is stage.shot else replace(stage, shot=shot)


def _shifted(stage: Stage, name: str, look: tuple[float, float], aim: Array) -> Shot | None:
    """The shot with the angles of a control shifted on its keys of a look, so that it looks along `aim` (N, 3).

    A key beside it whose slopes tell that it should have gone along does. None where the control has no keys there, a
    pin or a mark holds one of them, limits forbid it, or it wouldn't be better.
    """
    at = (stage.frames >= look[0]) & (stage.frames <= look[1])
    where = _whole_look(stage, name, look, aim)
    shot = None
    while True:
        further = _turned(stage, name, where, at, aim)
        if further is None:
            return shot
        shot, wider = further, _with_left_behind(stage, further, name, where)
        if wider == where:
            return shot
        where = wider


def _with_left_behind(stage: Stage, shot: Shot, name: str, where: tuple[float, float]) -> tuple[float, float]:
    """Where a look was shifted, with the keys beside it that by their slopes should have gone along."""
    after, (first, last) = stage.after(shot), where
    for channel in filter(moving, after.control(name).channels):
        told = {f for each in habit_breaks(after, name, channel.name) for f in each.frames}
        told -= {f for each in habit_breaks(stage, name, channel.name) for f in each.frames}
        assert channel.keys is not None
        frames = channel.keys.frames
        first = min([first, *(f for f in frames[frames < where[0]][-1:].tolist() if f in told)])
        last = max([last, *(f for f in frames[frames > where[1]][:1].tolist() if f in told)])
    return first, last


def _turned(
    stage: Stage, name: str, where: tuple[float, float], at: NDArray[np.bool_], aim: Array
) -> Shot | None:
    """The shot with a control's keys within `where` shifted so that it looks along `aim` on the frames `at` (N,)."""
    tables: dict[str, Keys] = {}
    for channel in stage.control(name).channels:
        inside = channel.keys is not None and _inside(channel.keys, where)
        if channel.keys is not None and turns(channel.name) and np.any(inside):
            tables[channel.name] = channel.keys
    if not tables or any(_held(stage, name, n, keys, where) for n, keys in tables.items()):
        return None
    now = stage
    for _ in range(ROUNDS):
        shot, step = now.shot, _step(now, name, at, aim, {n: _inside(k, where) for n, k in tables.items()})
        for channel_name, turn in zip(tables, step, strict=True):
            old = shot.channel(name, channel_name)
            assert old.keys is not None
            values = old.keys.values + np.where(_inside(old.keys, where), turn, 0.0)[:, None]
            shot = shot.with_channel(name, replace(old, keys=old.keys.changed(values=values)))
        now = replace(stage, shot=shot)
    kept = all(within(stage.shot.channel(name, n), now.shot.channel(name, n)) for n in tables)
    before, after = (_median_error(each, name, at, aim) for each in (stage, now))
    return now.shot if kept and after < before / 2 else None


def _whole_look(stage: Stage, name: str, look: tuple[float, float], aim: Array) -> tuple[float, float]:
    """A look with the keys that bound it: those beside it at which the control is off by about the same.

    A dart starts on the look's last key and hides the frames around it; left where it was, that key would let the
    look drift.
    """
    g = looking(stage, name)
    assert g is not None
    error = errors(g, aim)
    inside = (stage.frames >= look[0]) & (stage.frames <= look[1])
    middle = np.median(error[inside], axis=0)
    same = np.linalg.norm(error - middle, axis=1) < min(SMALL_DART / 2, float(np.linalg.norm(middle)) / 2)
    first, last, edge = float(look[0]), float(look[1]), EDGE * stage.shot.fps
    keyed = np.array(key_frames(stage, name, (int(first - edge), int(last + edge))))
    agree = [same[np.argmin(np.abs(stage.frames - frame))] for frame in keyed]
    for frame, alike in reversed(list(zip(keyed, agree, strict=True))):
        if frame < first and not alike:
            break
        first = min(first, frame)
    for frame, alike in zip(keyed, agree, strict=True):
        if frame > last and not alike:
            break
        last = max(last, frame)
    return first, last


def _inside(keys: Keys, where: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((keys.frames >= where[0]) & (keys.frames <= where[1]))


def _held(stage: Stage, name: str, channel: str, keys: Keys, where: tuple[float, float]) -> bool:
    """Whether a pin or a mark holds a key in a range."""
    inside = _inside(keys, where)
    pinned = pinned_keys(stage.locks.pins, name, channel, keys)
    blocked = stage.locks.blocked(name, channel, keys)
    return bool(np.any(inside & pinned)) or any(inside[k] for k in blocked)


def _step(
    stage: Stage, name: str, at: NDArray[np.bool_], aim: Array, moved: dict[str, NDArray[np.bool_]]
) -> Array:
    """One least-squares shift of each channel in degrees, over the frames that the keys carry fully."""
    own, g, pivot = axis(stage, name), looking(stage, name), stage.control(name).pivot
    assert own is not None
    assert g is not None
    tip = Point(name, (pivot[0] + float(own[0]), pivot[1] + float(own[1]), pivot[2] + float(own[2])))
    length = np.linalg.norm(stage.world(tip) - stage.world(Point(name, pivot)), axis=1)
    columns, full = [], at.copy()
    for channel_name, inside in moved.items():
        keys = stage.shot.channel(name, channel_name).keys
        assert keys is not None
        full &= sample_matrix(keys, stage.frames).dense()[:, ::3] @ inside > 1 - WHOLE
        turning = jacobian(stage.shot, stage.posed, name, channel_name, [tip])[0, :, :, 0]
        columns.append(turning / length[:, None])
    use = full if full.any() else at
    matrix = np.stack([np.median(column[use], axis=0) for column in columns], axis=1)
    return np.asarray(np.linalg.lstsq(matrix, np.median((aim - g)[use], axis=0), rcond=LEAST)[0])


def _median_error(stage: Stage, name: str, at: NDArray[np.bool_], aim: Array) -> float:
    g = looking(stage, name)
    assert g is not None
    return float(np.linalg.norm(np.median(errors(g[at], aim[at]), axis=0)))

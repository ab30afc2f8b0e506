"""Where the eyes look: off the target that the shot names, or apart from each other.

The axis of an eye runs from its pivot to its tip, or along its own -Z, as a camera looks, where it has none. A head
that looks does so along the axis of the eyes it carries; without eyes along its tip, unless the tip is the crown.
The target of a gaze is a point, or the pivot of a control. The error is atan2(|g x d|, g . d) of the axis g and the
direction d to the target; the vergence of two eyes atan2((g1 x g2) . n, g1 . g2), n being normal to the line from
eye 1 to eye 2 and to their gaze, positive where they converge, whichever of them is the left one.

Darts are faster than 40 deg/s relative to the target [judge: a dart of 5 deg over two frames at 24 fps moves at
60 deg/s, a drift that a viewer takes for a steady look below 10]. What lies between two darts is a fixation; small
darts belong to it, and a quick look away and back isn't one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample_matrix
from refine.flags.flag import Cause, Flag
from refine.flags.stage import SMALL, Stage, runs
from refine.pinned import pinned_keys, within
from refine.pose import Point, jacobian
from refine.rotation import quaternion_matrix
from refine.shot import ROTATIONS, Array, Channel, Control, Gaze, Keys, Shot
from refine.view import visible

OFF, APART = "gaze off target", "eyes diverge"
EYES = ("eye", "eyes")
DART = 40.0  # deg/s [judge]
FIXATION = (
    0.2  # s: a look lasts no less; 0.2 to 0.3 s is the usual fixation in reading and scene viewing [mem]
)
AWAY = 0.5  # s: looks away and back are shorter [judge]
SMALL_DART = 5.0  # deg [judge]
AVERTED = 10.0  # deg: between two fixations a longer look as far off is meant [judge]
UPRIGHT = (
    0.7  # share of a tip's length that rises along the up axis, from which it is a crown, not a nose [judge]
)
WHOLE = 1e-9  # a frame is carried by some keys alone but for rounding
LEAST = 1e-6  # of the best turned axis: one that turns the gaze less, as a roll about it, is left alone
ROUNDS = 8  # Gauss-Newton steps: some 5 deg of turn are solved to rounding in 4


def find(stage: Stage) -> Iterator[Flag]:
    """All findings about gazes, in no order."""
    for gaze in stage.shot.gazes:
        if gaze.control in stage.order:
            yield from _off_target(stage, gaze)
    eyes = [name for name in stage.order if stage.control(name).part in EYES]
    for one, other in combinations(eyes, 2):
        if stage.control(one).parent == stage.control(other).parent:
            yield from _apart(stage, one, other)


# --- directions ------------------------------------------------------------------------------------------------


def axis(stage: Stage, name: str) -> Array | None:
    """(3,) the direction in which a control looks, in its own space; None where nothing says it."""
    control = stage.control(name)
    if control.part not in EYES:
        carried = (c for c in stage.shot.controls if c.parent == name and c.part in EYES)
        eye = next(carried, None)
        if eye is not None:
            return np.asarray(quaternion_matrix(np.array(eye.rest_rotation)) @ _eye_axis(eye))
        if control.tip is not None:
            towards = np.array(control.tip) - np.array(control.pivot)
            up = towards[1 if stage.shot.up == "y" else 2]
            return None if abs(up) > UPRIGHT * np.linalg.norm(towards) else towards
    return _eye_axis(control)


def _eye_axis(control: Control) -> Array:
    towards = np.array(control.tip or control.pivot) - np.array(control.pivot)
    return towards if towards.any() else np.array([0.0, 0.0, -1.0])


def looking(stage: Stage, name: str) -> Array | None:
    """(N, 3) unit directions in the world in which a control looks."""
    own = axis(stage, name)
    return None if own is None else _unit(stage.posed.linear[stage.control_at[name]] @ own)


def wanted(stage: Stage, gaze: Gaze, control: str) -> Array:
    """(N, 3) unit directions from a control to the target of a gaze."""
    if gaze.target is not None:
        place = stage.world(Point(gaze.target, stage.control(gaze.target).pivot))
    else:
        place = np.broadcast_to(np.array(gaze.point), (len(stage.frames), 3))
    return _unit(place - stage.world(Point(control, stage.control(control).pivot)))


def _unit(vectors: Array) -> Array:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12))


def _degrees(sine: Array, cosine: Array) -> Array:
    return np.asarray(np.rad2deg(np.arctan2(sine, cosine)))


def _errors(g: Array, d: Array) -> Array:
    """(N, 3) rotation vectors in degrees that would bring g to d."""
    cross = np.cross(g, d)
    angle = _degrees(np.linalg.norm(cross, axis=1), np.sum(g * d, axis=1))
    return _unit(cross) * angle[:, None]


# --- off the target --------------------------------------------------------------------------------------------


def _off_target(stage: Stage, gaze: Gaze) -> Iterator[Flag]:
    g = looking(stage, gaze.control)
    inside = (stage.frames >= gaze.frames[0]) & (stage.frames <= gaze.frames[1])
    if g is None or not inside.any():
        return
    at = np.flatnonzero(inside)
    error = _errors(g[at], wanted(stage, gaze, gaze.control)[at])
    seen = _seen(stage, gaze.control)[at]
    threshold, target = stage.thresholds[OFF], gaze.target or "its target"
    for a, b, middle in _fixations(error, stage.shot.fps):
        amount = float(np.linalg.norm(middle))
        severity = threshold.severity(amount)
        if severity is None or np.mean(seen[a : b + 1]) < 0.5:
            continue
        where = int(stage.frames[at[a]]), int(stage.frames[at[b]])
        cause = Cause(gaze.control, None, _key_frames(stage, gaze.control, where))
        message = f"looks {amount:.1f} deg past {target} for {b - a + 1} frames"
        remedy = "turn the whole look onto the target, its darts with it"
        ratio = threshold.ratio(amount) * stage.attention(gaze.control)
        yield Flag(OFF, gaze.control, None, where, severity, amount, "deg", cause, message, remedy, ratio)


def _seen(stage: Stage, name: str) -> NDArray[np.bool_]:
    """(N,) frames on which an eye is in the image and large enough: it or its head, as it may point at the camera."""
    control = stage.control(name)
    size = stage.size(name)
    size = size if control.parent is None else np.maximum(size, stage.size(control.parent))
    return visible(stage.view, stage.world(Point(name, control.pivot))) & (size >= SMALL)


def _fixations(error: Array, fps: float) -> list[tuple[int, int, Array]]:
    """First and last position of each fixation and its median error (3,): darts up to 5 deg are part of it."""
    speed = np.linalg.norm(np.diff(error, axis=0), axis=1) * fps
    slow = np.concatenate([[True], speed < DART]) & np.concatenate([speed < DART, [True]])
    found: list[tuple[int, int, Array]] = []
    for a, b in runs(slow):
        middle = np.median(error[a : b + 1], axis=0)
        if found and np.linalg.norm(middle - found[-1][2]) < SMALL_DART:
            start = found[-1][0]
            found[-1] = start, b, np.median(error[start : b + 1][slow[start : b + 1]], axis=0)
        elif b - a + 1 >= max(2.0, (AWAY if found and b < len(error) - 1 else FIXATION) * fps):
            found.append((a, b, middle))
    lasting = [each for each in found if each[1] - each[0] + 1 >= FIXATION * fps]
    averted = [
        0 < i < len(lasting) - 1 and np.linalg.norm(m) > AVERTED for i, (_, _, m) in enumerate(lasting)
    ]
    return [each for each, away in zip(lasting, averted, strict=True) if not away]


def _key_frames(stage: Stage, name: str, where: tuple[int, int]) -> tuple[float, ...]:
    """The frames within a range on which a control's rotations have keys."""
    frames = [
        channel.keys.frames
        for channel in stage.control(name).channels
        if channel.keys and _turns(channel.name)
    ]
    every = np.unique(np.concatenate(frames)) if frames else np.zeros(0)
    return tuple(every[(every >= where[0]) & (every <= where[1])].tolist())


def _turns(channel: str) -> bool:
    return channel in ROTATIONS


# --- apart from each other -------------------------------------------------------------------------------------


def _apart(stage: Stage, one: str, other: str) -> Iterator[Flag]:
    error = _vergence_error(stage, one, other)
    if error is None:
        return
    threshold, fps = stage.thresholds[APART], stage.shot.fps
    outward, inward = error < 0, error >= 0
    seen = _seen(stage, one)
    for side, words in ((outward, "outward"), (inward, "inward")):
        ease = 1.0 if words == "outward" else threshold["inward"]
        for a, b in runs(side & (np.abs(error) >= ease * threshold.warn) & seen):
            amount = float(np.median(np.abs(error[a : b + 1])))
            severity = threshold.severity(amount / ease)
            if severity is None or b - a + 1 < max(2.0, FIXATION * fps):
                continue
            where = int(stage.frames[a]), int(stage.frames[b])
            cause = Cause(one, None, _key_frames(stage, one, where) or _key_frames(stage, other, where))
            message = f"{one} and {other} turn {amount:.1f} deg {words} of where they should meet"
            ratio = threshold.ratio(amount / ease) * stage.attention(one)
            remedy = "turn both eyes together onto one point"
            yield Flag(APART, one, None, where, severity, amount, "deg", cause, message, remedy, ratio)


def _vergence_error(stage: Stage, one: str, other: str) -> Array | None:
    """(N,) degrees of vergence beyond what the target asks for; negative: outward.

    Without a target only looking outward of parallel is wrong: how near the thing is that both look at isn't known.
    """
    g1, g2 = looking(stage, one), looking(stage, other)
    if g1 is None or g2 is None:
        return None
    normal = _normal(stage, one, other, g1 + g2)
    own = _vergence(g1, g2, normal)
    error = np.minimum(own, 0.0)
    for gaze, frames in _common(stage, one, other):
        asked = _vergence(wanted(stage, gaze, one), wanted(stage, gaze, other), normal)
        error = np.where(frames, own - asked, error)
    return error


def _normal(stage: Stage, one: str, other: str, ahead: Array) -> Array:
    places = [stage.world(Point(name, stage.control(name).pivot)) for name in (one, other)]
    return _unit(np.cross(places[1] - places[0], ahead))


def _vergence(g1: Array, g2: Array, normal: Array) -> Array:
    return _degrees(np.sum(np.cross(g1, g2) * normal, axis=1), np.sum(g1 * g2, axis=1))


def _common(stage: Stage, one: str, other: str) -> Iterator[tuple[Gaze, NDArray[np.bool_]]]:
    """Gazes that tell both eyes where to look: each eye's own, or that of the head that carries them."""
    for gaze in stage.shot.gazes:
        if gaze.control in (one, other, stage.control(one).parent):
            yield gaze, (stage.frames >= gaze.frames[0]) & (stage.frames <= gaze.frames[1])


# --- the mend --------------------------------------------------------------------------------------------------


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
    """The shot with both eyes shifted onto their target, or parallel where the shot names none."""
    others = [c.name for c in stage.shot.controls if c.part in EYES and c.name != flag.control]
    other = next(name for name in others if stage.control(name).parent == stage.control(flag.control).parent)
    pair = flag.control, other
    ahead = [g for g in (looking(stage, name) for name in pair) if g is not None]
    at = (stage.frames >= flag.frames[0]) & (stage.frames <= flag.frames[1])
    gaze = next((each for each, frames in _common(stage, *pair) if frames[at].all()), None)
    shot: Shot | None = stage.shot
    for name in pair:
        aim = _unit(ahead[0] + ahead[1]) if gaze is None else wanted(stage, gaze, name)
        shot = None if shot is None else _shifted(replace(stage, shot=shot), name, flag.frames, aim)
    return shot


def _shifted(stage: Stage, name: str, where: tuple[int, int], aim: Array) -> Shot | None:
    """The shot with the angles of a control shifted on its keys in a range, so that it looks along `aim` (N, 3).

    None where it has no keys there, a pin or a mark holds one of them, limits forbid it, or it wouldn't be better.
    """
    at = (stage.frames >= where[0]) & (stage.frames <= where[1])
    tables: dict[str, Keys] = {}
    for channel in stage.control(name).channels:
        inside = channel.keys is not None and _inside(channel.keys, where)
        if channel.keys is not None and _turns(channel.name) and np.any(inside):
            tables[channel.name] = channel.keys
    if not tables or any(_held(stage, name, n, keys, where) for n, keys in tables.items()):
        return None
    now = stage
    for _ in range(ROUNDS):
        shot, step = now.shot, _step(now, name, at, aim, {n: _inside(k, where) for n, k in tables.items()})
        for channel_name, turn in zip(tables, step, strict=True):
            old = _channel(shot, name, channel_name)
            assert old.keys is not None
            values = old.keys.values + np.where(_inside(old.keys, where), turn, 0.0)[:, None]
            shot = shot.with_channel(name, replace(old, keys=old.keys.changed(values=values)))
        now = replace(stage, shot=shot)
    kept = all(within(_channel(stage.shot, name, n), _channel(now.shot, name, n)) for n in tables)
    before, after = (_median_error(each, name, at, aim) for each in (stage, now))
    return now.shot if kept and after < before / 2 else None


def _channel(shot: Shot, control: str, name: str) -> Channel:
    found = shot.controls[shot.index(control)].channel(name)
    assert found is not None
    return found


def _inside(keys: Keys, where: tuple[int, int]) -> NDArray[np.bool_]:
    return np.asarray((keys.frames >= where[0]) & (keys.frames <= where[1]))


def _held(stage: Stage, name: str, channel: str, keys: Keys, where: tuple[int, int]) -> bool:
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
        keys = _channel(stage.shot, name, channel_name).keys
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
    return float(np.linalg.norm(np.median(_errors(g[at], aim[at]), axis=0)))


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {OFF: retargeted, APART: together}

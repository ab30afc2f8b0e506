"""Limbs: straight ones that pop, and bones that change their length.

Near straight a small change of the distance between hip and ankle turns the knee a lot: it snaps. A kick turns it
fast as well, but it comes and goes fast; a pop is quick only where the limb is straight, and for a moment only: what
tells it is how suddenly the turn's change itself comes and goes, a fourth difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage, runs
from refine.flags.standing import standing
from refine.flags.translated import in_translations, translations
from refine.limbs.limb import Limb, bend_vector, extension, joints
from refine.pinned import pinned_keys
from refine.pose import Point
from refine.shot import SCALES, TRANSLATIONS, Array, Channel, Control, Shot, frozen
from refine.view import project

ALONE = 0.8  # [judge] how suddenly a pop comes and goes over the fastest turn of the joint beside it
APART = 6  # [judge] steps within which straight stretches of a limb are one straightening
SMEAR = 2  # frames: a bone that is longer for no more than that is smeared on purpose


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    for limb in standing(stage).limbs:
        if limb.end in stage.order or limb.lower in stage.order:
            yield from _pops(stage, limb)
            if limb.bones is None:  # one that a goal leads has its bones at rest
                yield from _lengths(stage, limb)


# --- straight-limb pop -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """How the middle joint of a limb turns, on each frame (N,), over steps of a 24th of a second at any rate.

    Change of the turn and how suddenly that comes and goes in deg/frame^2, how fast the joint turned just before and
    after in deg/frame.
    """

    change: Array
    sudden: Array
    around: Array
    step: int

    @property
    def jolt(self) -> Array:
        """(N,) how much of a pop each frame is: sudden by itself and beside how fast the joint comes and goes."""
        return np.asarray(self.sudden**2 / np.maximum(self.around, 1e-12))


def pops(stage: Stage, limb: Limb) -> list[tuple[int, float, float]]:
    """Position, change of the joint's turn (deg/frame^2) and of its place on screen (px/frame^2) of each pop."""
    shot, threshold = stage.shot, stage.thresholds["straight limb pop"]
    straight = extension(shot, stage.posed, limb) > threshold["extension"]
    if len(straight) < 5 * _step(shot) or not straight.any():  # shorter than a pop and what is around it
        return []
    turn = _turn(stage, limb)
    seen = _snap(stage, limb, turn.step)
    exempt = stage.marked(limb.end, "accent") | stage.edges(limb.end, "contact", "cut")
    found = straight & (turn.change >= threshold.warn) & ~exempt & (seen >= threshold["px"])
    slower = max(24 / shot.fps, 1.0)  # at low rates a kick within two frames looks as sudden
    found &= turn.sudden * turn.step > ALONE * slower * turn.around
    found &= turn.jolt > threshold["times"] * _elsewhere(stage, limb, turn)
    found &= stage.counts(Point(limb.lower, stage.control(limb.lower).pivot))
    found = lasting(found, turn.step)
    near = np.convolve(found, np.ones(2 * turn.step + 1), "same") > 0  # neighbours of a pop belong to it
    change = np.where(found, turn.change, 0.0)
    spans = [(a, slice(a, b + 1)) for a, b in runs(near)]
    return [(a + int(np.argmax(change[s])), float(change[s].max()), float(seen[s].max())) for a, s in spans]


def _step(shot: Shot) -> int:
    """Frames of a 24th of a second."""
    return max(round(shot.fps / 24), 1)


def _turn(stage: Stage, limb: Limb) -> Turn:
    """At 120 Hz a frame's turn is mostly noise: hence the steps, of frames averaged as an open shutter would."""
    step = _step(stage.shot)
    bent = bend_vector(stage.shot, stage.posed, limb)
    change = second_difference(averaged(bent, step), step) / step**2
    fast = np.linalg.norm(bent[step:] - bent[:-step], axis=1) / step
    turn = np.pad(fast, (2 * step, 3 * step), mode="edge")
    # The two steps beside a frame are the pop's own; what counts is how fast the joint came and went.
    around = np.maximum(turn[: len(bent)], turn[3 * step : 3 * step + len(bent)])
    sudden = np.linalg.norm(second_difference(change, step), axis=1)
    return Turn(np.linalg.norm(change, axis=1), sudden, around, step)


def _elsewhere(stage: Stage, limb: Limb, turn: Turn) -> Array:
    """(N,) the largest jolt of the limbs of its kind, where they are recorded, as they go straight at other times.

    Near straight a solver of captured motion knows the bend least: there every straightening jolts, and a pop is
    what jolts more than the others.
    """
    most = np.zeros(len(stage.frames))
    if not any(c.baked for name in limb.moved for c in stage.recorded.control(name).channels):
        return most
    threshold, apart = stage.thresholds["straight limb pop"], APART * turn.step
    for other in (each for each in standing(stage).limbs if each.kind == limb.kind):
        its = turn if other.chain == limb.chain else _turn(stage, other)
        for a, b in runs(extension(stage.shot, stage.posed, other) > threshold["extension"]):
            worst = a + int(np.argmax(its.change[a : b + 1]))
            jolt = np.full(len(most), its.jolt[worst])
            if other.chain == limb.chain:
                jolt[max(a - apart, 0) : b + apart + 1] = 0.0
            most = np.maximum(most, jolt)
    return most


def lasting(found: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """(N,) what holds for so many frames in a row: a pop is one at whichever moment a shutter at 24 fps opens."""
    kept = np.zeros_like(found)
    for a, b in runs(found):
        kept[a : b + 1] = b - a + 1 >= count
    return kept


def averaged(path: Array, count: int) -> Array:
    """(N, D) means of `count` frames around each, as an open shutter at 24 fps would take them."""
    if count < 2:
        return path
    padded = np.pad(path, (((count - 1) // 2, count // 2), (0, 0)), mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, count, axis=0).mean(axis=-1))


def second_difference(path: Array, step: int) -> Array:
    """(N, D) of p(f + step) - 2 p(f) + p(f - step), 0 at the ends."""
    found = np.zeros_like(path)
    if len(path) > 2 * step:
        found[step:-step] = path[2 * step :] - 2 * path[step:-step] + path[: -2 * step]
    return found


def _snap(stage: Stage, limb: Limb, step: int) -> Array:
    """(N,) px a step^2 of the middle joint's place beside the line from end to end: the limb's own travel is out."""
    hip, knee, ankle = joints(stage.shot, stage.posed, limb)
    share = np.linalg.norm(knee - hip, axis=1) / np.maximum(
        np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1), 1e-12
    )
    line = hip + share[:, None] * (ankle - hip)
    beside = project(stage.view, knee) - project(stage.view, line)
    return np.asarray(np.linalg.norm(second_difference(averaged(beside, step), step), axis=1))


def _pops(stage: Stage, limb: Limb) -> Iterator[Flag]:
    threshold = stage.thresholds["straight limb pop"]
    for at, amount, px in pops(stage, limb):
        severity = threshold.severity(amount)
        assert severity is not None
        frame = int(stage.frames[at])
        frames = max(frame - 1, int(stage.frames[0])), min(frame + 1, int(stage.frames[-1]))
        joint = "knee" if limb.kind == "leg" else "elbow"
        jolt = amount * _step(stage.shot) ** 2
        message = (
            f"the {joint} pops by {jolt:.0f} deg within a 24th of a second, {px:.1f} px, "
            f"as the {limb.kind} goes straight"
        )
        if limb.bones is not None:
            message += f" (the {joint} is taken from {limb.end}{' and ' + limb.pole if limb.pole else ''})"
        yield Flag(
            "straight limb pop",
            limb.lower,
            None,
            frames,
            severity,
            amount,
            "deg/frame2",
            Cause(limb.moved[0], None, _keys_in(stage.control(limb.moved[0]), frames)),
            message,
            "bring hip and ankle a little nearer to each other"
            if limb.kind == "leg"
            else "bend the arm a little",
            threshold.ratio(amount) * stage.attention(limb.end),
        )


def _keys_in(control: Control, frames: tuple[int, int]) -> tuple[float, ...]:
    """Frames of the keys of a control next to a range: the last before it to the first after it."""
    keyed = [channel.keys.frames for channel in control.channels if channel.keys is not None]
    if not keyed:
        return ()
    every = np.unique(np.concatenate(keyed))
    first = max(int(np.searchsorted(every, frames[0], "right")) - 1, 0)
    last = min(int(np.searchsorted(every, frames[1], "left")), len(every) - 1)
    return tuple(every[first : last + 1].tolist())


# --- bone lengths ------------------------------------------------------------------------------------------


def stretchable(stage: Stage, limb: Limb) -> list[tuple[str, str]]:
    """Pairs of joints whose distance channels can change: the outer is translated, or the inner scaled."""
    pairs = ((limb.upper, limb.lower), (limb.lower, limb.end))
    return [
        (inner, outer)
        for inner, outer in pairs
        if any(stage.control(outer).channel(name) is not None for name in TRANSLATIONS)
        or any(stage.control(inner).channel(name) is not None for name in SCALES)
    ]


def change_of_length(stage: Stage, inner: str, outer: str) -> Array:
    """(N,) share by which the distance of two joints differs from its median."""
    ends = [stage.world(Point(name, stage.control(name).pivot)) for name in (inner, outer)]
    length = np.linalg.norm(ends[1] - ends[0], axis=1)
    usual = float(np.median(length))
    return np.asarray(length / usual - 1.0) if usual > 0 else np.zeros(len(length))


def _lengths(stage: Stage, limb: Limb) -> Iterator[Flag]:
    threshold = stage.thresholds["changed bone length"]
    for inner, outer in stretchable(stage, limb):
        changed = change_of_length(stage, inner, outer)
        seen = stage.counts(Point(outer, stage.control(outer).pivot))
        for a, b in runs((np.abs(changed) > threshold.warn) & seen):
            if (b - a + 1) <= SMEAR * stage.shot.fps / 24:
                continue
            k = a + int(np.argmax(np.abs(changed[a : b + 1])))
            amount = abs(float(changed[k]))
            severity = threshold.severity(amount)
            assert severity is not None
            longer = "longer" if changed[k] > 0 else "shorter"
            frames = int(stage.frames[a]), int(stage.frames[b])
            owner, channel = _stretcher(stage, inner, outer)
            yield Flag(
                "changed bone length",
                outer,
                None,
                frames,
                severity,
                amount,
                threshold.unit,
                Cause(owner, channel, _keys_in(stage.control(owner), frames)),
                f"the bone from {inner} to {outer} is {100 * amount:.1f} % {longer} than usual",
                "put its translation back, and turn the limb instead",
                threshold.ratio(amount) * stage.attention(limb.end),
            )


def _stretcher(stage: Stage, inner: str, outer: str) -> tuple[str, str]:
    """The control and channel that change a bone's length most."""
    candidates = [(outer, c) for c in stage.control(outer).channels if c.name in TRANSLATIONS]
    candidates += [(inner, c) for c in stage.control(inner).channels if c.name in SCALES]
    spans = [float(np.ptp(c.samples if c.samples is not None else _values(c))) for _, c in candidates]
    owner, channel = candidates[int(np.argmax(spans))]
    return owner, channel.name


def _values(channel: Channel) -> Array:
    assert channel.keys is not None
    return channel.keys.values


def mend_length(stage: Stage, flag: Flag) -> Shot | None:
    """The outer joint put back along the bone to its usual distance, by its translations at keys or samples."""
    outer = stage.control(flag.control)
    inner = outer.parent
    if inner is None or flag.cause.channel not in TRANSLATIONS:
        return None
    changed = change_of_length(stage, inner, outer.name)
    a, b = _whole_change(changed, *(frame - stage.range[0] for frame in flag.frames))
    left = np.interp(
        np.arange(a, b + 1), [a, b], changed[[a, b]]
    )  # what it begins and ends with: no step there
    asked = in_translations(stage, outer.name, _back(stage, inner, outer, a, left), a)
    frames, shot = stage.frames[a : b + 1], stage.shot
    for channel, by in zip(translations(stage, outer.name), asked.T, strict=True):
        shot = shot.with_channel(outer.name, _put_back(stage, outer.name, channel, by, frames))
    worst = np.abs(change_of_length(replace(stage, shot=shot), inner, outer.name)[a : b + 1]).max()
    return shot if worst <= stage.thresholds["changed bone length"].warn else None


def _whole_change(changed: Array, a: int, b: int) -> tuple[int, int]:
    """First and last position of a change of length: as long as it keeps falling away on either side."""
    size = np.abs(changed)
    while a > 0 and size[a - 1] < size[a] and changed[a - 1] * changed[a] >= 0:
        a -= 1
    while b < len(size) - 1 and size[b + 1] < size[b] and changed[b + 1] * changed[b] >= 0:
        b += 1
    return a, b


def _back(stage: Stage, inner: str, outer: Control, a: int, left: Array) -> Array:
    """(n, 3) by which the outer joint has to move in the world for its bone to be off its usual length by (n,)."""
    bone = stage.world(Point(outer.name, outer.pivot)) - stage.world(Point(inner, stage.control(inner).pivot))
    length = np.linalg.norm(bone, axis=1)
    part = slice(a, a + len(left))
    ratio = np.median(length) * (1.0 + left) / np.maximum(length[part], 1e-12)
    return np.asarray(bone[part] * (ratio - 1.0)[:, None])


def _put_back(stage: Stage, name: str, channel: Channel, by: Array, frames: Array) -> Channel:
    held = [frame for _, pinned in stage.locks.held(name, channel, frames).pins for frame in pinned]
    if channel.samples is not None:
        samples = channel.samples.copy()
        free = ~np.isin(frames, held)
        samples[frames[free].astype(np.intp) - stage.shot.first_frame, 0] += by[free]
        return replace(channel, samples=frozen(samples))
    assert channel.keys is not None
    keys = channel.keys
    inside = (keys.frames >= frames[0]) & (keys.frames <= frames[-1])
    inside &= ~pinned_keys(stage.locks.pins, name, channel.name, keys)
    values = keys.values.copy()
    k = np.flatnonzero(inside)
    values[k, 0] += by[(keys.frames[k] - frames[0]).astype(np.intp)]
    return replace(channel, keys=keys.changed(values=values))


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {
    "changed bone length": mend_length,
}

"""What is seen on screen: a frame out of place (spike, uneven spacing, kinked arc) and jitter.

A frame out of place is looked for in the channels, where the motion is calmest, and counts as it is seen: in px at
the carried point that it moves most, if the path there really leaves its course (`trace`). A displacement that
leaves the span between the frames beside it is a spike; a smaller one is uneven spacing along the path or a kinked
arc across it. Keyed channels can only have one where keys stand on neighbouring frames: an artist's curve between
keys some frames apart has jerk that belongs there, and what is off in it is found by the habit of its slopes
(`keys`). The path doesn't tell: moving a key that is 40 % off back explains 1 to 60 % of the residual around it,
moving a sound one up to 70 % (99 of 100 of 6000 keys of the corpus). Keys that were fitted to a motion have no habit,
and are looked at as the recording that they are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.flags import jitter, joints, steady
from refine.flags.carried import moved_along
from refine.flags.excerpt import excerpt
from refine.flags.flag import Cause, Flag, Severity
from refine.flags.path import (
    CURVE,
    SHAPES,
    Lapse,
    displaced,
    lapses,
    residual,
    unevenness,
)
from refine.flags.stage import Stage
from refine.flags.trace import REACH, by_control, gain, key_frames, merged, samples, trace
from refine.measure import most_moved
from refine.pose import Point
from refine.shot import QUATERNION, Array, Channel, Shot

DENSE = 4.0  # frames between a key's neighbours within which a keyed curve can leave its course and be back
QUICK_PARTS = ("eyes", "face")  # darts and blinks
WINDOW = 24.0  # fps: what lasts shorter than a frame of film is seen as weaker (Bloch's law [mem])
TURNS = 4  # frames to each side whose median turn is the arc's own [judge]
MOST_TOGETHER = 2  # three or more parts that peak together are meant [prac]
BOTH_WAYS = 2.0  # times a frame's distance across its path that spacing x sin(turn) is: off it and back
LARGEST = 5.0  # times a jitter's RMS on screen that any of its frames lies off [judge]
ITS_OWN = 0.5  # share of the residual around a lapse that its control causes at least [judge]
MADE_UP = 0.25  # share of a lapse that must show at the point: turns by half a circle move less than they would [judge]
STANDS_OUT = 2.0  # times its own median from which a point's slight tremble is worth a warning [judge]


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, each at its cause, in no order."""
    seen = stage.recorded
    outs = list(joints.out_of_place(seen))
    trembling = merged(list(jitter.find(seen, outs)), round(stage.shot.fps))
    alone = (
        flag for flag in _out_of_place(seen, outs) if not any(_of_jitter(flag, one) for one in trembling)
    )
    for flag in (*trembling, *alone):
        if not moved_along(stage, flag.control, flag.frames):  # else it shows at what carries it
            yield flag if seen is stage else _at_keys(stage, flag)


def _at_keys(stage: Stage, flag: Flag) -> Flag:
    """The flag with the keys that its cause really has."""
    channel = stage.control(flag.cause.control).channel(flag.cause.channel or "")
    if channel is None or channel.baked:
        return flag
    return replace(flag, cause=replace(flag.cause, frames=key_frames(channel, flag.frames)))


def _of_jitter(flag: Flag, jitter: Flag) -> bool:
    """Whether a frame out of place is but one of a jitter's."""
    inside = jitter.frames[0] <= flag.frames[0] and flag.frames[1] <= jitter.frames[1]
    return inside and jitter.control == flag.control and flag.amount < LARGEST * jitter.amount


# --- a frame out of place --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A lapse of one channel as it is seen: at which point, on which frames, how far (2,) px at the first of them.

    `others` are the same at points that it moves less.
    """

    control: str
    channel: Channel
    point: Point
    first: int  # position
    count: int
    move: Array
    others: tuple[Seen, ...] = ()

    @property
    def pixels(self) -> float:
        return float(np.linalg.norm(self.move))


def _out_of_place(stage: Stage, outs: Sequence[joints.Out]) -> Iterator[Flag]:
    every = [*_keyed_seen(stage), *_baked_seen(stage, outs)]
    found = sorted(every, key=lambda seen: -seen.pixels)
    kept: list[Seen] = []
    for seen in found:
        # The channels of one control that lapse together are one finding, at the one that moves most.
        if not any(one.control == seen.control and abs(one.first - seen.first) <= 2 for one in kept):
            kept.append(seen)
    for seen in kept:
        together = {one.control for one in kept if abs(one.first - seen.first) <= 1 and not one.channel.baked}
        if seen.channel.baked or len(together) <= MOST_TOGETHER:
            yield from _named(stage, seen)


def _baked_seen(stage: Stage, outs: Sequence[joints.Out]) -> Iterator[Seen]:
    """Every lapse of a baked control that can be seen."""
    least = _least(stage)
    # A frame of film is the mean of so many samples: one that is displaced stands out less from it, by their root.
    sigmas = stage.thresholds["spike"]["baked_sigmas"] * float(np.sqrt(max(stage.shot.fps / WINDOW, 1.0)))
    for out in (out for out in outs if out.sigmas > sigmas):
        span = slice(out.first, out.first + out.count)
        if stage.control(out.control).part not in QUICK_PARTS and not quiet(stage, out.control)[span].any():
            channel = stage.control(out.control).channel(out.channels[0])
            assert channel is not None
            every = [
                Seen(out.control, channel, shown.point, out.first, out.count, shown.move)
                for shown in joints.shown(stage, out, least)
            ]
            if every:
                yield replace(every[0], others=tuple(every[1:]))


def _least(stage: Stage) -> float:
    """px from which any frame out of place is worth a warning: a kink is as large as the turns before and after it."""
    at_once = min(stage.thresholds[fault].warn for fault in ("spike", "uneven spacing"))
    return min(at_once, stage.thresholds["kinked arc"].warn / BOTH_WAYS)


def _keyed_seen(stage: Stage) -> Iterator[Seen]:
    """Every lapse of a keyed channel that can be seen and comes from where it was found."""
    groups: dict[int, list[tuple[str, Channel]]] = {}
    for name in stage.order:
        if stage.control(name).part not in QUICK_PARTS:
            for channel in stage.control(name).channels:
                if channel.name in joints.MOVES_POINTS and _may_lapse(channel):
                    groups.setdefault(4 if channel.name == QUATERNION else 1, []).append((name, channel))
    for group in groups.values():
        paths = np.stack([samples(stage, channel) for _, channel in group])
        for lapse in lapses(paths, stage.thresholds["spike"]["sigmas"]):
            name, channel = group[lapse.path]
            seen = _seen(stage, name, channel, lapse)
            if seen is not None:
                yield seen


def _may_lapse(channel: Channel) -> bool:
    """Whether it is keyed and has a key with neighbours so near that it can be out of place alone."""
    if channel.keys is None:
        return False
    at = channel.keys.frames
    return bool(len(at) > 2 and np.any(at[2:] - at[:-2] <= DENSE))


def _seen(stage: Stage, name: str, channel: Channel, lapse: Lapse) -> Seen | None:
    """Where a lapse is seen; None where it isn't: too small, off screen, marked, or made up for by another channel."""
    frames = int(stage.frames[lapse.first]), int(stage.frames[lapse.first + lapse.count - 1])
    own = excerpt(stage, lapse.first, lapse.first + lapse.count - 1)
    if quiet(own, name).any():
        return None
    point, by_unit = most_moved(stage.shot, own.posed, own.view, name, channel.name)
    least = _least(stage)
    if point is None or by_unit * float(np.linalg.norm(lapse.amount)) < least:
        return None
    move = gain(own, point, name, channel.name, frames)[0] @ lapse.amount
    near = excerpt(stage, lapse.first - REACH, lapse.first + lapse.count + REACH)
    there = replace(lapse, first=lapse.first - int(near.frames[0] - stage.frames[0]))
    # Beside it, since what is out of place may be foreshortened or off screen just then.
    beside = [max(there.first - 1, 0), min(there.first + lapse.count, len(near.frames) - 1)]
    if float(np.linalg.norm(move)) < least or not near.counts(point)[beside].all():
        return None
    visible = _along(near.screen(point), there, move)
    around = (
        int(near.frames[max(beside[0] - 1, 0)]),
        int(near.frames[min(beside[1] + 1, len(near.frames) - 1)]),
    )
    if visible < MADE_UP:
        return None
    shares = by_control(trace(stage, point, around, residual))
    if not shares or shares[0].control != name or shares[0].share < ITS_OWN:
        return None
    return Seen(name, channel, point, lapse.first, lapse.count, visible * move)


def _along(path: Array, lapse: Lapse, move: Array) -> float:
    """How much of a move of the lapse's shape the path (N, 2) on screen makes: 0 where it is made up for."""
    pattern = np.convolve(displaced(CURVE), SHAPES[lapse.count - 1])
    part = residual(path)[lapse.first - 2 : lapse.first + lapse.count + 2]
    made = float(np.sum(part * pattern[:, None] * move)) / float(pattern @ pattern * (move @ move))
    return min(made, 1.0)


def quiet(stage: Stage, name: str) -> NDArray[np.bool_]:
    """(N,) frames on which a control may break its course: accents, cuts, and a frame around any contact's ends."""
    mask = stage.marked(name, "accent", "cut", around=1)
    for mark in stage.shot.marks:
        if mark.kind == "contact":
            for end in mark.frames:
                mask |= np.abs(stage.frames - end) <= 1
    return mask


def _named(stage: Stage, seen: Seen) -> Iterator[Flag]:
    """The flag for a frame out of place, at the point that it moves most of those where it is a fault."""
    for at in (seen, *seen.others):
        found = list(_named_at(stage, at))
        if found:
            yield from found
            return


def _named_at(stage: Stage, seen: Seen) -> Iterator[Flag]:
    """Which of the three faults it is at a point, and how bad."""
    path, first = stage.screen(seen.point), seen.first
    before, after = path[first - 1], path[first + seen.count]
    step = (after - before) / (seen.count + 1)
    spacing = float(np.linalg.norm(step))
    along = abs(float(seen.move @ step)) / spacing if spacing > 0 else 0.0
    across = float(np.sqrt(max(seen.pixels**2 - along**2, 0.0)))
    at = int(stage.frames[first])
    if seen.pixels > spacing:
        yield from _flag(
            stage, "spike", seen, seen.pixels, f"jumps {seen.pixels:.1f} px off its path at {at} and back"
        )
        return
    uneven, kinked = stage.thresholds["uneven spacing"], stage.thresholds["kinked arc"]
    names = [(along / uneven.warn, _uneven_flag), (BOTH_WAYS * across / kinked.warn, _kinked_flag)]
    for beyond, named in sorted(names, key=lambda pair: -pair[0]):
        found = list(named(stage, seen, along, across)) if beyond >= 1 else []
        if found:
            yield from found
            return


def _uneven_flag(stage: Stage, seen: Seen, along: float, across: float) -> Iterator[Flag]:
    path, first, at = stage.screen(seen.point), seen.first, int(stage.frames[seen.first])
    steps = np.linalg.norm(np.diff(path[max(first - TURNS, 0) : first + seen.count + TURNS], axis=0), axis=1)
    if unevenness(steps) > stage.thresholds["uneven spacing"]["z"]:
        message = f"frame {at} lies {along:.1f} px off the even spacing along its path"
        yield from _flag(stage, "uneven spacing", seen, along, message)


def _kinked_flag(stage: Stage, seen: Seen, along: float, across: float) -> Iterator[Flag]:
    turn, kink = _kink(stage.screen(seen.point), seen.first)
    if turn >= stage.thresholds["kinked arc"]["degrees"]:
        message = f"the arc kinks by {turn:.0f} deg at {int(stage.frames[seen.first])}, {across:.1f} px off"
        # At a high rate a turn may be sharp and tiny.
        seen_as = min(kink, BOTH_WAYS * across) if seen.channel.baked else kink
        yield from _flag(stage, "kinked arc", seen, seen_as, message, turn)


def _kink(path: Array, at: int) -> tuple[float, float]:
    """Turn of a path at a frame beyond the median of its neighbours' turns, degrees, and spacing x sin(turn), px."""
    low = max(at - TURNS - 1, 0)
    steps = np.diff(path[low : at + TURNS + 2], axis=0)
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    turns = (np.diff(heading) + np.pi) % (2 * np.pi) - np.pi
    own = at - low - 1
    others = np.delete(turns, [own - 1, own, own + 1])
    beyond = abs(float(turns[own] - np.median(others)))
    spacing = float(np.linalg.norm(steps[own : own + 2], axis=1).mean())
    return float(np.degrees(beyond)), spacing * float(np.sin(min(beyond, np.pi / 2)))


def _flag(
    stage: Stage, fault: str, seen: Seen, amount: float, message: str, turn: float | None = None
) -> Iterator[Flag]:
    threshold = stage.thresholds[fault]
    lasting = amount * min(1.0, WINDOW / stage.shot.fps)
    severity: Severity | None = threshold.severity(lasting)
    if severity is None and threshold.severity(amount) is not None:
        severity = "note"
    if severity == "error" and turn is not None and turn < threshold["error_degrees"]:
        severity = "warn"
    if severity is None:
        return
    frames = int(stage.frames[seen.first]), int(stage.frames[seen.first + seen.count - 1])
    cause = Cause(seen.control, seen.channel.name, key_frames(seen.channel, frames))
    ratio = threshold.ratio(lasting) * stage.attention(seen.point.control)
    remedy = (
        "let it pass through where the frames beside it point"
        if seen.channel.baked
        else "put the key between its neighbours, or drop it"
    )
    yield Flag(
        fault,
        seen.control,
        seen.channel.name,
        frames,
        severity,
        amount,
        "px",
        cause,
        message + _at(seen.control, seen.point),
        remedy,
        ratio,
    )


def _at(control: str, point: Point) -> str:
    return f", seen at {point.control}" if point.control != control else ""


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {
    "spike": steady.filled,
    "uneven spacing": steady.filled,
    "kinked arc": steady.filled,
    "jitter": steady.steadied,
}

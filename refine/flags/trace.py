"""What causes a residual that is seen at a point: the channels up its chain, each with its share.

A residual is a linear filter of the path on screen. To first order the path follows the channels by
sum J(point, channel, f) * value(f), so the filter of a channel's own samples, brought to the screen by J, is the
part of the residual that is that channel's doing:

    part = J * filter(samples),   share = <part, residual> / <residual, residual>  over the frames in question

Shares of all channels and the camera sum to about 1; a channel that works against the others has a negative one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from refine.curve import sample
from refine.flags.excerpt import excerpt
from refine.flags.flag import RANK, Flag
from refine.flags.stage import Stage
from refine.measure import carried
from refine.pose import Point, jacobian
from refine.rotation import continuous
from refine.shot import Array, Channel
from refine.view import screen_jacobian

NEARLY_ALL = 0.8  # of some frames on which a point must count to be watched [judge]
Filter = Callable[[Array], Array]  # (N, D) -> (N, D), linear along the frames
REACH = 8  # frames to each side that a filter may reach: differences of an order up to 16


class Share(NamedTuple):
    """How much of a residual one channel causes: 1 for all of it."""

    share: float
    control: str
    channel: str


def chain(stage: Stage, control: str) -> list[str]:
    """A control and all above it, the root last."""
    found = [control]
    while (parent := stage.control(found[-1]).parent) is not None:
        found.append(parent)
    return found


def gain(stage: Stage, point: Point, control: str, channel: str, frames: tuple[int, int]) -> Array:
    """(n, 2, D) px that a point moves a unit of a channel, on frames a to b."""
    near = _around(stage, frames, 0)
    by_value = jacobian(stage.shot, near.posed, control, channel, [point])[0]
    on_screen: Array = screen_jacobian(near.view, near.world(point)) @ by_value
    return on_screen


def best_seen(stage: Stage, control: str, channel: str, frames: tuple[int, int]) -> Point | None:
    """The carried point that a channel moves most on frames a to b, among those that count on nearly all of them."""
    near, best, most = _around(stage, frames, 0), None, 0.0
    points = carried(stage.shot, control)
    by_values = jacobian(stage.shot, near.posed, control, channel, points)
    for point, by_value in zip(points, by_values, strict=True):
        counts = near.counts(point)
        if by_value.any() and float(np.mean(counts)) >= NEARLY_ALL:
            moved = screen_jacobian(near.view, near.world(point)) @ by_value
            size = float(np.sqrt(np.mean(np.sum(moved**2, axis=(1, 2)) * counts)))
            if size > most:
                best, most = point, size
    return best


def _around(stage: Stage, frames: tuple[int, int], reach: int) -> Stage:
    """The stage of frames a to b and `reach` frames beside them."""
    first = int(stage.frames[0])
    return excerpt(stage, frames[0] - first - reach, frames[1] - first + reach)


def trace(stage: Stage, point: Point, frames: tuple[int, int], residual_filter: Filter) -> list[Share]:
    """The channels that cause the residual of a point on frames a to b, largest share first.

    `residual_filter` is applied to the point's path on screen and to each channel's samples, around these frames: it
    may reach REACH frames to each side. Empty where nothing is left of the path.
    """
    stage = _around(stage, frames, REACH)
    part = slice(
        int(np.searchsorted(stage.frames, frames[0])), int(np.searchsorted(stage.frames, frames[1])) + 1
    )
    residual = residual_filter(stage.screen(point))[part]
    whole = float(np.sum(residual**2))
    if whole == 0:
        return []
    found = []
    for name in chain(stage, point.control):
        for channel in stage.control(name).channels:
            own = residual_filter(samples(stage, channel))[part]
            if np.any(own):
                made = (gain(stage, point, name, channel.name, frames) @ own[:, :, None])[:, :, 0]
                found.append(Share(float(np.sum(made * residual)) / whole, name, channel.name))
    return sorted(found, key=lambda share: -share.share)


def by_control(shares: Sequence[Share]) -> list[Share]:
    """The shares of whole controls, each under its strongest channel, largest first."""
    totals: dict[str, Share] = {}
    for share, control, channel in shares:
        before = totals.get(control)
        totals[control] = Share(
            share + (before.share if before else 0.0), control, before.channel if before else channel
        )
    return sorted(totals.values(), key=lambda share: -share.share)


def samples(stage: Stage, channel: Channel) -> Array:
    """(N, D) values of a channel on the stage's frames, whole turns and signs of quaternions undone."""
    return continuous(channel, sample(channel, stage.shot, stage.frames))


def key_frames(channel: Channel, frames: tuple[int, int]) -> tuple[float, ...]:
    """The keys of a channel in a range, the nearest one where there is none; a baked channel's range itself."""
    if channel.keys is None:
        return tuple(dict.fromkeys((float(frames[0]), float(frames[1]))))
    at = channel.keys.frames
    inside = at[(at >= frames[0]) & (at <= frames[1])]
    if len(inside):
        return tuple(inside.tolist())
    return (float(at[np.argmin(np.abs(at - sum(frames) / 2))]),)


def merged(flags: Sequence[Flag], apart: int = 0) -> list[Flag]:
    """Flags of one fault, caused by one control, become one: the most visible's words stay.

    Their frames overlap, or lie no more than `apart` frames from each other.
    """
    found: list[Flag] = []
    for flag in sorted(flags, key=lambda flag: (-RANK[flag.severity], -flag.ratio)):
        same = next((n for n, other in enumerate(found) if _one_cause(flag, other, apart)), None)
        if same is None:
            found.append(flag)
        else:
            first, last = zip(flag.frames, found[same].frames, strict=True)
            found[same] = replace(found[same], frames=(min(first), max(last)))
    return found


def _one_cause(one: Flag, other: Flag, apart: int) -> bool:
    same = (one.fault, one.cause.control) == (other.fault, other.cause.control)
    late = max(one.frames[0], other.frames[0]) - min(one.frames[1], other.frames[1])
    return same and late <= apart

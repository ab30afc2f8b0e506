"""The mend of a straight limb that pops: its middle joint bends as smoothly as it can without going straight.

Around the pop the bend x (deg) is made anew, x = today's outside,

    minimise  sum (D3 x)^2 + w^2 sum (x - today)^2   subject to  x >= the bend at FULL of the limb's length

w such that what is slower than SLOW is kept, and ten times that where the limb stands before the pop or after it. The
end is brought nearer to its start as far as that bend asks, along the line between them. Where the keys of the limb
can't follow that, the channel that bends it does it alone, and the end swings. What would slide then is left as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from refine.flags.flag import Flag
from refine.flags.led import led
from refine.flags.limbs import pops
from refine.flags.stage import Stage, runs
from refine.flags.standing import MM, margin, standing, usual
from refine.limbs.limb import Limb, bend, extension, joints
from refine.limbs.planted import Planted
from refine.limbs.planting import Shift, shifted
from refine.pose import pose, world_point
from refine.shot import ROTATIONS, Array, Channel, Shot, frozen

FAULT = "straight limb pop"
SOFT = 0.97  # [judge] of a limb's length, from which a stretch belongs to a pop
FULL = 0.99  # [judge] which a mended limb doesn't pass
BESIDE = 0.25  # [judge] s to each side of such a stretch in which the bend may change, so that it slows down in time
SLOW = 2.0  # [judge] Hz
PLANTED = 10.0  # [judge] times as much it costs to bend a limb that stands
BY = 1 / 6  # [judge] s within which a contact that a snap made begins or ends at it
FIXED = 3  # frames to each side that the third difference hangs on
EPS = 0.002  # m: how near the end is kept to its path
TURNS = 0.5  # [judge] deg of bend for a degree of its channel, at least
PASSES, TINY = 6, 0.2  # Newton steps, and degrees for its differences
LONGEST = 10.0  # deg a pass


def calmed(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a limb doesn't pop there: its ends brought together, or bent by its own joint."""
    limb = next((each for each in standing(stage).limbs if each.lower == flag.control), None)
    course = None if limb is None else _course(stage, limb, flag)
    if limb is None or course is None:
        return
    first, wanted = course
    for way in (_by_end, _by_joint):
        after = way(stage, limb, first, wanted)
        if after is None or not _stands(stage, after, limb):
            continue
        if not _popping(replace(stage, shot=after), limb, (first, first + len(wanted))):
            yield after


def _popping(stage: Stage, limb: Limb, at: tuple[int, int]) -> bool:
    return any(at[0] - 2 <= n < at[1] + 2 for n, _, _ in pops(stage, limb))


def _stands(stage: Stage, after: Shot, limb: Limb) -> bool:
    """Whether the limb slides no more than before wherever it is planted, or no more than what isn't seen.

    That is the warning's threshold; of contacts that no mark speaks of, what is usual in the shot.
    """
    unit = MM * standing(stage).scale
    slid = [(each, _drift(stage, each, stage.shot) * unit) for each in standing(stage).contacts]
    least = stage.thresholds["sliding contact"]["warn_mm"]
    loose = max(least, usual([mm for each, mm in slid if not each.marked]))
    return all(
        _drift(stage, each, after) * unit <= max(mm, least if each.marked else loose)
        for each, mm in slid
        if each.limb == limb and not _snapped(stage, each, limb)
    )


def _snapped(stage: Stage, contact: Planted, limb: Limb) -> bool:
    """Whether a foot is only found standing from one snap of its limb to the next: the fault itself holds it there."""
    if contact.marked:
        return False
    snaps = np.array([stage.frames[n] for n, _, _ in pops(stage, limb)])
    return bool(
        all((np.abs(snaps - end) <= BY * stage.shot.fps).any() for end in contact.frames[[0, -1]])
        and np.ptp(snaps) > 0
    )


def _drift(stage: Stage, contact: Planted, shot: Shot) -> float:
    """How far a contact's point goes from its anchor, shot units."""
    core = contact.core(margin(stage))
    frames = contact.frames[core]
    path = contact.path[core] if shot is stage.shot else world_point(pose(shot, frames), shot, contact.point)
    return float(np.linalg.norm(path - contact.anchor[core], axis=1).max())


def _course(stage: Stage, limb: Limb, flag: Flag) -> tuple[int, Array] | None:
    """The first position of the bends that change, and what they become (n,), deg."""
    extended, today = extension(stage.shot, stage.posed, limb), bend(stage.shot, stage.posed, limb)
    hit = (stage.frames >= flag.frames[0]) & (stage.frames <= flag.frames[1])
    stretch = next(((a, b) for a, b in runs(extended > SOFT) if hit[a : b + 1].any()), None)
    if stretch is None:
        return None
    beside = round(BESIDE * stage.shot.fps)
    a, b = max(stretch[0] - beside, FIXED), min(stretch[1] + beside, len(today) - 1 - FIXED)
    if b - a < FIXED:
        return None
    weight = np.full(len(today), (2 * np.pi * SLOW / stage.shot.fps) ** 3)
    for contact in (each for each in standing(stage).contacts if each.limb == limb):
        at = (contact.frames - stage.range[0]).astype(np.intp)
        if not hit[at].any() and not _snapped(stage, contact, limb):
            weight[at] *= PLANTED
    return a, _smoothest(today[a - FIXED : b + 1 + FIXED], _least(stage, limb)[a : b + 1], weight[a : b + 1])


def _least(stage: Stage, limb: Limb) -> Array:
    """(N,) deg of bend at which a limb is FULL of its length."""
    u, v = _bones(stage, limb)
    return np.rad2deg(np.arccos(np.clip((np.square(FULL * (u + v)) - u**2 - v**2) / (2 * u * v), -1.0, 1.0)))


def _bones(stage: Stage, limb: Limb) -> tuple[Array, Array]:
    hip, knee, ankle = joints(stage.shot, stage.posed, limb)
    return np.linalg.norm(knee - hip, axis=1), np.linalg.norm(ankle - knee, axis=1)


def _smoothest(today: Array, least: Array, weight: Array) -> Array:
    """(n,) the course of least third difference near today's, (n + 2 FIXED,), whose ends stay, above `least` (n,)."""
    from scipy.optimize import lsq_linear

    third = np.diff(np.eye(len(today)), 3, axis=0)
    inside = slice(FIXED, len(today) - FIXED)
    fixed = today.copy()
    fixed[inside] = 0.0
    matrix = np.vstack([third[:, inside], np.diag(weight)])
    wanted = np.concatenate([-third @ fixed, weight * today[inside]])
    return np.asarray(lsq_linear(matrix, wanted, bounds=(np.minimum(least, today[inside].max()), np.inf)).x)


# --- by its own joint --------------------------------------------------------------------------------------


def _by_joint(stage: Stage, limb: Limb, first: int, wanted: Array) -> Shot | None:
    """The limb bent by the channel of its lower bone that bends it most; None where that is none, or held."""
    if limb.bones is not None:
        return None
    frames = stage.frames[first : first + len(wanted)]
    best = max(
        (channel for channel in stage.control(limb.lower).channels if channel.name in ROTATIONS),
        key=lambda channel: _turn(stage, limb, channel, frames)[0],
        default=None,
    )
    if best is None or _turn(stage, limb, best, frames)[0] < TURNS:
        return None
    now, total = stage, np.zeros(len(wanted))
    for _ in range(PASSES):
        channel = now.control(limb.lower).channel(best.name)
        assert channel is not None
        _, rate, today = _turn(now, limb, channel, frames)
        # A joint that hardly turns its limb where it is turns the usual way.
        usual_way = TURNS if np.median(rate) > 0 else -TURNS
        step = (wanted - today) / np.where(np.abs(rate) < TURNS, usual_way, rate)
        total += np.clip(step, -LONGEST, LONGEST)
        moved = led(stage, limb.lower, best, total, first)
        if moved is None:
            return None
        now = replace(stage, shot=stage.shot.with_channel(limb.lower, moved))
    return now.shot


def _turn(stage: Stage, limb: Limb, channel: Channel, frames: Array) -> tuple[float, Array, Array]:
    """How many degrees a limb bends for one of a channel: the median, and on each frame with its sign; today's bend."""
    today = _bend_at(stage.shot, limb, frames)
    rate = (
        _bend_at(stage.shot.with_channel(limb.lower, _turned(channel, TINY)), limb, frames) - today
    ) / TINY
    return float(np.median(np.abs(rate))), rate, today


def _bend_at(shot: Shot, limb: Limb, frames: Array) -> Array:
    return bend(shot, pose(shot, frames), limb)


def _turned(channel: Channel, by: float) -> Channel:
    if channel.keys is not None:
        return replace(channel, keys=channel.keys.changed(values=channel.keys.values + by))
    assert channel.samples is not None
    return replace(channel, samples=frozen(channel.samples + by))


# --- by its end --------------------------------------------------------------------------------------------


def _by_end(stage: Stage, limb: Limb, first: int, wanted: Array) -> Shot | None:
    """The end brought along the line from the start to where the bend is as wanted."""
    part = slice(first, first + len(wanted))
    hip, _, ankle = (place[part] for place in joints(stage.shot, stage.posed, limb))
    u, v = (length[part] for length in _bones(stage, limb))
    apart = np.sqrt(u**2 + v**2 + 2 * u * v * np.cos(np.deg2rad(wanted)))
    by = (apart / np.linalg.norm(ankle - hip, axis=1) - 1.0)[:, None] * (ankle - hip)
    shift = Shift(stage.frames[part], by, np.ones(len(wanted)))
    return shifted(stage.shot, limb, limb.end, shift, stage.locks, EPS / standing(stage).scale)


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {FAULT: calmed}

"""The contacts of a stage, and what caused a point to leave where it stood: shared by the families about contact."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from refine.flags.flag import Cause
from refine.flags.stage import Stage, kept
from refine.limbs.limb import Limb, limbs, metres_per_unit
from refine.limbs.planted import Planted, found_contacts, marked_contacts, resting_with
from refine.pose import Pose, jacobian
from refine.rig import carriers
from refine.shot import Array, Shot

MM = 1000.0
FEW = 5  # contacts, from which a shot shows its own looseness
USUAL = (10.0, 15.0, 25.0)  # [judge] mm: how far contacts drift in three open captured clips, median 15
ALONG = (
    0.5  # cosine between how a channel moves a point and how the point went, from which it may be the cause
)
NEAR = 12.0  # frames beside a slide in which a broken habit may have caused it: the next key or two
LEFT = 0.5  # of the warning's threshold: what a mend may leave


@dataclass(frozen=True, eq=False)
class Standing:
    """The limbs of a stage, metres a shot unit, and its contacts."""

    limbs: tuple[Limb, ...]
    scale: float
    stated: bool
    contacts: tuple[Planted, ...]


@kept
def standing(stage: Stage) -> Standing:
    """The contacts of a stage: marked ones, and found ones of feet that no mark speaks of."""
    shot = stage.shot
    found = limbs(shot, stage.posed)
    scale, stated = metres_per_unit(shot, found)
    marked = tuple(marked_contacts(shot, stage.posed, found))
    named = {each.control for each in marked}
    free = [limb for limb in found if limb.kind == "leg" and limb.end not in named]
    every = (*marked, *found_contacts(shot, stage.posed, free, scale))
    return Standing(found, scale, stated, every)


@kept
def resting(stage: Stage) -> dict[Planted, tuple[Planted, ...]]:
    """The other points of each contact's foot that rest with it."""
    there, found = standing(stage), {}
    for each in there.contacts:
        posed = posed_on(stage, each.frames)
        found[each] = tuple(resting_with(stage.shot, posed, each, there.scale))
    return found


def posed_on(stage: Stage, frames: Array) -> Pose:
    """The stage's pose on some of its frames."""
    at = (frames - stage.frames[0]).astype(np.intp)
    return Pose(frames, stage.posed.linear[:, at], stage.posed.origin[:, at])


def margin(stage: Stage) -> int:
    """Frames at each end of a contact that are part of coming and going."""
    return max(round(stage.shot.fps / 24), 1)


def usual(amounts: Sequence[float]) -> float:
    """What is still usual in a shot: the upper fifth begins there. Few amounts lean on what sound shots bring."""
    every = [*amounts, *USUAL] if len(amounts) < FEW else amounts
    return float(np.percentile(every, 80))


def common(shot: Shot, limbs: Sequence[Limb]) -> str | None:
    """The control nearest to some limbs that carries all of them."""
    above = [carriers(shot, limb.upper) for limb in limbs]
    return next((name for name in above[0] if all(name in each for each in above)), None)


def carrying(stage: Stage, name: str) -> list[str]:
    """A control and what carries it, the root first."""
    return [*reversed(carriers(stage.shot, name)), name]


def broken(stage: Stage, names: Sequence[str], contact: Planted) -> Cause | None:
    """The first of some controls, from the root outward, that broke the shot's habit where a point left its anchor.

    The channel is the one that moves the point most nearly the way it went, the key the one nearest to the worst frame.
    """
    away = contact.path - contact.anchor
    worst = int(np.argmax(np.linalg.norm(away, axis=1)))
    frame = float(contact.frames[worst])
    went = away[worst] / max(float(np.linalg.norm(away[worst])), 1e-12)
    now = slice(int(frame - stage.frames[0]), int(frame - stage.frames[0]) + 1)
    one = Pose(stage.frames[now], stage.posed.linear[:, now], stage.posed.origin[:, now])
    for name in names:
        best: tuple[float, Cause] | None = None
        for channel in stage.control(name).channels:
            if channel.keys is None or channel.keys.values.shape[1] != 1:
                continue
            strange = stage.book.strange_frames(name, channel.name)
            if not len(strange) or np.abs(strange - frame).min() > NEAR:
                continue
            move = jacobian(stage.shot, one, name, channel.name, (contact.point,))[0, 0, :, 0]
            size = float(np.linalg.norm(move))
            along = abs(float(move @ went)) / size if size > 0 else 0.0
            if along > ALONG and (best is None or along > best[0]):
                keys = channel.keys.frames
                best = along, Cause(name, channel.name, (float(keys[int(np.argmin(np.abs(keys - frame)))]),))
        if best is not None:
            return best[1]
    return None


def keys_near(stage: Stage, name: str, frames: tuple[int, int]) -> tuple[float, ...]:
    """Frames of a control's keys in a range, or the nearest one."""
    keyed = [channel.keys.frames for channel in stage.control(name).channels if channel.keys is not None]
    if not keyed:
        return ()
    every = np.unique(np.concatenate(keyed))
    inside = every[(every >= frames[0]) & (every <= frames[1])]
    nearest = every[[int(np.argmin(np.abs(every - 0.5 * (frames[0] + frames[1]))))]]
    return tuple((inside if len(inside) else nearest).tolist())


@dataclass(frozen=True, slots=True)
class Floor:
    """Height of the floor in shot units, where it comes from, and whether the artist's marks say so."""

    height: float
    source: str
    marked: bool


@kept
def floor(stage: Stage) -> Floor:
    """The lowest height at which a foot stays planted; 0 where none does."""
    feet = {c: low for c, low in planted_lows(stage).items() if c.relative is None}
    marked = {c: low for c, low in feet.items() if c.marked}
    lows = list((marked or feet).values())
    if not lows:
        return Floor(0.0, "height 0, since no foot is planted", False)
    agree = stage.thresholds["through floor"].warn / MM / standing(stage).scale
    return Floor(_lowest(np.sort(lows), agree), "the lowest planted height", bool(marked))


def _lowest(lows: Array, agree: float) -> float:
    """The lowest of some rising heights with another one near it: a single step that sinks is no floor.

    Near is what `agree` says, no more than what is deep enough to be flagged: else a step would be its own floor.
    """
    agreed = lows[:-1][np.diff(lows) < agree]
    return float(agreed[0] if len(agreed) else lows[0])


@kept
def planted_lows(stage: Stage) -> dict[Planted, float]:
    """For each contact of a foot the height of the foot's lowest point while it is planted, shot units."""
    up = "xyz".index(stage.shot.up)
    heights: dict[Limb, Array] = {}
    found = {}
    for contact in standing(stage).contacts:
        limb = contact.limb
        if limb is None or limb.kind != "leg":
            continue
        if limb not in heights:
            heights[limb] = np.stack([stage.world(point)[:, up] for point in limb.points])
        at = (contact.frames - stage.frames[0]).astype(np.intp)
        found[contact] = float(np.median(heights[limb][:, at], axis=1).min())
    return found

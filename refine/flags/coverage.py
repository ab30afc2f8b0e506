"""What nobody looked at: controls that stand still among moving ones, and sides that move as one.

Movement of a control is that of its own channels: degrees, with 1 % of the figure's height worth as much as a degree.
Siblings are the controls on the same parent and the partner on the other side. Twinned sides stand in `twins`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from refine.body.masses import family
from refine.curve import sample
from refine.flags.flag import Cause, Flag
from refine.flags.stage import Stage, runs
from refine.flags.twins import TWINS, figure_height, twins, untwinned
from refine.limbs.sides import partners
from refine.pose import Point
from refine.rig import children, descendants
from refine.rotation import conjugate, quaternion_product, rotation_vector
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Array, Control, Segment, Shot

STILL = "never animated"
MOVING = (*ROTATIONS, *TRANSLATIONS, QUATERNION)
FEWEST = 2  # siblings
FEWEST_SMALL = 3  # siblings of a keyed finger or toe: a thumb beside a block of fingers is often left [judge]
SMALL_PARTS = ("finger", "foot")  # families of what nobody misses where it has nothing of its own on it


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    partner = partners(stage.shot.controls)
    yield from _still(stage, partner)
    yield from twins(stage, partner)


# --- standing still among moving ones --------------------------------------------------------------------------


def _movement(stage: Stage, control: Control, height: float) -> Array:
    """(N, D) of a control's rotations in degrees and translations in % of the height; D = 0 where it has none."""
    columns = []
    for channel in control.channels:
        if channel.name in ROTATIONS or channel.name in TRANSLATIONS:
            unit = 1.0 if channel.name in ROTATIONS else 100.0 / height
            columns.append(unit * sample(channel, stage.shot, stage.frames))
        elif channel.name == QUATERNION:
            q = sample(channel, stage.shot, stage.frames)
            start = np.broadcast_to(conjugate(q[:1]), q.shape)
            columns.append(np.rad2deg(rotation_vector(quaternion_product(start, q))))
    return np.concatenate(columns, axis=1) if columns else np.zeros((len(stage.frames), 0))


def _range(movement: Array) -> float:
    return float(np.ptp(movement, axis=0).max(initial=0.0))


def _still(stage: Stage, partner: dict[str, str]) -> Iterator[Flag]:
    threshold, below = stage.thresholds[STILL], children(stage.shot)
    least = max(int(np.ceil(threshold["seconds"] * stage.shot.fps)), 2)
    moves: dict[str, Array] = {}
    height = 0.0

    def movement(name: str) -> Array:
        if name not in moves:
            moves[name] = _movement(stage, stage.control(name), height)
        return moves[name]

    for name in stage.order:
        control = stage.control(name)
        if (
            control.parent is None
            or control.links
            or not _may_rest(control, stage.frames, least, threshold["still"])
        ):
            continue  # what hangs on nothing has no siblings; what is driven follows its driver
        height = height or figure_height(stage)
        names = dict.fromkeys((*below[control.parent], *([partner[name]] if name in partner else [])))
        siblings = [n for n in names if n != name and movement(n).shape[1]]
        if (
            len(siblings) < _fewest(control, below[name])
            or not stage.counts(Point(name, control.pivot)).any()
        ):
            continue
        for a, b in _rests(movement(name), least, threshold["still"]):
            others = np.array([_range(movement(n)[a : b + 1]) for n in siblings])
            moving = others[others > threshold.warn]
            if len(moving) >= threshold["siblings"] * len(others) and not _braced(stage, name, a, b):
                whole = b - a + 1 == len(stage.frames)
                yield _still_flag(stage, name, (a, b), float(np.median(moving)), whole)


def _fewest(control: Control, carried: tuple[str, ...]) -> int:
    """How many siblings it takes to miss a control: more of a finger or toe that carries nothing.

    Not of a recorded one: what is keyed may have been left on purpose, a recording moves whatever it knows.
    """
    keyed = not any(channel.baked for channel in control.channels)
    small = keyed and not carried and family(control.part or control.name) in SMALL_PARTS
    return FEWEST_SMALL if small else FEWEST


def _may_rest(control: Control, frames: Array, least: int, still: float) -> bool:
    """Whether each channel has a flat stretch of half that long; most have none, and aren't sampled."""
    channels = [c for c in control.channels if c.name in MOVING]
    for keys in (c.keys for c in channels if c.keys is not None and len(c.keys) > 1):
        flat = (np.abs(np.diff(keys.values, axis=0)).max(axis=1) < still) | (
            keys.segment[:-1] == Segment.HOLD
        )
        ends = max(keys.frames[0] - frames[0], frames[-1] - keys.frames[-1])
        if max((keys.frames[b + 1] - keys.frames[a] for a, b in runs(flat)), default=ends) < least / 2 > ends:
            return False
    return bool(channels)


def _rests(own: Array, least: int, still: float) -> list[tuple[int, int]]:
    """First and last positions of the stretches of at least `least` frames in which a movement (N, D) rests."""
    if len(own) < 2:
        return []
    steps = np.abs(np.diff(own, axis=0)).max(axis=1)
    found = [(a, b + 1) for a, b in runs(steps < still / least)]
    return [(a, b) for a, b in found if b - a >= least and _range(own[a : b + 1]) < still]


def _still_flag(stage: Stage, name: str, span: tuple[int, int], amount: float, whole: bool) -> Flag:
    """A control that never moves is a fault; one that rests for a while is worth a look: rest may be meant."""
    threshold = stage.thresholds[STILL]
    severity = (threshold.severity(amount) or "note") if whole else "note"
    where = int(stage.frames[span[0]]), int(stage.frames[span[1]])
    how = "never moves" if whole else f"stands still for {(span[1] - span[0]) / stage.shot.fps:.1f} s"
    message = f"{how} while what is beside it turns by {amount:.0f} deg"
    remedy = "give it a little of its parent's motion, some frames later"
    ratio = threshold.ratio(amount) * stage.attention(name)
    return Flag(STILL, name, None, where, severity, amount, "deg", Cause(name), message, remedy, ratio)


def _braced(stage: Stage, name: str, a: int, b: int) -> bool:
    """Whether a control, or something that it carries, is held or in a contact, or carries what is attached."""
    names = {name, *descendants(stage.shot, name)}
    carrying = any(
        link.to in names for c in stage.shot.controls for link in c.links if link.kind == "attachment"
    )
    held = any(stage.marked(n, "contact", "hold")[a : b + 1].any() for n in names)
    return carrying or held


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {}
TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {TWINS: untwinned}

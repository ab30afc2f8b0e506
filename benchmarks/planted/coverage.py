"""Controls that stand still and sides that move as one, planted into clean shots of captured rigs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.planted.rotations import Size, Truth
from refine.limbs.sides import partners
from refine.rig import children, descendants
from refine.shot import ROTATIONS, Channel, Keys, Shot, make_keys

ALIVE = 4.0  # deg: siblings that move more make the standing one a fault
ODD_KEYS = 3  # one key in so many comes at another time, of sides that are twinned only mostly
SHIFT = 3  # frames
MIRROR = {"rotation.x": 1.0, "rotation.y": -1.0, "rotation.z": -1.0}  # sides mirrored along x
WAYS = ("still", "twins")


def plant(shot: Shot, seed: int, size: Size, way: str | None = None) -> tuple[Shot, Truth]:
    """The shot with one control that never moves, or one side a mirror image of the other (warn: nearly)."""
    rng = np.random.default_rng([seed, 78, ("warn", "error").index(size)])
    chosen = way or WAYS[int(rng.integers(2))]
    return _still(shot, rng) if chosen == "still" else _twins(shot, rng, size)


def _still(shot: Shot, rng: np.random.Generator) -> tuple[Shot, Truth]:
    below, partner = children(shot), partners(shot.controls)
    found = []
    for control in shot.controls:
        if control.parent is None or not _range(shot, control.name):
            continue
        siblings = {n for n in below[control.parent] if n != control.name} | {partner.get(control.name)} - {
            None
        }
        moving = [n for n in siblings if n is not None and _range(shot, n) > ALIVE]
        if len(siblings) > 1 and len(moving) >= 0.6 * len(siblings):
            found.append(control)
    if not found:
        raise ValueError(f"{shot.name}: no control with siblings that move")
    control = found[int(rng.integers(len(found)))]
    for channel in control.channels:
        assert channel.keys is not None
        still = make_keys([0.0], channel.keys.values[:1], [0.0])
        shot = shot.with_channel(control.name, replace(channel, keys=still))
    return shot, Truth("never animated", control.name, None, (), "still")


def _range(shot: Shot, name: str) -> float:
    tables = [c.keys for c in shot.controls[shot.index(name)].channels if c.name in ROTATIONS]
    return max((float(np.ptp(keys.values)) for keys in tables if keys is not None), default=0.0)


def _twins(shot: Shot, rng: np.random.Generator, size: Size) -> tuple[Shot, Truth]:
    partner = partners(shot.controls)
    roots = [
        c.name
        for c in shot.controls
        if c.name in partner
        and c.parent == shot.controls[shot.index(partner[c.name])].parent
        and shot.index(c.name) < shot.index(partner[c.name])
        and any(_range(shot, n) > 3 * ALIVE for n in (c.name, *descendants(shot, c.name)))
    ]
    if not roots:
        raise ValueError(f"{shot.name}: no side that moves")
    root = roots[int(rng.integers(len(roots)))]
    for name in (root, *descendants(shot, root)):
        for channel in shot.controls[shot.index(name)].channels:
            if name in partner and channel.keys is not None:
                keys = _mirrored(channel.keys, MIRROR[channel.name], size, rng)
                shot = shot.with_channel(partner[name], Channel(channel.name, keys))
    return shot, Truth("twinned sides", root, None, (), "twins")


def _mirrored(keys: Keys, sign: float, size: Size, rng: np.random.Generator) -> Keys:
    frames = keys.frames.copy()
    if size == "warn" and len(keys) > 4:
        late = np.flatnonzero(rng.integers(0, 4 * ODD_KEYS, len(keys)) == 0)
        for k in late[(late > 0) & (late < len(keys) - 1)]:
            frames[k] = min(frames[k] + SHIFT, frames[k + 1] - 1)
    return make_keys(frames, sign * keys.values, sign * keys.outgoing)

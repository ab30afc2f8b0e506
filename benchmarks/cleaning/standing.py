"""Where the feet of a shot stand, and its scale: once for a truth, for degradations and figures alike."""

from __future__ import annotations

from dataclasses import dataclass

from refine.limbs.limb import Limb, limbs, metres_per_unit
from refine.limbs.planted import Planted, found_contacts
from refine.pose import Pose, pose
from refine.shot import Shot


@dataclass(frozen=True, eq=False)
class Standing:
    """`scale` in metres a unit."""

    posed: Pose
    limbs: tuple[Limb, ...]
    scale: float
    contacts: tuple[Planted, ...]


def standing(shot: Shot) -> Standing:
    posed = pose(shot, shot.frames)
    found = limbs(shot, posed)
    scale, _ = metres_per_unit(shot, found)
    legs = [limb for limb in found if limb.kind == "leg"]
    return Standing(posed, found, scale, tuple(found_contacts(shot, posed, legs, scale)))

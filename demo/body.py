"""The baker's rig: 21 controls in metres, standing at the origin and facing +Z, +X to the baker's left.

Proportions are those of an adult of 1.74 m. Carried mass is the share of the body that hangs on a control;
segment masses after de Leva 1996, J Biomech 29:1223-1230, male.
"""

from __future__ import annotations

from dataclasses import dataclass

from refine.shot import Control, Link

Vector = tuple[float, float, float]

UPPER_ARM, FOREARM = 0.30, 0.26
THIGH, SHIN, ANKLE = 0.43, 0.41, 0.07
GRIP: Vector = (0.0, -0.09, 0.0)  # where the hand holds on, in its own space
# Spine, head and tray: turn, then bend, then lean. Limbs: swing, spread, then twist, which keeps the middle
# angle far from the 90 deg at which the other two become one.
TURN, SWING, TWIST = "yxz", "xzy", "xyz"


@dataclass(frozen=True)
class Bone:
    """One control of the rig before it is animated; `rest` is its place in its parent.

    Tips are where a control's motion shows best: the crown, the breastbone, the toes.
    """

    name: str
    parent: str | None
    part: str
    rest: Vector
    order: str
    mass: float | None
    tip: Vector | None = None


def _sided(side: str) -> tuple[Bone, ...]:
    """The arm and leg of one side."""
    x = 1.0 if side == "L" else -1.0
    return (
        Bone(f"shoulder.{side}", "chest", "arm", (0.05 * x, 0.20, 0.02), TURN, 0.0494),
        Bone(f"upper_arm.{side}", f"shoulder.{side}", "arm", (0.13 * x, 0.0, -0.02), SWING, 0.0494),
        Bone(f"forearm.{side}", f"upper_arm.{side}", "arm", (0.0, -UPPER_ARM, 0.0), TWIST, 0.0223),
        Bone(f"hand.{side}", f"forearm.{side}", "hand", (0.0, -FOREARM, 0.0), TWIST, 0.0061, (0, -0.18, 0)),
        Bone(f"palm.{side}", f"hand.{side}", "hand", GRIP, TWIST, None),
        Bone(f"thigh.{side}", "hips", "leg", (0.09 * x, -0.03, 0.0), SWING, 0.1986),
        Bone(f"shin.{side}", f"thigh.{side}", "leg", (0.0, -THIGH, 0.0), TWIST, 0.0570),
        Bone(f"foot.{side}", f"shin.{side}", "foot", (0.0, -SHIN, 0.0), SWING, 0.0137, (0, -0.06, 0.17)),
    )


BONES = (
    Bone("hips", None, "pelvis", (0.0, 0.94, 0.0), TURN, 1.0),
    Bone("spine", "hips", "spine", (0.0, 0.10, 0.0), TURN, 0.4911),
    Bone("chest", "spine", "spine", (0.0, 0.17, 0.0), TURN, 0.3278, (0.0, 0.16, 0.16)),
    Bone("neck", "chest", "head", (0.0, 0.26, -0.01), TURN, 0.0694),
    Bone("head", "neck", "head", (0.0, 0.09, 0.01), TURN, 0.0694, (0.0, 0.18, 0.02)),
    Bone("eyes", "head", "eyes", (0.0, 0.07, 0.09), TURN, None, (0.0, 0.0, 0.1)),
    *_sided("L"),
    *_sided("R"),
    Bone("tray", None, "prop", (-0.48, 0.42, 0.40), TURN, None, (0.0, 0.0, 0.2)),
)
# The tray is animated in the world and the arms follow it: it lies on the shelf before the hands arrive.
LINKS = {"tray": (Link("attachment", "hand.R"),)}


def controls() -> tuple[Control, ...]:
    """The rig without any animation, each control after its parent."""
    return tuple(
        Control(
            name=bone.name,
            parent=bone.parent,
            part=bone.part,
            rest_translation=bone.rest,
            order=bone.order,
            tip=bone.tip,
            mass=bone.mass,
            links=LINKS.get(bone.name, ()),
        )
        for bone in BONES
    )

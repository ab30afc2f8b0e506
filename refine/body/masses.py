"""Who carries how much of the body, and how each part answers when it stops.

Masses: an explicit `mass` of a control is the share of the body that it carries, and wins. Else a control carries
its own segment (by its part, published tables) and what its children carry. Where a part isn't known, what hangs on
it is not known either unless something else says so: that is reported (`Body.notes`), never filled in.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np

from refine.body.response import ADULT_KG, Response
from refine.pose import Point, pose, world_point
from refine.rig import children, parent_order
from refine.shot import Control, Shot

Mark = Literal["pub", "mem", "prac", "judge"]
Source = Literal["mass", "part", "name"]

# Shares of the body's mass, male and female. de Leva 1996, J Biomech 29:1223-1230 [pub].
DE_LEVA: Mapping[str, tuple[float, float]] = {
    "head": (0.0694, 0.0668),
    "upper trunk": (0.1596, 0.1545),
    "middle trunk": (0.1633, 0.1465),
    "lower trunk": (0.1117, 0.1247),
    "upper arm": (0.0271, 0.0255),
    "forearm": (0.0162, 0.0138),
    "hand": (0.0061, 0.0056),
    "thigh": (0.1416, 0.1478),
    "shank": (0.0433, 0.0481),
    "foot": (0.0137, 0.0129),
}
LIMBS = ("upper arm", "forearm", "hand", "thigh", "shank", "foot")  # of which there are two
Sex = Literal["male", "female"]


@dataclass(frozen=True, slots=True)
class Part:
    """One row of the adult's table: what it carries, how it answers, how long its usual move takes (s)."""

    name: str
    carried: float  # share of the body
    response: Response | None  # None: it doesn't overshoot
    move: float
    mark: Mark
    basis: str


# 75 kg. From perturbations; voluntary braking often takes the overshoot away: a ceiling for realism.
ADULT: tuple[Part, ...] = (
    Part("upper body", 0.49, Response(1.4, 0.5), 0.5, "pub", "Moorhouse & Granata 2005: 1.38 Hz, 0.49"),
    Part("head", 0.069, Response(3.0, 0.5), 0.4, "pub", "Peng 1996: 2.3 Hz / 0.29 to 4.2 Hz / 0.51"),
    Part("arm", 0.049, Response(1.8, 0.5), 0.5, "judge", ""),
    Part("forearm and hand", 0.022, Response(2.2, 0.45), 0.4, "pub", "Bennett 1992: underdamped below 3 Hz"),
    Part("hand", 0.006, Response(4.0, 0.5), 0.25, "pub", "Lakie 1984: 2 Hz relaxed, more when held"),
    Part("finger", 0.0005, Response(8.0, 0.7), 0.2, "judge", ""),
    Part("leg", 0.199, Response(1.3, 0.4), 0.5, "judge", ""),
    Part("eye", 0.0, None, 0.065, "mem", "main sequence: 2.2 A + 21 ms for a dart of A deg, Bahill 1975"),
)
ROWS = {row.name: row for row in ADULT}

# The words of a rig's parts (and names) -> family. A hip is the top of a leg, hips are the pelvis.
_FAMILIES: Mapping[str, tuple[str, ...]] = {
    "eye": ("eye", "eyes", "eyeball"),
    "face": ("face", "jaw", "lid", "eyelid", "brow", "lip", "mouth", "cheek", "tongue", "nose"),
    "finger": ("finger", "thumb"),
    "hand": ("hand", "wrist"),
    "foot": ("foot", "toe", "ankle"),
    "forearm": ("forearm", "elbow"),
    "arm": ("arm", "upperarm", "shoulder", "collar", "clavicle"),
    "head": ("head", "neck", "skull"),
    "shank": ("shank", "shin", "calf", "knee"),
    "leg": ("leg", "thigh", "upleg", "hip"),
    "pelvis": ("pelvis", "hips"),
    "spine": ("spine", "chest", "trunk", "torso", "abdomen", "ab", "back", "waist", "thorax"),
}
_OF_FAMILY = {  # a row of the table for those that have one; a shank and a foot have none
    "eye": "eye",
    "finger": "finger",
    "hand": "hand",
    "forearm": "forearm and hand",
    "arm": "arm",
    "head": "head",
    "leg": "leg",
    "pelvis": "upper body",  # [judge]: what the hips carry swings as the trunk does
    "spine": "upper body",
}
_LIMB_OF = {"forearm": "arm", "shank": "leg"}
_LOWER = {"arm": "forearm", "leg": "shank"}
_CHAINS = {"arm": ("upper arm", "forearm"), "leg": ("thigh", "shank")}


def family(words: str) -> str | None:
    """The family of a part's or a control's words: "upper_arm.L" -> arm, "LeftUpLeg" -> leg; None: unknown.

    The most distal kind named wins: "LeftHandThumb" is a thumb.
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", words)
    parts = re.findall(r"[a-z]+", spaced.lower())
    joined = {a + b for a, b in pairwise(parts)}  # "Fore Arm" is a forearm
    for name, known in _FAMILIES.items():
        if any(p in known or (p != "hips" and p.removesuffix("s") in known) for p in (*parts, *joined)):
            return name
    return None


def segment_mass(segment: str, sex: Sex = "male") -> float:
    """Share of the body, de Leva 1996."""
    return DE_LEVA[segment][0 if sex == "male" else 1]


@dataclass(frozen=True, eq=False)
class Body:
    """The masses and answers of a shot's controls.

    kg: total mass, which only scales the frequencies (creatures: M^-0.2); shares don't depend on it.
    """

    shot: Shot
    sex: Sex = "male"
    kg: float = ADULT_KG

    @cached_property
    def source(self) -> Source:
        """Parts as the shot says them, or, where it says none at all, taken from the controls' names."""
        return "part" if any(c.part for c in self.shot.controls) else "name"

    @cached_property
    def families(self) -> dict[str, str]:
        """Family of each control whose part is known."""
        named = self.source == "name"
        words = ((c.name, c.name if named else c.part or "") for c in self.shot.controls)
        found = {name: family(text) for name, text in words}
        return {name: kind for name, kind in found.items() if kind is not None}

    @cached_property
    def _children(self) -> dict[str | None, tuple[str, ...]]:
        return children(self.shot)

    @cached_property
    def _by_name(self) -> dict[str, Control]:
        return {c.name: c for c in self.shot.controls}

    def _chain(self, name: str) -> tuple[list[str], int]:
        """The controls of one limb, head or spine that a control belongs to, outward, and its own place."""

        def kind(control: str | None) -> str | None:
            found = self.families.get(control or "")
            return _LIMB_OF.get(found or "", found)

        chain, own = [name], kind(name)
        while (parent := self._by_name[chain[0]].parent) is not None and kind(parent) == own:
            chain.insert(0, parent)
        at = len(chain) - 1
        while len(next_ := [c for c in self._children[chain[-1]] if kind(c) == own]) == 1:
            chain += next_
        return chain, at

    @cached_property
    def own(self) -> dict[str, float]:
        """Share of the body of each control's own segment, where its part tells."""
        found: dict[str, float] = {}
        for name, kind in self.families.items():
            share = self._segment(name, kind)
            if share is not None:
                found[name] = share
        return found

    def _segment(self, name: str, kind: str) -> float | None:
        def mass(segment: str) -> float:
            return segment_mass(segment, self.sex)

        if kind in ("eye", "face", "finger"):
            return 0.0  # counted in the head, in the hand
        chain, at = self._chain(name)
        if kind in ("hand", "foot", "head"):  # a neck carries the head that follows, toes belong to the foot
            own = len(chain) - 1 if kind == "head" else 0
            return mass(kind) if at == own else 0.0
        if kind == "pelvis":
            return mass("lower trunk") if at == 0 else 0.0
        if kind == "spine":  # shared evenly along the spine [judge]
            return (mass("middle trunk") + mass("upper trunk")) / len(chain)
        segments = _CHAINS[_LIMB_OF.get(kind, kind)]
        if len(chain) == 1:
            return mass(segments[1]) if kind in _LIMB_OF else mass(segments[0]) + mass(segments[1])
        if len(chain) > 3:
            return None  # twists and helpers between: nothing tells which is which
        place = at - (len(chain) - 2)  # a shoulder before an upper arm has no segment of its own
        return mass(segments[place]) if place >= 0 else 0.0

    @cached_property
    def carried(self) -> dict[str, float]:
        """Share of the body that each control carries; absent where it isn't known."""
        order = [self.shot.controls[i].name for i in parent_order(self.shot)]
        known: dict[str, float] = {}
        for name in reversed(order):
            explicit = self._by_name[name].mass
            if explicit is not None:
                known[name] = explicit
            elif name in self.own:  # children without a mass (props, helpers) add nothing, as notes say
                known[name] = self.own[name] + sum(known.get(child, 0.0) for child in self._children[name])
        return known

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What was assumed and what isn't known, one sentence each."""
        said = []
        if self.source == "name" and self.families:
            said.append("the shot says no parts: masses follow the names of its controls")
        unknown = [c.name for c in self.shot.controls if c.name not in self.carried]
        if unknown:
            said.append(f"no part or mass is known of {', '.join(unknown)}: no overshoot is asked of them")
        silent = [n for n in self.carried if self.row(n) is None and self.families.get(n) != "face"]
        if silent:
            said.append(f"no response is published of {', '.join(silent)}: no overshoot is asked of them")
        return tuple(said)

    def row(self, name: str) -> Part | None:
        """The adult's row for a control; None where its part isn't known or has none."""
        kind = self.families.get(name, "")
        lower = _LOWER.get(kind)
        if lower is not None and self.carried.get(name, 1.0) < 0.6 * ROWS[kind].carried:
            kind = lower  # a rig may call the whole limb its arm: what it carries tells the forearm
        return ROWS.get(_OF_FAMILY.get(kind, ""))

    def response(self, name: str) -> Response | None:
        """How a control answers, with what is attached to it; None: it shows no overshoot, or nothing is known."""
        row = self.row(name)
        if row is None or row.response is None:
            return None
        answer = row.response if self.kg == ADULT_KG else row.response.of_mass(self.kg)
        load = self._loads.get(name)
        return answer if load is None else answer.loaded(load[0], load[1], 1.0)

    def leader(self, name: str, seconds: float) -> tuple[str | None, float]:
        """The nearest control above after which this one is due later by so much at least, and by how much (s).

        The lag along a chain is the sum of 2 zeta / wn over its parts; controls of one part, as those of a spine,
        count once. None where the chain ends, or where a part without a response stands in it.
        """
        rows: set[str] = set()
        due, above = 0.0, self._by_name[name]
        while (row := self.row(above.name)) is not None and row.response is not None:
            if row.name not in rows:
                if due >= seconds:
                    return above.name, due
                rows.add(row.name)
                due += row.response.lag
            if above.parent is None:
                break
            above = self._by_name[above.parent]
        return None, 0.0

    @cached_property
    def _loads(self) -> dict[str, tuple[float, float]]:
        """(I, sum of m r^2) of each control that holds something of known mass, in shares of the body x units^2.

        The part counts as a rod that turns about its end, I = m L^2 / 3, L reaching to what it holds; the arms are
        those of the shot's first frame.
        """
        held = [(c, link.to) for c in self.shot.controls for link in c.links if link.kind == "attachment"]
        held = [(c, to) for c, to in held if c.mass and to in self._by_name and c.name not in self.families]
        if not held:
            return {}
        posed = pose(self.shot, np.array([float(self.shot.first_frame)]))
        place = {c.name: world_point(posed, self.shot, Point(c.name, c.pivot))[0] for c in self.shot.controls}
        loads: dict[str, tuple[float, float]] = {}
        for thing, holder in held:
            name: str | None = holder
            while name is not None:  # every part that carries the holder feels it
                arm = float(np.linalg.norm(place[thing.name] - place[name]))
                length = max(arm, float(np.linalg.norm(place[holder] - place[name])))
                inertia, load = loads.get(name, (self.carried.get(name, 0.0) * length**2 / 3, 0.0))
                if inertia > 0 and thing.mass:
                    loads[name] = inertia, load + thing.mass * arm**2
                name = self._by_name[name].parent
        return loads

"""What the feet of a long baked clip ask for: where each stands, how far it must be moved there, what is no contact.

Contacts are looked for in the ways that feet have at the time: a foot that has been put where it stands is seen to
stand longer, and what parted a contact may be gone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.clean.feet.footing import Footing, footing, found, marked, paths
from refine.clean.feet.planted_limb import joint_points
from refine.clean.feet.steadied import AT_REST, Way, steadied
from refine.limbs.limb import GRAVITY, Limb, figure
from refine.limbs.planted import ENTER_SPEED, Planted, speed
from refine.pose import Point
from refine.shot import Array, Shot

FAR = 0.06  # m: a contact that would have to be moved farther is none [judge]
SLID = 0.04  # m: the same beyond what feet do as they stand; what a fight's feet shuffle is more [judge]
NOISY = 0.75  # [judge] of the speed below which a point stands
TIMES = 3.0  # times the clip's usual move, from which that holds where all its feet slide far [judge]
LEVEL = 0.015  # m within which feet must stand for there to be a ground [judge]
SEEN = 3  # [judge] contacts of each foot that tell of a ground: in 4 s of captures on stairs fewer told of a false one

Paths = dict[Point, Array]  # (N, 3) by point


@dataclass(frozen=True, eq=False)
class Feet:
    """The limbs of a clip that stand, and its contacts by marks.

    `scale` in metres a shot unit; `ways` of the points of legs without marks as captured, None where contacts are to be
    held firm.
    """

    shot: Shot
    scale: float
    limbs: tuple[Limb, ...]
    by_mark: tuple[Planted, ...]
    ways: dict[Point, Way] | None

    @property
    def by_prop(self) -> tuple[Planted, ...]:
        """Contacts by marks that no limb carries."""
        return tuple(each for each in self.by_mark if each.limb is None)

    def paths(self) -> Paths:
        """The paths of all joints and points of the limbs in the shot."""
        points = [p for limb in self.limbs for p in (*limb.points, *joint_points(self.shot, limb))]
        return paths(self.shot, points, self.shot.frames)

    def asking(self, limb: Limb, known: Paths, noisy: bool) -> list[Footing]:
        """What a limb's contacts ask for on paths known; `noisy`: their noise is still in these."""
        named = [each for each in self.by_mark if each.control == limb.end and each.limb is not None]
        if named or limb.kind != "leg":
            return [footing(self.shot, each, self.scale) for each in self._of(known, named)]
        told, noise = known, dict[Point, Array]()
        if self.ways is not None and noisy:
            told = known | self._told(limb, known, self.ways)
        contacts = list(self._of(known, found(self.shot, [limb], self.scale, told)))
        if self.ways is not None:
            none = np.zeros((len(self.shot.frames), 3))
            noise = dict.fromkeys(limb.points, none)
            noise |= self._noise(contacts, known, self.ways) if noisy else {}
        return [footing(self.shot, each, self.scale, noise.get(each.point)) for each in contacts]

    def false(self, footings: Sequence[Footing]) -> list[Footing]:
        """Contacts, no mark's, that are too far off to be any."""
        far = FAR if self.ways is None else SLID
        usual = float(np.median([each.needed for each in footings])) if footings else 0.0
        far = max(far, TIMES * self.scale * usual)
        return [each for each in footings if not each.contact.marked and each.needed * self.scale > far]

    def ground(self, contacts: Sequence[Planted], known: Paths) -> float | None:
        """Height of the lowest points of feet that stand, in the median.

        None where they stand on several levels, or where a foot stands too seldom to tell that they don't.
        """
        up = "xyz".index(self.shot.up)
        lows: dict[str, list[float]] = {}
        for each in contacts:
            if each.limb is not None and each.limb.kind == "leg" and each.relative is None:
                low = min(
                    float(np.median(part(self.shot, known[point][:, up], each))) for point in each.limb.points
                )
                lows.setdefault(each.control, []).append(low)
        every = [low for own in lows.values() for low in own]
        if not lows or min(map(len, lows.values())) < SEEN:
            return None
        level = float(np.subtract(*np.percentile(every, [80, 20]))) * self.scale <= LEVEL
        return float(np.median(every)) if level else None

    def _told(self, limb: Limb, known: Paths, ways: dict[Point, Way]) -> Paths:
        """Ways (N, 3) of the points of a leg whose own are too noisy to tell by their speed what stands.

        Elsewhere their own tell better when a foot lands and leaves.
        """
        off = [known[point] - ways[point].likely for point in limb.points]
        noise = float(np.median([float(np.median(speed(each, self.shot.fps))) for each in off]))
        usual = ENTER_SPEED * np.sqrt(GRAVITY * limb.length / self.scale)
        return {point: ways[point].likely for point in limb.points} if noise > NOISY * usual else {}

    def _noise(self, contacts: Sequence[Planted], known: Paths, ways: dict[Point, Way]) -> Paths:
        """(N, 3) what the paths of points have of noise, knowing where the points rest."""
        spans: dict[Point, list[tuple[int, int]]] = {}
        rest: dict[Point, float] = {}
        for each in contacts:
            assert each.limb is not None
            a, b = (int(each.frames[k]) - self.shot.first_frame for k in (0, -1))
            spans.setdefault(each.point, []).append((a, b))
            rest[each.point] = AT_REST * float(np.sqrt(GRAVITY * each.limb.length / self.scale))
        fps = self.shot.fps
        return {
            point: known[point] - ways[point].at_rest(own, rest[point], fps) for point, own in spans.items()
        }

    def _of(self, known: Paths, contacts: Iterable[Planted]) -> Iterator[Planted]:
        """Contacts with the paths that their points have."""
        for each in contacts:
            yield replace(each, path=part(self.shot, known[each.point], each))


def feet(shot: Shot, captured: Shot | None, alike: float) -> Feet:
    """The feet of a shot, and of hands those that marks say are planted. `captured`, `alike`: see `plant.planted`."""
    every, scale, _ = figure(shot)
    by_mark = tuple(marked(shot, every))
    named = {contact.control for contact in by_mark}
    stood = tuple(limb for limb in every if limb.kind == "leg" or limb.end in named)
    points = [p for limb in stood if limb.end not in named for p in limb.points]
    ways = None if captured is None else steadied(captured, points, alike)
    return Feet(shot, scale, stood, by_mark, ways)


def part(shot: Shot, path: Array, contact: Planted) -> Array:
    """(k, ...) of a path (N, ...) on a contact's frames, which follow each other."""
    first = int(contact.frames[0]) - shot.first_frame
    return path[first : first + len(contact.frames)]

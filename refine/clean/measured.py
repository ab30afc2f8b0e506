"""What a cleaning did to a clip, in mm, px, degrees and speeds, block by block of frames so that long clips fit.

Moves are counted from the samples as captured, gaps and spikes led through: what was wrong there isn't a move.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from refine.clean.denoise import QUIET, Learnt, Part
from refine.clean.feet.plant import Planting, drift
from refine.clean.findings import Findings, Moved, Span
from refine.clean.gaps import Gap
from refine.clean.settings import Settings
from refine.clean.tracks import Group
from refine.clean.wrong import Wrong
from refine.formats.bvh import ASSUMED
from refine.limbs.limb import Limb, figure
from refine.limbs.planted import runs
from refine.measure import marked_points
from refine.pose import Point, Pose, pose
from refine.rig import children
from refine.shot import Array, Shot
from refine.text import short
from refine.view import project, view

BLOCK = 4096  # frames posed at once
ACCENT = 3.0  # [judge] times its usual speed: a peak of a hand, a foot or a head above that is an accent
HIGHEST = 5  # accents of each end that are looked at
ACROSS = 1 / 15  # s over which a speed is taken, so that noise is a small part of it


def findings(
    before: Shot, planting: Planting, lead: int, wrong: Wrong, smooth: Learnt, settings: Settings
) -> Findings:
    """All that is told of a clip; `before` are the samples as captured, repaired where they were wrong."""
    after = planting.shot
    every, metres, stated = figure(before)
    tally = _Tally(before, every, metres, settings.camera)
    for frames in _blocks(before):
        tally.add(before, after, frames)
    kept, accent = tally.accents()
    first = before.first_frame + lead
    noisy = {group: part for group, part in smooth.parts.items() if group.kind in ("angles", "quaternion")}
    noisiest = max(noisy, key=lambda group: _noise(group, noisy[group]), default=None)
    told = [each for each in (_noise(group, part) for group, part in noisy.items()) if each > 0]
    hz = [part.hz for part in smooth.parts.values() if part.hz > 0]
    return Findings(
        frames=len(before.frames),
        fps=before.fps,
        joints=len({group.control for group in smooth.parts}),
        lead_in=lead,
        filled=_spans(wrong.filled, first),
        left=_spans(wrong.left, first),
        wraps=tuple(
            Span(group.control, (first + k, first + k), group.what)
            for group, at in wrong.wraps.items()
            for k in at
        ),
        spikes=tuple(
            Span(group.control, (first + a, first + b), group.what)
            for group, part in smooth.parts.items()
            for a, b in runs(part.spikes)
        ),
        doubtful=_doubts(before, wrong, smooth, first),
        noise=float(np.median(told)) if told else 0.0,
        noisiest="" if noisiest is None else noisiest.control,
        noisiest_noise=0.0 if noisiest is None else _noise(noisiest, noisy[noisiest]),
        coloured=smooth.alike,
        keep_below=float(np.median(hz)) if hz else 0.0,
        largest=(tally.mm, tally.px, tally.deg),
        contacts=len(planting.contacts),
        drift=(drift(before, planting.contacts), planting.drift[1]),
        kept_speed=kept,
        slowest_accent=accent,
        notes=before.notes if stated else _measured_unit(before.notes, metres),
    )


def _measured_unit(notes: Sequence[str], metres: float) -> tuple[str, ...]:
    """What the reader had to say, with the unit that was used in place of the one that it assumed."""
    told = [note.replace(ASSUMED, "") for note in notes]
    return (*told, f"1 unit is taken as {metres:.4g} m, by the length of the legs")


def over_budget(told: Findings, settings: Settings) -> str:
    """Why a clip is set aside; "" where it is within the budget."""
    most = settings.at_most
    if most is None:
        return ""
    worst = next(moved for moved in told.largest if moved.unit == most.unit)
    if worst.value <= most.value:
        return ""
    return f"{worst.control} would move {short(worst.value)} {worst.unit} at frame {worst.frame}, more than {most}"


def _noise(group: Group, part: Part) -> float:
    """Degrees of noise of a turn: the root mean square over its rows that move."""
    sigmas = np.array([noise.sigma for noise in part.noise if noise.sigma > QUIET])
    if not len(sigmas):
        return 0.0
    scale = np.rad2deg(2.0) if len(part.noise) == 4 else 1.0  # a quaternion's component counts half a turn
    return float(scale * np.sqrt(np.mean(sigmas**2)))


def _spans(found: dict[Group, list[Gap]], first: int) -> tuple[Span, ...]:
    return tuple(
        Span(group.control, (first + gap.first, first + gap.last), group.what)
        for group, gaps in found.items()
        for gap in gaps
    )


def _doubts(shot: Shot, wrong: Wrong, smooth: Learnt, first: int) -> tuple[Span, ...]:
    """Samples that look like spikes and weren't mended, but for those that a pin or an accent's mark holds."""
    found = []
    for group, seen in wrong.doubtful.items():
        pins = [pin.frames for pin in shot.pins if pin.control == group.control]
        accents = [
            m.frames
            for m in shot.marks
            if m.kind == "accent" and group.control in (m.controls or (group.control,))
        ]
        for a, b in runs(seen & ~smooth.parts[group].missing):
            if not any(low <= first + a and first + b <= high for low, high in (*pins, *accents)):
                found.append(Span(group.control, (first + a, first + b), group.what))
    return tuple(found)


def _blocks(shot: Shot) -> Iterator[Array]:
    for start in range(0, len(shot.frames), BLOCK):
        yield shot.frames[start : start + BLOCK]


class _Tally:
    """What is gathered over the blocks: the largest moves, and the ways of the ends of the body."""

    def __init__(self, shot: Shot, every: Sequence[Limb], metres: float, camera: str | None) -> None:
        self.metres, self.camera, self.fps, self.first = metres, camera, shot.fps, shot.first_frame
        self.mm = Moved(0.0, "mm", "", shot.first_frame)
        self.px = Moved(0.0, "px", "", shot.first_frame)
        self.deg = Moved(0.0, "deg", "", shot.first_frame)
        self.names = [control.name for control in shot.controls]
        below = children(shot)
        self.points = [point for control in shot.controls for point in marked_points(control)]
        self.at = {control.name: i for i, control in enumerate(shot.controls)}
        named = {limb.end for limb in every} or {name for name, under in below.items() if name and not under}
        heads = {control.name for control in shot.controls if control.part == "head"}
        self.ends = [n for n, point in enumerate(self.points) if point.control in named | heads]
        self.ways: tuple[list[Array], list[Array]] = ([], [])

    def add(self, before: Shot, after: Shot, frames: Array) -> None:
        posed = pose(before, frames), pose(after, frames)
        seen = view(before, posed[0], self.camera)
        self._turned(posed[0].linear, posed[1].linear, frames)
        for n, point in enumerate(self.points):
            old, new = (self._place(each, point) for each in posed)
            off = np.linalg.norm(new - old, axis=1)
            worst = int(np.argmax(off))
            self.mm = max(
                self.mm, self._moved(1000.0 * self.metres * off[worst], "mm", point, frames[worst]), key=_size
            )
            pixels = np.linalg.norm(project(seen, new) - project(seen, old), axis=1)
            worst = int(np.argmax(pixels))
            self.px = max(self.px, self._moved(pixels[worst], "px", point, frames[worst]), key=_size)
            if n in self.ends:
                for ways, place in zip(self.ways, (old, new), strict=True):
                    ways.append(place.copy())  # a view would keep the whole block's pose

    def _turned(self, old: Array, new: Array, frames: Array) -> None:
        """The largest turn of a control in the world; of those that only go along the one that carries them."""
        size = np.sqrt(np.einsum("cnij,cnij->cn", old, old) * np.einsum("cnij,cnij->cn", new, new))
        cosine = 1.5 * np.einsum("cnij,cnij->cn", old, new) / np.maximum(size, 1e-300) - 0.5
        off = np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0)))
        control, at = np.unravel_index(int(np.argmax(np.round(off, 6))), off.shape)
        turned = Moved(float(off[control, at]), "deg", self.names[control], int(frames[at]))
        self.deg = max(self.deg, turned, key=_size)

    def _place(self, posed: Pose, point: Point) -> Array:
        i = self.at[point.control]
        if not any(point.local):
            return np.asarray(posed.origin[i])
        return np.asarray(posed.linear[i] @ np.array(point.local) + posed.origin[i])

    def _moved(self, value: float, unit: str, point: Point, frame: float) -> Moved:
        return Moved(float(value), unit, point.control, int(frame))

    def accents(self) -> tuple[float, str]:
        """Of the sharpest moves of the ends of the body the smallest share of speed that was kept, and which it is.

        What was taken away is noise for the most part, which makes every speed look higher: its own share of the
        squared speeds doesn't count. An accent is also named where none lost anything.
        """
        kept, where = 1.0, ""
        reach = max(round(ACROSS * self.fps / 2), 1)
        count = len(self.ends)
        for n, end in enumerate(self.ends):
            before, after = (np.concatenate(ways[n::count]) for ways in self.ways)
            old, new = _speed(before, reach), _speed(after, reach)
            noise = float(np.mean(np.square(_speed(before - after, reach)))) if len(old) else 0.0
            for at in _peaks(old, reach):
                near = slice(max(at - 2 * reach, 0), at + 2 * reach + 1)
                share = float(
                    new[near].max() / np.sqrt(max(old[at] ** 2 - noise, new[near].max() ** 2 * 1e-12))
                )
                if share < kept or not where:
                    kept, where = (
                        min(share, 1.0),
                        f"{self.points[end].control} at frame {self.first + reach + at}",
                    )
        return kept, where


def _size(moved: Moved) -> float:
    return moved.value


def _speed(way: Array, reach: int) -> Array:
    """(N - 2 reach,) distance between the places `reach` frames before and after."""
    return np.asarray(np.linalg.norm(way[2 * reach :] - way[: -2 * reach], axis=1))


def _peaks(speed: Array, reach: int) -> list[int]:
    """The highest peaks of a speed, far enough apart to be different moves."""
    usual = float(np.median(speed)) if len(speed) else 0.0
    found: list[int] = []
    for at in np.argsort(-speed)[: 40 * HIGHEST].tolist():
        if len(found) == HIGHEST or speed[at] <= ACCENT * usual:
            break
        if all(abs(at - other) > 10 * reach for other in found):
            found.append(at)
    return found

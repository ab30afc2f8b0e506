"""Frames out of place on baked controls: looked for in each joint's own samples, then measured on screen.

A spike lives in the samples of one joint: a displaced frame stands out from what the joint's own motion foretells
(`unforeseen`), however the joints above and below move.
Where several joints leave their course on one frame the body was hit or has landed: what stands out from that too
is a lapse. Only then it is seen: the joint is set right, the frames around are posed anew, and what the points that
it carries lose of their own residual is what an audience sees. A lapse that another joint makes up for shows nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.flags.excerpt import excerpt
from refine.flags.path import AROUND, CAPTURE, SEPARATE, SHAPES, TO_AND_FRO, Fitted, residual
from refine.flags.stage import Stage
from refine.flags.trace import samples
from refine.flags.unforeseen import unforeseen
from refine.measure import carried, most_moved
from refine.pose import Point, Pose, pose, world_point
from refine.samples import robust_sigma
from refine.shot import QUATERNION, ROTATIONS, SCALES, TRANSLATIONS, Array, Channel, Control, Shot, frozen
from refine.view import View, project

MOVES_POINTS = (*TRANSLATIONS, *ROTATIONS, *SCALES, QUATERNION)
NEAR = 20  # frames to each side that show a channel's noise ...
TOUCHED = 9  # ... but for those that a lapse itself touches
NOISE = 4.0  # times that noise from which a frame isn't but the largest of it [judge]
TOGETHER = 3  # parts that leave their course on one frame are moved by the same thing [prac]
USUAL = 2.2  # sigmas by which the third strongest of a body's joints stands out on any frame [judge]
WITH = 2.5  # sigmas from which a control's other channels are taken to lapse with the one found [judge]
QUICK = len(TO_AND_FRO)  # shapes of quick motion; what is off alike for some frames may be a quick move
ALIKE = 0.8  # and of those off alike, of which noise has some as well [judge]
SIMPLER = 0.8  # of its sigmas that a lapse keeps for each further frame it takes: it fits more easily [judge]
MADE_UP = 0.25  # share of a lapse that must show: what is made up for by other controls shows less [judge]


@dataclass(frozen=True, slots=True, eq=False)
class Out:
    """Frames of a control out of place: by how much each of its channels lies off, the strongest one first."""

    control: str
    channels: tuple[str, ...]
    amounts: tuple[Array, ...]  # (count, D) each
    first: int  # position
    count: int
    sigmas: float


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What an audience sees of it: at which point, and how far (2,) px at the first frame."""

    point: Point
    move: Array


def baked_channels(control: Control) -> list[Channel]:
    """Its baked channels that move what is seen and aren't constant."""
    baked = [c for c in control.channels if c.samples is not None and c.name in MOVES_POINTS]
    return [c for c in baked if c.samples is not None and np.ptp(c.samples, axis=0).any()]


def out_of_place(stage: Stage) -> Iterator[Out]:
    """Where baked controls are out of place."""
    sigmas = stage.thresholds["spike"]["baked_sigmas"]
    owned = [(name, channel) for name in stage.order for channel in baked_channels(stage.control(name))]
    if not owned:
        return
    fits = _fits(stage, owned)
    rows: dict[str, list[int]] = {}
    for row, (name, _) in enumerate(owned):
        rows.setdefault(name, []).append(row)
    if not fits:
        return
    short, every = (_burst([fit.sigmas for fit in some], rows, sigmas) for some in (fits[:QUICK], fits))
    for name, dulled, longer in zip(rows, short, every, strict=True):
        own = [owned[row][1] for row in rows[name]]
        bursts = [dulled if shape < QUICK else longer for shape in range(len(fits))]
        yield from _of_control(name, own, [_part(fit, rows[name]) for fit in fits], bursts, sigmas)


def _burst(found: Sequence[Array], rows: Mapping[str, list[int]], sigmas: float) -> Array:
    """(J, N) what the sigmas of each control are worth less, by those (P, N) of the others: what they all do is meant.

    Three others that leave their course by themselves are enough.
    """
    strongest = np.stack([np.max([each[rows[name]].max(axis=0) for each in found], axis=0) for name in rows])
    third = third_of_the_others(_near(strongest))
    return np.where(third > sigmas, np.inf, np.maximum(third / USUAL, 1.0))


def paths_of(stage: Stage, owned: list[tuple[str, Channel]]) -> Array:
    """(P, N, D) samples of the channels, in their order; a quaternion's four numbers are one path, zeros fill up."""
    width = max(4 if channel.name == QUATERNION else 1 for _, channel in owned)
    paths = np.zeros((len(owned), len(stage.frames), width))
    for row, (_, channel) in enumerate(owned):
        values = samples(stage, channel)
        paths[row, :, : values.shape[1]] = values
    return paths


def _fits(stage: Stage, owned: list[tuple[str, Channel]]) -> list[Fitted]:
    return unforeseen(paths_of(stage, owned))


def _part(fit: Fitted, rows: list[int]) -> Fitted:
    return Fitted(fit.amount[rows], fit.sigmas[rows], fit.clear[rows])


def _near(strongest: Array) -> Array:
    """(J, N): the largest of each frame and the two beside it."""
    wide = np.pad(strongest, ((0, 0), (1, 1)))
    return np.asarray(np.maximum(np.maximum(wide[:, :-2], wide[:, 2:]), strongest))


def third_of_the_others(strongest: Array) -> Array:
    """(J, N): how far the third strongest of all other joints stands out."""
    if len(strongest) <= TOGETHER:
        return np.zeros_like(strongest)
    top = np.partition(strongest, (-TOGETHER - 1, -TOGETHER), axis=0)[-TOGETHER - 1 :]
    return np.asarray(np.where(strongest >= top[1], top[0], top[1]))


def _of_control(
    name: str, channels: list[Channel], fits: list[Fitted], bursts: Sequence[Array], sigmas: float
) -> Iterator[Out]:
    """The lapses of one control; of those that overlap the one that stands out most."""
    found: list[tuple[float, int, int, int]] = []
    for shape, (fit, burst) in enumerate(zip(fits, bursts, strict=True)):
        simple = SIMPLER ** (len(SHAPES[shape]) - 1) * (1.0 if shape < QUICK else ALIKE)
        beyond = simple * fit.sigmas / burst
        for row, n in zip(*np.nonzero((beyond > sigmas) & fit.clear), strict=True):
            if _alone(fit.amount[row], n):
                found.append((float(beyond[row, n]), shape, int(row), int(n)))
    taken: list[int] = []
    for beyond_, shape, row, n in sorted(found, reverse=True):
        if all(abs(n - other) > SEPARATE for other in taken):
            taken.append(n)
            fit, signs = fits[shape], SHAPES[shape]
            others = [r for r in range(len(channels)) if r != row and fit.sigmas[r, n] > WITH]
            rows = [row, *others]
            amounts = tuple(
                signs[:, None] * fit.amount[r, n, : 4 if channels[r].name == QUATERNION else 1] for r in rows
            )
            yield Out(name, tuple(channels[r].name for r in rows), amounts, n, len(signs), beyond_)


def _alone(amounts: Array, n: int) -> bool:
    """Whether what lies off at a frame is far more than what seems to lie off around it: of noise each frame does."""
    size = np.linalg.norm(amounts[max(n - NEAR, 0) : n + NEAR + 1], axis=1)
    away = np.abs(np.arange(len(size)) - min(n, NEAR)) > TOUCHED
    return bool(size[min(n, NEAR)] > NOISE * robust_sigma(size[away]))


def lapsing(stage: Stage, control: Control, first: int, count: int) -> list[str]:
    """Which baked channels of a control stand out on some frames from position `first` on."""
    owned = [(control.name, channel) for channel in baked_channels(control)]
    fits = _fits(stage, owned) if owned else []
    own = [fit for fit, shape in zip(fits, SHAPES, strict=False) if len(shape) == count]
    return [c.name for r, (_, c) in enumerate(owned) if any(fit.sigmas[r, first] > WITH for fit in own)]


def shown(stage: Stage, out: Out, least: float) -> list[Shown]:
    """Where frames out of place are seen, best first: points moved by `least` px that count beside them."""
    span = slice(out.first, out.first + out.count)
    whole = Pose(stage.frames[span], stage.posed.linear[:, span], stage.posed.origin[:, span])
    worth = [
        most_moved(stage.shot, whole, _cut(stage.view, span), out.control, name)[1]
        * float(np.abs(amount).max())
        for name, amount in zip(out.channels, out.amounts, strict=True)
    ]
    if sum(worth) < least / 2:  # half, since it is but the derivative
        return []
    return _seen(stage, out, least)


def _seen(stage: Stage, out: Out, least: float) -> list[Shown]:
    a, b = max(out.first - AROUND, 0), min(out.first + out.count + AROUND, len(stage.frames))
    near, part = stage.frames[a:b], slice(a, b)
    right = set_right(stage, out)
    before = Pose(near, stage.posed.linear[:, part], stage.posed.origin[:, part])
    after, view = pose(right, near), _cut(stage.view, part)
    points = carried(stage.shot, out.control)
    old, new = (
        project(view, np.stack([world_point(p, s, point) for point in points]))
        for p, s in ((before, stage.shot), (after, right))
    )
    move = (old - new)[:, out.first - a]  # (P, 2)
    size = np.linalg.norm(move, axis=1) * _visible(old, new, out, a)
    beside = [max(out.first - 1, 0) - a, min(out.first + out.count, len(stage.frames) - 1) - a]
    close = excerpt(stage, a, b - 1)
    # Beside it, since what is out of place may be foreshortened or off screen just then.
    return [
        Shown(points[p], move[p] * (size[p] / np.linalg.norm(move[p])))
        for p in np.argsort(-size)
        if size[p] >= least and close.counts(points[p])[beside].all()
    ]


def _visible(old: Array, new: Array, out: Out, first: int) -> Array:
    """(P,) how much of what setting right takes away the paths (P, n, 2) really had: 0 where it is made up for."""
    at = slice(max(out.first - first - CAPTURE // 2, 0), out.first - first + out.count + CAPTURE // 2)
    had, lost = residual(old, CAPTURE)[:, at], residual(old - new, CAPTURE)[:, at]
    whole = np.sum(lost**2, axis=(1, 2))
    share = np.divide(np.sum(had * lost, axis=(1, 2)), whole, out=np.zeros(len(old)), where=whole > 0)
    return np.where(share < MADE_UP, 0.0, np.minimum(share, 1.0))


def _cut(view: View, part: slice) -> View:
    return replace(view, axes=view.axes[part], place=view.place[part], focal=view.focal[part])


def set_right(stage: Stage, out: Out) -> Shot:
    """The shot without the lapse: what each channel lies off is taken away."""
    shot = stage.shot
    n = out.first + int(stage.frames[0]) - shot.first_frame
    for name, amount in zip(out.channels, out.amounts, strict=True):
        channel = stage.control(out.control).channel(name)
        assert channel is not None
        assert channel.samples is not None
        values = channel.samples.copy()
        values[n : n + out.count] -= amount * _signs(stage, channel, out, n)
        shot = shot.with_channel(out.control, replace(channel, samples=frozen(values)))
    return shot


def _signs(stage: Stage, channel: Channel, out: Out, n: int) -> Array:
    """(count, 1): -1 where a quaternion's sign was turned to make it continuous."""
    assert channel.samples is not None
    if channel.name != QUATERNION:
        return np.ones((out.count, 1))
    straight = samples(stage, channel)[out.first : out.first + out.count]
    return np.asarray(np.sign(np.sum(straight * channel.samples[n : n + out.count], axis=1, keepdims=True)))

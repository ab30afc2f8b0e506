"""Sides that move as one: seen from what carries both, the velocity of one is the mirror image of the other's for a
second and more, and so are its extremes. Partners are found by their names and stand mirrored at rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from refine.flags.flag import Cause, Flag
from refine.flags.retime import later
from refine.flags.stage import Stage, runs
from refine.limbs.sides import partners
from refine.pinned import pinned_keys
from refine.pose import Point, in_axes
from refine.rig import descendants
from refine.rotation import quaternion_matrix
from refine.shot import Array, Shot

TWINS = "twinned sides"
PATH = 0.1  # of the figure's height that both sides travel in a second, to be compared [judge]
PROMINENT = 0.1  # of the range: a smaller turning back isn't an extreme [judge]
EXTREMES = 4  # of both sides together, to be compared [judge]
AIRBORNE = 0.05  # of the figure's height that its lowest point rises in a jump [judge]
BESIDE = 0.5  # s before and after a jump in which both sides get ready for it and land [judge]
MOST_SHIFT = 3.0  # frames at 24 fps: what sides that aren't meant to move as one are apart [prac]
SHIFTS = "1 to 3 frames"
MARGIN = 0.9  # of the share that warns, under which a mend has to bring it [judge]
FACE = ("eye", "eyes", "face", "lid", "lids", "brow", "brows", "mouth", "jaw", "ear", "ears")


def figure_height(stage: Stage) -> float:
    """The figure's extent along the up axis, median over some frames, in shot units."""
    up = stage.posed.origin[:, :: max(len(stage.frames) // 9, 1), 1 if stage.shot.up == "y" else 2]
    return float(np.median(np.ptp(up, axis=0))) or 1.0


def twins(stage: Stage, partner: dict[str, str]) -> Iterator[Flag]:
    height: float | None = None
    for name in stage.order:
        other, control = partner.get(name), stage.control(name)
        if other is None or stage.control_at[other] < stage.control_at[name] or control.part in FACE:
            continue
        if control.parent != stage.control(other).parent:
            continue  # the pair above it is looked at, with all that it carries
        height = figure_height(stage) if height is None else height
        paths = _paths(stage, name, partner)
        if paths is not None:
            spans = (
                part for span in _alike(stage, *paths, height) for part in _between_jumps(stage, span, height)
            )
            found = (_twin_flag(stage, (name, other), paths, part) for part in spans)
            yield from (flag for flag in found if flag is not None)


def _paths(stage: Stage, name: str, partner: dict[str, str]) -> tuple[Array, Array] | None:
    """(N, 3) paths of the most moving point of a side and of its mirrored partner, as their carrier sees them."""
    carrier = stage.control(name).parent
    best: tuple[float, Array, Array] | None = None
    apart = np.zeros(3)
    for each in (name, *descendants(stage.shot, name)):
        if each not in partner:
            continue
        pair = [stage.control(n) for n in (each, partner[each])]
        one, two = (_rest_place(stage, c.name, carrier) for c in pair)
        apart = np.maximum(apart, np.abs(one - two))
        ends = [Point(c.name, c.tip if c.tip is not None else c.pivot) for c in pair]
        left, right = (_seen_from(stage, carrier, stage.world(end)) for end in ends)
        length = float(np.linalg.norm(np.diff(left, axis=0), axis=1).sum())
        if best is None or length > best[0]:
            best = length, left, right
    if best is None or not apart.any():
        return None
    mirror = np.where(np.arange(3) == np.argmax(apart), -1.0, 1.0)
    return best[1], best[2] * mirror


def _rest_place(stage: Stage, name: str, carrier: str | None) -> Array:
    """(3,) where the pivot of a control stands at rest, as its carrier has it."""
    control = stage.control(name)
    place = np.array(control.pivot)
    while True:
        place = quaternion_matrix(np.array(control.rest_rotation)) @ place + np.array(
            control.rest_translation
        )
        if control.parent == carrier or control.parent is None:
            return np.asarray(place)
        control = stage.control(control.parent)


def _seen_from(stage: Stage, carrier: str | None, path: Array) -> Array:
    if carrier is None:
        return path
    i = stage.control_at[carrier]
    away = (path - stage.posed.origin[i])[:, :, None]
    return in_axes(stage.posed.linear[i], away)[:, :, 0]


def _alike(stage: Stage, left: Array, right: Array, height: float) -> list[tuple[int, int]]:
    """First and last positions of stretches in which both velocities are alike and large enough to be seen."""
    threshold = stage.thresholds[TWINS]
    window = max(round(threshold["seconds"] * stage.shot.fps), 2)
    if len(left) <= window:
        return []
    v, w = np.diff(left, axis=0), np.diff(right, axis=0)
    both, one, other = (_windowed(np.sum(a * b, axis=1), window) for a, b in ((v, w), (v, v), (w, w)))
    travel = np.minimum(*(_windowed(np.linalg.norm(x, axis=1), window) for x in (v, w)))
    alike = (both > threshold["correlation"] * np.sqrt(one * other)) & (travel > PATH * height)
    covered = np.zeros(len(left), np.bool_)
    for a, b in runs(alike):
        covered[a : b + window + 1] = True
    return runs(covered)


def _windowed(values: Array, window: int) -> Array:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(total[window:] - total[:-window])


def _twin_flag(
    stage: Stage, pair: tuple[str, str], paths: tuple[Array, Array], span: tuple[int, int]
) -> Flag | None:
    a, b = span
    threshold = stage.thresholds[TWINS]
    left, right = (path[a : b + 1] for path in paths)
    share = _together(left, right, max(round(stage.shot.fps / 24), 1))
    severity = threshold.severity(share)
    if severity is None or _meant(stage, pair, a, b):
        return None
    where = int(stage.frames[a]), int(stage.frames[b])
    message = f"{pair[0]} and {pair[1]} move as one for {(b - a) / stage.shot.fps:.1f} s"
    free = next((name for name in pair[::-1] if _free(stage.shot, name)), None)
    remedy = "vary the poses of one side: pins hold the keys of both"
    if free is not None:
        remedy = f"move all keys of {free} and what it carries by {SHIFTS}, and vary its poses"
    ratio = threshold.ratio(share) * stage.attention(pair[0])
    return Flag(
        TWINS, pair[0], None, where, severity, share, threshold.unit, Cause(pair[0]), message, remedy, ratio
    )


def _together(left: Array, right: Array, near: int, among: NDArray[np.bool_] | None = None) -> float:
    """Share of the extremes of two paths (N, 3), along their main direction, that have one of the other side near.

    With `among` (N,) only those on such frames count.
    """
    main = np.linalg.svd(left - left.mean(axis=0), full_matrices=False)[2][0]
    one, other = (_extremes(path @ main) for path in (left, right))
    if among is not None:
        one, other = one[among[one]], other[among[other]]
    if len(one) + len(other) < EXTREMES or not len(one) or not len(other):
        return 0.0
    apart = np.abs(one[:, None] - other[None, :])
    hits = np.count_nonzero(apart.min(axis=1) <= near) + np.count_nonzero(apart.min(axis=0) <= near)
    return float(hits / (len(one) + len(other)))


def _extremes(values: Array) -> NDArray[np.intp]:
    """Positions at which values turn back by more than a tenth of their range."""
    least, found = PROMINENT * float(np.ptp(values)), []
    best, rising = 0, 0
    for i, value in enumerate(values.tolist()):
        ahead = value - float(values[best])
        if rising == 0 and abs(ahead) > least:
            best, rising = i, int(np.sign(ahead))
        elif rising and ahead * rising > 0:
            best = i
        elif rising and -ahead * rising > least:
            found.append(best)
            best, rising = i, -rising
    return np.array(found, np.intp)


def _meant(stage: Stage, pair: tuple[str, str], a: int, b: int) -> bool:
    """Whether both sides hold one thing, touch something, or are marked as an accent or a hold."""
    sides = [{name, *descendants(stage.shot, name)} for name in pair]
    read = {c.name: {link.to for link in c.links} for c in stage.shot.controls}
    own = [set().union(*(read[name] for name in side)) for side in sides]
    if own[0] & own[1] or any(names & sides[0] and names & sides[1] for names in read.values()):
        return True
    kinds = ("contact", "accent", "hold")
    return any(stage.marked(name, *kinds)[a : b + 1].any() for side in sides for name in side)


def _between_jumps(stage: Stage, span: tuple[int, int], height: float) -> Iterator[tuple[int, int]]:
    """What is left of a stretch, a second and more at a time, without jumps and what is beside them.

    A figure jumps where its lowest point is above the ground of the second before and of the second after.
    """
    up = 1 if stage.shot.up == "y" else 2
    second = max(round(stage.shot.fps), 1)
    low = np.min([stage.world(p)[:, up] for name in stage.control_at for p in stage.points(name)], axis=0)
    padded = np.pad(low, second, mode="edge")
    least = np.lib.stride_tricks.sliding_window_view(padded, second + 1).min(axis=1)
    ground = np.maximum(least[: len(low)], least[second : second + len(low)])
    beside = round(BESIDE * stage.shot.fps)
    jumping = np.convolve(low - ground > AIRBORNE * height, np.ones(2 * beside + 1), "same") > 0.5
    for a, b in runs(~jumping[span[0] : span[1] + 1]):
        if b - a >= stage.thresholds[TWINS]["seconds"] * stage.shot.fps:
            yield span[0] + a, span[0] + b


def _free(shot: Shot, name: str) -> bool:
    """Whether no pin holds a key of a control or of what it carries."""
    for each in (name, *descendants(shot, name)):
        for channel in shot.control(each).channels:
            keys = channel.keys
            if keys is None or np.any(pinned_keys(shot.pins, each, channel.name, keys)):
                return False
    return True


# --- the mend --------------------------------------------------------------------------------------------------


def untwinned(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which one side comes up to three frames later or earlier and both aren't twins any more.

    The smallest shift after which extremes no longer count as together comes first, later before earlier, the second
    side before the first; then smaller ones, which may do where moves are quick. All of it in the flag's range, then,
    where what lies beside that keeps the sides together, over all frames.
    """
    partner = partners(stage.shot.controls)
    pair, near = (partner[flag.control], flag.control), max(round(stage.shot.fps / 24), 1)
    most, least = round(MOST_SHIFT * stage.shot.fps / 24), MARGIN * stage.thresholds[TWINS].warn
    sizes = (*range(near + 1, max(most, near + 1) + 1), *range(1, near + 1))
    for frames in dict.fromkeys((flag.frames, stage.range)):
        for size, sign, name in product(sizes, (1, -1), pair):
            after = later(stage, name, frames, sign * size)
            then = stage if after is None else replace(stage, shot=after)
            if after is not None and not _twinned(then, flag) and _share(then, flag.control) < least:
                yield after


def _share(stage: Stage, name: str) -> float:
    """Share of a side's extremes and its partner's that fall together, wherever both move alike for a second."""
    paths = _paths(stage, name, partners(stage.shot.controls))
    alike = np.zeros(len(stage.frames), np.bool_)
    for a, b in [] if paths is None else _alike(stage, *paths, 0.0):
        alike[a : b + 1] = True
    if paths is None or not alike.any():
        return 0.0
    return _together(*paths, max(round(stage.shot.fps / 24), 1), alike)


def _twinned(stage: Stage, flag: Flag) -> bool:
    found = twins(replace(stage, order=(flag.control,)), partners(stage.shot.controls))
    return any(f.frames[0] <= flag.frames[1] and flag.frames[0] <= f.frames[1] for f in found)

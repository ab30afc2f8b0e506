"""A long clip smoothed in overlapping stretches, so that the memory this takes beside the clip stays the same.

What belongs to the whole clip is told of the whole: where its turns jump, its noise (from windows taken evenly of all
of it), which turns come near gimbal lock, and afterwards its contacts and its ground. So neighbours smooth alike, and
where the ends of both have no say any more, one goes over into the other as a minimum-jerk move does. Feet are planted
after that, on all frames: a foot that stands knows of no seam. A loop has been continued over its ends before (see
`loop`), so it closes as a short one does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from refine.clean.branches import alongside
from refine.clean.denoise import Denoised, Keep, Mask, Part, denoised, locked, told
from refine.clean.noise import SLOWEST, grid, window_size
from refine.clean.settings import Settings
from refine.clean.tracks import Group, Tracks
from refine.limbs.planting import minimum_jerk
from refine.shot import Array

LONGEST = 60_000  # frames that are smoothed at once; a longer clip goes by stretches
LENGTH = 20_000  # frames of a stretch
EXCERPT = 20_000  # frames of which the noise of a long clip is told
# s that stretches have in common where 1 Hz is the slowest that is half left: what the lack of a neighbour changes
# falls by exp(-pi) in each second from the end, for the smoother's slowest roots lie 30 degrees off the circle.
OVERLAP = 8.0
WINDOWS = 16  # of the noise's that a block of the excerpt is long
FADE = 0.25  # of what is in common

Span = tuple[int, int]  # first position, and the one after the last


def in_stretches(
    tracks: Tracks, keep: dict[Group, Keep], settings: Settings, known: Mapping[Group, Part] | None = None
) -> Denoised:
    """The tracks smoothed as by `denoised`, a stretch after the other if they are long."""
    count, fps = len(tracks), tracks.fps
    if count <= LONGEST:
        return denoised(tracks, keep, settings, known=known)
    if known is None:
        known = _known(tracks, keep, settings)
    values = np.empty_like(tracks.values)
    parts: list[dict[Group, Part]] = []
    found = spans(count, _overlap(fps, settings), grid(fps, count))
    until = 0
    for a, b in found:
        done = denoised(*_of(tracks, keep, slice(a, b)), settings, known=known)
        for group in tracks.groups:
            rows = list(group.rows)
            values[rows, a:b] = joined(group, values[rows, a:until], done.tracks.of(group))
        parts.append(done.parts)
        until = b
    return Denoised(_learnt(known, parts, found), replace(tracks, values=values))


def excerpt(count: int, fps: float) -> NDArray[np.intp]:
    """Positions of blocks taken evenly from a clip: EXCERPT frames at most, all of a shorter one.

    They are made of the windows that the noise is told of, so that none of these lies across two blocks.
    """
    if count <= EXCERPT:
        return np.arange(count)
    size = WINDOWS * window_size(fps, count)
    starts = np.linspace(0, count - size, EXCERPT // size).astype(np.intp)
    return np.asarray((starts[:, None] + np.arange(size)).ravel())


def _known(tracks: Tracks, keep: dict[Group, Keep], settings: Settings) -> dict[Group, Part]:
    """How much noise each group has and whether it comes in bursts, of an excerpt of the whole."""
    at = excerpt(len(tracks), tracks.fps)
    some, kept = _of(tracks, keep, at)
    jumps = np.append(np.diff(at) != 1, False)
    kept = {group: replace(each, breaks=each.breaks | jumps) for group, each in kept.items()}
    return denoised(some, kept, settings, told(some, kept, locked(tracks), settings)).parts


def spans(count: int, overlap: int, step: int) -> list[Span]:
    """Stretches of LENGTH frames that have `overlap` frames in common at least, evenly set on multiples of `step`."""
    number = -(-(count - LENGTH) // (LENGTH - overlap - step)) + 1
    starts = np.linspace(0, count - LENGTH, number).astype(np.intp) // step * step
    return [(a, a + LENGTH) for a in starts[:-1].tolist()] + [(int(starts[-1]), count)]


def joined(group: Group, before: Array, values: Array) -> Array:
    """(k, N) a stretch of a group, over whose first frames the one before it (k, n) fades out.

    Samples that are the same in both stay so to the bit. Both are within rounding of the same turn, so fading angles
    is fading turns, near gimbal lock as elsewhere.
    """
    shared = before.shape[1]
    if not shared:
        return values
    middle = shared // 2
    values = alongside(group, values, middle, before[:, middle])
    old, new = before, values[:, :shared]
    share = minimum_jerk((np.arange(shared) - middle) / (FADE * shared) + 0.5)
    between = old + share * (new - old)
    if group.kind == "quaternion":
        between = np.where(old == new, old, between / np.linalg.norm(between, axis=0))
    faded = np.where(share <= 0, old, np.where(share >= 1, new, between))
    return np.concatenate([faded, values[:, shared:]], axis=1)


def _overlap(fps: float, settings: Settings) -> int:
    """Frames that stretches must have in common: more where slower motion is smoothed away, a third at most."""
    slowest = SLOWEST / max(settings.strength, 1.0) if settings.keep_below is None else settings.keep_below
    return min(round(OVERLAP * fps * max(SLOWEST / slowest, 1.0)), LENGTH // 3)


def _of(
    tracks: Tracks, keep: dict[Group, Keep], at: slice | NDArray[np.intp]
) -> tuple[Tracks, dict[Group, Keep]]:
    """Some frames of tracks and masks."""

    def some(mask: Mask) -> Mask:
        return mask[at]

    return replace(tracks, values=tracks.values[:, at]), {g: each.map(some) for g, each in keep.items()}


def _learnt(
    known: Mapping[Group, Part], parts: list[dict[Group, Part]], found: list[Span]
) -> dict[Group, Part]:
    """What is known of the whole, with the masks of each stretch up to the middle of what it shares."""
    seams = [(a + b) // 2 for (_, b), (a, _) in pairwise(found)]
    owned = list(zip([0, *seams], [*seams, found[-1][1]], strict=True))

    def whole(group: Group) -> Part:
        own = [
            part[group].cut(slice(a - first, b - first))
            for part, (first, _), (a, b) in zip(parts, found, owned, strict=True)
        ]
        missing, spikes = (
            np.concatenate([getattr(part, name) for part in own]) for name in ("missing", "spikes")
        )
        return replace(known[group], missing=missing, spikes=spikes)

    return {group: whole(group) for group in known}

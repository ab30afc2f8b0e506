"""What holds for the keys and samples of every text format of ours: rising frames, slopes beside curves.

`at(k)` is the place of key k for messages; all functions raise InputError.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from refine.formats.checked import MOST_FRAMES, NOTED_LENGTH, UNIT_LENGTH, At
from refine.shot import QUATERNION, Array, Segment

SEGMENTS = {"hold": Segment.HOLD, "line": Segment.LINE, "curve": Segment.CURVE}
REACHES = ("incoming_reach", "outgoing_reach")
# `Keys.index` takes frames this near for the same one.
NEAREST_FRAMES = 1e-6

Integers = NDArray[np.int8]


def components(name: str) -> int:
    """Numbers in one value of a channel: four for a quaternion, otherwise one."""
    return 4 if name == QUATERNION else 1


def check_frames(frames: Array, at: Callable[[int], At]) -> None:
    """Raise InputError at the first frame (K,) that is out of bounds or doesn't lie after the one before."""
    rising = frames[1:] - frames[:-1] > NEAREST_FRAMES
    if rising.all() and frames[0] >= -MOST_FRAMES and frames[-1] <= MOST_FRAMES:
        return
    for k in np.flatnonzero(np.abs(frames) > MOST_FRAMES):
        raise at(int(k)).error(f"found frame {frames[k]:g}", f"-{MOST_FRAMES} to {MOST_FRAMES}")
    for k in np.flatnonzero(~rising):
        before, here = frames[k], frames[k + 1]
        if abs(here - before) <= NEAREST_FRAMES:
            raise at(int(k) + 1).error(
                f"frame {here:.10g} repeats the frame of the key before", "one key a frame"
            )
        found = f"frame {here:.10g} stands after frame {before:.10g}"
        raise at(int(k) + 1).error(found, "frames that rise from key to key", "sort the keys by frame")


def settle_slopes(
    incoming: Array,
    outgoing: Array,
    corner: Sequence[bool | None] | None,
    segment: Integers,
    at: Callable[[int], At],
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Slopes (K, D) without gaps, and which keys are corners.

    NaN in the arguments and None in `corner` mean "not given". A slope must be given on the side of a curve
    segment; elsewhere it follows the other side, or is 0. Two slopes that differ make a corner.
    """
    if corner is None and incoming is outgoing and not np.isnan(incoming).any():
        return incoming, outgoing, np.zeros(len(incoming), np.bool_)
    given = [~np.isnan(side[:, 0]) for side in (incoming, outgoing)]
    if not (given[0].all() and given[1].all()):
        _check_needed(given, segment, at)
        incoming, outgoing = (
            np.where(given[0][:, None], incoming, np.where(given[1][:, None], outgoing, 0.0)),
            np.where(given[1][:, None], outgoing, np.where(given[0][:, None], incoming, 0.0)),
        )
    differ = np.any(incoming != outgoing, axis=1)
    if corner is None:
        return incoming, outgoing, differ
    for k, said in enumerate(corner):
        if said is False and differ[k]:
            raise at(k).error(
                "the two slopes differ on a key that isn't a corner", "equal slopes, or corner: true"
            )
    return (
        incoming,
        outgoing,
        np.array([bool(d if said is None else said) for said, d in zip(corner, differ, strict=True)]),
    )


def _check_needed(given: Sequence[NDArray[np.bool_]], segment: Integers, at: Callable[[int], At]) -> None:
    """Raise InputError where a slope beside a curve segment isn't given."""
    curve = segment[:-1] == Segment.CURVE
    needed = (np.concatenate([[False], curve]), np.concatenate([curve, [False]]))
    missing = [need & ~there for need, there in zip(needed, given, strict=True)]
    for k in np.flatnonzero(missing[0] | missing[1]):
        side = "incoming" if missing[0][k] else "outgoing"
        remedy = "give it as value per frame, or make the segment a hold or a line"
        raise at(int(k)).error(
            f"the {side} slope is missing", "a slope on each side where a curve runs", remedy
        )


def unit_length(values: Array, at: Callable[[int], At], whole: At, notes: list[str]) -> tuple[Array, Array]:
    """Quaternions (N, 4) of unit length and the factors (N, 1) that made them so; notes those far off.

    Slopes take the same factors: the direction in which the rotation leaves stays.
    """
    length = np.linalg.norm(values, axis=1, keepdims=True)
    for k in np.flatnonzero(length < UNIT_LENGTH):
        raise at(int(k)).error("a quaternion of length 0", "four numbers XYZW, together of length 1")
    off = np.abs(length - 1)
    far = np.flatnonzero(off > NOTED_LENGTH)
    if len(far):
        first = at(int(far[0])).path
        notes.append(
            f"{whole}: {len(far)} quaternions normalised; the length of {first} is {length[far[0], 0]:.4g}"
        )
    factors = np.where(off <= UNIT_LENGTH, 1.0, 1 / length)
    return values * factors, factors


def check_sample_count(count: int, frames: tuple[int, int], at: At) -> None:
    expected = frames[1] - frames[0] + 1
    if count != expected:
        allowed = f"{expected}, one for each frame from {frames[0]} to {frames[1]}"
        raise at.error(f"{count} samples", allowed, "correct frames or the samples")

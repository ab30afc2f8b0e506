"""How near to the fewest keys a reduction comes, and how fast it is.

    python -m benchmarks.clean_keys [--clip NAME] [--within 2mm] [--speed]

Parts of the open clips, low-passed as a cleaning would do it (zero-phase Butterworth of 4th order at 6 Hz, common in
gait work), are reduced, each control within the budget that it has in the end. For the same budgets the fewest keys
are found by dynamic programming over all sets of whole frames, in two classes of curves. In both a segment is judged by
itself, and is allowed if the vector of its channels' errors, measured by the same form, is within the budget on each of
its frames:

* broken: a cubic through the samples at both its keys, its two end slopes by least squares over its own frames. Keys
  are corners: the curve's slope jumps at each. The reduction's own search, when each key may be a corner and no
  extreme gets any, has about this class (its values are free, and all are fitted together), so this ratio is what
  the search is worth. Goal: 1.15. The same with a key on each extreme that can be seen, in the search and in the
  optimum (the search may leave out a few where that saves a key, the optimum none).
* given: a cubic through the samples at both its keys with the samples' own slopes there, from a parabola through five
  frames. No corners, as in what the reduction returns, which is free in its values and slopes and so needs fewer.

The optimum of smooth curves with free values and slopes isn't known: there segments depend on each other. Smooth keys
are more than broken ones: where the fourth derivative is constant the error of the best smooth curve is 2.9 times that
of the best broken one, which is 1.31 times the keys.

An extreme of the channel of a control that moves its end most can be seen if the motion goes back on both its sides by
more than is allowed at the joint's end. What keys on extremes cost is the reduction's keys beside those that it needs
when extremes mean nothing to it. Overshoot is how far the curve goes beyond the samples around such a key, between
frames too, in units of what is allowed.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from benchmarks.corpus import captured, continuous
from refine.clean.keys import lanes as lanes_of
from refine.clean.keys.fit import Lanes, triangle
from refine.clean.keys.place import placed
from refine.clean.keys.reduce import Reduction, even, reduced, reductions
from refine.clean.settings import Amount, amount
from refine.curve import evaluate
from refine.formats import read, write
from refine.shot import Channel, Shot, frozen, make_keys

Class = Literal["broken", "given"]

PARTS = (("01_01", 700, 240), ("01_03", 300, 240), ("Boxing_Toes", 500, 200))
EDGE = 6.0  # Hz
FINE = 8  # places a frame at which overshoot is looked for


def low_passed(clip: str, start: int = 1, frames: int | None = None) -> Shot:
    """Frames of an open clip, its angles without jumps; the first one of some clips is a rest pose."""
    from scipy.signal import butter, sosfiltfilt

    shot = captured(clip)
    sos = butter(2, EDGE, fs=shot.fps, output="sos")  # forth and back: 4th order
    rows = slice(start, None if frames is None else start + frames)
    controls = []
    for control in shot.controls:
        smooth = {name: sosfiltfilt(sos, v[1:])[start - 1 :] for name, v in continuous(control).items()}
        cut = {name: v[: None if frames is None else frames, None] for name, v in smooth.items()}
        channels = tuple(
            Channel(channel.name, samples=frozen(cut[channel.name])) for channel in control.channels
        )
        controls.append(replace(control, channels=channels))
    count = len(shot.frames[rows])
    return replace(shot, first_frame=0, last_frame=count - 1, controls=tuple(controls))


# --- the optimum -------------------------------------------------------------------------------------------


def fewest(lanes: Lanes, r: int, kind: Class, must: NDArray[np.bool_] | None = None) -> int:
    """The fewest keys of a lane in a class, some of them given: shortest paths from the first frame to the last one."""
    frames = lanes.shape[1]
    allowed = [segments(lanes, r, length, kind) for length in range(1, frames)]
    least = np.zeros(frames, np.intp)  # the last key that must not be passed over
    if must is not None:
        least = np.maximum.accumulate(np.where(must, np.arange(frames), 0))
    keys = np.full(frames, frames + 1)
    keys[0] = 1
    for last in range(1, frames):
        steps = range(1, last - int(least[last - 1]) + 1)
        keys[last] = 1 + min(keys[last - n] for n in steps if allowed[n - 1][last - n])
    return int(keys[-1])


def segments(lanes: Lanes, r: int, length: int, kind: Class) -> NDArray[np.bool_]:
    """(N - length,) by first frame whether a segment of this length is within the budget."""
    window = np.lib.stride_tricks.sliding_window_view
    values, slopes = lanes.values[r], lanes.slopes[r]
    u = np.arange(length + 1) / length
    after = u * u * (3 - 2 * u)
    by_slope = np.stack([u * (1 - u) ** 2, -u * u * (1 - u)], axis=1) * length
    error = (
        window(values, length + 1, axis=0)
        - values[:-length, :, None] * (1 - after)
        - values[length:, :, None] * after
    )
    if kind == "given":
        error = error - slopes[:-length, :, None] * by_slope[:, 0] - slopes[length:, :, None] * by_slope[:, 1]
    else:
        error = error - (error @ np.linalg.pinv(by_slope).T) @ by_slope.T
    gram = window(lanes.gram[:, r], length + 1, axis=1)
    square = sum(
        (1 if i == j else 2) * gram[k] * error[:, i] * error[:, j]
        for k, (i, j) in enumerate(triangle(values.shape[1]))
    )
    over = np.sqrt(np.maximum(square, 0)) > window(lanes.budget[r], length + 1) * (1 + 1e-9)
    return np.asarray(~over.any(axis=1))


# --- tables ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Count:
    """Keys of all lanes of a part: the reduction's, its search's with corners, the optima; extremes; and seconds."""

    name: str
    seconds: float  # of motion
    lanes: int
    smooth: int
    unaware: int  # smooth ones where extremes mean nothing
    broken: int
    best_broken: int
    broken_on_extremes: int
    best_broken_on_extremes: int
    best_given: int
    extremes: int
    on_extremes: int
    overshoot: float
    largest: float
    took: float


def counted(name: str, start: int, frames: int, within: Amount) -> Count:
    shot = low_passed(name, start, frames)
    began = time.process_time()
    [result] = reductions(shot, within)
    took = time.process_time() - began
    groups = [part.group.lanes for part in result.parts]
    with patch.object(lanes_of, "SEEN", np.inf):
        [unaware] = reductions(shot, within)
    each = [(lanes, r) for lanes in groups for r in range(lanes.shape[0])]
    return Count(
        name=f"{name} {start}:{start + frames}",
        seconds=frames / shot.fps,
        lanes=len(each),
        smooth=_keys(result),
        unaware=_keys(unaware),
        broken=sum(_broken(lanes, shot.fps, extremes=False) for lanes in groups),
        best_broken=sum(fewest(lanes, r, "broken") for lanes, r in each),
        broken_on_extremes=sum(_broken(lanes, shot.fps, extremes=True) for lanes in groups),
        best_broken_on_extremes=sum(fewest(lanes, r, "broken", lanes.extreme[r]) for lanes, r in each),
        best_given=sum(fewest(lanes, r, "given") for lanes, r in each),
        extremes=sum(int(lanes.extreme.sum()) for lanes in groups),
        on_extremes=on_extremes(result),
        overshoot=overshoot(result),
        largest=result.largest,
        took=took,
    )


def _keys(result: Reduction) -> int:
    return sum(int(part.mask.sum()) for part in result.parts)


def _broken(lanes: Lanes, fps: float, extremes: bool) -> int:
    """Keys that the same search sets where each may be a corner and nothing (but extremes) asks for any."""
    none = np.zeros(lanes.shape, np.bool_)
    free = replace(lanes, corner=~none, forced=none, weight=None)
    if not extremes:
        free = replace(free, extreme=none, clear=none)
    return int(placed(free, even(free, fps))[0].sum())


def on_extremes(result: Reduction) -> int:
    """How many extremes that can be seen have a key within a frame."""
    found = 0
    for part in result.parts:
        near = part.mask.copy()
        near[:, 1:] |= part.mask[:, :-1]
        near[:, :-1] |= part.mask[:, 1:]
        found += int((near & part.group.lanes.extreme).sum())
    return found


def overshoot(result: Reduction) -> float:
    """The farthest that a curve goes beyond its samples in the two segments beside a key on an extreme."""
    worst = 0.0
    for part in result.parts:
        lanes = part.group.lanes
        for r, (d, scale) in enumerate(zip(*lanes.lead, strict=True)):
            piece = part.pieces[part.group.controls[r]]
            at = (piece.frames - piece.frames[0]).astype(np.intp)
            keys = make_keys(at, *(each[:, d] for each in (piece.values, piece.incoming, piece.outgoing)))
            for k in np.flatnonzero(lanes.extreme[r, at[1:-1]]) + 1:
                own = lanes.values[r, at[k - 1] : at[k + 1] + 1, d]
                curve = evaluate(keys, np.arange(at[k - 1], at[k + 1] + 1 / FINE, 1 / FINE))
                worst = max(
                    worst, scale * float(curve.max() - own.max()), scale * float(own.min() - curve.min())
                )
    return worst


COLUMNS = (
    "part",
    "controls",
    "keys",
    "keys a control and second",
    "cost of extremes",
    "with corners",
    "fewest broken",
    "with corners / fewest",
    "the same on extremes",
    "keys / fewest broken",
    "fewest given",
    "keys / fewest given",
    "extremes",
    "with a key within a frame",
    "overshoot",
    "largest deviation",
    "times real time",
)


def rows(within: Amount, parts: tuple[tuple[str, int, int], ...]) -> Iterator[str]:
    yield f"Largest deviation allowed: {within}. Keys are counted once a control.\n"
    yield f"| {' | '.join(COLUMNS)} |"
    yield "|---|" + "--:|" * (len(COLUMNS) - 1)
    for part in parts:
        c = counted(*part, within)
        cells = (
            c.name,
            f"{c.lanes}",
            f"{c.smooth}",
            f"{c.smooth / c.lanes / c.seconds:.1f}",
            f"{c.smooth / c.unaware - 1:.1%}",
            f"{c.broken}",
            f"{c.best_broken}",
            f"{c.broken / c.best_broken:.2f}",
            f"{c.broken_on_extremes} / {c.best_broken_on_extremes} = "
            f"{c.broken_on_extremes / c.best_broken_on_extremes:.2f}",
            f"{c.smooth / c.best_broken:.2f}",
            f"{c.best_given}",
            f"{c.smooth / c.best_given:.2f}",
            f"{c.extremes}",
            f"{c.on_extremes / max(c.extremes, 1):.0%}",
            f"{c.overshoot:.2f}",
            f"{c.largest:.3f} {within.unit}",
            f"{c.seconds / c.took:.0f}",
        )
        yield f"| {' | '.join(cells)} |"


def speed(within: Amount) -> Iterator[str]:
    """Whole clips from a BVH file to a shot file, on one core."""
    yield (
        "\n| clip | motion | read | reduced | written | times real time (goal 15) | largest deviation | keys | "
        "cost of extremes | extremes | with a key within a frame |"
    )
    yield "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|"
    for name in ("01_01", "01_03", "Boxing_Toes"):
        shot = low_passed(name)
        with tempfile.TemporaryDirectory() as folder:
            source, target = Path(folder, "clip.bvh"), Path(folder, "clip.shot.json")
            source.write_bytes(write(shot, source))
            times = [time.process_time()]
            clip = read(source).shot
            times.append(time.process_time())
            few = reduced(clip, within)
            times.append(time.process_time())
            target.write_bytes(write(few, target))
            times.append(time.process_time())
        results = list(reductions(clip, within))
        with patch.object(lanes_of, "SEEN", np.inf):
            unaware = sum(map(_keys, reductions(clip, within)))
        largest, keys = max(result.largest for result in results), sum(map(_keys, results))
        turns = sum(int(part.group.lanes.extreme.sum()) for result in results for part in result.parts)
        took = np.diff(times)
        seconds = len(shot.frames) / shot.fps
        yield (
            f"| {name} | {seconds:.1f} s | {took[0]:.2f} s | {took[1]:.2f} s | {took[2]:.2f} s | "
            f"{seconds / took.sum():.1f} | {largest:.3f} {within.unit} | {keys} | {keys / unaware - 1:.1%} | {turns} | "
            f"{sum(map(on_extremes, results)) / max(turns, 1):.0%} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--clip", choices=[part[0] for part in PARTS], action="append")
    parser.add_argument("--within", default="2mm")
    parser.add_argument("--speed", action="store_true", help="only how fast whole clips are reduced")
    asked = parser.parse_args()
    within = amount(asked.within, "--within")
    if not asked.speed:
        for row in rows(within, tuple(part for part in PARTS if not asked.clip or part[0] in asked.clip)):
            print(row, flush=True)
    for row in speed(within):
        print(row, flush=True)


if __name__ == "__main__":
    main()

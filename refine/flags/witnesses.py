"""What the other joints of a figure say of a channel: its prediction errors regressed on theirs.

A figure moves as a whole: what one joint does unforeseen goes with what the others do on the same frame, since the foot
goes on standing and the hand goes on reaching. It is learnt where the channel is sound, by a ridge regression (Hoerl &
Kennard 1970 [mem]) that expects less of joints farther along the chain, its weight found by generalised
cross-validation (Golub, Heath & Wahba 1979 [mem]).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.flags.own_motion import ORDER, Motion, learnt_of_all
from refine.flags.path import errors
from refine.rig import children
from refine.rotation import continuous
from refine.shot import Array, Channel, Shot

WEIGHTS = np.geomspace(1.0, 1e5, 21)  # of the ridge, the witnesses' errors having the variance 1 or less
CAREFUL = 4.0  # [judge] times the best weight: what was learnt elsewhere is trusted less here
RESTLESS = 4.0  # [judge] times its usual variance: who trembles or jumps just then is no witness
Name = tuple[str, str]  # of a control and its channel


@dataclass(frozen=True, slots=True, eq=False)
class Witnesses:
    """`errors` (W, N - K + 1) of other channels, of variance 1 on a neighbour's, less farther off, nearest first.

    `owners` (W,) say whose they are.
    """

    owners: Sequence[Name]
    errors: Array

    def told(self, asked: Name, y: Array, known: NDArray[np.bool_], motion: Motion) -> Motion:
        """The motion of a path (N,) of a channel with what the others foretell of its errors.

        Its variance is that of what they leave, by cross-validation; the motion itself where they say nothing.
        """
        error, whole = motion.errors(y), motion.whole(known)
        rows = [row for row, owner in enumerate(self.owners) if owner != asked][
            : np.count_nonzero(whole) // 2
        ]
        if not rows or self.errors.shape[1] != len(error):
            return motion
        others, own = self.errors[rows], error[whole]
        by, left = _ridge(others[:, whole], own)
        share = left / max(float(np.mean(own**2)), 1e-300)
        if share >= 1:
            return motion
        return replace(motion, variance=motion.variance * share, foretold=by @ others)


def _ridge(x: Array, own: Array) -> tuple[Array, float]:
    """Factors (W,) of the rows x (W, n) that foretell own (n,), and the mean square left of what wasn't learnt from."""
    values, vectors = np.linalg.eigh(x @ x.T)
    values, pull = np.maximum(values, 0.0), vectors.T @ (x @ own)

    def left(weight: float) -> float:
        square = own @ own - np.sum(pull**2 * (values + 2 * weight) / (values + weight) ** 2)
        free = 1 - np.sum(values / (values + weight)) / len(own)
        return float(square / len(own) / free**2)

    weight = CAREFUL * min(WEIGHTS.tolist(), key=left)
    return vectors @ (pull / (values + weight)), left(weight)


def witnesses(shot: Shot, name: str, frames: tuple[int, int]) -> Witnesses:
    """The baked channels of a figure that may say what one of its controls did in frames a to b.

    A channel that repeats a sample there, or is far from usual, tells nothing of what happened then.
    """
    owners, rows, nearness = [], [], []
    away = _steps(shot, name)
    a, b = frames[0] - shot.first_frame, frames[1] - shot.first_frame
    for control in sorted((c for c in shot.controls if c.name in away), key=lambda c: away[c.name]):
        for channel in control.channels:
            for row in _moving(channel, a, b):
                owners.append((control.name, channel.name))
                rows.append(row)
                nearness.append(1.0 / np.sqrt(1.0 + away[control.name]))
    if not rows:
        return Witnesses((), np.zeros((0, 0)))
    paths = np.stack(rows)[..., None]
    kernels, variance, enough = learnt_of_all(paths, np.ones(paths.shape[:2], np.bool_))
    error = errors(paths, kernels)[..., 0]
    part = error[:, max(a - ORDER - 1, 0) : b + 1]
    calm = np.mean(part**2, axis=1) < RESTLESS * variance if part.size else enough
    told = np.flatnonzero(enough & (variance > 0) & calm)
    scale = np.array(nearness)[told] / np.sqrt(variance[told])
    return Witnesses([owners[i] for i in told], np.asarray(error[told] * scale[:, None]))


def _steps(shot: Shot, name: str) -> dict[str, int]:
    """How many joints away along the chain each control of the same figure is."""
    parents, below = {c.name: c.parent for c in shot.controls}, children(shot)
    away, reached = {name: 0}, [name]
    for each in reached:
        for other in (parents[each], *below[each]):
            if other is not None and other not in away:
                away[other] = away[each] + 1
                reached.append(other)
    return away


def _moving(channel: Channel, a: int, b: int) -> Iterator[Array]:
    """The rows (N,) of a baked channel that moves in each of the positions a to b."""
    if channel.samples is not None and np.ptp(channel.samples, axis=0).any():
        y = continuous(channel, channel.samples)
        inside = y[max(a - 1, 0) : b + 2]
        if not np.all(np.diff(inside, axis=0) == 0, axis=1).any():
            yield from y.T

"""The ways of points that stand, told in the world: there a planted foot rests, while the angles that hold it don't.

A foot's way is first smoothed as a joint's turn is, by its own noise and liveliness. Where that shows that it stands,
more is known: it hardly goes anywhere. Its speed there is that of a foot at rest, and takes time to change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.clean.feet.footing import paths
from refine.clean.noise import Noise, estimated, falling, liveliness
from refine.clean.smoother import Steps, smoothed
from refine.limbs.planted import ENTER_SPEED
from refine.pose import Point
from refine.shot import Array, Shot

SLOWEST = 0.4  # Hz: a foot at rest is smoothed more than a joint would be
# Speed on each axis of a foot at rest, in sqrt(g L) [judge]: 25 mm/s of a man's; in captures by 25 to 65 in all.
AT_REST = ENTER_SPEED / 6.0
LASTS = 0.2  # [judge] s in which that speed changes
LANDS = 0.1  # [judge] s at each end of a contact, in which it is that of a foot under way
UNDER_WAY = 100.0  # times the speed at rest: as good as any


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """A point's way as captured (N, 3), the noise of its rows and the variance of their jerk (3, N - 3), and the most
    likely way under these (N, 3)."""

    captured: Array
    noise: tuple[Noise, ...]
    jerk: Array
    likely: Array

    def at_rest(self, contacts: Sequence[tuple[int, int]], speed: float, fps: float) -> Array:
        """(N, 3) the most likely way if it rests on some positions, first to last; speed at rest, units a second.

        Steps may be as long as they seemed to be beforehand: a foot that shuffles within a contact is let go.
        """
        usual = usual_speed(contacts, len(self.captured), fps) * speed
        seeming = self._smoothed(usual, fps)
        gone = np.linalg.norm(np.diff(seeming, axis=0), axis=1) * fps
        return self._smoothed(np.maximum(usual, gone), fps)

    def _smoothed(self, speed: Array | None, fps: float) -> Array:
        """(N, 3) the way; speed (N - 1,) in units a second, of each step."""
        steps = None if speed is None else Steps(speed / fps, float(np.exp(-1.0 / (LASTS * fps))))
        way = self.captured.copy()
        none, alike = np.zeros(len(way), np.bool_), np.ones(len(way))
        for i, noise in enumerate(self.noise):
            if noise.sigma > 0:
                way[:, i] = smoothed(way[:, i], none, alike, noise.sigma, noise.alike, self.jerk[i], steps)
        return way


def usual_speed(contacts: Sequence[tuple[int, int]], count: int, fps: float) -> Array:
    """(count - 1,) speed of each step in that of a foot at rest: 1 in contacts, growing to UNDER_WAY at their ends."""
    usual = np.full(count - 1, UNDER_WAY)
    for a, b in contacts:
        step = np.arange(a, b)
        to_end = np.minimum(step - a, b - 1 - step) / fps
        lands = np.maximum(1.0 - to_end / LANDS, 0.0)
        usual[a:b] = np.minimum(usual[a:b], UNDER_WAY ** (lands**2))
    return usual


def steadied(captured: Shot, points: Sequence[Point], alike: float) -> dict[Point, Way]:
    """The ways of some points, from motion as captured, smoothed where they are.

    `alike` is the correlation of the capture's noise from frame to frame.
    """
    ways = paths(captured, points, captured.frames)
    return {point: _way(path, captured.fps, alike) for point, path in ways.items()}


def _way(path: Array, fps: float, alike: float) -> Way:
    every = np.zeros(len(path), np.bool_)
    noise = estimated(path.T, [every] * 3, fps, alike, falling(path.T, every, fps))
    jerk = np.ones((len(noise), len(path) - 3))
    for i, own in enumerate(noise):
        if own.sigma > 0:
            jerk[i] = liveliness(path[:, i], own, fps, slowest=SLOWEST)
    way = Way(path, noise, jerk, path)
    return replace(way, likely=way._smoothed(None, fps))

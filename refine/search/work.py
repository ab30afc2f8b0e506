"""The state of one suggestion: the shot as changed so far, and what was found on the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from refine.breaks import Break
from refine.changes import Change, differences
from refine.held import Locks
from refine.measure import largest_moves, marked_points
from refine.pose import Pose, reposed, world_point
from refine.pose_time import Strayed
from refine.prepared import Prepared, Request
from refine.rig import descendants
from refine.shot import Channel, Shot
from refine.solve import Residual

INVISIBLE = 0.1  # px
ROUNDING = 1e-9  # channel units: what a solver leaves where it means no change


@dataclass(slots=True, eq=False)
class Option:
    """A candidate before it is spelled: the shot that it would lead to."""

    explains: str
    control: str
    channel: str
    frames: tuple[float, ...]
    probability: float | None  # None for a guess by the neighbours alone
    shot: Shot
    residuals: tuple[Residual, ...]

    def channel_in(self, shot: Shot) -> Channel:
        return shot.channel(self.control, self.channel)


class Lead(NamedTuple):
    """An explanation that wasn't acted on: how likely it is, and its cure, made when listed.

    `extrapolates`: a guess about a channel's first or last key, which has neighbours on one side only.
    """

    probability: float
    cure: Callable[[], Option]
    extrapolates: bool = False


@dataclass(slots=True, eq=False)
class Work:
    """`reasons` say what was done, `blocked` what pins, marks or limits forbade, `untaken` what wasn't worth it.

    `alone` has what breaks the habit of channels that back others, each by itself; `strayed` the poses of each control
    that stand beside their own frame still.
    """

    request: Request
    given: Prepared
    shot: Shot
    posed: Pose
    locks: Locks
    leads: list[Lead] = field(default_factory=list)
    residuals: list[Residual] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    blocked: list[str] = field(default_factory=list)
    untaken: list[str] = field(default_factory=list)
    usable: tuple[float, float] | None = None
    alone: dict[tuple[str, str], tuple[Break, ...]] = field(default_factory=dict)
    strayed: dict[str, list[Strayed]] = field(default_factory=dict)

    def channel(self, control: str, name: str) -> Channel:
        """A channel as it is by now."""
        return self.shot.channel(control, name)

    def take(self, shot: Shot, control: str, residuals: Sequence[Residual], reason: str) -> None:
        """Goes on with a shot in which one control was changed."""
        self.shot = shot
        self.posed = reposed(self.posed, shot, [control])
        self.residuals += residuals
        self.reasons.append(reason)

    def widen_usable(self, frames: tuple[float, float] | None) -> None:
        if frames is not None:
            old = self.usable or frames
            self.usable = min(old[0], frames[0]), max(old[1], frames[1])

    def seen(self, control: str, changed: Shot, shot: Shot, posed: Pose) -> bool:
        """Whether a change of one control shows; where it moves no point at all, any change counts."""
        names = (control, *descendants(shot, control))
        after = reposed(posed, changed, [control])
        if not _moves_points(posed, after, changed, names):
            return size_of(differences(shot, changed)) > ROUNDING
        return largest_moves(changed, self.given.view, posed, after, names)[0].pixels >= INVISIBLE


def size_of(changes: Sequence[Change]) -> float:
    """The largest change of a number; 0 without changes."""
    return max((float(np.max(np.abs(np.subtract(c.after, c.before)))) for c in changes), default=0.0)


def _moves_points(before: Pose, after: Pose, shot: Shot, names: Sequence[str]) -> bool:
    """Whether any pivot or tip stands elsewhere in the world; a hand without a tip turns without that."""
    points = [point for name in names for point in marked_points(shot.control(name))]
    return any(np.any(world_point(before, shot, p) != world_point(after, shot, p)) for p in points)

"""A shot made ready for one request: posed on the range, seen through its camera, its habit learnt.

Computed once and shared by all strengths of a comparison.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np

from refine.changes import Change, made
from refine.errors import InputError
from refine.formats import LEAST_DECIMALS, Document
from refine.habit import HabitBook, moving
from refine.measure import Move, Wobble, largest_moves, watched, worst_where_moved
from refine.names import unknown_control
from refine.pose import Point, Pose, pose, reposed
from refine.rig import descendants, solve_order
from refine.shot import Channel, Control, Keys, Pin, Shot
from refine.solve import Residual
from refine.spelling import spelled
from refine.suggestion import Candidate, Effect, Suggestion
from refine.view import View, view

AROUND = 4  # frames to each side of the range on which differences up to the fourth are taken
WEAKEST, STRONGEST = (
    0.001,
    1000.0,
)  # strengths beside 0: less moves nothing that is seen, more nothing further
KEPT_KEYS = 100  # to each side of the range: no rule feels a key farther away, and a long shot stays quick


@dataclass(frozen=True, slots=True)
class Request:
    """What the animator asks for. No controls means all of them; `pins` come on top of the shot's own."""

    frames: tuple[int, int]
    controls: tuple[str, ...] = ()
    strength: float = 1.0
    pins: tuple[Pin, ...] = ()
    candidate: int | None = None  # counted from 1
    camera: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """`shot` holds the keys near the range only; `posed` and `view` cover the range and a margin."""

    shot: Shot
    frames: tuple[int, int]  # the range, cut to the shot
    posed: Pose
    view: View
    book: HabitBook
    order: tuple[str, ...]  # controls to look at, in solve order
    places: int  # channels that move in the range: where a fault might equally be

    def effect(self, changes: Sequence[Change]) -> Effect:
        """What the changes do on screen."""
        if not changes:
            return Effect(Wobble(0, 0, 0), Wobble(0, 0, 0), Move(0.0, "", float(self.frames[0])), "")
        final = made(self.shot, changes)
        touched = dict.fromkeys(change.control for change in changes)
        after = reposed(self.posed, final, touched)
        moves = [
            largest_moves(final, self.view, self.posed, after, (name, *descendants(final, name)))[0]
            for name in touched
        ]
        points = self.watched(final, after, changes)
        old, new = worst_where_moved(final, self.view, (self.posed, self.shot), (after, final), points)
        most = max(range(len(moves)), key=lambda n: moves[n].pixels)
        return Effect(before=old, after=new, largest_move=moves[most], control=list(touched)[most])

    def watched(self, final: Shot, after: Pose, changes: Sequence[Change]) -> list[Point]:
        """The point of each changed control at which the effect is measured."""
        by_control: dict[str, list[str]] = {}
        for change in changes:
            by_control.setdefault(change.control, []).append(change.channel)
        found = (
            watched(final, self.view, self.posed, after, control, dict.fromkeys(channels))
            for control, channels in by_control.items()
        )
        return [point for point in found if point is not None]

    def suggestion(
        self,
        document: Document | None,
        request: Request,
        changes: list[Change],
        reason: str,
        usable: tuple[float, float] | None,
        candidates: Sequence[Candidate] = (),
        residuals: Sequence[Residual] = (),
    ) -> Suggestion:
        """The suggestion that consists of these changes, measured."""
        return Suggestion(
            file=document.path.name if document else self.shot.name,
            sha256=document.sha256 if document else "",
            frames=request.frames,
            usable=usable,
            strength=request.strength,
            camera=self.view.name,
            order=self.order,
            changes=tuple(changes),
            candidates=tuple(candidates),
            reason=reason,
            effect=self.effect(changes),
            residuals=tuple(residuals),
            notes=(self.view.note, *self.shot.notes),
        )


def in_spelling(document: Document | None, changes: list[Change]) -> list[Change]:
    """The changes as the file can spell them; without a file as they are."""
    return changes if document is None else spelled(changes, document, LEAST_DECIMALS[document.format])


def prepare(shot: Shot, request: Request) -> Prepared:
    """Checks a request against the shot and computes what all its answers share. InputError."""
    _check(shot, request)
    frames = max(request.frames[0], shot.first_frame), min(request.frames[1], shot.last_frame)
    around = np.arange(
        max(frames[0] - AROUND, shot.first_frame), min(frames[1] + AROUND, shot.last_frame) + 1.0
    )
    order = tuple(chain.from_iterable(solve_order(shot)))
    chosen = tuple(name for name in order if not request.controls or name in request.controls)
    near = _near(shot, frames)
    posed = pose(near, around)
    places = sum(_alive(ch, frames) for c in near.controls if c.name in chosen for ch in c.channels)
    return Prepared(
        shot=near,
        frames=frames,
        posed=posed,
        view=view(shot, posed, request.camera),
        book=HabitBook(near, frames),
        order=chosen,
        places=max(places, 1),
    )


def _check(shot: Shot, request: Request) -> None:
    first, last = request.frames
    inside = f"frames {shot.first_frame} to {shot.last_frame}"
    if first > last or last < shot.first_frame or first > shot.last_frame:
        raise InputError(f"--frames {first}:{last}", "outside the shot", inside)
    check_strength(request.strength)
    names = {control.name for control in shot.controls}
    for name in (*request.controls, *(pin.control for pin in request.pins)):
        if name not in names:
            raise unknown_control(name, names, f"control {name}")


def check_strength(strength: float, option: str = "--strength") -> None:
    """InputError for a number that is no strength."""
    if not (strength == 0 or WEAKEST <= strength <= STRONGEST):
        allowed = f"0, or {WEAKEST:g} to {STRONGEST:g}; 1 is the default"
        raise InputError(f"{option} {strength:g}", "not a strength", allowed)


def _near(shot: Shot, frames: tuple[int, int]) -> Shot:
    """The shot with long channels cut to the keys around the range."""
    controls = tuple(_near_control(control, frames) for control in shot.controls)
    return replace(shot, controls=controls)


def _near_control(control: Control, frames: tuple[int, int]) -> Control:
    if all(channel.keys is None or len(channel.keys) <= 2 * KEPT_KEYS for channel in control.channels):
        return control
    return replace(control, channels=tuple(_near_channel(channel, frames) for channel in control.channels))


def _near_channel(channel: Channel, frames: tuple[int, int]) -> Channel:
    if channel.keys is None:
        return channel
    first, last = np.searchsorted(channel.keys.frames, frames)
    kept = slice(max(int(first) - KEPT_KEYS, 0), int(last) + KEPT_KEYS)
    arrays = {name: getattr(channel.keys, name)[kept] for name in Keys.__slots__}
    return replace(channel, keys=Keys(**arrays))


def _alive(channel: Channel, frames: tuple[int, int]) -> bool:
    """Whether a channel might hold a fault in the range."""
    if channel.keys is None:
        return True
    inside = (channel.keys.frames >= frames[0]) & (channel.keys.frames <= frames[1])
    return moving(channel) and bool(inside.any())

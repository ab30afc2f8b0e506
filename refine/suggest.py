"""From a flagged range to a suggestion: root outward, translations before rotations.

Each control is looked at once its parents are final. On each of its channels the cause is searched (keyed) or
the noise measured (baked); what is clear is cured at once, what isn't becomes a candidate. After a control has
changed, it and what it carries are posed anew, so that the next one is judged as it will be seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np

from refine.cause import Explanation, Suspect, Verdict, explain, verdicts
from refine.changes import Change, differences, made, spelled
from refine.cure import cured, part_way, smoothed
from refine.errors import InputError
from refine.formats import LEAST_DECIMALS, Document
from refine.habit import HabitBook, moving, units
from refine.held import Locks
from refine.measure import Move, Wobble, gain, largest_moves, marked_points, unevenness
from refine.motion import Unknown
from refine.names import unknown_control
from refine.pose import Pose, pose, reposed
from refine.rig import descendants, solve_order
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Channel, Control, Pin, Shot
from refine.smooth import Noise, noise
from refine.smooth import smoothed as smoothed_samples
from refine.solve import Residual
from refine.suggestion import Candidate, Effect, Suggestion
from refine.view import View, view

MOST_CANDIDATES = 5
MOST_FAULTS = 4  # in one channel's range; more than that isn't a fault but a style
INVISIBLE = 0.1  # px
UNLIKELY = 0.02  # probability under which an explanation isn't worth a person's time
_PART_ORDER = {name: i for i, name in enumerate((*TRANSLATIONS, QUATERNION, *ROTATIONS))}


@dataclass(frozen=True, slots=True)
class Request:
    """What the animator asks for. No controls means all of them; `pins` come on top of the shot's own."""

    frames: tuple[int, int]
    controls: tuple[str, ...] = ()
    strength: float = 1.0
    pins: tuple[Pin, ...] = ()
    candidate: int | None = None  # counted from 1
    camera: str | None = None


def suggest(shot: Shot, request: Request, document: Document | None = None) -> Suggestion:
    """The suggestion for a range, its numbers spelled as `document` spells them.

    InputError for a range, control, camera or candidate that isn't there; NoSolution where pins and limits clash.
    """
    work = _Work.begin(_checked(shot, request), request)
    for control in work.order:
        work.look_at(control)
    return work.suggestion(document)


def _checked(shot: Shot, request: Request) -> Shot:
    first, last = request.frames
    if first > last or last < shot.first_frame or first > shot.last_frame:
        raise InputError(
            f"--frames {first}:{last}", "outside the shot", f"frames {shot.first_frame} to {shot.last_frame}"
        )
    if not (np.isfinite(request.strength) and request.strength >= 0):
        raise InputError(f"--strength {request.strength:g}", "not a strength", "0 or more, 1 is the default")
    names = {control.name for control in shot.controls}
    for name in (*request.controls, *(pin.control for pin in request.pins)):
        if name not in names:
            raise unknown_control(name, names, f"control {name}")
    return shot


@dataclass(slots=True, eq=False)
class _Option:
    """A candidate before it is spelled: the shot that it would lead to."""

    explains: str
    control: str
    channel: str
    frames: tuple[float, ...]
    verdict: Verdict | None
    probability: float
    shot: Shot
    residuals: tuple[Residual, ...]


@dataclass(slots=True, eq=False)
class _Work:
    """The state of one suggestion: the shot as changed so far, and what was found on the way."""

    request: Request
    original: Shot
    shot: Shot
    frames: tuple[int, int]
    posed: Pose
    before: Pose
    view: View
    locks: Locks
    book: HabitBook
    order: tuple[str, ...]
    places: int  # channels that move in the range: where a fault might equally be
    options: list[_Option] = field(default_factory=list)
    residuals: list[Residual] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    blocked: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    usable: tuple[float, float] | None = None

    @classmethod
    def begin(cls, shot: Shot, request: Request) -> _Work:
        frames = max(request.frames[0], shot.first_frame), min(request.frames[1], shot.last_frame)
        around = np.arange(max(frames[0] - 4, shot.first_frame), min(frames[1] + 4, shot.last_frame) + 1.0)
        posed = pose(shot, around)
        order = tuple(chain.from_iterable(solve_order(shot)))
        chosen = tuple(name for name in order if not request.controls or name in request.controls)
        places = sum(_alive(ch, frames) for c in shot.controls if c.name in chosen for ch in c.channels)
        return cls(
            request=request,
            original=shot,
            shot=shot,
            frames=frames,
            posed=posed,
            before=posed,
            view=view(shot, posed, request.camera),
            locks=Locks(shot, (*shot.pins, *request.pins), frames),
            book=HabitBook(shot, frames),
            order=chosen,
            places=max(places, 1),
        )

    # --- looking ---

    def look_at(self, name: str) -> None:
        """Cures what is clear on one control and notes what isn't."""
        if self.request.strength == 0:
            return
        before = self.shot
        control = self.shot.controls[self.shot.index(name)]
        touched = []
        for channel in sorted(control.channels, key=lambda channel: _PART_ORDER.get(channel.name, 9)):
            look = self._look_at_samples if channel.baked else self._look_at_keys
            if look(control, channel):
                touched.append(channel.name)
        if self.request.strength > 1 and touched and not control.channels[0].baked:
            self._smooth_beyond(control, touched)
        if self.shot is not before:
            self.changed.append(name)
            self.posed = reposed(self.posed, self.shot, [name])

    def _suspect(self, control: Control, channel: Channel) -> Suspect:
        assert channel.keys is not None
        keys = channel.keys
        return Suspect(
            keys=keys,
            rules=self.book.rules(keys),
            habit=self.book.habit(control.name, channel.name),
            predict=self.book.prediction(keys),
            strange=self.book.strange(control.name, channel.name),
            searched=self.locks.searched(keys),
            blocked=self.locks.blocked(control.name, channel.name, keys),
            pixels=lambda: gain(self.shot, self.posed, self.view, control.name, channel.name),
        )

    def _look_at_keys(self, control: Control, channel: Channel) -> bool:
        """Whether a keyed channel was changed."""
        # Where many channels are searched and slopes tell nothing, guesses by the neighbours would be noise.
        worth = bool(self.request.controls) or self.book.strange(control.name, channel.name)
        if not (worth and moving(channel)):
            return False
        assert channel.keys is not None
        original, cures = channel, 0
        while cures < MOST_FAULTS:
            suspect = self._suspect(control, channel)
            self._widen_usable(self.locks.usable(suspect.keys, suspect.blocked))
            judged = verdicts(explain(suspect, self.places), suspect.keys)
            chosen = next((verdict for verdict in judged if verdict.clear), None)
            if chosen is None or self.request.candidate is not None:
                self._note(control, channel, suspect, judged)
                break
            if not self._cure(control, channel, suspect, chosen):
                break
            cures += 1
            channel = self._current(control, channel)
        if cures and self.request.strength < 1:
            self.shot = self.shot.with_channel(
                control.name, part_way(original, channel, self.request.strength)
            )
        return cures > 0

    def _current(self, control: Control, channel: Channel) -> Channel:
        current = self.shot.controls[self.shot.index(control.name)].channel(channel.name)
        assert current is not None
        return current

    def _cure(self, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict) -> bool:
        """Undoes a clear cause; False where that can't be seen on screen."""
        option = self._option(control, channel, suspect, chosen)
        if not self._seen(control.name, option.shot):
            return False
        self.shot = option.shot
        self.posed = reposed(self.posed, self.shot, [control.name])
        self.residuals += option.residuals
        others = f", {100 * chosen.harm:.0f} % that it does harm" if chosen.harm > 0.005 else ""
        self.reasons.append(f"{option.explains} (expected to undo {100 * chosen.gain:.0f} % of it{others})")
        return True

    def _option(self, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict) -> _Option:
        explanation = chosen.explanation
        result = cured(
            self.shot,
            control.name,
            channel,
            suspect,
            explanation,
            self.posed.frames,
            self.locks.held(control.name, channel, self.posed.frames),
        )
        frames = tuple(float(suspect.keys.frames[k]) for k in explanation.keys)
        words = _words(control.name, channel.name, explanation, frames)
        probability = explanation.probability
        return _Option(
            words, control.name, channel.name, frames, chosen, probability, result.shot, result.residuals
        )

    def _seen(self, control: str, shot: Shot) -> bool:
        """Whether a change of one control shows; where the view sees none of its points, any change counts."""
        names = (control, *descendants(shot, control))
        after = reposed(self.posed, shot, [control])
        if not _moves_points(self.posed, after, shot, names):
            return True
        return largest_moves(shot, self.view, self.posed, after, names)[0].pixels >= INVISIBLE

    def _note(self, control: Control, channel: Channel, suspect: Suspect, judged: Sequence[Verdict]) -> None:
        """Keeps the likelier explanations that weren't acted on."""
        for verdict in judged[:MOST_CANDIDATES]:
            explanation = verdict.explanation
            if explanation.probability < UNLIKELY:
                continue
            frames = tuple(float(suspect.keys.frames[k]) for k in explanation.keys)
            if explanation.blocked:
                words = _words(control.name, channel.name, explanation, frames)
                self.blocked.append(f"{words}, but {explanation.blocked}")
                continue
            option = self._option(control, channel, suspect, verdict)
            if self._seen(control.name, option.shot):
                self.options.append(option)

    def _widen_usable(self, frames: tuple[float, float] | None) -> None:
        if frames is not None:
            old = self.usable or frames
            self.usable = min(old[0], frames[0]), max(old[1], frames[1])

    def _smooth_beyond(self, control: Control, touched: Sequence[str]) -> None:
        free: list[Unknown] = []
        for name in touched:
            channel = self._current(control, Channel(name))
            if channel.keys is None or channel.keys.values.shape[1] > 1:
                continue
            suspect = self._suspect(control, channel)
            free += _free_unknowns(name, suspect)
        if not free:
            return
        frames = self.posed.frames
        result = smoothed(
            self.shot,
            control.name,
            tuple(free),
            self.request.strength,
            frames,
            self.view,
            lambda name: self.locks.held(control.name, self._current(control, Channel(name)), frames),
            self.locks.breaks(control.name, frames),
        )
        self.shot = result.shot
        self.residuals += result.residuals

    # --- baked channels ---

    def _look_at_samples(self, control: Control, channel: Channel) -> bool:
        assert channel.samples is not None
        breaks = self.locks.breaks(control.name, self.shot.frames)
        found = noise(channel, self.shot, self.frames, breaks)
        if not found.worth_smoothing:
            return False
        named = bool(self.request.controls)
        kept = self.locks.held(control.name, channel, self.shot.frames)
        accents = tuple(
            (source, tuple(np.arange(np.ceil(a), np.floor(b) + 1).tolist()))
            for source, (a, b) in self.locks.kept_samples(control.name)
        )
        result = smoothed_samples(
            channel,
            self.shot,
            self.frames,
            found,
            self.request.strength,
            breaks,
            replace(kept, pins=(*kept.pins, *accents)),
        )
        shot = self.shot.with_channel(control.name, result.channel)
        if not self._seen(control.name, shot):
            return False
        words = _noise_words(control.name, channel, found, result.hz)
        if self.request.candidate is not None or not (named or found.stands_out):
            ratio = found.inside / found.around if found.around > 0 else 1.0
            where = (float(self.frames[0]), float(self.frames[1]))
            likely = ratio / (1 + ratio)
            self.options.append(
                _Option(words, control.name, channel.name, where, None, likely, shot, result.residuals)
            )
            return False
        self._widen_usable((float(self.frames[0]), float(self.frames[1])))
        self.shot = shot
        self.residuals += result.residuals
        self.reasons.append(words)
        return True

    # --- the result ---

    def suggestion(self, document: Document | None) -> Suggestion:
        """What was found, spelled and measured."""
        options = sorted(self.options, key=lambda option: (-option.probability, option.explains))[
            :MOST_CANDIDATES
        ]
        candidates = tuple(
            Candidate(
                o.explains,
                o.control,
                o.channel,
                o.frames,
                o.probability,
                self._spelled(document, differences(self.original, self._only(o))),
            )
            for o in options
        )
        if self.request.candidate is not None:
            self._take(options)
        changes = self._spelled(document, differences(self.original, self.shot))
        final = made(self.original, changes)
        return Suggestion(
            file=document.path.name if document else self.original.name,
            sha256=document.sha256 if document else "",
            frames=self.request.frames,
            usable=self.usable,
            strength=self.request.strength,
            camera=self.view.name,
            order=self.order,
            changes=changes,
            candidates=candidates,
            reason=self._reason(changes, options),
            effect=self._effect(final, changes),
            residuals=tuple(self.residuals),
            notes=(self.view.note, *self.original.notes),
        )

    def _only(self, option: _Option) -> Shot:
        """The original shot with the option's channel, as far as the strength goes."""
        at = self.original.index(option.control)
        old, new = (shot.controls[at].channel(option.channel) for shot in (self.original, option.shot))
        assert old is not None
        assert new is not None
        share = min(self.request.strength, 1.0)
        changed = new if new.baked or share == 1 else part_way(old, new, share)
        return self.original.with_channel(option.control, changed)

    def _take(self, options: Sequence[_Option]) -> None:
        n = self.request.candidate
        assert n is not None
        if not 1 <= n <= len(options):
            allowed = f"1 to {len(options)}" if options else "none: nothing explains the range"
            raise InputError(
                f"--candidate {n}", "no such candidate", allowed, "list them without --candidate"
            )
        chosen = options[n - 1]
        self.shot = self._only(chosen)
        self.residuals = list(chosen.residuals)
        self.reasons = [f"candidate {n}, chosen by you: {chosen.explains}"]
        self.changed = [chosen.control]

    def _spelled(self, document: Document | None, changes: list[Change]) -> tuple[Change, ...]:
        if document is None:
            return tuple(changes)
        return tuple(spelled(changes, document, LEAST_DECIMALS[document.format]))

    def _effect(self, final: Shot, changes: Sequence[Change]) -> Effect:
        still = Effect(Wobble(0, 0, 0), Wobble(0, 0, 0), Move(0.0, "", float(self.frames[0])))
        if not changes:
            return still
        touched = dict.fromkeys(change.control for change in changes)
        after = reposed(self.before, final, touched)
        moves = [
            largest_moves(final, self.view, self.before, after, (name, *descendants(final, name)))[0]
            for name in touched
        ]
        # A fault is judged where it is seen most: a twist of the arm at the fingers, not at the elbow.
        points = [point for m in moves for point in marked_points(final.controls[final.index(m.control)])]
        return Effect(
            before=unevenness(self.original, self.before, self.view, points),
            after=unevenness(final, after, self.view, points),
            largest_move=max(moves, key=lambda move: move.pixels),
        )

    def _reason(self, changes: Sequence[Change], options: Sequence[_Option]) -> str:
        if changes:
            return "; ".join(self.reasons)
        if self.request.strength == 0:
            return "strength 0 changes nothing"
        if self.blocked:
            return "nothing changed: " + "; ".join(dict.fromkeys(self.blocked))
        if options:
            return (
                f"nothing is clear enough to change it unasked: {len(options)} candidate"
                f"{'s' * (len(options) > 1)}, take one with --candidate N"
            )
        return "nothing to propose: the range keeps to the habit of the shot, and nothing in it stands out"


def _alive(channel: Channel, frames: tuple[int, int]) -> bool:
    """Whether a channel might hold a fault in the range."""
    if channel.keys is None:
        return True
    inside = (channel.keys.frames >= frames[0]) & (channel.keys.frames <= frames[1])
    return moving(channel) and bool(inside.any())


def _moves_points(before: Pose, after: Pose, shot: Shot, names: Sequence[str]) -> bool:
    at = [shot.index(name) for name in names]
    return bool(
        np.any(before.linear[at] != after.linear[at]) or np.any(before.origin[at] != after.origin[at])
    )


def _free_unknowns(name: str, suspect: Suspect) -> list[Unknown]:
    """Value and slope of every key of the range that may move."""
    local, unit = units(suspect.keys)
    free: list[Unknown] = []
    for k in np.flatnonzero(suspect.searched).tolist():
        if k not in suspect.blocked:
            free.append(Unknown(name, k, "value", float(local[k])))
            if suspect.rules.judged[k]:
                free.append(Unknown(name, k, "slope", float(unit[k])))
    return free


def _words(control: str, channel: str, explanation: Explanation, frames: Sequence[float]) -> str:
    at = ", ".join(f"{frame:g}" for frame in frames)
    what = {
        "value": "a value off",
        "slope": "a slope off",
        "value and slope": "a value and its slope off",
        "zigzag": "a zigzag over the keys",
    }[explanation.kind]
    return f"{control}.{channel}: {what} at frame{'s' * (len(frames) > 1)} {at}"


def _noise_words(control: str, channel: Channel, found: Noise, hz: float) -> str:
    unit = channel.unit or "(no unit)"
    spikes = f" and {len(found.spikes)} spike{'s' * (len(found.spikes) > 1)}" if found.spikes else ""
    return (
        f"{control}.{channel.name}: noise of {found.inside:.3g} {unit}{spikes}, "
        f"smoothed so that half of {hz:.3g} Hz is left"
    )

"""From a flagged range to a suggestion: root outward, translations before rotations.

Each control is looked at once its parents are final. On each of its channels the cause is searched (keyed) or
the noise measured (baked); what is clear is cured at once, what isn't becomes a candidate. After a control has
changed, it and what it carries are posed anew, so that the next one is judged as it will be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from refine.baked import INVISIBLE, look
from refine.cause import Explanation, Suspect, Verdict, explain, verdicts
from refine.changes import Change, differences
from refine.cure import cured, part_way, smoothed
from refine.errors import InputError
from refine.formats import Document
from refine.habit import HabitBook, moving, units
from refine.held import Locks
from refine.measure import largest_moves, marked_points, most_moved
from refine.motion import Unknown
from refine.pose import Pose, reposed, world_point
from refine.prepared import Prepared, Request, in_spelling, prepare
from refine.rig import descendants
from refine.shot import QUATERNION, ROTATIONS, TRANSLATIONS, Channel, Control, Keys, Shot
from refine.solve import Residual
from refine.suggestion import Candidate, Suggestion

MOST_CANDIDATES = 5
MOST_FAULTS = 4  # in one channel's range; more than that isn't a fault but a style
ROUNDING = 1e-9  # channel units: what a solver leaves where it means no change
UNLIKELY = 0.02  # probability under which a candidate is noise, where something clear was found
BACK_OFF = (1.0, 0.5, 0.25, 0.1)  # shares of a smoothing that are tried until no key is at fault for it
NEAR_STRANGE = 6  # keys: farther away a moved key no longer bends a slope by the natural spline (0.27^6)
BLOCKED_LIKELY = 0.1  # probability from which it is worth saying that the likely cause may not be moved
_PART_ORDER = {name: i for i, name in enumerate((*TRANSLATIONS, QUATERNION, *ROTATIONS))}


def suggest(
    shot: Shot, request: Request, document: Document | None = None, prepared: Prepared | None = None
) -> Suggestion:
    """The suggestion for a range, its numbers spelled as `document` spells them.

    `prepared` spares computing anew what requests that differ in strength alone share. InputError for a range,
    control, camera or candidate that isn't there; NoSolution where pins and limits clash.
    """
    prepared = prepared or prepare(shot, request)
    work = _Work(
        request,
        prepared,
        prepared.shot,
        prepared.posed,
        Locks(shot, (*shot.pins, *request.pins), prepared.frames),
    )
    for control in prepared.order:
        work.look_at(control)
    return work.suggestion(document)


@dataclass(slots=True, eq=False)
class _Option:
    """A candidate before it is spelled: the shot that it would lead to."""

    explains: str
    control: str
    channel: str
    frames: tuple[float, ...]
    probability: float | None  # None for a guess by the neighbours alone
    shot: Shot
    residuals: tuple[Residual, ...]


@dataclass(slots=True, eq=False)
class _Work:
    """The state of one suggestion: the shot as changed so far, and what was found on the way."""

    request: Request
    given: Prepared
    shot: Shot
    posed: Pose
    locks: Locks
    leads: list[tuple[float, Callable[[], _Option]]] = field(default_factory=list)
    residuals: list[Residual] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    blocked: list[str] = field(default_factory=list)
    untaken: list[str] = field(default_factory=list)
    usable: tuple[float, float] | None = None

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
        if self.request.strength > 1 and touched:
            self._smooth_beyond(control, touched)
        if self.shot is not before:
            self.posed = reposed(self.posed, self.shot, [name])

    def _suspect(self, control: Control, channel: Channel, book: HabitBook | None = None) -> Suspect:
        assert channel.keys is not None
        keys, book = channel.keys, book or self.given.book
        return Suspect(
            keys=keys,
            rules=book.rules(keys),
            habit=book.habit(control.name, channel.name),
            predict=book.prediction(keys),
            strange=book.strange(control.name, channel.name),
            searched=self._searched(control, channel, keys, book),
            blocked=self.locks.blocked(control.name, channel.name, keys),
            pixels=lambda: most_moved(self.shot, self.posed, self.given.view, control.name, channel.name)[1],
        )

    def _searched(self, control: Control, channel: Channel, keys: Keys, book: HabitBook) -> NDArray[np.bool_]:
        """(K,) keys of the range that may be the cause: those near a slope that breaks the habit, if one does."""
        inside = self.locks.searched(keys)
        strange = book.strange_frames(control.name, channel.name)
        if not len(strange):
            return inside
        at = np.searchsorted(keys.frames, strange)
        near = np.abs(np.arange(len(keys))[:, None] - at).min(axis=1) <= NEAR_STRANGE
        return np.asarray(inside & near)

    def _look_at_keys(self, control: Control, channel: Channel) -> bool:
        """Whether a keyed channel was changed."""
        # Where many channels are searched and slopes tell nothing, guesses by the neighbours would be noise.
        worth = bool(self.request.controls) or self.given.book.strange(control.name, channel.name)
        if not (worth and moving(channel)):
            return False
        assert channel.keys is not None
        original, cures = channel, 0
        while cures < MOST_FAULTS:
            suspect = self._suspect(control, channel)
            self._widen_usable(self.locks.usable(suspect.keys, suspect.blocked))
            judged = verdicts(explain(suspect, self.given.places), suspect.keys)
            # Where no slope breaks the habit there is only the neighbours' guess, which is never acted on unasked.
            chosen = next((verdict for verdict in judged if verdict.clear and suspect.strange), None)
            if chosen is None:
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
        option = self._option(control, channel, suspect, chosen, self.shot)
        if not self._seen(control.name, option.shot, self.shot, self.posed):
            holding = self._holding(control, channel, suspect, chosen)
            if holding:
                self.blocked.append(f"{option.explains}, but held by {' and '.join(holding)}")
            elif self._moves_nothing(channel, option):
                self.blocked.append(
                    f"{option.explains}, but the limits of the channel leave no room to mend it"
                )
            else:
                self.untaken.append(
                    f"{option.explains}: mending it moves nothing on screen by {INVISIBLE:g} px"
                )
            return False
        self.shot = option.shot
        self.posed = reposed(self.posed, self.shot, [control.name])
        self.residuals += option.residuals
        others = f", {100 * chosen.harm:.0f} % that it does harm" if chosen.harm > 0.005 else ""
        self.reasons.append(f"{option.explains} (expected to undo {100 * chosen.gain:.0f} % of it{others})")
        return True

    def _moves_nothing(self, channel: Channel, option: _Option) -> bool:
        """Whether a cure leaves the channel as it is, to a thousandth of its range."""
        new = self._channel(option.shot, option)
        assert channel.keys is not None
        assert new.keys is not None
        apart = np.abs(new.keys.values - channel.keys.values).max()
        turned = np.abs(new.keys.outgoing - channel.keys.outgoing).max()
        return bool(max(apart, turned) <= 1e-3 * float(np.ptp(channel.keys.values)))

    def _holding(self, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict) -> list[str]:
        """The pins between keys that a cure would move: they may leave it nothing to do."""
        first, last = self.locks.influence(suspect.keys)
        held = self.locks.held(control.name, channel, self.posed.frames)
        spans = [(first[k], last[k]) for k in chosen.explanation.keys]
        return [source for source, at in held.pins if any(a < frame < b for a, b in spans for frame in at)]

    def _option(
        self, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict, shot: Shot
    ) -> _Option:
        explanation = chosen.explanation
        result = cured(
            shot,
            control.name,
            channel,
            suspect,
            explanation,
            self.posed.frames,
            self.locks.held(control.name, channel, self.posed.frames),
        )
        frames = tuple(float(suspect.keys.frames[k]) for k in explanation.keys)
        words = _words(control.name, channel.name, explanation, frames, suspect.strange)
        probability = explanation.probability if suspect.strange else None
        return _Option(words, control.name, channel.name, frames, probability, result.shot, result.residuals)

    def _seen(self, control: str, changed: Shot, shot: Shot, posed: Pose) -> bool:
        """Whether a change of one control shows; where it moves no point at all, any change counts."""
        names = (control, *descendants(shot, control))
        after = reposed(posed, changed, [control])
        if not _moves_points(posed, after, changed, names):
            return _size(differences(shot, changed)) > ROUNDING
        return largest_moves(changed, self.given.view, posed, after, names)[0].pixels >= INVISIBLE

    def _note(self, control: Control, channel: Channel, suspect: Suspect, judged: Sequence[Verdict]) -> None:
        """Keeps the likelier explanations that weren't acted on."""
        for verdict in judged[:MOST_CANDIDATES]:
            explanation = verdict.explanation
            if not explanation.blocked:
                self.leads.append(
                    (
                        explanation.probability,
                        partial(self._option, control, channel, suspect, verdict, self.shot),
                    )
                )
            elif suspect.strange and explanation.probability > BLOCKED_LIKELY:
                frames = tuple(float(suspect.keys.frames[k]) for k in explanation.keys)
                words = _words(control.name, channel.name, explanation, frames, suspect.strange)
                self.blocked.append(f"{words}, but {explanation.blocked}")

    def _options(self) -> list[_Option]:
        """The likeliest few explanations that weren't acted on and whose cure would show."""
        found: list[_Option] = []
        settled = self.shot is not self.given.shot
        for probability, lead in sorted(self.leads, key=lambda lead: -lead[0]):
            if settled and probability < UNLIKELY:
                break
            option = lead()
            if self._seen(option.control, self._only(option), self.given.shot, self.given.posed):
                found.append(option)
            if len(found) == MOST_CANDIDATES:
                break
        return found

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
            free += self._free_unknowns(control.name, name, suspect)
        if not free:
            return
        frames = self.posed.frames
        seen = [most_moved(self.shot, self.posed, self.given.view, control.name, name)[0] for name in touched]
        for share in BACK_OFF:
            result = smoothed(
                self.shot,
                control.name,
                tuple(free),
                1 + share * (self.request.strength - 1),
                frames,
                self.given.view,
                tuple(dict.fromkeys(point for point in seen if point is not None)),
                lambda name: self.locks.held(control.name, self._current(control, Channel(name)), frames),
                self.locks.breaks(control.name, frames),
            )
            if not self._faulted_again(control, touched, result.shot):
                self.shot = result.shot
                self.residuals += result.residuals
                return

    def _free_unknowns(self, control: str, name: str, suspect: Suspect) -> list[Unknown]:
        """Value and slope of every key of the range that may move and doesn't reach into an accent."""
        local, unit = units(suspect.keys)
        first, last = self.locks.influence(suspect.keys)
        free: list[Unknown] = []
        for k in np.flatnonzero(suspect.searched).tolist():
            if k in suspect.blocked or self.locks.disturbs_accent(control, first[k], last[k]):
                continue
            free.append(Unknown(name, k, "value", float(local[k])))
            if suspect.rules.judged[k]:
                free.append(Unknown(name, k, "slope", float(unit[k])))
        return free

    def _faulted_again(self, control: Control, touched: Sequence[str], shot: Shot) -> bool:
        """Whether a second request would find fault with this result: a refined shot must be left alone."""
        book = HabitBook(shot, self.given.frames)
        for name in touched:
            channel = shot.controls[shot.index(control.name)].channel(name)
            if channel is None or channel.keys is None:
                continue
            suspect = self._suspect(control, channel, book)
            if any(v.clear for v in verdicts(explain(suspect, self.given.places), suspect.keys)):
                return True
        return False

    # --- baked channels ---

    def _look_at_samples(self, control: Control, channel: Channel) -> bool:
        """Whether a baked channel was changed."""
        found = look(self.given, self.shot, self.posed, self.locks, control, channel, self.request.strength)
        if found.shot is None:
            if found.why_not:
                self.untaken.append(f"{found.words}: {found.why_not}")
            return False
        where = (float(self.given.frames[0]), float(self.given.frames[1]))
        if not (self.request.controls or found.stands_out):
            option = _Option(
                found.words, control.name, channel.name, where, found.likely, found.shot, found.residuals
            )
            self.leads.append((found.likely, lambda: option))
            return False
        self._widen_usable(where)
        self.shot = found.shot
        self.posed = reposed(self.posed, self.shot, [control.name])
        self.residuals += found.residuals
        self.reasons.append(found.words)
        return True

    # --- the result ---

    def suggestion(self, document: Document | None) -> Suggestion:
        """What was found, spelled and measured."""
        options, candidates = self._listed(document)
        if self.request.candidate is not None:
            self._take(options)
            del candidates[self.request.candidate - 1]
        wanted = differences(self.given.shot, self.shot)
        changes = in_spelling(document, wanted)
        lost = _lost(wanted, changes)
        reason = self._reason(changes, options) if changes or not lost else f"nothing changed: {lost}"
        found = self.given.suggestion(
            document, self.request, changes, reason, self.usable, candidates, self.residuals
        )
        return replace(found, notes=(*found.notes, lost)) if lost else found

    def _listed(self, document: Document | None) -> tuple[list[_Option], list[Candidate]]:
        """The options that the file's decimals can show, and what is said of them."""
        both = [(option, self._candidate(option, document)) for option in self._options()]
        both = [(option, candidate) for option, candidate in both if candidate.changes]
        return [option for option, _ in both], [candidate for _, candidate in both]

    def _candidate(self, option: _Option, document: Document | None) -> Candidate:
        changes = in_spelling(document, differences(self.given.shot, self._only(option)))
        where = option.control, option.channel, option.frames
        return Candidate(option.explains, *where, option.probability, tuple(changes))

    @staticmethod
    def _channel(shot: Shot, option: _Option) -> Channel:
        channel = shot.controls[shot.index(option.control)].channel(option.channel)
        assert channel is not None
        return channel

    def _only(self, option: _Option) -> Shot:
        """The shot as it was but for the option's channel, gone as far as the strength says."""
        old, new = self._channel(self.given.shot, option), self._channel(option.shot, option)
        share = min(self.request.strength, 1.0)
        changed = new if new.baked or share == 1 else part_way(old, new, share)
        return self.given.shot.with_channel(option.control, changed)

    def _take(self, options: Sequence[_Option]) -> None:
        n = self.request.candidate
        assert n is not None
        if not 1 <= n <= len(options):
            none = (
                "none: what is clear is changed without asking"
                if self.reasons
                else "none: nothing stands out"
            )
            allowed = f"1 to {len(options)}" if options else none
            raise InputError(
                f"--candidate {n}", "no such candidate", allowed, "list them without --candidate"
            )
        chosen = options[n - 1]
        changed = self._channel(self._only(chosen), chosen)
        self.shot = self.shot.with_channel(chosen.control, changed)
        self.residuals += chosen.residuals
        self.reasons.append(f"candidate {n}, chosen by you: {chosen.explains}")

    def _reason(self, changes: Sequence[Change], options: Sequence[_Option]) -> str:
        if changes:
            return "; ".join(self.reasons)
        if self.request.strength == 0:
            return "strength 0 changes nothing"
        if self.blocked:
            return "nothing changed: " + "; ".join(dict.fromkeys(self.blocked))
        if options and all(option.probability is None for option in options):
            return (
                "the range keeps to the habit of the shot; if you see a fault in it, these keys stand out most "
                "from their neighbours: take one with --candidate N"
            )
        if options:
            return (
                f"nothing is clear enough to change it unasked: {len(options)} candidate"
                f"{'s' * (len(options) > 1)}, take one with --candidate N"
            )
        if self.untaken:
            return "nothing changed: " + "; ".join(self.untaken)
        return "nothing to propose: the range keeps to the habit of the shot, and nothing in it stands out"


def _moves_points(before: Pose, after: Pose, shot: Shot, names: Sequence[str]) -> bool:
    """Whether any pivot or tip stands elsewhere in the world; a hand without a tip turns without that."""
    points = [point for name in names for point in marked_points(shot.controls[shot.index(name)])]
    return any(np.any(world_point(before, shot, p) != world_point(after, shot, p)) for p in points)


def _lost(wanted: Sequence[Change], spelled: Sequence[Change]) -> str:
    """What is to be said of changes that the file's own decimals can't show; empty where there are none."""
    kept = {change.place for change in spelled}
    sizes = [(_size([change]), change.unit) for change in wanted if change.place not in kept]
    sizes = [size for size in sizes if size[0] > ROUNDING]
    if not sizes:
        return ""
    size, unit = max(sizes)
    return (
        f"{len(sizes)} of {len(wanted)} changes are smaller than the last decimal in the file and left out, "
        f"the largest of {size:.2g} {unit}".rstrip()
    )


def _size(changes: Sequence[Change]) -> float:
    """The largest change of a number; 0 without changes."""
    return max((float(np.max(np.abs(np.subtract(c.after, c.before)))) for c in changes), default=0.0)


def _words(
    control: str, channel: str, explanation: Explanation, frames: Sequence[float], strange: bool
) -> str:
    at = ", ".join(f"{frame:g}" for frame in frames)
    if not strange:
        return f"{control}.{channel}: the key at frame {at} stands out from its neighbours"
    what = {
        "value": "a value off",
        "slope": "a slope off",
        "value and slope": "a value and its slope off",
        "zigzag": "a zigzag over the keys",
    }[explanation.kind]
    return f"{control}.{channel}: {what} at frame{'s' * (len(frames) > 1)} {at}"


__all__ = ["Request", "suggest"]

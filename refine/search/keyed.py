"""What to do about one keyed channel of a control in the range: undo what is clear, note what isn't."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from refine.breaks import Break, backing, breaks
from refine.cause import Explanation, Suspect, Verdict, explain, verdicts
from refine.cure import cured
from refine.habit import HabitBook, moving
from refine.measure import most_moved
from refine.part_way import part_way
from refine.pose_time import as_set
from refine.search.work import INVISIBLE, Lead, Option, Work
from refine.settled import Settled
from refine.shot import Array, Channel, Control, Keys, Shot

MOST_CANDIDATES = 5
MOST_FAULTS = 4  # in one channel's range; more than that isn't a fault but a style
NEAR_STRANGE = 6  # keys: farther away a moved key no longer bends a slope by the natural spline (0.27^6)
BLOCKED_LIKELY = 0.1  # probability from which it is worth saying that the likely cause may not be moved


def look(work: Work, control: Control, channel: Channel) -> bool:
    """Undoes what is clear, one cause after the other; whether the channel was changed."""
    # Where many channels are searched and slopes tell nothing, guesses by the neighbours would be noise.
    worth = bool(work.request.controls) or work.given.book.strange(control.name, channel.name)
    if not (worth and moving(channel)):
        return False
    original, cures, backed = channel, 0, _backed(work, control, channel)
    while cures < MOST_FAULTS:
        suspect = replace(suspected(work, control.name, channel, work.given.book), backed=backed)
        if cures and not suspect.strange:
            break
        work.widen_usable(work.locks.usable(suspect.keys, suspect.blocked))
        judged = verdicts(explain(suspect, work.given.places), suspect.keys)
        # Where no slope breaks the habit there is only the neighbours' guess, which is never acted on unasked.
        chosen = next((verdict for verdict in judged if verdict.clear and suspect.strange), None)
        if chosen is None:
            _note(work, control, channel, suspect, judged)
            break
        if not _cure(work, control, channel, suspect, chosen):
            break
        cures += 1
        channel = work.channel(control.name, channel.name)
    if cures and work.request.strength < 1:
        share = part_way(original, channel, work.request.strength)
        work.shot = work.shot.with_channel(control.name, share)
    return cures > 0


def _backed(work: Work, control: Control, channel: Channel) -> Array | float:
    """(K,) how likely the other channels that break the habit are off on each key's frame."""
    book = work.given.book
    if not book.strange(control.name, channel.name):
        return 0.0
    others = [c for c in control.channels if c.name != channel.name and moving(c)]
    siblings = [_alone(work, control.name, c) for c in others if book.strange(control.name, c.name)]
    return backing(_as_set(work, control.name, channel, book).keys, siblings) if siblings else 0.0


def _alone(work: Work, control: str, channel: Channel) -> tuple[Break, ...]:
    """What breaks the habit of a channel by itself."""
    settled = _as_set(work, control, channel, work.given.book)

    def seen(keys: Keys) -> Suspect | None:
        suspect = _suspect(work, control, channel.name, replace(settled, keys=keys), work.given.book)
        return suspect if suspect.strange else None

    place = control, channel.name
    if place not in work.alone:
        work.alone[place] = tuple(breaks(settled.keys, seen, work.given.places))
    return work.alone[place]


def suspected(work: Work, control: str, channel: Channel, book: HabitBook) -> Suspect:
    """A channel as the search for a cause sees it: its settled keys."""
    return _suspect(work, control, channel.name, _as_set(work, control, channel, book), book)


def _as_set(work: Work, control: str, channel: Channel, book: HabitBook) -> Settled:
    """The keys of a channel, each on the frame that it, or its pose, was set for."""
    assert channel.keys is not None
    return as_set(book, channel.keys, work.strayed.get(control, ()))


def _suspect(work: Work, control: str, channel: str, settled: Settled, book: HabitBook) -> Suspect:
    keys = settled.keys
    strange = book.strange_frames(control, channel, keys)
    between = "it stands beside its frame, or beside another key: mend that first, refine check names it"
    return Suspect(
        keys=keys,
        rules=book.rules(keys),
        habit=book.habit(control, channel),
        predict=book.prediction(keys),
        strange=len(strange) > 0,
        searched=near(work.locks.searched(keys), keys, strange),
        blocked=dict.fromkeys(np.flatnonzero(settled.touched).tolist(), between)
        | work.locks.blocked(control, channel, keys),
        pixels=lambda: most_moved(work.shot, work.posed, work.given.view, control, channel)[1],
    )


def near(inside: NDArray[np.bool_], keys: Keys, strange: Array) -> NDArray[np.bool_]:
    """(K,) keys of the range that may be the cause: those near a slope that breaks the habit, if one does."""
    if not len(strange):
        return inside
    at = np.searchsorted(keys.frames, strange)
    close = np.abs(np.arange(len(keys))[:, None] - at).min(axis=1) <= NEAR_STRANGE
    return np.asarray(inside & close)


def _cure(work: Work, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict) -> bool:
    """Undoes a clear cause; False where that can't be seen on screen."""
    option = _option(work, control, channel, suspect, chosen, work.shot)
    if work.seen(control.name, option.shot, work.shot, work.posed):
        others = f", {100 * chosen.harm:.0f} % that it does harm" if chosen.harm > 0.005 else ""
        expected = f"{option.explains} (expected to undo {100 * chosen.gain:.0f} % of it{others})"
        work.take(option.shot, control.name, option.residuals, expected)
        return True
    holding = _holding(work, control, channel, suspect, chosen)
    if holding:
        work.blocked.append(f"{option.explains}, but held by {' and '.join(holding)}")
    elif channel.limits is not None and _changes_nothing(channel, option):
        work.blocked.append(f"{option.explains}, but the limits of the channel leave no room to mend it")
    else:
        work.untaken.append(f"{option.explains}: mending it moves nothing on screen by {INVISIBLE:g} px")
    return False


def _changes_nothing(channel: Channel, option: Option) -> bool:
    """Whether a cure leaves the channel as it is, to a thousandth of its range."""
    new = option.channel_in(option.shot)
    assert channel.keys is not None
    assert new.keys is not None
    apart = np.abs(new.keys.values - channel.keys.values).max()
    turned = np.abs(new.keys.outgoing - channel.keys.outgoing).max()
    return bool(max(apart, turned) <= 1e-3 * float(np.ptp(channel.keys.values)))


def _holding(work: Work, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict) -> list[str]:
    """The pins between keys that a cure would move: they may leave it nothing to do."""
    first, last = work.locks.influence(suspect.keys)
    held = work.locks.held(control.name, channel, work.posed.frames)
    spans = [(first[k], last[k]) for k in chosen.explanation.keys]
    return [source for source, at in held.pins if any(a < frame < b for a, b in spans for frame in at)]


def _option(
    work: Work, control: Control, channel: Channel, suspect: Suspect, chosen: Verdict, shot: Shot
) -> Option:
    explanation, frames = chosen.explanation, work.posed.frames
    held = work.locks.held(control.name, channel, frames)
    # It is cured as it was set, and what that changes of its keys is changed where they stand.
    as_set = replace(channel, keys=suspect.keys)
    shot_as_set = shot.with_channel(control.name, as_set)
    result = cured(shot_as_set, control.name, as_set, suspect, explanation, frames, held)
    new = result.shot.channel(control.name, channel.name)
    assert channel.keys is not None
    assert new.keys is not None
    keys = _as_set(work, control.name, channel, work.given.book).carried_over(channel.keys, new.keys)
    return Option(
        explains=_words(control.name, channel.name, explanation, suspect),
        control=control.name,
        channel=channel.name,
        frames=_frames(explanation, suspect),
        probability=explanation.probability if suspect.strange else None,
        shot=shot.with_channel(control.name, replace(channel, keys=keys)),
        residuals=result.residuals,
    )


def _note(
    work: Work, control: Control, channel: Channel, suspect: Suspect, judged: Sequence[Verdict]
) -> None:
    """Keeps the likelier explanations that weren't acted on."""
    for verdict in judged[:MOST_CANDIDATES]:
        explanation = verdict.explanation
        if not explanation.blocked:
            cure = partial(_option, work, control, channel, suspect, verdict, work.shot)
            end = bool({0, len(suspect.keys) - 1} & set(explanation.keys))
            work.leads.append(Lead(explanation.probability, cure, end and not suspect.strange))
        elif suspect.strange and explanation.probability > BLOCKED_LIKELY:
            words = _words(control.name, channel.name, explanation, suspect)
            work.blocked.append(f"{words}, but {explanation.blocked}")


def _frames(explanation: Explanation, suspect: Suspect) -> tuple[float, ...]:
    return tuple(float(suspect.keys.frames[k]) for k in explanation.keys)


def _words(control: str, channel: str, explanation: Explanation, suspect: Suspect) -> str:
    frames = _frames(explanation, suspect)
    at = ", ".join(f"{frame:g}" for frame in frames)
    if not suspect.strange:
        return f"{control}.{channel}: the key at frame {at} stands out from its neighbours"
    what = {
        "value": "a value off",
        "slope": "a slope off",
        "value and slope": "a value and its slope off",
        "zigzag": "a zigzag over the keys",
    }[explanation.kind]
    return f"{control}.{channel}: {what} at frame{'s' * (len(frames) > 1)} {at}"

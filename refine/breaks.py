"""What breaks the habit of a channel, one cause after the other, and how the channels of a control back each other.

Who nudges a pose nudges several channels on one frame. So each channel is looked at by itself first. When it is looked
at again, what the others say of a frame is known: a key that stands there needn't be singled out from all keys once
more, and of two keys that explain a slope equally well it is the one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from refine.cause import Explanation, Suspect, edited, explain
from refine.shot import Array, Keys

LIKELY = 0.9  # [judge] probability that something is wrong, up to which the next cause is looked for
MOST = 6  # faults of one channel

SuspectOf = Callable[[Keys], Suspect | None]  # None where no slope breaks the habit


@dataclass(frozen=True, eq=False)
class Break:
    """Keys that break the habit: how they are explained, all keys before and after undoing it.

    `chance` is the probability that anything is wrong, `off` (K,) that each key's value is.
    """

    explanation: Explanation
    before: Keys
    after: Keys
    chance: float
    off: Array

    @property
    def frames(self) -> tuple[float, ...]:
        return tuple(float(self.before.frames[k]) for k in self.explanation.keys)


def breaks(keys: Keys, suspect_of: SuspectOf, places: int = 1, likely: float = LIKELY) -> Iterator[Break]:
    """The likeliest causes, one after the other, until no slope breaks the habit or one isn't `likely`."""
    for _ in range(MOST):
        suspect = suspect_of(keys)
        found = [] if suspect is None else explain(suspect, places)
        best = next((each for each in found if each.edits), None)
        if best is None:
            return
        each = _break(keys, best, found)
        yield each
        if each.chance < likely:
            return
        keys = each.after


def _break(keys: Keys, best: Explanation, found: Sequence[Explanation]) -> Break:
    off = np.zeros(len(keys))
    for explanation in found:
        moved = [edit.key for edit in explanation.edits if edit.value is not None]
        off[moved] += explanation.probability
    nothing = next(each.probability for each in found if not each.edits)
    return Break(best, keys, edited(keys, best.edits), 1 - nothing, np.minimum(off, 1.0))


def backing(keys: Keys, siblings: Iterable[Sequence[Break]]) -> Array:
    """(K,) probability that any sibling's value is off on each key's frame, from what each has by itself."""
    sound = np.ones(len(keys))
    for found in siblings:
        for each in found:
            _, own, other = np.intersect1d(keys.frames, each.before.frames, return_indices=True)
            sound[own] *= 1 - each.off[other]
    return 1 - sound

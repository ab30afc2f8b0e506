"""Neighbouring keys of a channel moved together so that a slide goes, by least squares, with slopes set anew.

The points move with the keys' values, and with the slopes that follow them as the habit says. Posed anew after each
solve, what this leaves out (a ground that turns as well) goes too. Slopes beside such keys that aren't the habit's, but
by another of the common rules, may have been redone with the keys: then they are the habit's again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refine.curve import INCOMING, OUTGOING, VALUE
from refine.flags.anew import Anew
from refine.flags.pull import Gains, Pull, near_keys
from refine.shot import Array, Keys

MOST = 3  # keys
PASSES = 6  # solves: amounts are exact after one, unless they are turns or keys become extremes on the way
POSED = 3  # [judge] times that the figure is posed anew
TELLS = 0.9  # [judge] of what is left otherwise, from which a fit with or without redone slopes is the better
ROUGH = 1e-9  # of the largest singular value: directions that move nothing


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Neighbouring keys of a channel, what they are moved by, all keys after that, and the share of a slide left."""

    anew: Anew
    run: slice
    again: NDArray[np.bool_]
    by: Array
    keys: Keys
    left: float

    @property
    def frames(self) -> tuple[float, ...]:
        return tuple(self.keys.frames[self.run].tolist())


def least(pull: Pull, gains: Gains, keys: Keys) -> float:
    """The share of a slide that the keys of a channel can't undo, whatever their values and slopes."""
    reach = pull.reach(keys)
    size = 3 * (reach.stop - reach.start)
    moves = pull.many(Gains(gains.by_unit), keys, np.eye(size)).reshape(-1, size)
    return pull.left((moves @ _solved(moves, pull.away)).reshape(-1, 3))


def fits(pull: Pull, gains: Gains, anew: Anew, count: int) -> Iterator[Fit]:
    """Each run of so many keys that move some of the frames, moved by what undoes most of the slide."""
    at = near_keys(pull, anew.keys)
    for k in at[: len(at) - count + 1].tolist():
        yield fitted(pull, gains, anew, slice(k, k + count))


def fitted(pull: Pull, gains: Gains, anew: Anew, run: slice, redone: bool = False) -> Fit:
    """The keys of a run moved by what undoes most of the slide."""
    again = np.zeros(len(anew.keys), np.bool_)
    if redone:
        beside = slice(max(run.start - 1, 0), run.stop + 1)
        again[beside] = anew.redone[beside]
    start = Fit(anew, run, again, np.zeros(len(anew.keys)), anew.keys, 1.0)
    return _solves(pull, gains, start, anew.keys)


def told(pull: Pull, fit: Fit) -> Fit:
    """A fit posed anew until it is exact, the slopes beside it the habit's again where they were redone with it.

    Were they, one beside the run follows where the run's keys are now, which none would by chance.
    """
    gains = pull.gains(*fit.anew.place)
    kept, redone = (_exact(pull, fitted(pull, gains, fit.anew, fit.run, again)) for again in (False, True))
    beside = redone.again.copy()
    beside[fit.run] = False
    clear = 1.0 / TELLS if beside.any() else TELLS
    return redone if redone.left < clear * kept.left else kept


def _exact(pull: Pull, fit: Fit) -> Fit:
    best: Fit | None = None
    for _ in range(POSED):
        now = pull.after(*fit.anew.place, fit.keys)
        exact = Fit(fit.anew, fit.run, fit.again, fit.by, fit.keys, now.left())
        if best is not None and exact.left >= best.left:
            break
        best = exact
        fit = _solves(now, now.gains(*fit.anew.place), fit, fit.keys)
    assert best is not None
    return best


def _solves(pull: Pull, gains: Gains, start: Fit, at: Keys) -> Fit:
    """The best of several solves, from a fit on. `at` are the keys for which the pull is posed."""
    anew, run, by = start.anew, start.run, start.by.copy()
    best: Fit | None = None
    for _ in range(PASSES):
        keys = anew.changed(by, start.again)
        made = pull.made(gains, at, keys)
        now = Fit(anew, run, start.again, by.copy(), keys, pull.left(made))
        if best is not None and now.left >= best.left:
            break
        best = now
        by[run] += _solved(_moves(pull, gains, now, at), pull.away - made)
    assert best is not None
    return best


def _moves(pull: Pull, gains: Gains, fit: Fit, at: Keys) -> Array:
    """(3 N, n): how the points move with the values of a run, slopes following."""
    reach, count = pull.reach(at), fit.run.stop - fit.run.start
    by = np.zeros((reach.stop - reach.start, 3, count))
    by[:, VALUE] = np.eye(len(at))[reach, fit.run]
    by[:, INCOMING] = by[:, OUTGOING] = fit.anew.by_values(fit.by, fit.again)[reach, fit.run]
    here = gains.near(pull.changed(at, fit.keys))
    return pull.many(here, at, by.reshape(-1, count)).reshape(-1, count)


def _solved(moves: Array, away: Array) -> Array:
    """(n,) amounts by least squares from moves (3 N, n) and where the points shall go (N, 3)."""
    return np.asarray(np.linalg.lstsq(moves, away.reshape(-1), rcond=ROUGH)[0])

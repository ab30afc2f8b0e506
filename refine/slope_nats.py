"""How well slopes are explained by the rules that a channel follows, in nats: what tells how its keys were set.

A miss of some digits' length is as likely with one more: its density is 1 / miss, but for slopes set by hand, at
1 / BY_HAND. Nats are less than theirs.
"""

from __future__ import annotations

import numpy as np

from refine.shot import Array, Keys
from refine.slope_rules import judged, relative, slopes_by_rule, units_of_all

CLEARER = 4.0  # nats: with half of the slopes set by hand, what was told by more was right in over 99 % of 950 cases
BY_HAND = 0.3  # [judge] slope units, by which slopes that were set by hand miss the rules
_EXACT = 1e-5  # slope units, to about which files round slopes
_LOOSE = 1e-2  # [judge] slope units, from which on no rule was meant
_UNSEEN = 0.1  # keys of each rule that are believed in before any was seen


def slope_nats(keys: Keys, shares: Array, loop: bool) -> Array:
    """(K,) nats of the keys' slopes, where rules are followed so often; 0 for those that can't be judged."""
    return np.asarray(nats_of_all(keys, keys.values[:, None], keys.outgoing[:, None], shares, loop)[0])


def nats_of_all(keys: Keys, values: Array, slopes: Array, shares: Array, loop: bool) -> Array:
    """(M, K) nats of slopes by the rules, for values and slopes (K, M, D) of the keys."""
    likely = np.tensordot(shares, _densities(keys, values, slopes), 1)
    return np.where(judged(keys, loop), -np.log1p(BY_HAND * likely), 0.0)


def followed(keys: Keys, loop: bool) -> Array:
    """(3,) how often the slopes of the channel as it is follow each rule."""
    densities = _densities(keys, keys.values[:, None], keys.outgoing[:, None])[:, 0]
    weight = densities / (densities.sum(axis=0) + 1 / BY_HAND)
    counts = _UNSEEN + weight[:, judged(keys, loop)].sum(axis=1)
    return np.asarray(counts / counts.sum())


def _densities(keys: Keys, values: Array, slopes: Array) -> Array:
    """(3, M, K) densities of what slopes miss each rule by."""
    natural, chord = slopes_by_rule(keys, values.reshape(len(keys), -1))
    _, unit = units_of_all(keys.frames, np.moveaxis(values, 1, 0))
    misses = [slopes - natural.reshape(slopes.shape), slopes - chord.reshape(slopes.shape), slopes]
    miss = np.stack([relative(np.moveaxis(each, 1, 0), unit) for each in misses])
    return np.asarray(1 / (_EXACT + miss) / (1 + (miss / _LOOSE) ** 2))

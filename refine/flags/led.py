"""A channel led along a wanted move: its samples, or its keys fitted to it with slopes that follow their rules on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample_matrix
from refine.flags.stage import Stage
from refine.pinned import concerning, pinned_keys, within
from refine.shot import Array, Channel, Keys, frozen
from refine.slope_rules import BESIDE, followed_rules

RIDGE = 1e-3  # weight of leaving a key's numbers alone, against a frame's place
STILL = 1e-9  # no move, in the channel's unit


def led(stage: Stage, name: str, channel: Channel, wanted: Array, first: int) -> Channel | None:
    """The channel moved by `wanted` (n,) from a position among the stage's frames on; None where something holds it."""
    if np.abs(wanted).max() < STILL:
        return channel
    frames = stage.frames[first : first + len(wanted)]
    if channel.samples is not None:
        held = [pin.frames for pin in concerning(stage.locks.pins, name, channel.name)]
        moved = frames[np.abs(wanted) > STILL]
        if any(np.any((moved > a - 1) & (moved < b + 1)) for a, b in held):
            return None
        samples = channel.samples.copy()
        samples[frames.astype(np.intp) - stage.shot.first_frame, 0] += wanted
        new = replace(channel, samples=frozen(samples))
    else:
        assert channel.keys is not None
        held_keys = pinned_keys(stage.locks.pins, name, channel.name, channel.keys)
        if np.any(held_keys & leading(channel.keys, frames)):
            return None
        new = replace(channel, keys=fitted(channel.keys, frames, wanted))
    return new if within(channel, new) else None


def leading(keys: Keys, frames: Array) -> NDArray[np.bool_]:
    """(K,) keys of a move: those inside its frames, and the ones that begin and end it."""
    first = int(np.searchsorted(keys.frames, frames[0], "right")) - 1
    last = int(np.searchsorted(keys.frames, frames[-1]))
    k = np.arange(len(keys))
    return np.asarray((k >= first) & (k <= last))


def fitted(keys: Keys, frames: Array, wanted: Array) -> Keys:
    """The keys with values inside some frames changed so as to move by `wanted` (n,), slopes following.

    A slope that followed a rule goes on following it; the others of the move are fitted with the values.
    """
    dense = sample_matrix(keys, frames).dense()
    own = np.flatnonzero(leading(keys, frames)).tolist()
    inside = [k for k in own if frames[0] < keys.frames[k] < frames[-1]]
    by_rule, follows = followed_rules(keys)
    by_rule[: max(own[0] - BESIDE, 0)] = by_rule[own[-1] + BESIDE + 1 :] = 0.0
    bent = [k for k in own if not follows[k] and not keys.corner[k]]
    slopes = dense[:, 1::3] + dense[:, 2::3]
    columns = [dense[:, 3 * k] + slopes @ by_rule[:, k] for k in inside] + [slopes[:, k] for k in bent]
    if not columns:
        return keys
    matrix = np.stack(columns, axis=1)
    ridge = RIDGE * np.diag(np.maximum(np.linalg.norm(matrix, axis=0), STILL))
    x = np.linalg.lstsq(np.vstack([matrix, ridge]), np.append(wanted, np.zeros(len(columns))), rcond=None)[0]
    values, into, out = keys.values.copy(), keys.incoming.copy(), keys.outgoing.copy()
    values[inside, 0] += x[: len(inside)]
    turned = by_rule[:, inside] @ x[: len(inside)]
    turned[bent] += x[len(inside) :]
    into[:, 0] += turned
    out[:, 0] += turned
    return keys.changed(values=values, incoming=into, outgoing=out)

"""What nobody looked at: controls that stand still among moving ones, sides that move as one, no overlap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.planted.planted import CATALOGUE, Planted, Size, Truth, rng_of
from refine.body.masses import Body
from refine.curve import evaluate, sample
from refine.limbs.sides import partners
from refine.pose import pose
from refine.rig import children, descendants
from refine.shot import ROTATIONS, Array, Channel, Control, Keys, Shot, frozen, make_keys

ALIVE = 4.0  # deg: a side turns by thrice that at least, to be mirrored
SIBLINGS = 0.6  # of them that move
ODD_KEYS = 12  # one key in so many comes at another time, of sides that are twinned only mostly
SHIFT = 3  # frames
MIRROR = {"rotation.x": 1.0, "rotation.y": -1.0, "rotation.z": -1.0}  # sides mirrored along x
TRIES = 30
SECOND = 24  # frames
ALIKE = 0.97  # correlation of mirrored velocities
PROMINENT = 0.1  # of the range that an extreme stands out
MOVES = 5.0  # deg that leader and follower turn in a move
FOLLOWS = 0.8  # of the leader's turns, that the follower makes


def _turns(shot: Shot, control: Control) -> Array:
    """(N, C) of the rotation channels of a control."""
    columns = [sample(c, shot, shot.frames)[:, 0] for c in control.channels if c.name in ROTATIONS]
    return np.column_stack(columns) if columns else np.zeros((len(shot.frames), 0))


def _range(shot: Shot, name: str) -> float:
    return float(np.ptp(_turns(shot, shot.control(name)), axis=0).max(initial=0.0))


# --- never animated ----------------------------------------------------------------------------------------


def never_animated(shot: Shot, seed: int, size: Size) -> Planted:
    """One control on the mean of its values, whose siblings move by the size or more; warn: less than an error's."""
    rng, scale = rng_of(seed, "never animated", size), CATALOGUE["never animated"]
    wanted, places = scale.of(size), []
    for control in shot.controls:
        if control.parent is None or not control.channels or not _range(shot, control.name):
            continue
        ranges = [_range(shot, name) for name in _siblings(shot, control.name)]
        moving = [r for r in ranges if r > scale.warn]
        if len(ranges) > 1 and len(moving) >= SIBLINGS * len(ranges) and wanted <= np.median(moving):
            places.append((control, float(np.median(moving))))
    near = [place for place in places if size == "error" or place[1] < scale.of("error")]
    if not near:
        return None
    control, amount = near[int(rng.integers(len(near)))]
    for channel in control.channels:
        shot = shot.with_channel(control.name, _resting(shot, channel))
    span = shot.first_frame, shot.last_frame
    return shot, Truth(("never animated",), (control.name,), (), span, amount)


def _siblings(shot: Shot, name: str) -> list[str]:
    parent = shot.control(name).parent
    other = partners(shot.controls).get(name)
    names = dict.fromkeys((*children(shot)[parent], *([other] if other else [])))
    return [n for n in names if n != name and shot.control(n).channels]


def _resting(shot: Shot, channel: Channel) -> Channel:
    mean = float(sample(channel, shot, shot.frames).mean())
    if channel.keys is not None:
        return replace(channel, keys=make_keys([float(shot.first_frame)], [mean], [0.0]))
    return replace(channel, samples=frozen(np.full((len(shot.frames), 1), mean)))


def measure_never(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Median range of the siblings that move, deg; 0 where the control moves itself."""
    if _range(shot, truth.control) >= 0.1:
        return 0.0
    ranges = [_range(shot, name) for name in _siblings(shot, truth.control)]
    return float(np.median([r for r in ranges if r > CATALOGUE["never animated"].warn]))


# --- twins -------------------------------------------------------------------------------------------------


def twins(shot: Shot, seed: int, size: Size) -> Planted:
    """One side the mirror image of the other. warn: some of its keys late, so that 80 to 95 % of extremes coincide."""
    rng = rng_of(seed, "twinned sides", size)
    partner, scale = partners(shot.controls), CATALOGUE["twinned sides"]
    roots = [c.name for c in shot.controls if _leads(shot, c, partner)]
    for _ in range(TRIES if roots else 0):
        root = roots[int(rng.integers(len(roots)))]
        twin = _mirrored_side(shot, root, partner, size, rng)
        names = tuple(n for r in (root, partner[root]) for n in (r, *descendants(shot, r)))
        truth = Truth(("twinned sides",), (root, partner[root]), (), (shot.first_frame, shot.last_frame), 0.0)
        share = measure_twins(twin, shot, truth)
        if (share >= scale.error) if size == "error" else (scale.warn <= share < scale.error):
            return twin, replace(truth, controls=names, size=share)
    return None


def _leads(shot: Shot, control: Control, partner: dict[str, str]) -> bool:
    other = partner.get(control.name)
    if other is None or shot.index(other) < shot.index(control.name):
        return False
    same = control.parent == shot.control(other).parent
    return same and any(_range(shot, n) > 3 * ALIVE for n in (control.name, *descendants(shot, control.name)))


def _mirrored_side(
    shot: Shot, root: str, partner: dict[str, str], size: Size, rng: np.random.Generator
) -> Shot:
    for name in (root, *descendants(shot, root)):
        for channel in shot.control(name).channels if name in partner else ():
            sign = MIRROR[channel.name]
            if channel.keys is not None:
                twin = replace(channel, keys=_mirrored(channel.keys, sign, size, rng))
            else:
                twin = replace(channel, samples=frozen(sign * _delayed(channel, size, rng)))
            shot = shot.with_channel(partner[name], twin)
    return shot


def _mirrored(keys: Keys, sign: float, size: Size, rng: np.random.Generator) -> Keys:
    frames = keys.frames.copy()
    if size == "warn" and len(keys) > 4:
        late = np.flatnonzero(rng.integers(0, ODD_KEYS, len(keys)) == 0)
        for k in late[(late > 0) & (late < len(keys) - 1)]:
            frames[k] = min(frames[k] + SHIFT, frames[k + 1] - 1)
    return make_keys(frames, sign * keys.values, sign * keys.outgoing)


def _delayed(channel: Channel, size: Size, rng: np.random.Generator) -> Array:
    """The samples of a channel, for warn with a stretch of a second in which it comes some frames late."""
    assert channel.samples is not None
    samples = channel.samples[:, 0]
    at = np.arange(len(samples), dtype=float)
    if size == "warn":
        middle = rng.uniform(SECOND, len(samples) - SECOND)
        at -= SHIFT * np.exp(-0.5 * ((at - middle) / (SECOND / 3)) ** 2)
    return np.asarray(np.interp(at, np.arange(len(samples)), samples)[:, None])


def measure_twins(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Share of extremes of the two sides that fall together within a frame, where they move alike for a second."""
    from scipy.signal import find_peaks

    one, other = (
        _side(shot, name) for name in (truth.controls[0], partners(shot.controls)[truth.controls[0]])
    )
    other = other * np.array([-1.0, 1.0, 1.0])
    alike = _alike(one, other)
    if not alike.any():
        return 0.0
    main = np.linalg.svd(one - one.mean(axis=0), full_matrices=False)[2][0]
    found = []
    for way in (one @ main, other @ main):
        least = PROMINENT * float(np.ptp(way[alike]))
        every = np.concatenate([find_peaks(sign * way, prominence=least)[0] for sign in (1, -1)])
        found.append(every[alike[every]])
    if not len(found[0]) or not len(found[1]):
        return 0.0
    near = np.abs(found[0][:, None] - found[1][None, :]) <= 1
    return float((near.any(axis=1).sum() + near.any(axis=0).sum()) / (len(found[0]) + len(found[1])))


def _alike(one: Array, other: Array) -> NDArray[np.bool_]:
    """(N,) frames in some second in which the velocities correlate beyond 0.97."""
    v, w = np.diff(one, axis=0), np.diff(other, axis=0)
    alike = np.zeros(len(one), np.bool_)
    for a in range(len(v) - SECOND + 1):
        x, y = v[a : a + SECOND], w[a : a + SECOND]
        size = float(np.linalg.norm(x) * np.linalg.norm(y))
        if size > 0 and float(np.sum(x * y)) > ALIKE * size:
            alike[a : a + SECOND + 1] = True
    return alike


def _side(shot: Shot, name: str) -> Array:
    """(N, 3) path of the last control of a side, as what carries the side has it."""
    own = (name, *descendants(shot, name))
    posed, last = pose(shot, shot.frames), own[-1]
    end = shot.control(last)
    i, carrier = shot.index(last), shot.index(shot.control(name).parent or name)
    place = posed.linear[i] @ np.array(end.tip if end.tip is not None else end.pivot) + posed.origin[i]
    away = place - posed.origin[carrier]
    return np.asarray((np.linalg.inv(posed.linear[carrier]) @ away[:, :, None])[:, :, 0])


# --- missing overlap ---------------------------------------------------------------------------------------


def no_overlap(shot: Shot, seed: int, size: Size) -> Planted:
    """A forearm or hand whose turns are those of what carries it, late by the size: a part of a frame."""
    rng, wanted = rng_of(seed, "missing overlap", size), CATALOGUE["missing overlap"].of(size)
    body, pairs = Body(shot), []
    for control in shot.controls:
        if body.families.get(control.name) in ("forearm", "hand"):
            leader, due = body.leader(control.name, 1 / 24)
            if leader is not None and due * shot.fps >= 1 and _moves(shot, leader):
                pairs.append((leader, control))
    if not pairs:
        return None
    leader, control = pairs[int(rng.integers(len(pairs)))]
    for channel in control.channels:
        source = shot.control(leader).channel(channel.name)
        if channel.name in ROTATIONS and source is not None:
            shot = shot.with_channel(control.name, _following(shot, channel, source, wanted))
    span = shot.first_frame, shot.last_frame
    return shot, Truth(("missing overlap",), (control.name,), (), span, wanted, way=leader)


def _moves(shot: Shot, name: str) -> bool:
    """Whether a control turns to and fro often enough for its timing to be judged."""
    from scipy.signal import find_peaks

    turns = _turns(shot, shot.control(name))
    speed = np.linalg.norm(np.diff(turns, axis=0), axis=1)
    return bool(
        len(find_peaks(speed, prominence=0.2 * speed.max(initial=0.0))[0]) > 4 and np.ptp(turns) > 3 * MOVES
    )


def _following(shot: Shot, channel: Channel, source: Channel, late: float) -> Channel:
    middle = float(sample(channel, shot, shot.frames).mean())
    if source.keys is None:
        assert source.samples is not None
        values = source.samples[:, 0]
        shifted = np.interp(np.arange(len(values)) - late, np.arange(len(values)), values)
        return replace(channel, samples=frozen((middle + FOLLOWS * (shifted - values.mean()))[:, None]))
    tiny, keys = 1e-4, source.keys
    value, after = (evaluate(keys, keys.frames - late + d)[:, 0] for d in (0.0, tiny))
    return replace(
        channel,
        keys=make_keys(
            keys.frames, middle + FOLLOWS * (value - value.mean()), FOLLOWS * (after - value) / tiny
        ),
    )


def measure_overlap(shot: Shot, clean: Shot, truth: Truth) -> float:
    """Frames by which the follower's speed comes after the leader's: the best shift of one against the other."""
    leader, follower = (
        np.linalg.norm(np.diff(_turns(shot, shot.control(n)), axis=0), axis=1)
        for n in (truth.way, truth.control)
    )
    shifts = np.arange(-6, 6.01, 0.05)
    at = np.arange(12.0, len(leader) - 12)
    wanted = np.interp(at, np.arange(len(follower)), follower)
    if np.ptp(wanted) == 0:
        return np.inf
    scores = [np.corrcoef(wanted, np.interp(at - s, np.arange(len(leader)), leader))[0, 1] for s in shifts]
    return abs(float(shifts[int(np.argmax(scores))]))

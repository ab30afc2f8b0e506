"""From the channels of a shot to lanes of samples that are keyed together, and from fitted lanes to keyed channels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from refine.clean.keys.closed import around
from refine.clean.keys.fit import Fit, Lanes, sized, triangle
from refine.clean.keys.limits import Indices, Limits, Mask
from refine.clean.keys.measure import Carried, Measure, carried, form
from refine.clean.settings import Amount
from refine.rig import positions
from refine.shot import QUATERNION, Array, Channel, Control, Shot, make_keys

# [judge] all.
STILL = 1e-9  # of its size: a channel that moves less is constant
CONTEXT = 2  # frames to each side that a slope looks at
SHARE = 1.9  # of what is allowed at the ends of a chain, over the root of its number of controls
MOST_SHARE = 0.98
BREAK = 5.0  # times as large as beside it a second difference is where the motion breaks
BESIDE = (2, 6)  # frames: how near "beside" begins and how far it goes
# Times what is allowed at the joint's end that the motion goes back on both sides of an extreme: from SEEN on it gets a
# key, from CLEAR on it keeps it even where a key could be saved. CLEAR = 1 gives all of them one for 7 % more keys.
SEEN, CLEAR = 1.0, 10.0

Names = Mapping[int, tuple[str, ...]]


@dataclass(frozen=True, eq=False)
class Group:
    """Lanes with the same number of channels: lane r is the control at position controls[r] of the shot."""

    controls: tuple[int, ...]
    names: tuple[tuple[str, ...], ...]  # of the channels of each lane
    lanes: Lanes

    def some(self, rows: Indices) -> Group:
        """Only these lanes."""
        return Group(
            tuple(self.controls[r] for r in rows), tuple(self.names[r] for r in rows), self.lanes.some(rows)
        )


@dataclass(frozen=True, eq=False)
class Piece:
    """The keys of a control in a window: frames (K,), the rest (K, D) in the order of the channels."""

    names: tuple[str, ...]
    frames: Array
    values: Array
    incoming: Array
    outgoing: Array


def moving(shot: Shot) -> Names:
    """By the position of a control the names of its baked channels that aren't constant."""
    found = {}
    for i, control in enumerate(shot.controls):
        names = tuple(channel.name for channel in control.channels if channel.baked and not _still(channel))
        if names:
            found[i] = names
    return found


def _still(channel: Channel) -> bool:
    assert channel.samples is not None
    size = np.abs(channel.samples).max(initial=1.0)
    return bool(np.all(np.ptp(channel.samples, axis=0) <= STILL * size))


# --- lanes -------------------------------------------------------------------------------------------------


def groups(
    m: Measure, shot: Shot, names: Names, within: Amount, touchdowns: Mapping[str, Sequence[int]]
) -> list[Group]:
    """The moving channels of a window of the shot as lanes; each lane gets its share of what is allowed."""
    sums, shares = carried(m), _shares(m, names)
    forced = _forced(m, names, touchdowns)
    sizes = {i: sum(_width(shot.controls[i], name) for name in names[i]) for i in names}
    found = []
    for size in sorted(
        {max(size, 3) for size in sizes.values()}
    ):  # one or two channels are filled up to three
        members = tuple(i for i in names if max(sizes[i], 3) == size)
        tables = [_samples(m, shot, i, names[i], size) for i in members]
        forms = [_form(m, sums, i, names[i], within, size) for i in members]
        budget = [np.full(len(m.posed.frames), shares[i] * within.value) for i in members]
        values, slopes = (np.stack([table[k] for table in tables]) for k in (0, 1))
        touched = np.stack([forced[i] for i in members])
        none = np.zeros(touched.shape, np.bool_)
        pinned = _ends(m, shot, touched)
        gram = np.ascontiguousarray(np.moveaxis(np.stack(forms), 2, 0))
        lead = leading(values, gram, within.value)
        lanes = Lanes(values, slopes, gram, np.stack(budget), touched, none, pinned, none, none, lead)
        breaks = corners(lanes)
        seen, clear = extremes(lanes)
        lanes = replace(lanes, corner=breaks, forced=touched | breaks, extreme=seen, clear=clear)
        if any(each.limits is not None for i in members for each in shot.controls[i].channels):
            bounds = [_limits(shot.controls[i], names[i], values[r]) for r, i in enumerate(members)]
            lanes = replace(lanes, limits=Limits(*map(np.stack, zip(*bounds, strict=True))))
        found.append(Group(members, tuple(names[i] for i in members), lanes))
    return found


def _width(control: Control, name: str) -> int:
    channel = control.channel(name)
    assert channel is not None
    assert channel.samples is not None
    return int(channel.samples.shape[1])


def _samples(m: Measure, shot: Shot, i: int, names: tuple[str, ...], size: int) -> tuple[Array, Array]:
    """(N, size) samples and slopes of a control in the window; at its ends the slopes look beyond it."""
    count, first = len(m.posed.frames), round(m.posed.frames[0]) - m.first_frame
    columns = []
    for name in names:
        channel = shot.controls[i].channel(name)
        assert channel is not None
        assert channel.samples is not None
        columns.append(around(name, channel.samples, CONTEXT) if _goes_round(shot) else channel.samples)
    whole = np.concatenate(columns, axis=1)
    first += CONTEXT * _goes_round(shot)
    low, high = max(first - CONTEXT, 0), min(first + count + CONTEXT, len(whole))
    part = whole[low:high]
    slopes = np.gradient(part, axis=0) if len(part) > 1 else np.zeros(part.shape)
    if len(part) > 2 * CONTEXT:  # of a parabola through five frames
        slopes[2:-2] = (2 * (part[4:] - part[:-4]) + part[3:-1] - part[1:-3]) / 10.0
    inside = slice(first - low, first - low + count)
    values, given = np.zeros((count, size)), np.zeros((count, size))
    values[:, : part.shape[1]], given[:, : part.shape[1]] = part[inside], slopes[inside]
    return values, given


def _goes_round(shot: Shot) -> bool:
    """Whether there are frames enough beyond the ends of a loop (which is closed)."""
    return shot.loop and shot.last_frame - shot.first_frame > CONTEXT


def _limits(control: Control, names: tuple[str, ...], values: Array) -> tuple[Array, Array]:
    """(N, D) how low and how high a control's channels may go: to their limits, or to samples (N, D) beyond them."""
    low, high = np.full(values.shape, -np.inf), np.full(values.shape, np.inf)
    for name in names:
        channel = control.channel(name)
        assert channel is not None
        if channel.limits is not None:
            columns = _columns(channel, names)
            low[:, columns] = np.minimum(values[:, columns], channel.limits.lower)
            high[:, columns] = np.maximum(values[:, columns], channel.limits.upper)
    return low, high


def _form(m: Measure, sums: Carried, i: int, names: tuple[str, ...], within: Amount, size: int) -> Array:
    """(N, size (size + 1) / 2): the form of a control's channels, zeros where it is filled up."""
    channels = [channel for channel in m.shot.controls[i].channels if channel.name in names]
    own = form(m, sums, i, channels, within.value)
    width = round((np.sqrt(8 * own.shape[1] + 1) - 1) / 2)
    if width == size:
        return own
    full = np.zeros((len(own), size * (size + 1) // 2))
    at = {pair: k for k, pair in enumerate(triangle(size))}
    full[:, [at[pair] for pair in triangle(width)]] = own
    return full


def _path(shot: Shot, at: Mapping[str, int], i: int) -> list[int]:
    """Positions of a control and of all that carry it."""
    path = [i]
    while (parent := shot.controls[path[-1]].parent) is not None:
        path.append(at[parent])
    return path


def _shares(m: Measure, names: Names) -> dict[int, float]:
    """Of what is allowed, each moving control's share: errors of a chain add up like independent ones."""
    if m.unit == "deg":
        return dict.fromkeys(names, 1.0)
    at = positions(m.shot)
    longest = dict.fromkeys(names, 1)
    for i in range(len(m.shot.controls)):
        path = [j for j in _path(m.shot, at, i) if j in names]
        for j in path:
            longest[j] = max(longest[j], len(path))
    return {i: min(SHARE / np.sqrt(count), MOST_SHARE) for i, count in longest.items()}


def _forced(m: Measure, names: Names, touchdowns: Mapping[str, Sequence[int]]) -> dict[int, Mask]:
    """(N,) by control the frames of the contacts that it takes part in."""
    shot, at = m.shot, positions(m.shot)
    forced = {i: np.zeros(len(m.posed.frames), np.bool_) for i in names}
    for name, frames in touchdowns.items():
        inside = np.asarray(frames, np.intp) - round(m.posed.frames[0])
        inside = inside[(inside >= 0) & (inside < len(m.posed.frames))]
        for i in _path(shot, at, at[name]):
            if i in forced:
                forced[i][inside] = True
    return forced


def _ends(m: Measure, shot: Shot, like: Mask) -> Mask:
    """True on the window's first and last frame where windows, or the ends of a loop, meet."""
    pinned = np.zeros(like.shape, np.bool_)
    pinned[:, 0] = shot.loop or round(m.posed.frames[0]) > shot.first_frame
    pinned[:, -1] = shot.loop or round(m.posed.frames[-1]) < shot.last_frame
    return pinned


def corners(lanes: Lanes) -> Mask:
    """(R, N) frames on which the motion breaks: it turns there within a frame by far more than anywhere beside.

    The second difference is measured by the lane's form: it counts only where it is larger than the budget.
    """
    found = np.zeros(lanes.shape, np.bool_)
    near, far = BESIDE
    if lanes.shape[1] < 2 * far + 3:
        return found
    bend = np.diff(lanes.values, 2, axis=1)  # of the frames 1 .. N - 2
    square = sized(lanes.gram[:, :, 1:-1], np.moveaxis(bend, 2, 0))
    size = np.sqrt(square) / lanes.budget[:, 1:-1]
    middle = size[:, far:-far]
    shifts = [k for k in range(-far, far + 1) if abs(k) >= near]
    beside = np.max([size[:, far + k : size.shape[1] - far + k] for k in shifts], axis=0)
    top = (middle >= size[:, far - 1 : -far - 1]) & (middle > size[:, far + 1 : size.shape[1] - far + 1])
    found[:, far + 1 : -far - 1] = (middle > 1.0) & (middle > BREAK * beside) & top
    return found


def leading(values: Array, gram: Array, within: float) -> tuple[Indices, Array]:
    """(R,) each: the channel that moves most at the joint's end, and its unit there over what is allowed."""
    size = values.shape[2]
    own = [triangle(size).index((d, d)) for d in range(size)]
    scale = np.sqrt(gram[own].mean(axis=2)).T / within
    most = np.argmax(np.ptp(values, axis=1) * scale, axis=1)
    return most, scale[np.arange(len(most)), most]


def extremes(lanes: Lanes) -> tuple[Mask, Mask]:
    """(R, N) where the leading channel turns back so far that it can be seen, and where it does so by far."""
    seen, clear = np.zeros(lanes.shape, np.bool_), np.zeros(lanes.shape, np.bool_)
    for r, (d, scale) in enumerate(zip(*lanes.lead, strict=True)):
        path = lanes.values[r, :, d] * scale
        found = turns(path, SEEN)
        seen[r, found] = True
        few = np.array([0, *found, len(path) - 1])
        clear[r, few[turns(path[few], CLEAR)]] = True  # what turns back farther is among those
    return seen, clear


def turns(path: Array, least: float) -> list[int]:
    """Where a path (N,) turns back by `least` or more before it goes on; highs and lows by turns, not its ends."""
    step = np.diff(path)
    at = np.flatnonzero(step[1:] * step[:-1] <= 0) + 1
    found: list[int] = []
    high = low = rising = (
        0  # positions of the highest and lowest since the last turn; 0 knows no direction yet
    )
    for k in (*at.tolist(), len(path) - 1):
        value = path[k]
        if rising >= 0:
            if value > path[high]:
                high = k
            elif path[high] - value >= least:
                found.append(high)
                rising, low = -1, k
        if rising <= 0:
            if value < path[low]:
                low = k
            elif value - path[low] >= least:
                found.append(low)
                rising, high = 1, k
    return [k for k in found if k > 0]


# --- keyed channels ----------------------------------------------------------------------------------------


def pieces_of(group: Group, mask: Mask, fitted: Fit, first: float) -> dict[int, Piece]:
    """The keys of each control of a group; `first` is the window's first frame."""
    ends = np.cumsum(mask.sum(axis=1))
    keys = fitted.layout.keys
    at: Indices = keys % mask.shape[1]
    found = {}
    for r, i in enumerate(group.controls):
        part = slice(ends[r - 1] if r else 0, ends[r])
        arrays = (fitted.values[part], fitted.incoming[part], fitted.outgoing[part])
        found[i] = Piece(group.names[r], first + at[part].astype(float), *arrays)
    return found


def keyed(shot: Shot, windows: Sequence[Mapping[int, Piece]]) -> Shot:
    """The shot with the keys of all its windows instead of samples, and one key where a channel is constant."""
    return _with_channels(
        shot, lambda i, channel: _keyed(channel, [w[i] for w in windows if i in w], shot.first_frame)
    )


def baked(shot: Shot, curves: Mapping[int, tuple[tuple[str, ...], Array]]) -> Shot:
    """The shot with other samples: by control the names of its channels and (N, D) what stands in their columns."""

    def channel(i: int, old: Channel) -> Channel:
        if i not in curves or old.name not in curves[i][0]:
            return old
        names, curve = curves[i]
        return replace(old, samples=curve[:, _columns(old, names)])

    return _with_channels(shot, channel)


def _with_channels(shot: Shot, new: Callable[[int, Channel], Channel]) -> Shot:
    """The shot with its baked channels replaced, given the position of their control."""
    controls = [
        replace(c, channels=tuple(new(i, each) if each.baked else each for each in c.channels))
        for i, c in enumerate(shot.controls)
    ]
    return replace(shot, controls=tuple(controls))


def _columns(channel: Channel, names: Sequence[str]) -> slice:
    """Where the components of a channel stand: every channel has one, but a quaternion has four."""
    assert channel.samples is not None
    before = names[: names.index(channel.name)]
    first = len(before) + 3 * (QUATERNION in before)
    return slice(first, first + channel.samples.shape[1])


def _keyed(channel: Channel, parts: Sequence[Piece], first_frame: int) -> Channel:
    assert channel.samples is not None
    if not parts or channel.name not in parts[0].names:
        flat = make_keys([float(first_frame)], channel.samples[:1], np.zeros((1, channel.samples.shape[1])))
        return Channel(channel.name, flat, None, channel.limits)
    columns = _columns(channel, parts[0].names)
    frames = np.concatenate([part.frames[k > 0 :] for k, part in enumerate(parts)])
    values, incoming, outgoing = (
        np.concatenate([getattr(part, what)[k > 0 :, columns] for k, part in enumerate(parts)])
        for what in ("values", "incoming", "outgoing")
    )
    joint = 0
    for before, after in pairwise(parts):
        joint += len(before.frames) - 1
        outgoing[joint] = after.outgoing[0, columns]  # a limit may have turned it
    return Channel(channel.name, make_keys(frames, values, incoming, outgoing), None, channel.limits)

"""A control's key pose moved by a frame, and the frame that it was set for, as the slopes around it tell.

Who drags a pose in time leaves the slopes beside it as they were: by rules that go by time they are right where the
pose stood, to the digit, in all channels at once. No other value of it does that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.curve import sample
from refine.habit import Habit, HabitBook, moving
from refine.held import Locks
from refine.settled import Settled
from refine.shot import Array, Channel, Control, Keys, Shot, frozen
from refine.slope_nats import CLEARER, followed, slope_nats
from refine.slope_rules import BESIDE, LEAST, contexts, followed_rules, ruled, slopes_by_rule, units

SURE = 14.0  # [judge] nats, all channels together: two slopes that follow their rules again, which one value may not do
_FOLLOWS = -6.0  # nats of a slope that misses a rule by 7e-4
_MOST = 4  # poses of one control
_STRANGE = 2  # slopes beside a pose that break the habit: one has likelier causes


@dataclass(frozen=True, slots=True)
class Strayed:
    """A pose that stands on a frame, and was set for one beside it; `told` by these channels, the clearest first."""

    frame: float
    step: int  # to where it was set
    told: tuple[str, ...] = ()

    @property
    def set_for(self) -> float:
        return self.frame + self.step

    def __str__(self) -> str:
        named = " and ".join(self.told) if len(self.told) <= 2 else f"{len(self.told)} channels"
        return (
            f"the pose at {self.frame:g} was set for {self.set_for:g}, where the slopes of {named} follow the "
            "shot's rules again"
        )


def strayed(channels: Mapping[str, Keys], strange: Mapping[str, Array], loop: bool) -> list[Strayed]:
    """The poses of a control that were set for a frame beside theirs, the clearest first.

    `strange` are the frames of the slopes that break the habit, of the channels that have some.
    """
    if not _near(channels, strange):
        return []  # as of most controls: what rules they follow needn't be asked
    found: list[Strayed] = []
    shares = {name: followed(keys, loop) for name, keys in channels.items()}
    while len(found) < _MOST:
        now = {name: on_its_frame(keys, found) for name, keys in channels.items()}
        put_back = [each.set_for for each in found]
        frames = [frame for frame in _near(now, strange) if frame not in put_back]
        pose = _clearest(now, shares, [Strayed(frame, step) for frame in frames for step in (-1, 1)], loop)
        if pose is None:
            break
        found.append(pose)
    return found


def _clearest(
    channels: Mapping[str, Keys], shares: Mapping[str, Array], poses: list[Strayed], loop: bool
) -> Strayed | None:
    """The pose that slopes tell of most clearly. None if they aren't clear, or it can't be told which one strayed."""
    gains = [_gains(channels, shares, pose, loop) for pose in poses]
    totals = [sum(each.values()) for each in gains]
    if max(totals, default=0.0) < SURE:
        return None
    first = int(np.argmax(totals))
    best, told = poses[first], gains[first]
    after = {name: on_its_frame(keys, [best]) for name, keys in channels.items()}
    for pose, total in zip(poses, totals, strict=True):
        # One that explains as much either explains something else, or it may as well have been that one.
        rival = pose is not best and total > totals[first] - CLEARER
        if rival and sum(_gains(after, shares, pose, loop).values()) < SURE:
            return None
    names = (name for name in told if told[name] > CLEARER)
    return replace(best, told=tuple(sorted(names, key=lambda name: -told[name])))


def on_its_frame(keys: Keys, poses: Sequence[Strayed]) -> Keys:
    """The keys of a channel with those of some poses on the frames that they were set for."""
    for pose in poses:
        keys = _moved(keys, pose.frame, pose.step) or keys
    return keys


def _near(channels: Mapping[str, Keys], strange: Mapping[str, Array]) -> list[float]:
    """Frames of the poses that stand beside enough slopes that break the habit."""
    count: dict[float, int] = {}
    for name, frames in strange.items():
        own = channels[name].frames
        beside = np.isin(own, frames).astype(int)
        beside[1:-1] += np.isin(own[:-2], frames).astype(int) + np.isin(own[2:], frames)
        for frame, many in zip(own[1:-1].tolist(), beside[1:-1].tolist(), strict=True):
            count[frame] = count.get(frame, 0) + many
    return [frame for frame, many in sorted(count.items()) if many >= _STRANGE]


def _gains(
    channels: Mapping[str, Keys], shares: Mapping[str, Array], pose: Strayed, loop: bool
) -> dict[str, float]:
    """By how many nats a pose elsewhere explains the slopes of each channel better; none where one speaks against.

    Only slopes beside it that it puts on a rule speak for it: a spline's all get nearer to theirs if it moves the way
    that the value was moved.
    """
    gains: dict[str, float] = {}
    for name, keys in channels.items():
        if keys.index(pose.frame) is None:
            continue
        moved = _moved(keys, pose.frame, pose.step)
        if moved is None:
            return {}
        was, now = (slope_nats(each, shares[name], loop) for each in (keys, moved))
        beside = np.abs(np.arange(len(keys)) - keys.frames.searchsorted(pose.frame)) <= 1
        gain = np.where(beside & (now <= _FOLLOWS), was - now, np.minimum(was - now, 0.0))
        gains[name] = float(gain.sum())
        if gains[name] < -CLEARER:
            return {}
    return gains


def _moved(keys: Keys, frame: float, step: int) -> Keys | None:
    """The keys with that on a frame moved, None where there is none or it has no room."""
    k = keys.index(frame)
    if k is None or len(keys) < 2 or np.abs(np.delete(keys.frames, k) - (frame + step)).min() < 1:
        return None
    frames = keys.frames.copy()
    frames[k] += step
    return keys.changed(frames=frozen(frames))


def resloped(old: Keys, new: Keys, held: NDArray[np.bool_], habit: Habit) -> Keys:
    """The keys, moved in time, with slopes as far from their rules as they were, in units of slope.

    A key's rule is the one that it most likely follows by the habit; of a slope set by hand the nearest one.
    """
    if old.values.shape[1] > 1 or len(old) < 3:
        return new
    was, now = (
        np.stack([*slopes_by_rule(keys, old.values), np.zeros_like(old.values)])[..., 0]
        for keys in (old, new)
    )
    unit, unit_now, slopes = units(old)[1], units(new)[1], old.outgoing[:, 0]
    deviation = np.abs(slopes - was) / unit
    likely = habit.likely(deviation, contexts(old.values))
    by_hand = likely == len(was)
    rule = np.where(by_hand, np.argmin(deviation, axis=0), likely), np.arange(len(old))
    anew = now[rule] + (slopes - was[rule]) * unit_now / unit
    turns = ruled(old) & ~held & (np.abs(anew - slopes) > LEAST * unit_now)
    return new.changed(
        incoming=np.where(turns, anew, new.incoming[:, 0])[:, None],
        outgoing=np.where(turns, anew, new.outgoing[:, 0])[:, None],
    )


# --- in a shot ---


def strayed_poses(book: HabitBook, control: Control, loop: bool) -> list[Strayed]:
    """The poses of a control that were set for another frame. Slopes that were fitted to a motion tell nothing."""
    if book.shot_habit.fitted:
        return []
    name, moves = control.name, [c for c in control.channels if moving(c)]
    strange = {c.name: book.strange_frames(name, c.name) for c in moves if book.strange(name, c.name)}
    return strayed({c.name: book.settled(keys).keys for c, keys in keyed(control)}, strange, loop)


def as_set(book: HabitBook, keys: Keys, poses: Sequence[Strayed]) -> Settled:
    """The settled keys of a channel, with some poses of its control on the frames that they were set for."""
    settled = book.settled(keys)
    if not poses:
        return settled
    put = on_its_frame(settled.keys, poses)
    return replace(settled, keys=put, touched=settled.touched | (put.frames != settled.keys.frames))


def keyed(control: Control) -> list[tuple[Channel, Keys]]:
    """The keyed channels of a control."""
    return [(channel, channel.keys) for channel in control.channels if channel.keys is not None]


def with_pose_moved(shot: Shot, control: Control, frame: float, step: int, locks: Locks) -> Shot | None:
    """The shot with the control's key pose moved, None where a key may not move or has no room."""
    for channel, keys in keyed(control):
        k = keys.index(frame)
        if k is None:
            continue
        moved = _moved(keys, frame, step)
        if moved is None or k in locks.blocked(control.name, channel.name, keys):
            return None
        first, last = locks.influence(keys)
        if locks.disturbs_accent(control.name, first[k], last[k]):
            return None
        after = replace(channel, keys=moved)
        if not _pins_kept(shot, control.name, channel, after, locks):
            return None
        shot = shot.with_channel(control.name, after)
    return shot


def with_slopes_following(before: Shot, after: Shot, control: str, locks: Locks, book: HabitBook) -> Shot:
    """The shot after a pose of a control was moved, with slopes beside it that followed their rules following them on.

    Others may have been set for where it goes. Where something holds a slope, or what it moves, it stays.
    """
    pairs = zip(keyed(before.control(control)), keyed(after.control(control)), strict=True)
    for (channel, was), (moved, now) in pairs:
        at = np.flatnonzero(now.frames != was.frames)
        if not len(at):
            continue
        near = np.abs(np.arange(len(now)) - at[0]) <= BESIDE
        free = near & locks.searched(now) & followed_rules(was)[1]
        free[list(locks.blocked(control, moved.name, now))] = False
        first, last = locks.influence(now)
        free &= [not locks.disturbs_accent(control, a, b) for a, b in zip(first, last, strict=True)]
        led = replace(moved, keys=resloped(was, now, ~free, book.habit(control, moved.name)))
        if _pins_kept(before, control, channel, led, locks):
            after = after.with_channel(control, led)
    return after


def _pins_kept(shot: Shot, control: str, before: Channel, after: Channel, locks: Locks) -> bool:
    """A pin where no key stands holds the value there, whichever key would move it."""
    held = locks.held(control, before, shot.frames).pins
    at = np.array([frame for _, frames in held for frame in frames])
    return not len(at) or np.array_equal(sample(before, shot, at), sample(after, shot, at))

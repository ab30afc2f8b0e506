"""What stands still on screen and shouldn't: a hold without any life, and samples that stopped coming.

A hold is frozen where nothing of a whole figure moves for a third of a second, in a shot whose other holds drift, or
in a baked one that else never stands still: other shots without living holds, animation on twos, props and marked
holds are left alone. A dropout is a baked control
that stops in the middle of a move, repeats one pose and then catches up in one jump.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from refine.errors import NoSolution
from refine.flags.flag import Cause, Flag
from refine.flags.path import LEAST, stepped
from refine.flags.refill import foreseen
from refine.flags.stage import Stage, runs
from refine.flags.trace import gain, samples
from refine.rig import descendants
from refine.shot import Array, Channel, Shot
from refine.view import project

SELDOM = 0.15  # of a baked figure's frames at most that a fault freezes; more is a style [judge]
DROPOUT = "dropout"
FIGURE = 8  # controls that make a figure; a prop has fewer [judge]
BODY = ("head", "hand", "foot")  # parts that only a figure has
LINES = 1080
ALIVE = 6.0  # px in a third of a second at 1080 lines: slower than that is a hold [judge]
CAUGHT_UP = 1.4  # times the steps beside that a jump after equal samples makes at least [judge]
ABRUPT = 0.25  # of the jump shared out over the gap that the step before it has at least: no ease into a hold [judge]
POPS = 3.0  # times the steps beside from which a jump is one, however the hold began [judge]
HARM = 0.05  # probability that a gap's fill makes it worse, from which it is left to a person [judge]
BESIDE = 6  # frames to each side in which what drops out moves [judge]


def find(stage: Stage) -> Iterator[Flag]:
    yield from _frozen(stage)
    yield from _dropouts(stage)


# --- frozen holds ----------------------------------------------------------------------------------------


def _frozen(stage: Stage) -> Iterator[Flag]:
    threshold = stage.thresholds["frozen hold"]
    count = int(np.floor(threshold["seconds"] * stage.shot.fps)) + 1
    if len(stage.frames) <= 2 * count:
        return
    for root in stage.order:
        if stage.control(root).parent is not None:
            continue
        names = (root, *descendants(stage.shot, root))
        if not _is_figure(stage, names):
            continue
        steps = _steps(stage, names)
        drift = sliding_window_view(steps, count).sum(axis=1)
        alive = ALIVE * stage.view.height / LINES
        living = _lives(drift, threshold.warn, alive, count) or _captured(
            stage, names, drift <= threshold.warn
        )
        if not living or stepped(np.cumsum(steps)[:, None]):
            continue
        exempt = stage.marked(root, "hold", "cut")
        for a, b in runs(drift <= threshold.warn):
            yield from _frozen_flag(stage, root, names, (a, b + count), float(drift[a : b + 1].min()), exempt)


def _is_figure(stage: Stage, names: tuple[str, ...]) -> bool:
    return len(names) >= FIGURE or any(stage.control(name).part in BODY for name in names)


def _steps(stage: Stage, names: tuple[str, ...]) -> Array:
    """(N - 1,) px that the farthest of the points moves from each frame to the next, the camera standing still."""
    at = [(stage.control_at[point.control], point.local) for name in names for point in stage.points(name)]
    index = [i for i, _ in at]
    local = np.array([place for _, place in at])
    world = np.einsum("pnij,pj->pni", stage.posed.linear[index], local) + stage.posed.origin[index]
    seen = stage.view
    view = replace(seen, axes=seen.axes[:-1], place=seen.place[:-1], focal=seen.focal[:-1])
    apart = project(view, world[:, 1:]) - project(view, world[:, :-1])
    return np.asarray(np.linalg.norm(apart, axis=2).max(axis=0))


def _lives(drift: Array, frozen: float, moving: float, count: int) -> bool:
    """Whether the shot has another hold that isn't frozen."""
    return any(b - a + 1 >= count for a, b in runs((drift > frozen) & (drift <= moving)))


def _captured(stage: Stage, names: tuple[str, ...], frozen: NDArray[np.bool_]) -> bool:
    """Whether the figure is baked and hardly ever stands still: no living body does, whatever else it does."""
    channels = [channel for name in names for channel in stage.control(name).channels]
    return all(channel.baked for channel in channels) and float(np.mean(frozen)) <= SELDOM


def _frozen_flag(
    stage: Stage,
    root: str,
    names: tuple[str, ...],
    at: tuple[int, int],
    drift: float,
    exempt: NDArray[np.bool_],
) -> Iterator[Flag]:
    """Positions a to b, at which nothing moves. Before the first key and after the last there is no hold to fill."""
    a, b = at
    frames = int(stage.frames[a]), int(stage.frames[min(b, len(stage.frames) - 1)])
    first, last = _keyed(stage, names)
    threshold = stage.thresholds["frozen hold"]
    severity = threshold.severity(drift)
    if exempt[a : b + 1].any() or severity is None or frames[0] <= first or frames[1] >= last:
        return
    shown = (frames[1] - frames[0]) / stage.shot.fps
    message = f"nothing moves for {shown:.1f} s ({drift:.2f} px), where the shot is alive otherwise"
    remedy = "let it drift on by 1 to 3 % of the last move, slowing down"
    yield Flag(
        "frozen hold",
        root,
        None,
        frames,
        severity,
        drift,
        "px",
        Cause(root),
        message,
        remedy,
        threshold.ratio(drift),
    )


def _keyed(stage: Stage, names: tuple[str, ...]) -> tuple[float, float]:
    """First and last frame between which the controls are animated, within the stage."""
    ends = [
        (c.keys.frames[0], c.keys.frames[-1])
        for n in names
        for c in stage.control(n).channels
        if c.keys is not None and len(c.keys) > 1
    ]
    baked = any(c.baked for n in names for c in stage.control(n).channels)
    whole = float(stage.frames[0]), float(stage.frames[-1])
    if baked or not ends:
        return whole
    return max(min(a for a, _ in ends), whole[0]), min(max(b for _, b in ends), whole[1])


# --- dropouts --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Gap:
    """Positions first to last repeat the sample before them; the jump comes after."""

    first: int
    last: int


def gaps(values: Array, least: int) -> list[Gap]:
    """Where samples (N, D) stop for at least `least` equal ones in the middle of a move and catch up in a jump."""
    step = np.linalg.norm(np.diff(values, axis=0), axis=1)
    same = step == 0
    if not same.any() or np.mean(same) > 0.5 or stepped(values):
        return []
    found = []
    for a, b in runs(same):
        if _at_a_stop(values, a):
            continue
        if b - a + 2 >= least and a >= BESIDE and b + 1 + BESIDE < len(step):
            moving = np.all(step[a - BESIDE : a] > 0) and np.all(step[b + 2 : b + 2 + BESIDE] > 0)
            # A hold is eased into, and the move that ends it doesn't jump: its first step is no longer than the next.
            jump = step[b + 1] / max(LEAST, step[a - 1], step[b + 2])
            abrupt = step[a - 1] > ABRUPT * step[b + 1] / (b - a + 2)
            if moving and jump > (CAUGHT_UP if abrupt else POPS):
                found.append(Gap(a + 1, b + 1))
    return found


def _at_a_stop(values: Array, at: int) -> bool:
    """Whether a channel is where it never goes farther in the shot: a knee that is straight rests there."""
    ends = (values.min(axis=0), values.max(axis=0)) if values.shape[1] == 1 else ()
    return any(bool(np.all(np.abs(values[at] - end) <= LEAST)) for end in ends)


def _dropouts(stage: Stage) -> Iterator[Flag]:
    threshold = stage.thresholds["dropout"]
    least = max(round(threshold.warn), 3)
    for name in stage.order:
        found: dict[Gap, list[Channel]] = {}
        for channel in stage.control(name).channels:
            if _repeats(channel):
                for gap in gaps(samples(stage, channel), least):
                    found.setdefault(gap, []).append(channel)
        for gap, channels in found.items():
            yield from _dropout_flag(stage, name, gap, channels)


def _repeats(channel: Channel) -> bool:
    """Whether a baked channel that moves has three equal samples anywhere: most have not, and are done with."""
    if channel.samples is None or len(channel.samples) < 3:
        return False
    same = np.all(channel.samples[1:] == channel.samples[:-1], axis=1)
    return bool(np.any(same[1:] & same[:-1]) and not same.all())


def _dropout_flag(stage: Stage, name: str, gap: Gap, channels: list[Channel]) -> Iterator[Flag]:
    """The flag of a gap that can be seen, at the channel whose jump moves most."""
    threshold = stage.thresholds["dropout"]
    jumps = [(_jump(stage, name, channel, gap.last), channel) for channel in channels]
    pixels, worst = max(jumps, key=lambda pair: pair[0])
    if (
        pixels < threshold["px"]
        or stage.marked(name, "hold", "cut", "contact")[gap.first : gap.last + 2].any()
    ):
        return
    count = gap.last - gap.first + 2
    severity = threshold.severity(count)
    if severity is None:
        return
    frames = int(stage.frames[gap.first]), int(stage.frames[gap.last])
    cause = Cause(name, worst.name, (float(frames[0]), float(frames[1])))
    message = f"{count} equal samples in the middle of a move, then a jump of {pixels:.1f} px"
    ratio = threshold.ratio(count) * stage.attention(name)
    remedy = "fill the gap from both sides"
    yield Flag(
        DROPOUT, name, worst.name, frames, severity, float(count), "frames", cause, message, remedy, ratio
    )


def filled(stage: Stage, flag: Flag) -> Shot | None:
    """A gap filled as all channels of the control that stop there move elsewhere, and as their chain says.

    NoSolution where that is too likely to lead away from what happened.
    """
    control, (a, b), start = stage.control(flag.cause.control), flag.frames, stage.shot.first_frame
    stopped = [
        channel
        for channel in control.channels
        if channel.samples is not None
        and np.ptp(channel.samples) > 0
        and not np.ptp(channel.samples[a - start - 1 : b - start + 1], axis=0).any()
    ]
    shot, harm = foreseen(stage, control.name, stopped, flag.frames)
    if harm > HARM:
        raise NoSolution(
            f"what goes before and after and what its chain does don't say what happened in {b - a + 1} frames: with a "
            f"probability of {harm:.2g} filling them would make it worse, more than {HARM:g}; by hand: {flag.remedy}"
        )
    return shot if shot is not stage.shot else None


def _jump(stage: Stage, name: str, channel: Channel, at: int) -> float:
    """px that the step after position `at` moves the point that shows it most, 0 where none is seen."""
    point, _ = stage.most_moved(name, channel.name)
    if point is None or not stage.counts(point)[at : at + 2].all():
        return 0.0
    values = samples(stage, channel)
    frame = int(stage.frames[at])
    move = gain(stage, point, name, channel.name, (frame, frame))[0] @ (values[at + 1] - values[at])
    return float(np.linalg.norm(move))


MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {DROPOUT: filled}

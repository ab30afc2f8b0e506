"""What is asked for a cure of a flagged range: the tool, and three common smoothers as baselines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from refine.curve import evaluate, sample_matrix, unknowns, with_unknowns
from refine.shot import Array, Keys, Shot

TOOL = "refine"
# The smoothers at their best on the tuning clip; with less closeness the jerk one only does more harm.
JERK_KNEE = 0.005  # of the channel's range, per frame^3
STAY_CLOSE = 0.1  # penalty on moving a key, against the Huber norm of jerk
WINDOW, DEGREE = 7, 2  # Savitzky-Golay: frames and degree


@dataclass(frozen=True)
class Cure:
    """A method's answer: the shot after it, and the keys that each of its candidates names, best first."""

    shot: Shot
    candidates: tuple[tuple[str, str, frozenset[int]], ...] = ()  # control, channel, key frames


Method = Callable[[Shot, str, tuple[int, int], float], Cure]


def by_tool(shot: Shot, control: str, frames: tuple[int, int], strength: float) -> Cure:
    """The tool itself, told the range and the control."""
    from refine.suggest import Request, suggest
    from refine.suggestion import applied

    answer = suggest(shot, Request(frames=frames, controls=(control,), strength=strength))
    named = []
    for candidate in answer.candidates:
        # The key that is off is the one whose value moves; slopes of neighbours may follow it.
        moved = {round(change.frame) for change in candidate.changes if change.field == "value"}
        keys = frozenset(moved or (round(frame) for frame in candidate.frames))
        named.append((candidate.control, candidate.channel, keys))
    return Cure(applied(shot, answer), tuple(named))


def free_keys(keys: Keys, frames: tuple[int, int]) -> list[int]:
    """Inner keys whose whole influence, from neighbour to neighbour, lies in the range."""
    f = keys.frames
    return [k for k in range(1, len(f) - 1) if f[k - 1] >= frames[0] and f[k + 1] <= frames[1]]


def _each_channel(shot: Shot, control: str, frames: tuple[int, int], smooth: Callable[..., Keys]) -> Cure:
    """A smoother that knows nothing of causes, on the free keys of all channels of the control."""
    fixed = shot
    for channel in shot.control(control).channels:
        if channel.keys is not None and (free := free_keys(channel.keys, frames)):
            keys = smooth(channel.keys, free, shot.frames, frames)
            fixed = fixed.with_channel(control, replace(channel, keys=keys))
    return Cure(fixed)


def least_jerk(keys: Keys, free: Sequence[int], _: Array, flagged: tuple[int, int]) -> Keys:
    """min sum huber(third differences) + w |moves|^2 over values and slopes of the free keys, in cvxpy."""
    import cvxpy as cp

    at = np.arange(flagged[0], flagged[1] + 1, dtype=float)
    matrix = sample_matrix(keys, at).dense()
    value = matrix[:, [3 * k for k in free]]
    slope = matrix[:, [3 * k + 1 for k in free]] + matrix[:, [3 * k + 2 for k in free]]
    now = matrix @ unknowns(keys)[:, 0]
    span = max(float(np.ptp(now)), 1e-6)
    # A slope is measured by what it moves over half the mean gap, so that both unknowns weigh alike.
    gap = float(np.diff(keys.frames).mean())
    jerk = np.diff(np.hstack([value, slope * (2 / gap)]), n=3, axis=0)
    x = cp.Variable(2 * len(free))
    third = jerk @ x + np.diff(now, n=3) / span
    cost = cp.sum(cp.huber(third / JERK_KNEE)) + STAY_CLOSE / JERK_KNEE**2 * cp.sum_squares(x)
    cp.Problem(cp.Minimize(cost)).solve(solver=cp.CLARABEL)
    if x.value is None:
        raise ArithmeticError("the jerk baseline found no solution")
    move = np.asarray(x.value) * span
    return _moved(keys, free, move[: len(free)], move[len(free) :] * (2 / gap))


def savitzky_golay(keys: Keys, free: Sequence[int], frames: Array, _: tuple[int, int]) -> Keys:
    """Keys read from the samples after a Savitzky-Golay filter, values and slopes."""
    from scipy.signal import savgol_filter

    samples = evaluate(keys, frames)[:, 0]
    at = np.rint(keys.frames[list(free)] - frames[0]).astype(np.intp)
    value = savgol_filter(samples, WINDOW, DEGREE)[at]
    slope = savgol_filter(samples, WINDOW, DEGREE, deriv=1)[at]
    return _moved(keys, free, value - keys.values[list(free), 0], slope - keys.incoming[list(free), 0])


def smoothing_spline(keys: Keys, free: Sequence[int], _: Array, flagged: tuple[int, int]) -> Keys:
    """Keys read from a smoothing spline through the range's samples, strength by cross-validation."""
    from scipy.interpolate import make_smoothing_spline

    at = np.arange(flagged[0], flagged[1] + 1, dtype=float)
    spline = make_smoothing_spline(at, evaluate(keys, at)[:, 0])
    f = keys.frames[list(free)]
    slope = spline.derivative()(f)
    return _moved(keys, free, spline(f) - keys.values[list(free), 0], slope - keys.incoming[list(free), 0])


def _moved(keys: Keys, free: Sequence[int], value: Array, slope: Array) -> Keys:
    x = unknowns(keys).reshape(len(keys), 3).copy()
    x[list(free)] += np.column_stack([value, slope, slope])
    return with_unknowns(keys, x)


def _baseline(smooth: Callable[..., Keys]) -> Method:
    return lambda shot, control, frames, _: _each_channel(shot, control, frames, smooth)


METHODS: dict[str, Method] = {
    TOOL: by_tool,
    "least jerk": _baseline(least_jerk),
    "Savitzky-Golay": _baseline(savitzky_golay),
    "smoothing spline": _baseline(smoothing_spline),
}

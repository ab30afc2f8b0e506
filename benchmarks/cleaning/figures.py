"""What is left of a degradation after cleaning, against the truth, in the world."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.cleaning.smoothness import log_dimensionless_jerk
from benchmarks.cleaning.standing import Standing, standing
from benchmarks.corpus import figure_points
from refine.limbs.planted import speed
from refine.pose import Pose, pose, world_point
from refine.shot import Array, Shot

EDGE = 0.05  # s at each end of a contact, where it lands and leaves, that don't count
FASTEST = 0.5  # of an end's 99th percentile of speed: slower peaks are no accents
ACCENTS = 3  # of each end: those whose speed peaks most sharply, one for every PER seconds, at least three
PER = 5.0  # s
WIDE = 0.05  # s at half its prominence: what rises and falls within less is no move of a body [judge]
APART = 0.25  # s between accents of an end
AROUND = 0.04  # s to each side of the truth's peak in which the peak after is looked for
STANDS = 1.0  # mm/s: a point that is slower throughout has no jerk to compare


@dataclass(frozen=True)
class Figures:
    """Lengths in mm over all pivots and tips on all frames, speeds in mm/s.

    `planted` is the mean speed of the truth's planted points on the truth's planted frames, EDGE left out at each end,
    `planted_truth` the truth's own. `jerk` is the mean over all points of log dimensionless jerk less the truth's:
    below 0 is jerkier. `accent_worst` and `accent_median` are peak speeds over the truth's.
    """

    rms: float
    p99: float
    planted: float
    planted_truth: float
    jerk: float
    accent_worst: float
    accent_median: float
    seconds: float


@dataclass(frozen=True, eq=False)
class Reference:
    """All of the truth that outcomes are compared with."""

    shot: Shot
    standing: Standing
    points: Array  # (P, N, 3) shot units
    jerk: Array  # (P,), NaN where a point stands
    accents: dict[str, NDArray[np.intp]]  # frame positions by control


def reference(shot: Shot) -> Reference:
    found = standing(shot)
    points = figure_points(shot, found.posed)
    accents = {
        name: accent_frames(_path(shot, found.posed, name), shot.fps) for name in accented(shot, found)
    }
    return Reference(shot, found, points, jerks(points, shot.fps, found.scale), accents)


def accented(shot: Shot, found: Standing) -> list[str]:
    """Hands, feet and head: the limbs' ends, and the outermost control that is called a head."""
    heads = [control.name for control in shot.controls if "head" in control.name.casefold()]
    return [limb.end for limb in found.limbs] + heads[:1]


def accent_frames(path: Array, fps: float) -> NDArray[np.intp]:
    """Positions of the sharpest of the fast peaks of speed: by how fast the speed falls off to both sides."""
    from scipy.signal import find_peaks

    fast = speed(path, fps)
    high = FASTEST * float(np.percentile(fast, 99))
    peaks, _ = find_peaks(fast, height=high, distance=max(round(APART * fps), 1), width=WIDE * fps)
    reach = max(round(0.5 * APART * fps), 1)
    inside = peaks[(peaks >= reach) & (peaks < len(fast) - reach)]
    sharp = 2 * fast[inside] - fast[inside - reach] - fast[inside + reach]
    wanted = max(ACCENTS, round(len(path) / fps / PER))
    return np.sort(inside[np.argsort(-sharp)[:wanted]]).astype(np.intp)


def jerks(points: Array, fps: float, scale: float) -> Array:
    """(P,) log dimensionless jerk of the speed of each path of (P, N, 3)."""
    speeds = [speed(path, fps) for path in points]
    return np.array(
        [
            log_dimensionless_jerk(each, fps) if each.max() * scale * 1000 > STANDS else np.nan
            for each in speeds
        ]
    )


def figures(truth: Reference, after: Shot, seconds: float) -> Figures:
    """The figures of a cleaned shot with the truth's frames and controls."""
    shot, mm = truth.shot, 1000 * truth.standing.scale
    posed = pose(after, shot.frames)
    points = figure_points(after, posed)
    off = np.linalg.norm(points - truth.points, axis=-1) * mm
    kept = accents_kept(truth, after, posed)
    jerk = jerks(points, shot.fps, truth.standing.scale) - truth.jerk
    return Figures(
        rms=float(np.sqrt(np.mean(off**2))),
        p99=float(np.percentile(off, 99)),
        planted=planted_speed(truth, after, posed) * mm,
        planted_truth=planted_speed(truth, shot, truth.standing.posed) * mm,
        jerk=float(np.nanmean(jerk)),
        accent_worst=float(kept.min()) if len(kept) else float("nan"),
        accent_median=float(np.median(kept)) if len(kept) else float("nan"),
        seconds=seconds,
    )


def planted_speed(truth: Reference, shot: Shot, posed: Pose) -> float:
    """Mean speed in units a second of the truth's planted points of a shot; 0 where nothing stands."""
    margin = round(EDGE * shot.fps)
    speeds = []
    for contact in truth.standing.contacts:
        at = contact.frames[contact.core(margin)].astype(np.intp) - truth.shot.first_frame
        speeds.append(speed(world_point(posed, shot, contact.point), shot.fps)[at])
    return float(np.mean(np.concatenate(speeds))) if speeds else 0.0


def accents_kept(truth: Reference, after: Shot, posed: Pose) -> Array:
    """Peak speed after over the truth's at each accent."""
    reach = round(AROUND * after.fps)
    kept = []
    for name, peaks in truth.accents.items():
        before = speed(_path(truth.shot, truth.standing.posed, name), after.fps)
        now = speed(_path(after, posed, name), after.fps)
        kept += [now[max(k - reach, 0) : k + reach + 1].max() / before[k] for k in peaks]
    return np.array(kept)


def _path(shot: Shot, posed: Pose, name: str) -> Array:
    """(N, 3) where a control's pivot, or its tip if it has one, stands."""
    i = shot.index(name)
    control = shot.controls[i]
    local = control.pivot if control.tip is None else control.tip
    place: Array = posed.linear[i] @ np.array(local) + posed.origin[i]
    return place

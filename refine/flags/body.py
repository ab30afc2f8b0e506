"""Faults of weight: parts that stop as if they had no mass, swing past too far, or move in step down a chain.

What a part's mass asks for comes from `body` (a ceiling for realism; voluntary braking takes some of it away), and is
compared with the speed at which the control itself arrives, seen in px at delivery size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from constraints.overshoot import MOST, SETTLED
from refine.body.arrival import Arrival, Track, dead_stops, pixels_a_unit, swings, tracks, window
from refine.body.masses import Body
from refine.body.response import Response
from refine.body.settle import Landing, calmed, landed
from refine.flags.flag import Cause, Flag, Severity
from refine.flags.overlap import overlapped, overlaps, taken
from refine.flags.stage import Stage
from refine.flags.touchdown import lands
from refine.measure import carried
from refine.rig import descendants
from refine.shot import QUATERNION, Shot

LATEST_PEAK = 1.4  # of the peak time, constraints.overshoot's window
SLOWER = 1.5  # times its settling that a swing may take, to be one [judge]
EYE_SETTLES = 0.25  # s [judge]
TOO_FAST = 0.3  # of its own period: a move that takes no longer says more of itself than of its end [judge]
HELD_PARTS = ("arm", "forearm", "hand", "leg", "shank", "foot")  # whose stop a contact further out explains


@dataclass(frozen=True, slots=True, eq=False)
class _Stop:
    """A dead stop before it is judged against the others: delta in units, px a unit along the direction."""

    arrival: Arrival
    response: Response
    delta: float
    pixels: float


def find(stage: Stage) -> Iterator[Flag]:
    """All findings of this family, in no order."""
    body = Body(stage.shot)
    moving = tracks(stage.shot, stage.frames, {name for name in stage.order if body.row(name) is not None})
    yield from _dead_stops(stage, body, moving)
    for track in moving:
        yield from _swings(stage, body, track)
    yield from overlaps(stage, body, moving)


# --- dead stop -------------------------------------------------------------------------------------------


def _dead_stops(stage: Stage, body: Body, moving: list[Track]) -> Iterator[Flag]:
    stops = [stop for track in moving for stop in _stops(stage, body, track)]
    if not stops:
        return
    parts: dict[int, set[str]] = {}
    for stop in stops:
        parts.setdefault(stop.arrival.at, set()).add(stop.arrival.track.control)
    for stop in stops:
        if len(parts[stop.arrival.at]) < stage.thresholds["dead stop"]["parts"]:
            flag = _dead_stop(stage, body, stop)
            if flag is not None:
                yield flag


def _stops(stage: Stage, body: Body, track: Track) -> Iterator[_Stop]:
    """Arrivals of a heavy part after which it stands, where its mass asks for an overshoot that can be seen."""
    threshold, name, fps = stage.thresholds["dead stop"], track.control, stage.shot.fps
    response = body.response(name)
    if response is None or body.carried.get(name, 0.0) < threshold["carried"]:
        return
    peak = response.peak_time * fps
    if peak < threshold["frames"]:
        return
    reach, settle = ceil(LATEST_PEAK * peak), ceil(response.settled(SETTLED) * fps)
    for arrival in dead_stops(track, fps, ceil(peak), reach, settle, threshold["speed"]):
        meant = _exempt(stage, body, name, arrival.at)
        pixels = 0.0 if meant else _pixels(stage, track, arrival)
        least = threshold["px"] * _lines(stage)
        if (
            response.overshoot(arrival.speed * fps) * pixels >= least
        ):  # the driven answer takes longer to find
            delta = response.landing(arrival.speed * fps, arrival.size)
            if delta * pixels >= least and not lands(stage, name, arrival.at):
                yield _Stop(arrival, response, delta, pixels)


def _dead_stop(stage: Stage, body: Body, stop: _Stop) -> Flag | None:
    threshold, arrival = stage.thresholds["dead stop"], stop.arrival
    name = arrival.track.control
    severity = threshold.severity(arrival.excursion / stop.delta)
    if severity is None:
        return None
    expected = stop.delta * stop.pixels
    if expected < threshold["error_px"] * _lines(stage):
        severity = "warn"
    frame, due = int(stage.frames[arrival.at]), stop.response.peak_time * stage.shot.fps
    missing = expected - arrival.excursion * stop.pixels
    message = (
        f"stops dead at {frame}: its weight asks for {expected:.1f} px past the pose, {due:.1f} frames later"
    )
    remedy = "let it go past the pose and settle; where no key follows within that time, add one"
    if arrival.size < TOO_FAST * arrival.speed * stage.shot.fps / stop.response.hz:
        remedy += ", or slow its arrival: so heavy a part is hardly that quick"
    where = frame - window(stage.shot.fps), min(frame + ceil(LATEST_PEAK * due), int(stage.frames[-1]))
    ratio = missing / (threshold["px"] * _lines(stage)) * stage.attention(name)
    return _flag(stage, body, "dead stop", arrival, where, severity, (missing, "px"), message, remedy, ratio)


def _exempt(stage: Stage, body: Body, name: str, at: int) -> bool:
    """Whether something explains a stop: a contact, grip, accent, cut or hold; an attachment carries the rest."""
    near = window(stage.shot.fps)
    if stage.marked(name, "accent", "hold", around=near)[at] or stage.marked(name, "cut", around=near)[at]:
        return True
    if any(link.kind == "attachment" for link in stage.control(name).links):
        return True
    holds = body.families.get(name) in HELD_PARTS
    for touching in (name, *_below(stage, name)):
        if stage.edges(touching, "contact", around=near)[at]:
            return True
        if (holds or touching == name) and stage.marked(touching, "contact", around=near)[at]:
            return True
    return False


def _below(stage: Stage, name: str) -> tuple[str, ...]:
    """What a control carries, and what is attached to that."""
    below = descendants(stage.shot, name)
    held = (
        c.name
        for c in stage.shot.controls
        if any(link.kind == "attachment" and link.to in (name, *below) for link in c.links)
    )
    return (*below, *held)


# --- too much overshoot ----------------------------------------------------------------------------------


def _swings(stage: Stage, body: Body, track: Track) -> Iterator[Flag]:
    name, fps = track.control, stage.shot.fps
    eye, response = body.families.get(name) == "eye", body.response(name)
    if (response is None and not eye) or (eye and track.kind == "translation"):
        return
    if not eye and body.carried.get(name, 0.0) <= 0:  # fingers: too light to be asked
        return
    threshold = stage.thresholds["too much overshoot"]
    for arrival in swings(track, fps, _settle(response, fps)):
        if _exempt(stage, body, name, arrival.at) or _exempt(stage, body, name, arrival.peak):
            continue
        if response is None:
            times, upper = arrival.excursion / threshold["eye"], 0.0
            severity: Severity | None = (
                None if times <= 1 else "error" if times >= threshold.error else "warn"
            )
        else:
            upper = MOST * response.overshoot(arrival.speed * fps)
            times = arrival.excursion / upper if upper > 0 else np.inf
            severity = threshold.severity(times)
        if severity is None:
            continue
        pixels = _pixels(stage, track, arrival)
        beyond, least = (arrival.excursion - upper) * pixels, threshold["px"] * _lines(stage)
        if beyond < least and not eye:
            continue
        frame = int(stage.frames[arrival.peak])
        past = f"{arrival.excursion:.1f} deg" if eye else f"{arrival.excursion * pixels:.1f} px"
        due = "an eye lands on its target" if eye else f"{times:.1f} times what its weight allows"
        message = f"swings {past} past its pose at {frame}: {due}"
        remedy = "bring the peak nearer to the pose"
        where = int(stage.frames[arrival.at]), frame
        amount = (arrival.excursion, "deg") if eye else (beyond, "px")
        ratio = max(beyond / least, 1.0) * stage.attention(name)
        yield _flag(
            stage, body, "too much overshoot", arrival, where, severity, amount, message, remedy, ratio
        )


def _settle(response: Response | None, fps: float) -> int:
    """Frames from passing the pose to the rest that a swing may take; an eye's within a fixation [judge]."""
    return ceil(SLOWER * (EYE_SETTLES if response is None else response.settled(SETTLED)) * fps)


# --- shared ------------------------------------------------------------------------------------------------


def _lines(stage: Stage) -> float:
    """px thresholds are for 1080 lines."""
    return stage.view.height / 1080


def _pixels(stage: Stage, track: Track, arrival: Arrival) -> float:
    """px on screen for a unit along the arrival's direction, of the point that it moves most; 0 if unseen."""
    points = carried(stage.shot, track.control)
    apart = pixels_a_unit(stage.shot, stage.posed, stage.view, arrival, points)
    for p in np.argsort(-apart):
        if stage.counts(points[p])[arrival.at]:
            return float(apart[p])
    return 0.0


def _flag(
    stage: Stage,
    body: Body,
    fault: str,
    arrival: Arrival,
    where: tuple[int, int],
    severity: Severity,
    amount: tuple[float, str],
    message: str,
    remedy: str,
    ratio: float,
) -> Flag:
    """The flag at the channel that moves most, its cause the nearest keys to the arrival or the peak."""
    track = arrival.track
    channel = track.channels[
        0 if track.channels == (QUATERNION,) else int(np.argmax(np.abs(arrival.direction)))
    ]
    at = stage.frames[arrival.at if fault == "dead stop" else arrival.peak]
    found = stage.control(track.control).channel(channel)
    keys = None if found is None else found.keys
    near = () if keys is None else (float(keys.frames[np.argmin(np.abs(keys.frames - at))]),)
    cause = Cause(track.control, channel, near)
    text = message + taken(body)
    return Flag(fault, track.control, channel, where, severity, *amount, cause, text, remedy, ratio)


# --- mends -------------------------------------------------------------------------------------------------


def mend_dead_stop(stage: Stage, flag: Flag, gain: float = 1.0) -> Shot | None:
    """The shot with an overshoot after the stop, of `gain` times what the mass asks for; None where it can't be."""
    body = Body(stage.shot)
    for track in tracks(stage.shot, stage.frames, {flag.control}):
        for stop in _stops(stage, body, track):
            if stage.frames[stop.arrival.at] - window(stage.shot.fps) != flag.frames[0]:
                continue
            if flag.channel in track.channels and QUATERNION not in track.channels:
                return _best_landing(stage, stop, gain)
    return None


def _best_landing(stage: Stage, stop: _Stop, gain: float) -> Shot | None:
    """Of the peak frames in [0.7, 1.4] tp the one that changes least and leaves no dead stop there."""
    name, at, body = stop.arrival.track.control, stop.arrival.at, Body(stage.shot)
    for shot in landed(stage.shot, stage.locks, Landing(stop.arrival, stop.response, stage.frames, gain)):
        after = replace(stage, shot=shot)
        again = [s for t in tracks(shot, stage.frames, {name}) for s in _stops(after, body, t)]
        if not any(
            _dead_stop(after, body, s)
            for s in again
            if at - 1 <= s.arrival.at <= at + stop_frames(stop, stage)
        ):
            return shot
    return None


def stop_frames(stop: _Stop, stage: Stage) -> int:
    """Frames after an arrival that its overshoot takes until it is settled."""
    return ceil(stop.response.settled(SETTLED) * stage.shot.fps)


def mend_overshoot(stage: Stage, flag: Flag) -> Shot | None:
    """The shot with the swing brought to the upper bound (an eye's to its target)."""
    body = Body(stage.shot)
    response = body.response(flag.control)
    for track in tracks(stage.shot, stage.frames, {flag.control}):
        if flag.channel not in track.channels or QUATERNION in track.channels:
            continue
        for arrival in swings(track, stage.shot.fps, _settle(response, stage.shot.fps)):
            if int(stage.frames[arrival.peak]) == flag.frames[1]:
                upper = 0.0 if response is None else MOST * response.overshoot(arrival.speed * stage.shot.fps)
                return calmed(stage.shot, stage.locks, arrival, stage.frames, upper / arrival.excursion)
    return None


TRIES: dict[str, Callable[[Stage, Flag], Iterator[Shot]]] = {"missing overlap": overlapped}
MENDS: dict[str, Callable[[Stage, Flag], Shot | None]] = {
    "dead stop": mend_dead_stop,
    "too much overshoot": mend_overshoot,
}

"""What to do about one baked channel of a control in the range: smooth it, or say why not.

Smoothing one joint can roughen what it carries: in captured motion the hips' noise is often undone by the legs, so
that the feet stand. So a smoothing counts only if nothing that it moves gets rougher on screen, and if it slides no
point that is marked as a contact.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from refine.cure import Held
from refine.held import Locks
from refine.measure import carried, displacement, marked_points, most_moved, wobble
from refine.pose import Point, Pose, reposed, world_point
from refine.prepared import Prepared
from refine.range_noise import MARGIN, Noise, noise
from refine.rig import descendants
from refine.search.work import INVISIBLE, Lead, Option, Work
from refine.shot import ROTATIONS, Array, Channel, Control, Shot
from refine.smooth import smoothed
from refine.solve import Residual
from refine.view import project

FLIP = 60.0  # deg in a frame: an Euler angle that passes gimbal lock, not a motion
ROUGHER = 1.05  # [judge] times the largest roughness before, and a twentieth of a pixel on top
UNEVENER = 1.01  # [judge] times the spacing's: a sum over all frames, which chance hardly makes larger
SLACK = 0.05  # px
SLIDE = 1.0  # px that a contact may move
SETTLED = 4  # runs after which a channel must be left alone


@dataclass(frozen=True, slots=True, eq=False)
class Baked:
    """The channel smoothed (None where it is left alone), in words, and how sure one can be unasked.

    `why_not` says why a smoothing that was tried isn't taken; "" where nothing was to be tried.
    """

    shot: Shot | None
    words: str
    stands_out: bool
    likely: float
    residuals: tuple[Residual, ...]
    why_not: str = ""


_NOTHING = Baked(None, "", False, 0.0, ())


def look(work: Work, control: Control, channel: Channel) -> bool:
    """Smooths a baked channel, or keeps that as a lead where it doesn't stand out; whether it was changed."""
    holding = _all_held(work, control, channel)
    if holding:
        work.blocked.append(f"{control.name}.{channel.name}: noise, but held by {' and '.join(holding)}")
        return False
    found = _settled(work, control, channel)
    if found.shot is None:
        if found.why_not:
            work.untaken.append(f"{found.words}: {found.why_not}")
        return False
    where = (float(work.given.frames[0]), float(work.given.frames[1]))
    if not (work.request.controls or found.stands_out):
        option = Option(
            found.words, control.name, channel.name, where, found.likely, found.shot, found.residuals
        )
        work.leads.append(Lead(found.likely, lambda: option))
        return False
    work.widen_usable(where)
    work.take(found.shot, control.name, found.residuals, found.words)
    return True


def _settled(work: Work, control: Control, channel: Channel) -> Baked:
    """One channel smoothed as `smooth` does until a second run would leave it alone.

    With the noise gone a smaller spike may stand out, so it is looked for again; what doesn't settle isn't taken. A
    strength below 1 leaves something on purpose: it is one pass.
    """
    given, strength, shot, posed = work.given, work.request.strength, work.shot, work.posed
    first = found = _once(given, shot, posed, work.locks, control, channel, strength)
    if strength < 1:
        return first
    for _ in range(SETTLED):
        if found.shot is None:
            return found if found is first else replace(first, shot=shot)
        shot = found.shot
        posed = reposed(posed, shot, [control.name])
        control = shot.control(control.name)
        again = control.channel(channel.name)
        assert again is not None
        found = _once(given, shot, posed, work.locks, control, again, strength)
    return replace(first, shot=None, why_not="smoothing it once more would always find more to smooth")


def _once(
    given: Prepared,
    shot: Shot,
    posed: Pose,
    locks: Locks,
    control: Control,
    channel: Channel,
    strength: float,
) -> Baked:
    """One smoothing, unless the channel flips, or it wouldn't show, or made things worse."""
    breaks = locks.breaks(control.name, shot.frames)
    for _, (a, b) in locks.meant_samples(control.name):
        breaks[(shot.frames >= a) & (shot.frames <= b)] = 0.0
    found = noise(channel, shot, given.frames, breaks)
    if not found.worth_smoothing:
        return _NOTHING
    name = f"{control.name}.{channel.name}"
    flip = _flip(control, shot, given.frames)
    if flip is not None:
        why = f"its angles flip at frame {flip}, which smoothing would turn into a swing: undo the flip first"
        return replace(_NOTHING, words=name, why_not=why)
    pixels = most_moved(shot, posed, given.view, control.name, channel.name)[1]
    if not found.spikes and 0 < 3 * found.inside * pixels < INVISIBLE:
        why = f"its noise of {found.inside:.3g} {_unit(shot, channel)} can't be seen"
        return replace(_NOTHING, words=name, why_not=why)
    result = smoothed(
        channel, shot, given.frames, found, strength, breaks, _held(locks, control, channel, shot)
    )
    if result.channel is channel:
        return replace(_NOTHING, words=name, why_not="what smoothing would take away is motion, not noise")
    changed = shot.with_channel(control.name, result.channel)
    ratio = found.inside / found.around if found.around > 0 else 1.0
    answer = Baked(
        changed,
        _words(name, _unit(shot, channel), found, result.hz),
        found.stands_out,
        ratio / (1 + ratio),
        result.residuals,
    )
    why = _worse(given, shot, changed, posed, control)
    return replace(answer, shot=None, why_not=why) if why else answer


def _held(locks: Locks, control: Control, channel: Channel, shot: Shot) -> Held:
    """Pins, limits, what was meant, and the accents of the control and of all that it carries."""
    kept = locks.held(control.name, channel, shot.frames)
    names = (control.name, *descendants(shot, control.name))
    marks = dict.fromkeys(mark for name in names for mark in locks.kept_samples(name))
    marks.update(dict.fromkeys(locks.meant_samples(control.name)))
    pins = tuple((source, tuple(np.arange(np.ceil(a), np.floor(b) + 1).tolist())) for source, (a, b) in marks)
    return replace(kept, pins=(*kept.pins, *pins))


def _all_held(work: Work, control: Control, channel: Channel) -> tuple[str, ...]:
    """The pins and marks that hold every sample of the range, where its noise would be mended without them."""
    shot, (a, b) = work.shot, work.given.frames
    held = _held(work.locks, control, channel, shot).pins
    if set(range(a, b + 1)) - {frame for _, at in held for frame in at}:
        return ()
    found = noise(channel, shot, (a, b), np.ones(len(shot.frames)))
    asked = found.worth_smoothing and (work.request.controls or found.stands_out)
    return tuple(source for source, at in held if any(a <= frame <= b for frame in at)) if asked else ()


def _flip(control: Control, shot: Shot, frames: tuple[int, int]) -> int | None:
    """The first frame in or around the range at which an Euler angle of the control jumps, whole turns apart."""
    a, b = (frame - shot.first_frame for frame in frames)
    low, high = max(a - MARGIN, 0), b + MARGIN + 1
    for channel in control.channels:
        if channel.name in ROTATIONS and channel.samples is not None:
            values = np.unwrap(channel.samples[low:high, 0], period=360.0)
            step = np.abs(np.diff(values))
            # Back in the next frame is a spike, which the smoother finds by itself.
            stays = step > FLIP
            stays[:-1] &= np.abs(values[2:] - values[:-2]) > FLIP
            if stays.any():
                return int(np.argmax(stays)) + 1 + low + shot.first_frame
    return None


def _worse(given: Prepared, shot: Shot, changed: Shot, posed: Pose, control: Control) -> str:
    """Why a change isn't to be taken: it doesn't show, roughens what it moves, or slides a contact. "" if none."""
    after = reposed(posed, changed, [control.name])
    points = carried(changed, control.name)
    moves = [(displacement(changed, given.view, posed, after, point), point) for point in points]
    moved, point = max(moves, key=lambda pair: float(pair[0].max()))
    names = [shot.index(name) for name in (control.name, *descendants(shot, control.name))]
    if not np.any(posed.linear[names] != after.linear[names]):
        return ""  # a custom channel: nothing on screen to judge by
    if moved.max() < INVISIBLE:
        return f"it would move nothing by {INVISIBLE:g} px"
    for each in dict.fromkeys((point, *marked_points(control))):
        rougher = _rougher(given, shot, changed, posed, after, each)
        if rougher:
            return f"{each.control} would move {rougher}"
    return _slides(shot, posed, moves)


def _rougher(given: Prepared, shot: Shot, changed: Shot, posed: Pose, after: Pose, point: Point) -> str:
    paths = [project(given.view, world_point(p, s, point)) for p, s in ((posed, shot), (after, changed))]
    # As a whole: which share of it is off the arc and which off in time hangs on the direction, which noise turns too.
    before, now = (
        float(np.linalg.norm(np.diff(path, 4, axis=0) / 6, axis=1).max(initial=0.0)) for path in paths
    )
    if now > ROUGHER * before + SLACK:
        return f"more roughly ({before:.2f} -> {now:.2f} px)"
    before, now = (wobble(path).spacing for path in paths)
    if now > UNEVENER * before + SLACK:
        return f"with a spacing that speeds up and down more ({before:.2f} -> {now:.2f} px)"
    return ""


def _slides(shot: Shot, posed: Pose, moves: list[tuple[Array, Point]]) -> str:
    """Whether a marked contact of something carried would slide."""
    for mark in shot.marks:
        if mark.kind != "contact":
            continue
        inside = (posed.frames >= mark.frames[0]) & (posed.frames <= mark.frames[1])
        for moved, point in moves:
            if point.control in mark.controls and inside.any() and moved[inside].max() > SLIDE:
                return f"{point.control} would slide {moved[inside].max():.1f} px on its contact"
    return ""


def _unit(shot: Shot, channel: Channel) -> str:
    """Degrees, the shot's length unit where it has a name, or that there is none."""
    return (shot.length_unit if channel.unit == "unit" else channel.unit) or "(no unit)"


def _words(name: str, unit: str, found: Noise, hz: float) -> str:
    spikes = f" and {len(found.spikes)} spike{'s' * (len(found.spikes) > 1)}" if found.spikes else ""
    size = f"{found.inside:.3g} {unit}"
    return f"{name}: noise of {size}{spikes}, smoothed so that half of {hz:.3g} Hz is left"

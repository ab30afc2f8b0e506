"""One clip made clean: what a capture got wrong is taken out, what the body did stays. Pure: no file is touched.

    lead-in -> gaps -> spikes -> turns without jumps -> smoothing, and what noise hid -> planted feet -> limits
    -> (rate) -> (keys)

Gaps and spikes are found before the jumps are taken out, since a wild sample would lead the way of the turns astray;
they are filled by the same solve that smooths. A lead-in, a rest pose before the motion, is left as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from refine.clean.denoise import QUIET, Denoised, Keep, Learnt, Part
from refine.clean.feet.plant import Planting, planted
from refine.clean.findings import Findings
from refine.clean.gaps import lead_in, mask
from refine.clean.loop import padded, unpadded
from refine.clean.rate import at_rate
from refine.clean.settings import Settings
from refine.clean.spikes import spikes
from refine.clean.stretches import in_stretches
from refine.clean.tracks import Group, Tracks, tracks, with_tracks
from refine.clean.wrong import Wrong, floor_of, path, wrong
from refine.errors import InputError
from refine.limbs.limb import figure
from refine.pose import pose
from refine.shot import Channel, Control, Shot, frozen
from refine.text import counted
from refine.view import view

Mask = NDArray[np.bool_]
ROUNDS = 2  # of looking for what the noise hid
FLAGS = 12  # that are named where `check` was asked to look; the others are counted
SHORTEST = 16  # frames: of fewer nothing can be told from noise


@dataclass(frozen=True, slots=True)
class Cleaned:
    """The clean shot and what was found and changed. `shot` is the given one where the clip was set aside."""

    shot: Shot
    findings: Findings


def cleaned(shot: Shot, settings: Settings) -> Cleaned:
    """The shot's captured channels cleaned as the settings ask. InputError where there is nothing to clean."""
    from refine.clean.measured import findings, over_budget

    lead = _lead(shot)
    bad, reference, result, smooth = _without_noise(shot, lead, settings)
    planting = planted(
        _within_limits(result, reference, shot),
        reference,
        smooth.alike,
        _frozen(bad, lead, len(shot.frames)),
        by_motion=settings.smooths,
    )
    planting = replace(planting, shot=_led_in(planting.shot, shot, lead))
    told = findings(reference, planting, lead, bad, smooth, settings)
    aside = over_budget(told, settings)
    if aside:
        return Cleaned(shot, replace(told, set_aside=aside))
    written = _rewritten(planting, told, settings)
    if settings.check:
        flags, flagged = _flags(written.shot, settings.camera)
        told = replace(written.findings, flags=flags, flagged=flagged)
        written = replace(written, findings=told)
    return written


def _frozen(bad: Wrong, lead: int, count: int) -> dict[str, Mask]:
    """(count,) by control the frames on which a gap that is left holds its turns."""
    return {
        group.control: np.concatenate([np.zeros(lead, np.bool_), mask(left, count - lead)])
        for group, left in bad.left.items()
        if left and group.kind in ("angles", "quaternion")
    }


def _lead(shot: Shot) -> int:
    """Frames of the lead-in. InputError where there is nothing to clean."""
    raw = tracks(shot)
    if not raw.groups:
        remedy = "`refine suggest` mends keyed shots"
        raise InputError(shot.name, "no channel has a sample for every frame", "captured motion", remedy)
    if len(raw) < SHORTEST:
        remedy = "leave it out, or join it to the take that it was cut from"
        raise InputError(shot.name, counted(len(raw), "frame"), f"{SHORTEST} frames or more", remedy)
    return lead_in(raw)


def _to_scale(shot: Shot) -> Shot:
    """The shot with the metres a unit that it was measured by: a shot file says them, captured files mostly don't."""
    _, metres, stated = figure(shot)
    return shot if stated else replace(shot, metres_per_unit=metres)


def _flags(shot: Shot, camera: str | None) -> tuple[tuple[int, int], tuple[str, ...]]:
    """Warnings and errors that `check` finds, and the first of them in its words, errors first."""
    from refine.flags.check import at_least, check, lines, stage_of
    from refine.flags.look import Look

    found = check(stage_of(shot, Look(camera=camera)))
    errors = at_least(found, "error")
    warnings = [flag for flag in found if flag.severity == "warn"]
    named = tuple(lines([flag])[0] for flag in (*errors, *warnings)[:FLAGS])
    return (len(warnings), len(errors)), named


def _without_noise(shot: Shot, lead: int, settings: Settings) -> tuple[Wrong, Shot, Shot, Learnt]:
    """What was wrong, the shot as captured and repaired there, the shot smoothed, and what was learnt of its noise.

    A function of its own, so that a long clip's tracks are let go before the shots are posed.
    """
    bad, straight = _straight(shot, lead, settings)
    smooth = _smoothed(shot, straight, bad, lead, settings)
    seen = {} if not settings.smooths else _unhidden(smooth, bad)
    for _ in range(ROUNDS):
        if not seen:
            break
        bad = replace(bad, spikes={**bad.spikes, **seen})
        known = {group: smooth.parts[group] for group in seen}
        some = _smoothed(shot, replace(straight, groups=tuple(seen)), bad, lead, settings, known)
        smooth, seen = _with(smooth, some), _unhidden(some, bad)
    straight = _repaired(straight, smooth)
    reference = with_tracks(shot, _after(shot, lead, straight))
    del straight  # as large as the clip
    return bad, reference, with_tracks(shot, _after(shot, lead, smooth.tracks)), Learnt(smooth.parts)


def _unhidden(smooth: Denoised, bad: Wrong) -> dict[Group, Mask]:
    """(N,) spikes of the groups in which some stand out now that the noise is gone, with those known before.

    A cleaning of the result would find them: found here, they are mended, and that one has nothing to do.
    """
    found = {}
    for group, part in smooth.parts.items():
        if part.spikes.any() or any(noise.sigma > QUIET for noise in part.noise):
            gaps = part.missing & ~part.spikes
            seen = spikes(path(group, smooth.tracks.of(group)), gaps, smooth.tracks.fps, floor_of(group))
            if np.any(seen & ~part.spikes):
                found[group] = bad.spikes[group] | part.spikes | seen
    return found


def _with(smooth: Denoised, some: Denoised) -> Denoised:
    """What was smoothed, with some groups of it smoothed anew."""
    values = smooth.tracks.values.copy()
    for group in some.tracks.groups:
        values[list(group.rows)] = some.tracks.of(group)
    return Denoised({**smooth.parts, **some.parts}, replace(smooth.tracks, values=values))


def _straight(shot: Shot, lead: int, settings: Settings) -> tuple[Wrong, Tracks]:
    """What is wrong after the lead-in, and the tracks there without jumps."""
    raw = tracks(shot).part(lead)
    bad, straight = wrong(raw, round(settings.fill * raw.fps))
    return bad, _as_pinned(shot, raw, straight, lead)


def _rewritten(planting: Planting, told: Findings, settings: Settings) -> Cleaned:
    """The clean clip at the rate and in the keys that were asked for."""
    shot, touchdowns = planting.shot, planting.touchdowns
    if settings.fps is not None:
        ratio, first = settings.fps / shot.fps, shot.first_frame
        shot = _within_limits(at_rate(shot, settings.fps), shot, shot)
        touchdowns = {
            name: [first + round((f - first) * ratio) for f in at] for name, at in touchdowns.items()
        }
    if settings.within is None:
        return Cleaned(shot, told)
    from refine.clean.keys.reduce import reduced

    seen = None
    if settings.within.unit == "px" and settings.camera is not None:
        seen = view(shot, pose(shot, shot.frames), settings.camera)
    shot = _to_scale(reduced(shot, settings.within, touchdowns, seen))
    count = sum(len(ch.keys) for c in shot.controls for ch in c.channels if ch.keys is not None)
    return Cleaned(shot, replace(told, keys=count, keys_per_second=count * shot.fps / len(shot.frames)))


def _smoothed(
    shot: Shot,
    straight: Tracks,
    bad: Wrong,
    lead: int,
    settings: Settings,
    known: Mapping[Group, Part] | None = None,
) -> Denoised:
    """The smoothed tracks; gaps that are too long keep their samples."""
    count = len(straight)
    keep = {}
    for g in straight.groups:
        held, breaks = _held(shot, g, shot.first_frame + lead, count)
        gone = mask(bad.filled[g] + bad.left[g], count)
        keep[g] = Keep(gone & ~held, bad.spikes[g] & ~held, held, breaks)  # what is held is never mended
    if shot.loop and not lead:
        smooth = unpadded(in_stretches(*padded(straight, keep), settings, known), count)
    else:
        smooth = in_stretches(straight, keep, settings, known)
    values = smooth.tracks.values
    for group in straight.groups:
        left = mask(bad.left[group], count)
        if left.any():
            values = values.copy() if values is smooth.tracks.values else values
            at = np.ix_(np.array(group.rows), np.flatnonzero(left))
            values[at] = straight.values[at]
    return replace(smooth, tracks=replace(smooth.tracks, values=values))


def _as_pinned(shot: Shot, raw: Tracks, straight: Tracks, lead: int) -> Tracks:
    """The tracks with what is held in the very numbers that stand there; the way of the turns begins from those."""
    values = straight.values
    for group in straight.groups:
        held, _ = _held(shot, group, shot.first_frame + lead, len(straight))
        rows = np.array(group.rows)
        if not held.any() or np.array_equal(raw.of(group), straight.of(group)):
            continue
        first = int(np.argmax(held))
        turns = (raw.values[rows, first] - straight.values[rows, first]) / 360.0
        values = values.copy() if values is straight.values else values
        if group.kind == "angles" and np.allclose(turns, np.round(turns), atol=1e-9):
            values[rows] += 360.0 * np.round(turns)[:, None]
        values[rows[:, None], np.flatnonzero(held)] = raw.values[rows[:, None], np.flatnonzero(held)]
    return replace(straight, values=values)


def _held(shot: Shot, group: Group, first: int, count: int) -> tuple[Mask, Mask]:
    """(count,) samples that pins and marked accents hold; samples after which the motion may break: cuts, contacts."""
    frames = first + np.arange(count)
    held, breaks = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
    for pin in shot.pins:
        if pin.control == group.control and pin.channel in (None, *group.names):
            held |= (frames >= pin.frames[0]) & (frames <= pin.frames[1])
    for mark in shot.marks:
        a, b = mark.frames
        if mark.kind == "accent" and (not mark.controls or group.control in mark.controls):
            held |= (frames >= a) & (frames <= b)
        elif mark.kind == "cut":
            breaks |= (frames >= np.floor(a) - 1) & (frames <= b)  # a cut is named by either of its sides
        elif mark.kind == "contact" and group.control in _limb_above(shot, mark.controls):
            breaks |= (frames == np.floor(a)) | (frames == np.floor(b))
    return held, breaks


def _limb_above(shot: Shot, controls: tuple[str, ...]) -> set[str]:
    """Controls that a contact stops: those named and the two that carry each."""
    parents = {control.name: control.parent for control in shot.controls}
    found: set[str] = set()
    for name in controls:
        at: str | None = name
        for _ in range(3):
            if at is not None:
                found.add(at)
                at = parents.get(at)
    return found


def _repaired(straight: Tracks, smooth: Denoised) -> Tracks:
    """The samples as captured where they are good, as cleaned where they are filled: what moves are measured from."""
    values = straight.values.copy()
    for group, part in smooth.parts.items():
        at = np.ix_(np.array(group.rows), np.flatnonzero(part.missing))
        values[at] = smooth.tracks.values[at]
    return replace(straight, values=values)


def _after(captured: Shot, lead: int, rest: Tracks) -> Tracks:
    """The whole clip again: the lead-in as it was captured, then the rest."""
    if lead == 0:
        return rest
    raw = tracks(captured)
    return replace(raw, values=np.concatenate([raw.values[:, :lead], rest.values], axis=1))


def _led_in(shot: Shot, captured: Shot, lead: int) -> Shot:
    """The shot with its lead-in as it was: a first step may begin in it."""
    return with_tracks(shot, _after(captured, lead, tracks(shot).part(lead))) if lead else shot


def _within_limits(shot: Shot, repaired: Shot, captured: Shot) -> Shot:
    """The shot with no sample farther past a channel's limit than it was captured, and than what was repaired there."""

    def channel(new: Channel, mended: Channel, old: Channel) -> Channel:
        if new.samples is None or new.limits is None or mended.samples is None or old.samples is None:
            return new
        low = np.minimum(new.limits.lower, np.maximum(mended.samples, old.samples))
        high = np.maximum(new.limits.upper, np.minimum(mended.samples, old.samples))
        if len(low) != len(new.samples):  # at another rate: as far as it ever was
            low, high = low.min(axis=0), high.max(axis=0)
        return replace(new, samples=frozen(np.clip(new.samples, low, high)))

    def control(new: Control, mended: Control, old: Control) -> Control:
        if all(each.limits is None for each in new.channels):
            return new
        return replace(new, channels=tuple(map(channel, new.channels, mended.channels, old.channels)))

    return replace(shot, controls=tuple(map(control, shot.controls, repaired.controls, captured.controls)))

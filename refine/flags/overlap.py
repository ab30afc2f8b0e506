"""Parts of a chain that move in step, where their mass lets each come later than what carries it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import ceil

import numpy as np

from refine.body.arrival import Track, tracks
from refine.body.lag import bumps, lags
from refine.body.masses import Body
from refine.flags.flag import Cause, Flag
from refine.flags.retime import later
from refine.flags.stage import Stage
from refine.shot import Array, Shot

FAMILIES_THAT_FOLLOW = ("arm", "forearm", "hand")  # driven from the trunk out; a head may lead (looks)


def overlaps(stage: Stage, body: Body, moving: list[Track]) -> Iterator[Flag]:
    turning = {track.control: track for track in moving if track.kind == "rotation"}
    threshold, fps = stage.thresholds["missing overlap"], stage.shot.fps
    for name, track in turning.items():
        if body.families.get(name) not in FAMILIES_THAT_FOLLOW:
            continue
        leader, due = body.leader(name, threshold["expected"] / 24)
        if leader not in turning:
            continue
        steps = turning[leader].steps, track.steps
        if stage.marked(name, "contact").any():
            continue
        apart = lags(*steps, fps)
        close = np.abs(apart) < threshold.warn
        if len(apart) < threshold["moves"] or close.mean() < threshold["share"]:
            continue
        if not _both_turn(*steps, threshold["deg"]):
            continue
        amount = float(np.median(np.abs(apart)))
        message = (
            f"moves in step with {leader}, {amount:.1f} frames apart in {close.sum()} of {len(apart)} moves: "
            f"{due * fps:.1f} frames are due"
        )
        severity = threshold.severity(amount) or "warn"
        yield Flag(
            "missing overlap",
            name,
            None,
            stage.range,
            severity,
            amount,
            "frames",
            Cause(name),
            message + taken(body),
            f"let its keys come {due * fps:.0f} frames later",
            threshold.warn / max(amount, threshold.error) * stage.attention(name),
        )


def _both_turn(leader: Array, follower: Array, least: float) -> bool:
    """Whether both make moves of some size."""
    turned = [(float(leader[a : b + 1].sum()), float(follower[a : b + 1].sum())) for a, b in bumps(leader)]
    return bool(turned) and min(np.median(turned, axis=0)) >= least


def overlapped(stage: Stage, flag: Flag) -> Iterator[Shot]:
    """The shots in which a part and what it carries follow what leads them: by the lag due first, then near it."""
    threshold = stage.thresholds["missing overlap"]
    body = Body(stage.shot)
    due = body.leader(flag.control, threshold["expected"] / 24)[1] * stage.shot.fps
    for by in sorted(range(1, ceil(due) + 2), key=lambda frames: abs(frames - due)):
        after = later(stage, flag.control, flag.frames, by)
        if after is not None:
            then = replace(stage, shot=after)
            moving = tracks(after, stage.frames, {name for name in stage.order if body.row(name) is not None})
            if all(other.control != flag.control for other in overlaps(then, body, moving)):
                yield after


def taken(body: Body) -> str:
    return " (its part is taken from its name)" if body.source == "name" else ""

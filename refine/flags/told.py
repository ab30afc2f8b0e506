"""Each fault told once: what a fault makes look like others are notes beside it, which go with it.

A slide that a flagged key explains is that key's doing, and the key as serious as the slide was. Keys on either side of
an angle that jumps by turns look off by as much. What jumps in the hand that holds it slides there. Samples that
stopped coming look like a stop, and the jump at their end like a spike, or a tremor for as long as a filter rings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from refine.flags import carried, contacts, keys, rotations, still
from refine.flags.flag import GOES, RANK, Flag
from refine.flags.stage import Stage
from refine.rig import carriers
from refine.shot import ROTATIONS

# What a control's own motion shows.
IN_SAMPLES = ("spike", "uneven spacing", "kinked arc", "jitter", "dead stop", "too much overshoot")
BESIDE = 2  # frames beside a dropout that its ends touch

Part = Callable[[Stage, Flag, Flag], bool]


def told_once(stage: Stage, flags: Sequence[Flag]) -> list[Flag]:
    """The flags of a look, those notes that others make."""
    found = list(flags)
    for n, slide in enumerate(found):
        alike = (i for i, f in enumerate(found) if f.fault in keys.OF_KEYS and f.cause == slide.cause)
        at = next(alike, None) if slide.fault == contacts.SLIDING else None
        if at is not None:
            cause = found[at]
            worse = max(cause.severity, slide.severity, key=RANK.__getitem__)
            found[at] = replace(cause, severity=worse, message=f"{cause.message}; for it {slide.message}")
            found[n] = replace(slide, severity="note", remedy=f"{GOES}{cause.id}")
    makers = [flag for flag in found if flag.fault in MAKES]
    for n, flag in enumerate(found):
        made = (maker for maker in makers if maker.id != flag.id and MAKES[maker.fault](stage, flag, maker))
        maker = next(made, None)
        if maker is not None:
            found[n] = replace(flag, severity="note", remedy=f"{GOES}{maker.id}")
    return found


def _of_wrap(_: Stage, flag: Flag, wrap: Flag) -> bool:
    """Whether a key flag is of a key at which an angle of the same turn jumps."""
    of_keys = flag.fault in keys.FAULTS.values() and flag.cause.channel in ROTATIONS
    here = flag.cause.control == wrap.cause.control
    return of_keys and here and not set(wrap.cause.frames).isdisjoint(flag.cause.frames)


def _of_pop(stage: Stage, flag: Flag, pop: Flag) -> bool:
    """Whether a flag is of a slide that begins or ends with a jump of what slides, or is held, or of the jump alone.

    Where it is the hand that jumps, the slide is what tells of that.
    """
    if pop.cause.control != pop.control:
        return False
    held = stage.control(pop.control)
    here = flag.control in (held.name, held.parent, *(link.to for link in held.links))
    near = flag.frames[0] - 1 <= pop.frames[0] and pop.frames[1] <= flag.frames[1] + 1
    near = near or (flag.frames[0] - 1 <= pop.frames[0] <= flag.frames[1])
    slides = flag.fault == contacts.SLIDING and near and (here or _on(stage, flag, held.name))
    jumps = flag.fault in IN_SAMPLES and flag.control == held.name and flag.frames == pop.frames
    return slides or jumps


def _of_slide(stage: Stage, flag: Flag, slide: Flag) -> bool:
    """Whether a flag is of a jump in the hand that the hand makes by sliding."""
    jumps = flag.fault == carried.FAULT and flag.cause.control != flag.control
    near = slide.frames[0] - 1 <= flag.frames[0] <= slide.frames[1]
    own = slide.control in (flag.cause.control, *carriers(stage.shot, flag.cause.control))
    return jumps and near and own


def _on(stage: Stage, flag: Flag, held: str) -> bool:
    """Whether what a flag says to slide slides on something held."""
    drifts = next(
        (
            drifts
            for each, drifts in contacts.sliding(stage)
            if each.cause == flag.cause and each.frames == flag.frames
        ),
        [],
    )
    return any(drift.contact.relative == held for drift in drifts)


def _of_dropout(_: Stage, flag: Flag, gap: Flag) -> bool:
    """Whether a flag is of what samples that stopped coming look like, on the frames about them."""
    meets = flag.frames[0] <= gap.frames[1] + BESIDE and gap.frames[0] - BESIDE <= flag.frames[1]
    return flag.fault in IN_SAMPLES and flag.cause.control == gap.cause.control and meets


# What makes others look like faults, and which. What jumps is mended first; missing samples are filled by what the
# others do, so spikes elsewhere go before them.
FIRST = (rotations.FAULT, carried.FAULT)
MAKES: dict[str, Part] = {
    rotations.FAULT: _of_wrap,
    carried.FAULT: _of_pop,
    contacts.SLIDING: _of_slide,
    still.DROPOUT: _of_dropout,
}

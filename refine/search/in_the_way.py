"""What stands in the way of a mend: the pins, limits and marks that exclude it, told by trying it without them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf

from refine.changes import differences
from refine.held import MEANT_KEYS, MEANT_SAMPLES
from refine.shot import Mark, Shot

_HOLDING = (*MEANT_KEYS, *MEANT_SAMPLES)

# The shot after a mend that is accepted; None where there is none.
Mender = Callable[[Shot], Shot | None]


@dataclass(frozen=True, slots=True)
class Holder:
    """One pin, mark or channel's limits of a shot: its name, and the place in the shot where it is stated.

    `controls` are those that it holds, none for all; `channel` None for all of theirs; `frames` where.
    """

    name: str
    kind: str  # pins, limits, accents, contacts or meants
    place: int  # among the shot's pins or marks; 0 for limits
    controls: tuple[str, ...]
    channel: str | None = None
    frames: tuple[float, float] = (-inf, inf)

    def holds(self, control: str, channel: str) -> bool:
        return (not self.controls or control in self.controls) and self.channel in (None, channel)

    def near(self, frame: float, beside: float) -> bool:
        return self.frames[0] - beside <= frame <= self.frames[1] + beside


def in_the_way(shot: Shot, mended: Mender) -> tuple[str, ...]:
    """The names of the fewest holders that exclude a mend: without any one of them the others wouldn't.

    () where the mend fails without all that could be lifted as well.
    """
    every = holders(shot)
    # Without the contact that slides, or the limit that is passed, there is nothing to mend: such have to stay.
    kept = ("pins", "limits", "accents", "meants")
    for kinds in ((*kept, "contacts"), kept, ("pins",)):
        lifted = [holder for holder in every if holder.kind in kinds]
        free = mended(_without(shot, lifted)) if lifted else None
        if free is not None:
            return tuple(holder.name for holder in _clash(shot, lifted, free, mended))
    return ()


def held_by(clash: Sequence[str]) -> str:
    """What excludes a mend, in words, and what to do: a pin or limits are released, a mark isn't."""
    marks = [name for name in clash if name.startswith(("accent ", "contact ", "meant "))]
    remedies = []
    if len(marks) < len(clash):
        remedies.append("release it" if len(clash) == 1 else "release one of them")
    if marks:
        mark = "the mark" if len(marks) == 1 else "one of the marks"
        remedies.append(f"shorten or remove {mark}")
    if len(marks) == len(clash) - 1 > 0:
        remedies[0] = f"release {next(name for name in clash if name not in marks)}"
    return f"no mend goes together with {' and '.join(clash)}; {', or '.join(remedies)}"


def _clash(shot: Shot, every: list[Holder], free: Shot, mended: Mender) -> list[Holder]:
    """The fewest holders that exclude a mend which gives `free` without `every` one of them."""

    def clash(kept: Sequence[Holder]) -> bool:
        return mended(_without(shot, [holder for holder in every if holder not in kept])) is None

    touched = {(c.control, c.channel, c.frame) for c in differences(_without(shot, every), free)}
    concerned = [h for h in every if any(h.holds(c, channel) for c, channel, _ in touched)]
    near = [
        h for h in concerned if any(h.holds(c, channel) and h.near(f, shot.fps) for c, channel, f in touched)
    ]
    among = next((some for some in (near, concerned) if some and clash(some)), every)
    return _irreducible([], False, among, clash)


def _irreducible(
    kept: list[Holder], grown: bool, among: list[Holder], clash: Callable[[Sequence[Holder]], bool]
) -> list[Holder]:
    """The fewest `among` some holders that clash together with those `kept`; `grown`: these may clash by themselves.

    By halves: Junker 2004, QuickXplain [mem].
    """
    if grown and clash(kept):
        return []
    if len(among) == 1:
        return among
    first, second = among[: len(among) // 2], among[len(among) // 2 :]
    later = _irreducible([*kept, *first], True, second, clash)
    return [*_irreducible([*kept, *later], bool(later), first, clash), *later]


def holders(shot: Shot) -> list[Holder]:
    """All that forbids changes."""
    found = [
        Holder(f"pin {pin}", "pins", n, (pin.control,), pin.channel, pin.frames)
        for n, pin in enumerate(shot.pins)
    ]
    found += [
        Holder(f"limits of {control.name}.{channel.name}", "limits", 0, (control.name,), channel.name)
        for control in shot.controls
        for channel in control.channels
        if channel.limits is not None
    ]
    return found + [
        Holder(_named(mark), f"{mark.kind}s", n, mark.controls, None, mark.frames)
        for n, mark in enumerate(shot.marks)
        if mark.kind in ("accent", "contact") or (mark.kind == "meant" and mark.note in _HOLDING)
    ]


def _named(mark: Mark) -> str:
    who = f" of {', '.join(mark.controls)}" if mark.controls else ""
    return f"{mark.kind} {mark.frames[0]:g}:{mark.frames[1]:g}{who}"


def _without(shot: Shot, lifted: Sequence[Holder]) -> Shot:
    """The shot without some holders."""
    gone = {(holder.kind, holder.place) for holder in lifted}
    free = {(holder.controls[0], holder.channel) for holder in lifted if holder.kind == "limits"}
    pins = tuple(pin for n, pin in enumerate(shot.pins) if ("pins", n) not in gone)
    marks = tuple(mark for n, mark in enumerate(shot.marks) if (f"{mark.kind}s", n) not in gone)
    for control, name in free:
        channel = shot.channel(control, str(name))
        shot = shot.with_channel(control, replace(channel, limits=None))
    return replace(shot, pins=pins, marks=marks)

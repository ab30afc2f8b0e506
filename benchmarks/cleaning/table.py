"""A baked shot's channels as one array, and back: degradations and baselines work on columns."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.corpus import continuous
from refine.shot import ROTATIONS, Array, Control, Shot, frozen


@dataclass(frozen=True, eq=False)
class Table:
    """`values` (N, C) in deg and shot units; `owners` names each column's control and channel, in file order."""

    values: Array
    owners: tuple[tuple[str, str], ...]

    def columns(self, controls: Iterable[str]) -> list[int]:
        wanted = set(controls)
        return [i for i, (control, _) in enumerate(self.owners) if control in wanted]

    @property
    def turns(self) -> list[int]:
        """The columns of Euler angles."""
        return [i for i, (_, channel) in enumerate(self.owners) if channel in ROTATIONS]

    def triples(self) -> dict[str, list[int]]:
        """For each control with three Euler angles their columns in the order in which its factors stand."""
        at = {owner: i for i, owner in enumerate(self.owners)}
        names = dict.fromkeys(control for control, channel in self.owners if channel in ROTATIONS)
        found = {name: [at.get((name, axis), -1) for axis in ROTATIONS] for name in names}
        return {name: columns for name, columns in found.items() if -1 not in columns}

    def with_values(self, values: Array) -> Table:
        return Table(values, self.owners)


def table(shot: Shot) -> Table:
    """The samples of a baked shot whose channels hold one number each."""
    owners = [(c.name, ch.name) for c in shot.controls for ch in c.channels]
    columns = [_samples(c, ch.name) for c in shot.controls for ch in c.channels]
    return Table(np.column_stack(columns), tuple(owners))


def _samples(control: Control, channel: str) -> Array:
    found = control.channel(channel)
    if found is None or found.samples is None or found.samples.shape[1] != 1:
        raise ValueError(f"{control.name}.{channel} isn't baked with one number a frame")
    return found.samples[:, 0]


def continuous_table(shot: Shot) -> Table:
    """The same with the Euler angles in their nearest branch and whole turns undone, as `corpus.continuous`."""
    columns: list[Array] = []
    for control in shot.controls:
        smooth = continuous(control)
        columns += [smooth[channel.name] for channel in control.channels]
    owners = [(c.name, ch.name) for c in shot.controls for ch in c.channels]
    return Table(np.column_stack(columns), tuple(owners))


def with_table(shot: Shot, values: Array) -> Shot:
    """The shot with all its channels' samples replaced by the columns of (N, C), from its first frame on."""
    at = 0
    controls = []
    for control in shot.controls:
        channels = []
        for channel in control.channels:
            channels.append(replace(channel, samples=frozen(values[:, at : at + 1])))
            at += 1
        controls.append(replace(control, channels=tuple(channels)))
    last = shot.first_frame + len(values) - 1
    return replace(shot, last_frame=last, controls=tuple(controls))


def first_seconds(shot: Shot, seconds: float | None) -> Shot:
    """The shot's first seconds, all of it where None."""
    if seconds is None:
        return shot
    return with_table(shot, table(shot).values[: round(seconds * shot.fps)])

"""A stage of some of its frames, for what looks at many places of a long shot: each at the price of its own frames."""

from __future__ import annotations

from dataclasses import replace

from refine.flags.stage import Stage
from refine.pose import Pose


def excerpt(stage: Stage, first: int, last: int) -> Stage:
    """The stage of the frames at positions `first` to `last`, as far as there are any; nothing is posed again."""
    part = slice(max(first, 0), last + 1)
    near = replace(stage, frames=stage.frames[part])
    posed, seen = stage.posed, stage.view
    near.__dict__.update(  # as its cached properties would, were they asked for
        posed=Pose(near.frames, posed.linear[:, part], posed.origin[:, part]),
        view=replace(seen, axes=seen.axes[part], place=seen.place[part], focal=seen.focal[part]),
        control_at=stage.control_at,
        _children=stage._children,
    )
    return near

"""What a picture shows: two shots on the same frames through one camera, the point to watch, and it in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from refine.curve import sample
from refine.measure import carried, displacement, is_tip, most_moved, point_name
from refine.measure import watched as watched_point
from refine.pose import Point, Pose, pose, reposed, world_point
from refine.review import panel_frames
from refine.review.panel_arc import SAME, Track
from refine.shot import Array, Channel, Control, Shot
from refine.view import View, project, view

AROUND = 4  # frames shown before and after the range
MOST_CHANGES = 3
LEAST = 1e-12  # channel units: rounding

Pairs = Sequence[tuple[Channel, Channel]]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Two shots posed on the frames that a picture shows, seen through one camera."""

    before: Shot
    after: Shot
    posed: Pose
    changed: Pose
    view: View
    asked: tuple[int, int]

    def name(self, point: Point) -> str:
        return point_name(point.control, is_tip(self.before, point))

    def track(self, point: Point, keys: Iterable[int] = ()) -> Track:
        """The point's path in both shots."""
        old = project(self.view, world_point(self.posed, self.before, point))
        new = project(self.view, world_point(self.changed, self.after, point))
        shown = tuple(k for k in keys if self.posed.frames[0] <= k <= self.posed.frames[-1])
        return Track(self.name(point), self.posed.frames, old, new, shown, self.asked)

    def changed_channels(self) -> list[Channel]:
        """All channels that differ from what stood before, as they are after."""
        return [
            new
            for a, b in zip(self.before.controls, self.after.controls, strict=True)
            if a.channels != b.channels
            for old, new in zip(a.channels, b.channels, strict=True)
            if old != new
        ]

    def moved(self, point: Point) -> Array:
        """(N,) move of the point on screen, px; 0 where it is in view neither before nor after."""
        return displacement(self.before, self.view, self.posed, self.changed, point)

    def farthest(self, points: Iterable[Point]) -> tuple[Point, float]:
        """The point that moves most, and how far, px."""
        moves = [(point, float(self.moved(point).max())) for point in points]
        return max(moves, key=lambda pair: pair[1])


def scene(before: Shot, after: Shot, frames: tuple[int, int], camera: str | None) -> Scene:
    """InputError for a camera that isn't there; ValueError for a range outside the shot."""
    first = max(frames[0] - AROUND, before.first_frame)
    last = min(frames[1] + AROUND, before.last_frame)
    if frames[0] > frames[1] or frames[1] < before.first_frame or frames[0] > before.last_frame:
        raise ValueError(
            f"frames {frames[0]}:{frames[1]} lie outside {before.first_frame}:{before.last_frame}"
        )
    posed = pose(before, np.arange(first, last + 1, dtype=float))
    return with_after(Scene(before, before, posed, posed, view(before, posed, camera), frames), after)


def with_after(scene: Scene, after: Shot) -> Scene:
    """The same frames and view with another shot as what stands after."""
    pairs = zip(scene.before.controls, after.controls, strict=True)
    touched = [old.name for old, new in pairs if old.channels != new.channels]
    changed = reposed(scene.posed, after, touched) if touched else scene.posed
    return Scene(scene.before, after, scene.posed, changed, scene.view, scene.asked)


def whole_keys(channels: Iterable[Channel]) -> list[int]:
    """The whole frames on which any of the channels has a key."""
    frames = {float(f) for c in channels if c.keys is not None for f in c.keys.frames}
    return sorted(int(f) for f in frames if f.is_integer())


def watched(scene: Scene, control: str, channels: Sequence[str]) -> Point | None:
    """The point to watch a change of these channels by; where nothing moved, the one that they would move most.

    None where the channels drive nothing.
    """
    found = watched_point(scene.before, scene.view, scene.posed, scene.changed, control, channels)
    return found or _liveliest(scene, control, channels)


def _liveliest(scene: Scene, control: str, channels: Sequence[str]) -> Point | None:
    """Nothing moved: the point that the channels would move most."""
    found = [most_moved(scene.before, scene.posed, scene.view, control, name) for name in channels]
    return max(found, key=lambda pair: pair[1], default=(None, 0.0))[0]


def channel_of(control: Control, name: str) -> Channel:
    """KeyError where the control has no such channel."""
    channel = control.channel(name)
    if channel is None:
        raise KeyError(f"{control.name}.{name}")
    return channel


def unit_of(shot: Shot, channel: Channel) -> str:
    """Degrees, the shot's length unit where it has a name, or nothing."""
    if channel.unit != "unit":
        return channel.unit
    return shot.length_unit


def changes_in_words(shot: Shot, pairs: Pairs, control: str) -> str:
    """One sentence that names the changed numbers, of many the largest."""
    found = [change for old, new in pairs for change in _channel_changes(shot, old, new)]
    if not found:
        return f"{control}: nothing changes."
    largest = sorted(range(len(found)), key=lambda n: -found[n].size)[:MOST_CHANGES]
    words = [found[n].words for n in sorted(largest)]
    more = f" and {len(found) - len(words)} smaller" if len(found) > len(words) else ""
    return f"Changed on {control}: {'; '.join(words)}{more}."


class _Said(NamedTuple):
    """A change in words, and how large it is beside what its channel does in the shot."""

    words: str
    size: float


def _channel_changes(shot: Shot, old: Channel, new: Channel) -> list[_Said]:
    unit = unit_of(shot, old)
    if old.keys is None or new.keys is None:
        return _sample_changes(shot, old, new, unit)
    found = []
    span = max(float(np.ptp(np.vstack([old.keys.values, new.keys.values]), axis=0).max()), LEAST)
    gone = [frame for frame in old.keys.frames.tolist() if new.keys.index(frame) is None]
    for k, frame in enumerate(new.keys.frames.tolist()):
        j = old.keys.index(frame)
        if j is None:
            moved = next((each for each in gone if abs(each - frame) <= 1), None)
            word = "a new key at frame" if moved is None else f"frame {moved:g} ->"
            found.append(_Said(f"{old.name}: {word} {frame:g}", np.inf))
            gone = [each for each in gone if each != moved]
        elif panel_frames.differs(old.keys, j, new.keys, k):
            what = panel_frames.change_in_words(old.keys, j, new.keys, k, unit)
            words = f"{old.name} at frame {frame:g}" + (f" ({what})" if what else "")
            found.append(_Said(words, panel_frames.size_of_change(old.keys, j, new.keys, k) / span))
    return found + [_Said(f"{old.name}: the key at frame {frame:g} goes", np.inf) for frame in gone]


def _sample_changes(shot: Shot, old: Channel, new: Channel, unit: str) -> list[_Said]:
    apart = np.abs(sample(new, shot, shot.frames) - sample(old, shot, shot.frames)).max(axis=1)
    n = int(np.argmax(apart))
    if apart[n] == 0:
        return []
    most = f"by {apart[n]:.3g} {unit}".rstrip()
    words = f"{old.name} on {np.count_nonzero(apart)} frames (most at {shot.frames[n]:g}, {most})"
    return [_Said(words, np.inf)]


def moves_in_words(scene: Scene, control: str, track: Track | None) -> str:
    """One sentence that says how far things move on screen."""
    if track is None:
        return "It moves nothing that a camera sees."
    seen = f"On screen ({scene.view.name}, {scene.view.width} x {scene.view.height} px)"
    moved = track.moved
    if moved.max() <= SAME:
        return f"{seen} nothing moves."
    words = f"{seen} {track.name} moves up to {moved.max():.1f} px, at frame {track.frames[track.worst]:g}"
    other, farther = scene.farthest(carried(scene.before, control))
    if farther > moved.max() + SAME:
        frame = track.frames[int(np.argmax(scene.moved(other)))]
        words += f"; of what {control} carries, {scene.name(other)} moves most, {farther:.1f} px at frame {frame:g}"
    return words + "."

"""A quick cleaning in place of the real one, and small clips for it: the name of a clip says what becomes of it.

The batch around a cleaning must do right whatever the cleaning does: take long, fail, find a fault of the program, end
its process. Workers of all kinds find these functions by their names.
"""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from refine.clean.findings import Findings, Moved, Span
from refine.clean.settings import Settings
from refine.errors import InputError
from refine.shot import Channel, Shot, frozen

SLOW = 0.15  # s that a clip takes whose name begins with slow
HEADER = """HIERARCHY
ROOT Hips
{
\tOFFSET 0 90 0
\tCHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
\tJOINT Chest
\t{
\t\tOFFSET 0 30 0
\t\tCHANNELS 3 Zrotation Xrotation Yrotation
\t\tEnd Site
\t\t{
\t\t\tOFFSET 0 20 0
\t\t}
\t}
}
MOTION
Frames: {frames}
Frame Time: 0.0083333
"""


@dataclass(frozen=True, slots=True)
class Cleaned:
    shot: Shot
    findings: Findings


def write_clip(path: Path, seed: int = 0, frames: int = 60) -> Path:
    """A BVH clip of two joints that sway, with noise; its last three channels rest at 0."""
    chance = np.random.default_rng(seed)
    at = np.arange(frames)[:, None] / 15 + np.arange(6)
    rows = np.column_stack([10 * np.sin(at) + chance.normal(0, 0.1, at.shape), np.zeros((frames, 3))])
    lines = [" ".join(f"{value:.4f}" for value in row) for row in rows]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(HEADER.replace("{frames}", str(frames)) + "\n".join(lines) + "\n")
    return path


def cleaned(shot: Shot, settings: Settings) -> Cleaned:
    """Each sample the mean of itself and its neighbours, unless the clip's name asks for something else."""
    name = shot.name
    if name.startswith("slow"):
        time.sleep(SLOW)
    if name.startswith("wrong"):
        raise InputError(f"{name}.bvh: frame 12", "the pelvis is inside out", "a pelvis", "turn it")
    if name.startswith("fault"):
        raise ValueError("matrix of the wrong shape")
    if name.startswith("deadly"):
        os.kill(os.getpid(), signal.SIGKILL)
    if name.startswith("unlucky"):
        _end_once(name)
    found = _findings(shot)
    if name.startswith("aside"):
        return Cleaned(shot, replace(found, set_aside="it would move by 82 mm, more than 50 mm"))
    return Cleaned(_smoothed(shot), found)


def _end_once(name: str) -> None:
    """End this process the first time; the mark of it stands where the test says."""
    mark = Path(os.environ["STAND_IN_MARKS"]) / name
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)


def _smoothed(shot: Shot) -> Shot:
    controls = tuple(
        replace(control, channels=tuple(_mean(channel) for channel in control.channels))
        for control in shot.controls
    )
    return replace(shot, controls=controls)


def _mean(channel: Channel) -> Channel:
    if channel.samples is None:
        return channel
    padded = np.pad(channel.samples, ((1, 1), (0, 0)), mode="edge")
    return replace(channel, samples=frozen((padded[:-2] + padded[1:-1] + padded[2:]) / 3))


def _findings(shot: Shot) -> Findings:
    return Findings(
        frames=len(shot.frames),
        fps=shot.fps,
        joints=len(shot.controls),
        spikes=(Span("Chest", (3, 3)),),
        left=(Span("Hips", (20, 44)),) if shot.name.startswith("gap") else (),
        noise=0.1,
        noisiest="Chest",
        noisiest_noise=0.12,
        keep_below=6.5,
        largest=(Moved(1.5 + len(shot.frames) / 100, "mm", "Chest", 7), Moved(0.4, "deg", "Hips", 9)),
        contacts=2,
        drift=(12.0, 1.25),
        slowest_accent="Chest at 31",
        kept_speed=0.98,
        notes=shot.notes,
    )

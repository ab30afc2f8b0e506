"""Faults seen on screen, planted in sound shots: how often they are found, named at their cause, and mended.

    python -m benchmarks.planted.screen            recall, causes, mends
    python -m benchmarks.planted.screen --sound    flags on shots without a fault, per 100 control-seconds

Tuned on 01_01; scored on 01_03 and Boxing_Toes.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from benchmarks.corpus import captured, clip_at, keyed_shot
from refine.curve import sample
from refine.flags import screen, still
from refine.flags.check import stage_of
from refine.flags.flag import Flag
from refine.flags.look import Look
from refine.flags.stage import Stage
from refine.flags.trace import gain
from refine.formats import read
from refine.measure import most_moved
from refine.pose import Point
from refine.shot import Array, Channel, Shot, frozen

Kind = Literal["spike", "off frame", "jitter", "dropout", "frozen hold"]
KINDS: tuple[Kind, ...] = get_args(Kind)
MENDS = {**screen.MENDS, **still.MENDS}
CLIPS = ("01_01", "01_03", "Boxing_Toes")
OFF_FRAME = ("uneven spacing", "kinked arc", "spike")  # what a displaced frame may be called
FPS = 24.0
SPAN = 240  # frames of a baked shot
DRAWS = 400
NEAR = 0.75  # s from the ends without a fault: jitter isn't looked for nearer than half a second
LASTS = 2.0  # seconds that jitter lasts
VISIBLE = 0.5  # of the greatest effect that the channel has, at the frame


@dataclass(frozen=True)
class Truth:
    """What was planted where; `size` in px at the point that shows it most (dropouts: frames; holds: s)."""

    kind: Kind
    control: str
    channel: str | None
    frames: tuple[int, int]
    size: float


def _found(stage: Stage) -> list[Flag]:
    return [*screen.find(stage), *still.find(stage)]


def baked_shot(clip: str, seed: int, fps: float = FPS) -> Shot:
    """A sound baked shot: a drawn window of a clip, resampled without what lies above 0.7 of the half rate."""
    whole = clip_at(clip, fps)
    rng = np.random.default_rng([seed, 7])
    count = round(SPAN * fps / FPS)
    first = int(rng.integers(max(whole.last_frame + 2 - count, 1)))

    def cut(channel: Channel) -> Channel:
        assert channel.samples is not None
        return replace(channel, samples=frozen(channel.samples[first : first + count]))

    controls = tuple(replace(c, channels=tuple(map(cut, c.channels))) for c in whole.controls)
    last = min(count, whole.last_frame + 1 - first) - 1
    camera = keyed_shot(clip, seed, "natural", fps=fps, start=first, frames=last + 1).cameras
    return replace(whole, last_frame=last, controls=controls, cameras=camera)


def plant(shot: Shot, seed: int, size: float, kind: Kind = "spike") -> tuple[Shot, Truth]:
    """The baked shot with one fault of a size (px; frames for a dropout) that can be seen."""
    rng, stage = np.random.default_rng([seed, 11]), stage_of(shot, Look())
    lasts, near = round(LASTS * shot.fps), round(NEAR * shot.fps)
    for _ in range(DRAWS):
        control = shot.controls[rng.integers(len(shot.controls))]
        if not control.channels:
            continue
        channel = control.channels[rng.integers(len(control.channels))]
        at = int(rng.integers(shot.first_frame + near, shot.last_frame - near - lasts))
        point, most = most_moved(shot, stage.posed, stage.view, control.name, channel.name)
        if point is None or channel.samples is None or np.ptp(channel.samples) == 0:
            continue
        by_unit = np.linalg.norm(gain(stage, point, control.name, channel.name, (at, at))[0, :, 0])
        seen = stage.counts(point)[at - shot.first_frame : at - shot.first_frame + lasts].all()
        if by_unit < VISIBLE * most or not seen:
            continue
        made = _made(shot, stage, control.name, channel, point, at, float(by_unit), size, kind, rng)
        if made is not None:
            return made
    raise ValueError(f"no place for a {kind} of {size:g} in {shot.name}")


def _made(
    shot: Shot,
    stage: Stage,
    control: str,
    channel: Channel,
    point: Point,
    at: int,
    by_unit: float,
    size: float,
    kind: Kind,
    rng: np.random.Generator,
) -> tuple[Shot, Truth] | None:
    assert channel.samples is not None
    values, n = channel.samples.copy(), at - shot.first_frame
    last = at
    path = stage.screen(point)
    spacing = float(np.linalg.norm(path[n + 1] - path[n - 1])) / 2
    if kind in ("spike", "off frame"):
        if (size > spacing) != (kind == "spike"):
            return None
        values[n] += size / by_unit * rng.choice([-1.0, 1.0])
    elif kind == "jitter":
        lasts = round(LASTS * shot.fps)
        last = at + lasts - 1
        values[n : n + lasts, 0] += size / by_unit * rng.normal(0, 1, lasts)
    elif kind == "dropout":
        last = at + round(size) - 1
        jump = abs(float(values[last + 1 - shot.first_frame, 0] - values[n - 1, 0])) * by_unit
        if jump < 4.0:  # px: nobody would see it
            return None
        values[n : n + round(size)] = values[n - 1]
    changed = shot.with_channel(control, replace(channel, samples=frozen(values)))
    return changed, Truth(kind, control, channel.name, (at, last), size)


def frozen_hold(shot: Shot, seed: int, seconds: float) -> tuple[Shot, Truth]:
    """The baked shot with all of it stopped for some seconds where it is slowest, then going on."""
    count = round(seconds * shot.fps)
    stage = stage_of(shot, Look())
    root = next(c.name for c in shot.controls if c.parent is None)
    path = np.concatenate([stage.screen(p) for name in stage.order for p in stage.points(name)], axis=1)
    speed = np.linalg.norm(np.diff(path, axis=0), axis=1)
    room = np.convolve(speed, np.ones(count), "valid")[12:-12]
    at = shot.first_frame + 12 + int(np.argsort(room)[seed % 3 * count])

    def held(channel: Channel) -> Channel:
        assert channel.samples is not None
        values, n = channel.samples.copy(), at - shot.first_frame
        step = values[n + count] - values[n]
        values[n : n + count] = values[n]
        values[n + count :] -= step  # no jump: what follows goes on from the hold
        return replace(channel, samples=frozen(values))

    controls = tuple(replace(c, channels=tuple(map(held, c.channels))) for c in shot.controls)
    truth = Truth("frozen hold", root, None, (at, at + count - 1), 0.0)
    return replace(shot, controls=controls), truth


def found_by(flags: list[Flag], truth: Truth) -> Flag | None:
    """The flag that names the planted fault, by its kind and frames."""
    names = {"off frame": OFF_FRAME, "spike": OFF_FRAME}.get(truth.kind, (truth.kind,))
    for flag in sorted(flags, key=lambda flag: flag.control != truth.control):
        near = flag.frames[0] <= truth.frames[1] + 1 and truth.frames[0] - 1 <= flag.frames[1]
        if flag.fault in names and near and flag.severity != "note":
            return flag
    return None


def recovery(clean: Shot, faulty: Shot, mended: Shot, truth: Truth) -> float:
    """1 - |mended - clean| / |faulty - clean| of the planted channel."""
    at = clean.index(truth.control)

    def of(shot: Shot) -> Array:
        channel = shot.controls[at].channel(truth.channel or "")
        assert channel is not None
        return sample(channel, shot, shot.frames)

    return float(1 - np.linalg.norm(of(mended) - of(clean)) / np.linalg.norm(of(faulty) - of(clean)))


@dataclass(frozen=True)
class Outcome:
    """What became of one planted fault."""

    found: bool
    named: bool = False  # its control as the cause
    recovery: float | None = None  # by the mend, None without one
    gone: bool = False  # the mended shot's flag is gone, or its amount at most half
    new_errors: int = 0


def trial(clip: str, seed: int, kind: Kind, size: float, fps: float) -> Outcome:
    clean = baked_shot(clip, seed, fps)
    faulty, truth = (
        frozen_hold(clean, seed, size) if kind == "frozen hold" else plant(clean, seed, size, kind)
    )
    stage = stage_of(faulty, Look())
    before = _found(stage)
    flag = found_by(before, truth)
    if flag is None:
        return Outcome(False)
    named, mending = flag.cause.control == truth.control, MENDS.get(flag.fault)
    mended = None if mending is None else mending(stage, flag)
    if mended is None:
        return Outcome(True, named)
    after = _found(stage_of(mended, Look()))
    twin = found_by([f for f in after if f.control == flag.control], truth)
    errors = [sum(f.severity == "error" for f in flags) for flags in (before, after)]
    gone = twin is None or twin.amount <= flag.amount / 2
    return Outcome(True, named, recovery(clean, faulty, mended, truth), gone, max(errors[1] - errors[0], 0))


SIZES: dict[Kind, tuple[float, ...]] = {
    "spike": (2.5, 8.0, 20.0),
    "off frame": (2.5, 6.0),
    "jitter": (0.8, 2.0),
    "dropout": (3.0, 6.0),
    "frozen hold": (0.5, 1.0),
}


def planted(clips: list[str], seeds: int, fps: float) -> Iterator[str]:
    yield "| clip | fault | size | runs | found | cause | median recovery | gone | worse | new errors |"
    yield "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|"
    for clip in clips:
        for kind, sizes in SIZES.items():
            for size in sizes:
                done = [trial(clip, seed, kind, size, fps) for seed in range(seeds)]
                yield f"| {clip} | {kind} | {size:g} | {len(done)} | " + " | ".join(_cells(done)) + " |"


def _cells(done: list[Outcome]) -> list[str]:
    hit = [d for d in done if d.found]
    mended = [d for d in hit if d.recovery is not None]
    scores = np.array([d.recovery for d in mended], float)
    cells = [_percent([d.found for d in done]), _percent([d.named for d in hit])]
    cells += [f"{np.median(scores):.2f}" if mended else "", _percent([d.gone for d in mended])]
    return [*cells, _percent((scores < 0).tolist()), str(sum(d.new_errors for d in mended))]


def _percent(flags: list[bool]) -> str:
    return f"{100 * np.mean(flags):.0f} %" if flags else ""


def sound_shots(clips: list[str], seeds: int) -> Iterator[tuple[str, Shot]]:
    for clip in clips:
        for habit in ("natural", "chord", "flat", "mixed"):
            for seed in range(seeds):
                yield f"{clip} keyed", keyed_shot(clip, seed, habit)
        yield f"{clip} baked 24", clip_at(clip, 24.0)
        yield f"{clip} as captured", captured(clip)
    yield "demo", read(Path(__file__).parent.parent / "demo" / "baker.shot.json").shot


def sound(clips: list[str], seeds: int, show: bool) -> Iterator[str]:
    """Warnings and errors per 100 control-seconds on sound shots."""
    flags: dict[str, list[Flag]] = {}
    seconds: dict[str, float] = {}
    for name, shot in sound_shots(clips, seeds):
        found = [flag for flag in _found(stage_of(shot, Look())) if flag.severity != "note"]
        moving = sum(bool(c.channels) for c in shot.controls)
        flags.setdefault(name, []).extend(found)
        seconds[name] = seconds.get(name, 0.0) + moving * len(shot.frames) / shot.fps
    yield "| shots | control-seconds | flags | per 100 |\n|---|--:|--:|--:|"
    for name, found in flags.items():
        yield f"| {name} | {seconds[name]:.0f} | {len(found)} | {100 * len(found) / seconds[name]:.2f} |"
        for flag in found if show else ():
            yield f"  {flag.fault} {flag.severity} {flag.control}.{flag.channel} {flag.frames}: {flag.message}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sound", action="store_true")
    parser.add_argument("--show", action="store_true", help="each flag on sound shots")
    parser.add_argument("--clip", action="append", choices=CLIPS)
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--fps", type=float, default=FPS)
    options = parser.parse_args()
    clips, began = options.clip or list(CLIPS), time.perf_counter()
    rows = (
        sound(clips, options.seeds, options.show)
        if options.sound
        else planted(clips, options.seeds, options.fps)
    )
    for row in rows:
        print(row, flush=True)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

"""How fast the tool answers, as ratios to a baseline in the same run where there is one.

    python -m benchmarks.speed

Warm: a suggestion for 24 frames of a 240-frame shot of 60 controls, with the fault's control named and with none.
Cold: whole processes. Memory: peak of reading and suggesting on a long baked clip, against the stated bound.
`benchmarks.speed_solve` measures the solvers alone.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from refine.flags.check import check, stage_of
from refine.flags.look import Look
from refine.formats import read, write
from refine.prepared import Request
from refine.shot import ROTATIONS, TRANSLATIONS, Camera, Channel, Control, Shot, frozen, make_keys
from refine.slope_rules import rules
from refine.suggest import suggest

RANGE = (108, 131)  # 24 frames
FAULT = ("control 20", "rotation.y")


def keyed_shot(controls: int = 60, frames: int = 240, seed: int = 1) -> Shot:
    """A branching rig whose controls turn about three axes, keyed every 4 to 8 frames, the root moving too."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(controls):
        at = np.concatenate([[0], np.cumsum(rng.integers(4, 9, frames))])
        at = at[at < frames].astype(float)
        names = ROTATIONS if i else (*TRANSLATIONS, *ROTATIONS)
        channels = []
        for name in names:
            values = np.cumsum(rng.normal(0, 6 if name in ROTATIONS else 0.05, len(at)))
            keys = make_keys(at, values, np.zeros(len(at)))
            slopes = rules(keys).chord @ values
            channels.append(Channel(name, keys.changed(incoming=slopes[:, None], outgoing=slopes[:, None])))
        parent = None if i == 0 else f"control {(i - 1) // 2}"
        made.append(
            Control(f"control {i}", parent, rest_translation=(0.0, 0.3, 0.05), channels=tuple(channels))
        )
    camera = Camera(Control("camera", rest_translation=(0.0, 1.0, 12.0)), 30.0, 1920, 1080, 16 / 9)
    return Shot("speed", 24.0, 0, frames - 1, tuple(made), (camera,))


def faulty(shot: Shot) -> Shot:
    """The shot with one key of one channel moved in the range, its slopes kept."""
    control = shot.control(FAULT[0])
    channel = control.channel(FAULT[1])
    assert channel is not None
    assert channel.keys is not None
    values = channel.keys.values.copy()
    middle = int(np.argmin(np.abs(channel.keys.frames - sum(RANGE) / 2)))
    values[middle] += 8.0
    return shot.with_channel(FAULT[0], replace(channel, keys=channel.keys.changed(values=values)))


def baked_shot(controls: int, frames: int) -> Shot:
    """A chain of baked rotations with a little noise."""
    rng = np.random.default_rng(2)
    t = np.arange(frames) / 120.0
    table = frozen(
        20 * np.sin(2 * np.pi * np.outer(t, rng.uniform(0.2, 1.5, 3 * controls)))
        + rng.normal(0, 0.1, (frames, 3 * controls))
    )
    made = []
    for i in range(controls):
        channels = tuple(
            Channel(n, samples=table[:, 3 * i + j : 3 * i + j + 1]) for j, n in enumerate(ROTATIONS)
        )
        parent = None if i == 0 else f"joint{i - 1}"
        made.append(
            Control(
                f"joint{i}", parent, rest_translation=(0.0, 5.0, 0.0), tip=(0.0, 5.0, 0.0), channels=channels
            )
        )
    return Shot("baked", 120.0, 0, frames - 1, tuple(made))


def median_ms(work: Callable[[], object], runs: int) -> float:
    """Median of several runs after one to warm up, ms."""
    work()
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * statistics.median(times)


def process_s(command: Sequence[str], runs: int, status: int = 0) -> float:
    """Median time of a whole process, s, that ends with this status."""
    times = []
    for _ in range(runs + 1):
        start = time.perf_counter()
        done = subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        assert done.returncode == status, f"{command} ended with {done.returncode}"
        times.append(time.perf_counter() - start)
    return statistics.median(times[1:])


def warm(runs: int) -> list[str]:
    shot = faulty(keyed_shot())
    named, blind = (Request(RANGE, controls) for controls in ((FAULT[0],), ()))
    found = suggest(shot, blind)
    assert {(c.control, c.channel) for c in found.changes} == {FAULT}, found.reason
    rows = []
    for words, request in (("control named", named), ("all 60 controls searched", blind)):
        took = median_ms(partial(suggest, shot, request), runs)
        rows.append(f"| warm suggest, 24 of 240 frames, {words} | {took:.0f} ms | 80 ms |")
    took = median_ms(lambda: check(stage_of(shot, Look())), runs)
    rows.append(f"| warm check, 240 frames x 60 controls | {took:.0f} ms | 150 ms |")
    many, long = keyed_shot(controls=600, frames=240), keyed_shot(controls=60, frames=2400)
    for words, larger in (("controls", many), ("frames", long)):
        ratio = median_ms(partial(_checked, larger), 2) / took
        rows.append(f"| check, ten times the {words} | {ratio:.1f} times | 12 times |")
    return rows


def _checked(shot: Shot) -> object:
    return check(stage_of(shot, Look()))


def cold(runs: int) -> list[str]:
    refine = str(Path(sys.executable).with_name("refine"))
    bare = process_s([sys.executable, "-c", "import click; click.Group().main(['--help'])"], runs)
    ratio = process_s([refine, "--help"], runs) / bare
    rows = [f"| `refine --help` against Python with click ({1000 * bare:.0f} ms) | {ratio:.2f} | 2 |"]
    with tempfile.TemporaryDirectory() as folder:
        keyed, baked = Path(folder, "speed.shot.json"), Path(folder, "baked.bvh")
        keyed.write_bytes(write(faulty(keyed_shot()), keyed))
        baked.write_bytes(write(baked_shot(31, 2700), baked))
        frames = f"{RANGE[0]}:{RANGE[1]}"
        for words, command in (
            ("60 keyed controls", [refine, "suggest", str(keyed), "--frames", frames]),
            (
                "31 baked joints, 2700 frames",
                [refine, "suggest", str(baked), "--frames", "300:360", "--controls", "joint3"],
            ),
        ):
            rows.append(f"| cold suggest, {words} | {process_s(command, runs):.2f} s | 1.2 s |")
        took = process_s([refine, "check", str(keyed)], runs, status=1)  # it finds the fault
        rows.append(f"| cold check, 240 frames x 60 controls | {took:.2f} s | 0.7 s |")
    return rows


def memory() -> list[str]:
    """Peak resident size of a process that reads a long clip and suggests, against 150 MB + 80 bytes a sample."""
    frames, controls = 50_000, 31
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "long.bvh")
        path.write_bytes(write(baked_shot(controls, frames), path))
        child = f"from benchmarks.speed import peak_mb; print(peak_mb({str(path)!r}))"
        printed = subprocess.run(
            [sys.executable, "-c", child], check=True, capture_output=True, text=True, env=os.environ
        )
    bound = 150 + 80 * frames * (3 * controls + 3) / 1e6
    return [
        f"| peak memory, {frames} frames x {controls} joints | {float(printed.stdout):.0f} MB | {bound:.0f} MB |"
    ]


def peak_mb(path: str) -> float:
    """Reads and suggests in this process, and says its peak resident size.

    Not by getrusage, whose peak counts what the process was before it became this program: a copy of its parent.
    """
    document = read(Path(path))
    suggest(document.shot, Request((1000, 1060), ("joint3",)), document)
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return float(status["VmHWM"].split()[0]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=9)
    runs = parser.parse_args().runs
    print("| what | measured | goal |\n|---|--:|--:|")
    for rows in (warm(runs), cold(runs), memory()):
        print("\n".join(rows), flush=True)


if __name__ == "__main__":
    main()

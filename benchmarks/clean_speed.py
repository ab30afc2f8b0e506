"""How fast `refine clean` is: whole processes, reading and writing included, on a captured clip repeated smoothly.

    python -m benchmarks.clean_speed                          # all but the longest clips
    python -m benchmarks.clean_speed --only growth --most 400000

Goals on one core at 31 joints and 120 Hz: 60 times real time, 15 with keys; from 20,000 to 400,000 frames time grows as
frames^1.1 at most; below 2 GB for 200,000 frames; two jobs 1.7 times as fast as one.

What else the machine does makes processes wait: the processor time of a single one says what it takes when alone, and
growth is that of processor time. The plainest cleaning (`benchmarks.cleaning.plain`) runs beside it: machines differ by
more than a factor of two. Two jobs against one means something on two idle cores only. Python's bytecode is kept
between the runs, as it is of a program that is installed, whatever the environment says.
"""

from __future__ import annotations

import argparse
import atexit
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from benchmarks.cleaning.table import table, with_table
from benchmarks.cleaning.truth import raw
from refine.formats import bvh
from refine.limbs.planting import minimum_jerk
from refine.shot import Array

CLIP, FPS = "01_03", 120.0
BLEND = 1.0  # s in which the clip's end becomes its beginning
LENGTHS = (20_000, 63_000, 200_000, 400_000)
SHORT, LONG = 20_000, 200_000
FILES = 6  # of a folder that is shared by two jobs
PARTS = ("speed", "growth", "memory", "jobs")
WARM = 240  # frames of a clip that is cleaned once before anything counts
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
REFINE = str(Path(sys.executable).with_name("refine"))


@dataclass(frozen=True)
class Run:
    seconds: float  # wall
    cpu: float  # s, of the process and those it waited for
    peak: float  # MB, of the largest of them


@lru_cache(maxsize=1)
def loop() -> tuple[list[bytes], list[bytes]]:
    """The lines of a BVH file before its frames, but the number of frames, and those of one turn of a smooth loop."""
    shot = raw(CLIP)
    columns = table(shot)
    text = bvh.write(with_table(shot, closed(columns.values, columns.turns, round(BLEND * shot.fps))))
    lines = text.splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith(b"Frames:"))
    return lines[:at] + lines[at + 1 : at + 2], lines[at + 2 :]


def closed(values: Array, turns: list[int], blend: int) -> Array:
    """(N - blend, C): the last frames before the cut fade into those before the first that is kept; angles sawn."""
    first, last = values[:blend].copy(), values[-blend:]
    first[:, turns] += 360.0 * np.round((last[0, turns] - first[0, turns]) / 360.0)
    share = minimum_jerk(np.arange(1, blend + 1) / (blend + 1))[:, None]
    whole = np.concatenate([values[blend:-blend], (1 - share) * last + share * first])
    whole[:, turns] = (whole[:, turns] + 180.0) % 360.0 - 180.0
    return np.asarray(whole)


def write_clip(path: Path, frames: int) -> None:
    """A clip of so many frames, the loop round and round."""
    head, turn = loop()
    with path.open("wb") as file:
        file.writelines([*head[:-1], b"Frames: %d\n" % frames, head[-1]])
        for _ in range(frames // len(turn)):
            file.writelines(turn)
        file.writelines(turn[: frames % len(turn)])


@lru_cache(maxsize=1)
def environment() -> dict[str, str]:
    """That of the processes: one thread, bytecode in a folder of its own."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    folder = tempfile.mkdtemp()
    atexit.register(shutil.rmtree, folder)
    return {**kept, **ONE_THREAD, "PYTHONPYCACHEPREFIX": folder}


def run(command: Sequence[str], cores: int) -> Run:
    """A command in a process of its own, on the first cores that this one may use, libraries without threads."""
    allowed = set(sorted(os.sched_getaffinity(0))[:cores])
    began = time.perf_counter()
    child = subprocess.Popen(
        command,
        env=environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: os.sched_setaffinity(0, allowed),
    )
    assert child.stderr is not None
    said = child.stderr.read()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - began
    if child.returncode != 0:
        raise SystemExit(
            f"{' '.join(command)} ended with {child.returncode}: {said.decode(errors='replace')}"
        )
    return Run(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def best(source: Path, options: Sequence[str], runs: int, cores: int = 1) -> Run:
    """The fastest of some runs of `refine clean`, each into a folder of its own."""
    found = []
    for _ in range(runs):
        with tempfile.TemporaryDirectory(dir=source.parent) as out:
            command = [REFINE, "clean", str(source), "-o", str(Path(out, "clean")), "--quiet", *options]
            found.append(run(command, cores))
    return min(found, key=lambda each: each.seconds)


def plain(source: Path, runs: int) -> Run:
    """The fastest of some runs of the plainest cleaning there is: what a machine can do, and what looking costs."""
    command = [sys.executable, "-m", "benchmarks.cleaning.plain", str(source), str(source) + ".plain"]
    return min((run(command, 1) for _ in range(runs)), key=lambda each: each.seconds)


def speed_rows(folder: Path, runs: int) -> list[str]:
    rows = []
    for frames in (len(raw(CLIP).frames), SHORT):
        path = folder / f"speed{frames}.bvh"
        write_clip(path, frames)
        bare = plain(path, runs)
        for words, options, goal in (("", [], 60), (" with keys", ["--keys"], 15)):
            took = best(path, options, runs)
            against = f"{took.cpu / bare.cpu:.2f} of a bare filter's time"
            wall, busy = (frames / FPS / s for s in (took.seconds, took.cpu))
            said = f"{wall:.0f} ({took.seconds:.2f} s), by processor time {busy:.0f} ({took.cpu:.2f} s), {against}"
            rows.append(f"| {frames} frames{words}: times real time | {said} | {goal} |")
    return rows


def growth_rows(folder: Path, runs: int, most: int) -> list[str]:
    lengths = [frames for frames in LENGTHS if frames <= most]
    took = []
    for frames in lengths:
        path = folder / f"growth{frames}.bvh"
        write_clip(path, frames)
        took.append(best(path, [], runs).cpu)
        path.unlink()
    listed = ", ".join(f"{t:.1f}" for t in took)
    if len(lengths) < 2:
        return [f"| growth | one length only ({listed} s) | 1.1 |"]
    exponent = float(np.polyfit(np.log(lengths), np.log(took), 1)[0])
    return [f"| growth over {lengths[0]} to {lengths[-1]} frames | n^{exponent:.2f} ({listed} s) | 1.1 |"]


def memory_rows(folder: Path) -> list[str]:
    path = folder / "memory.bvh"
    write_clip(path, LONG)
    peak = best(path, [], 1).peak
    return [f"| peak memory, {LONG} frames | {peak:.0f} MB | 2000 MB |"]


def job_rows(folder: Path, runs: int) -> list[str]:
    clips = folder / "clips"
    clips.mkdir()
    for n in range(FILES):
        write_clip(clips / f"clip{n}.bvh", SHORT)
    one, two = (best(clips, ["--jobs", str(jobs)], runs, cores=2).seconds for jobs in (1, 2))
    return [
        f"| two jobs against one, {FILES} clips of {SHORT} frames | {one / two:.2f} ({one:.1f}, {two:.1f} s) | 1.7 |"
    ]


def available() -> bool:
    """Whether the command is there."""
    if shutil.which(REFINE) is None:
        return False
    done = subprocess.run([REFINE, "clean", "--help"], check=False, capture_output=True)
    return done.returncode == 0


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.clean_speed",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--only", action="append", choices=PARTS, help="all when not given; can be repeated")
    parser.add_argument("--runs", type=int, default=3, help="the fastest counts")
    parser.add_argument("--most", type=int, default=200_000, help="frames of the longest clip of growth")
    options = parser.parse_args(arguments)
    if not available():
        print("refine clean: not there yet")
        return
    wanted = options.only or PARTS
    print("| what | measured | goal |\n|---|--:|--:|")
    with tempfile.TemporaryDirectory() as folder:
        write_clip(Path(folder, "warm.bvh"), WARM)
        best(Path(folder, "warm.bvh"), [], 1)
        for part in wanted:
            rows = {
                "speed": lambda: speed_rows(Path(folder), options.runs),
                "growth": lambda: growth_rows(Path(folder), 1, options.most),
                "memory": lambda: memory_rows(Path(folder)),
                "jobs": lambda: job_rows(Path(folder), min(options.runs, 2)),
            }[part]()
            print("\n".join(rows), flush=True)


if __name__ == "__main__":
    main()

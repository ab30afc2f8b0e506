"""A folder of takes to clean: the open clips with faults of known size planted in them.

python -m benchmarks.cleaning.takes FOLDER [--seconds N]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from benchmarks.cleaning.trial import degraded_of
from benchmarks.open_data import DataUnavailable
from refine.errors import InputError
from refine.formats import write
from refine.storage import new_file, new_folder

TAKES = {
    "walk/turns": ("01_01", "all"),
    "walk/turns_noise": ("01_01", "coloured-0.3"),
    "stairs/climb": ("01_03", "all"),
    "stairs/climb_spikes": ("01_03", "spikes-1"),
    "boxing/round": ("Boxing_Toes", "gaps"),
    "boxing/round_slides": ("Boxing_Toes", "drift"),
}


def takes(folder: Path, seconds: float | None, seed: int = 0) -> list[Path]:
    """Writes the takes and returns where they are. InputError for one that is there already."""
    made = []
    for name, (clip, degradation) in TAKES.items():
        path = folder / f"{name}.bvh"
        new_folder(path.parent)
        new_file(path, write(degraded_of(clip, degradation, seed, seconds).shot, path))
        made.append(path)
    return made


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Write degraded open clips into a folder.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=None, help="only the first seconds of each clip")
    options = parser.parse_args(arguments)
    try:
        made = takes(options.folder, options.seconds)
    except (DataUnavailable, InputError) as error:
        sys.exit(f"takes: {error}")
    for path in made:
        print(f"wrote {path}", file=sys.stderr)


if __name__ == "__main__":
    main()

"""The plainest cleaning of a BVH file, which the speed of `refine clean` is held against.

Numpy reads and writes the text, one filter goes over each channel: nothing is looked for, planted, judged or reported.

    python -m benchmarks.cleaning.plain WALK.bvh OUT.bvh
"""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchmarks.cleaning.baselines import butterworth

PLACES = 6  # decimals


def main(arguments: Sequence[str]) -> None:
    source, out = map(Path, arguments)
    lines = source.read_bytes().splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith(b"Frame Time:"))
    fps = 1.0 / float(lines[at].split()[-1])
    values = np.loadtxt(io.BytesIO(b"".join(lines[at + 1 :])))
    text = io.BytesIO(b"".join(lines[: at + 1]))
    text.seek(0, io.SEEK_END)
    np.savetxt(text, butterworth(values, fps), fmt=f"%.{PLACES}f")
    out.write_bytes(text.getvalue())


if __name__ == "__main__":
    main(sys.argv[1:])

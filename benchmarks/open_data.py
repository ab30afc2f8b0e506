"""Open captured clips for the benchmarks and the outside tests, fetched when first asked for.

They come from the Debian package `assimp-testmodels`, which needs no root: `apt-get download`, then
`dpkg-deb -x`. The clips stay out of the repository; a cache folder keeps them: `.cache/` in the project, or
the folder that the environment variable MOTION_REFINE_CACHE names.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

PACKAGE = "assimp-testmodels"
FOLDER = Path("usr/share/assimp/models/BVH")
CLIPS = ("01_01.bvh", "01_03.bvh", "Boxing_Toes.bvh")


class DataUnavailable(Exception):
    """The open data can't be fetched here: no network, no apt, or the package is gone."""


def cache_folder() -> Path:
    """Where fetched data is kept; the folder need not exist yet."""
    named = os.environ.get("MOTION_REFINE_CACHE")
    return Path(named) if named else Path(__file__).resolve().parent.parent / ".cache"


def open_clip(name: str) -> Path:
    """The file of an open clip, one of CLIPS (the ending may be left out), fetched if it isn't cached.

    ValueError for another name, DataUnavailable where the data can't be had.
    """
    file = name if name.endswith(".bvh") else name + ".bvh"
    if file not in CLIPS:
        raise ValueError(f"no open clip is called {name!r}: there are {', '.join(CLIPS)}")
    path = cache_folder() / "clips" / file
    if not path.exists():
        _fetch(path.parent)
    return path


def _fetch(folder: Path) -> None:
    """Every clip into the folder; each appears whole or not at all, also when two runs fetch at once."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        work = Path(scratch)
        _download(work)
        package = next(work.glob(f"{PACKAGE}_*.deb"), None)
        if package is None:
            raise DataUnavailable(f"apt-get gave no file of {PACKAGE}")
        _run(["dpkg-deb", "-x", str(package), "unpacked"], work)
        for clip in CLIPS:
            found = work / "unpacked" / FOLDER / clip
            if not found.exists():
                raise DataUnavailable(f"{PACKAGE} holds no {clip} any more")
            shutil.copyfile(found, work / clip)
            os.replace(work / clip, folder / clip)


def _download(work: Path) -> None:
    """The package file; the lists of packages are renewed only if it isn't found with those at hand."""
    command = ["apt-get", "download", PACKAGE]
    try:
        _run(command, work)
    except DataUnavailable:
        _run(["apt-get", "update"], work)
        _run(command, work)


def _run(command: list[str], folder: Path) -> None:
    try:
        subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True, timeout=300)
    except FileNotFoundError as error:
        raise DataUnavailable(f"there is no {command[0]} here") from error
    except subprocess.TimeoutExpired as error:
        raise DataUnavailable(f"{command[0]} took longer than {error.timeout:g} s") from error
    except subprocess.CalledProcessError as error:
        last = (error.stderr or "").strip().splitlines()[-1:] or ["no reason given"]
        raise DataUnavailable(f"{' '.join(command[:2])} failed: {last[0]}") from error

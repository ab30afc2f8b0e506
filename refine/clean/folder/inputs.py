"""Which clips a cleaning is about, and where each goes.

A PATH is a file, a folder or a pattern. A folder means the clips in it and below it, and their places below it are
kept; a pattern means what it matches (`**` any folders), and places are kept from its first wildcard on; a file goes
right into the output folder. So where a clip goes depends on its own PATH alone, never on what else is given, and two
clips that would go to one place are refused instead of being renamed.
"""

from __future__ import annotations

import fnmatch
import glob
import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from refine.errors import InputError
from refine.formats import ENDINGS, SIDE_ENDING, read_bytes, side_path

KEYED_ENDING = ".shot.json"  # the one that carries slopes
ANY = "**"
_WILD = frozenset("*?[")


@dataclass(frozen=True, slots=True)
class Source:
    """A clip: its file, and the place of its result in the output folder, with `/` between folders."""

    path: Path
    place: str

    @property
    def side(self) -> Path:
        return side_path(self.path)

    @property
    def stem(self) -> str:
        """The place without the ending: what clips have in common that have one side file."""
        return stem(self.place)

    def outputs(self, keyed: bool) -> tuple[str, ...]:
        """Where the result goes, and its side file if the clip has one; keys go into the format that has slopes."""
        if keyed:
            return (self.stem + KEYED_ENDING,)
        has_side = os.path.isfile(self.side)
        return (self.place, self.stem + SIDE_ENDING) if has_side else (self.place,)


def stem(place: str) -> str:
    """A clip's place without its ending."""
    return side_path(Path(place)).as_posix().removesuffix(SIDE_ENDING)


@dataclass(frozen=True, slots=True)
class Contents:
    """The bytes of a clip and of its side file, with their SHA-256."""

    data: bytes
    side: bytes | None

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()

    @property
    def side_sha256(self) -> str | None:
        return None if self.side is None else hashlib.sha256(self.side).hexdigest()


def contents(source: Source) -> Contents:
    """What the files of a clip hold now. InputError where one can't be read."""
    side = source.side
    return Contents(read_bytes(source.path), read_bytes(side) if os.path.isfile(side) else None)


def found(paths: Sequence[Path], out: Path) -> tuple[Source, ...]:
    """The clips that the paths mean, sorted by their places; a clip that is named twice counts once.

    InputError for a path that means no clip. What stands in the output folder isn't found in a folder above it:
    those are earlier results.
    """
    sources: dict[str, Source] = {}
    for path in paths:
        some = False
        for source in _of_path(path, out):
            some = True
            sources.setdefault(os.path.realpath(source.path), source)
        if not some:
            remedy = "name a file, a folder with clips in it, or a pattern in quotes, such as 'takes/*.bvh'"
            raise InputError(str(path), "no clip is there", f"files ending in {', '.join(ENDINGS)}", remedy)
    return tuple(sorted(sources.values(), key=lambda source: source.place))


def _of_path(path: Path, out: Path) -> Iterator[Source]:
    if os.path.isdir(path):  # not Path.is_dir, which raises for a name that is too long
        yield from _below(path, out, "")
    elif os.path.lexists(path) or not _WILD & set(str(path)):
        if not os.path.lexists(path):
            raise InputError(str(path), "there is no such file or folder")
        side_path(path)  # refuses an ending that isn't known
        yield Source(path, path.name)
    else:
        yield from _matching(path, out)


def _matching(pattern: Path, out: Path) -> Iterator[Source]:
    parts = pattern.parts
    wild = next(n for n, part in enumerate(parts) if _WILD & set(part))
    base = Path(*parts[:wild]) if wild else Path()
    if ANY in parts:  # what is in a folder that matches then matches by itself
        for source in _below(base, out, ""):
            if _matches(source.place.split("/"), parts[wild:]):
                yield source
        return
    for match in sorted(glob.glob(str(Path(*parts[wild:])), root_dir=base)):
        path = base / match
        if path.is_dir():
            yield from _below(path, out, f"{Path(match).as_posix()}/")
        elif _is_clip(path.name) and not _within(path, out):
            yield Source(path, Path(match).as_posix())


def _matches(names: Sequence[str], parts: Sequence[str]) -> bool:
    """Whether a place, by the names on the way to it, matches parts with wildcards: ANY is any number of names."""
    if not parts or not names:
        return not names and all(part == ANY for part in parts)
    if parts[0] == ANY:
        return _matches(names, parts[1:]) or _matches(names[1:], parts)
    return fnmatch.fnmatchcase(names[0], parts[0]) and _matches(names[1:], parts[1:])


def _below(folder: Path, out: Path, prefix: str) -> Iterator[Source]:
    """The clips in a folder and below, hidden ones and those in the output folder left out."""

    def refuse(error: OSError) -> None:
        place = str(error.filename or folder)
        raise InputError(
            place, f"it can't be read: {error.strerror}", remedy="check its permissions"
        ) from error

    for here, folders, files in os.walk(folder, onerror=refuse):
        at = Path(here)
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and not _same(at / name, out)
        )
        inner = at.relative_to(folder).as_posix()
        way = prefix if inner == "." else f"{prefix}{inner}/"
        for name in sorted(files):
            if _is_clip(name):
                yield Source(at / name, way + name)


def links_left(paths: Sequence[Path]) -> Iterator[Path]:
    """The links to folders below the folders named, which aren't followed: they may lead round to where they stand."""
    for path in paths:
        for here, folders, _ in os.walk(path):
            folders[:] = [name for name in folders if not name.startswith(".")]
            yield from (
                Path(here, name) for name in sorted(folders) if os.path.islink(os.path.join(here, name))
            )


def _is_clip(name: str) -> bool:
    return not name.startswith(".") and name.casefold().endswith(tuple(ENDINGS))


def _same(path: Path, other: Path) -> bool:
    return os.path.realpath(path) == os.path.realpath(other)


def _within(path: Path, folder: Path) -> bool:
    return Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))


def check_places(sources: Sequence[Source], out: Path, keyed: bool) -> None:
    """InputError where two clips would go to one file, or a result would go over a file that is read."""
    read = {
        os.path.realpath(path): path for s in sources for path in (s.path, s.side) if os.path.isfile(path)
    }
    taken: dict[str, Source] = {}
    for source in sources:
        for place in source.outputs(keyed):
            target = os.path.realpath(out / place)
            if target in read:
                remedy = "choose another folder for -o"
                raise InputError(
                    str(out / place), "the result would go over a file that is read", remedy=remedy
                )
            # Case and accents as the file system has them can't be asked before a file is there: the same letters
            # in another case count as the same name, which costs nothing but a rename.
            other = taken.setdefault(target.casefold(), source)
            if other is not source and not _one_side_file(other, source, place):
                found = f"{other.path} and {source.path} would both go there"
                remedy = "clean them into two folders, or name the folder above them, which keeps their places apart"
                raise InputError(str(out / place), found, "one clip for each place", remedy)


def sharing(sources: Sequence[Source]) -> dict[str, Source]:
    """By place the clips that have one side file with another clip, and that other.

    A new frame rate makes a side file count other frames for each of them, and only one can stand there.
    """
    found: dict[str, list[Source]] = {}
    for source in sources:
        if os.path.isfile(source.side):
            found.setdefault(source.stem.casefold(), []).append(source)
    return {
        source.place: next(other for other in group if other is not source)
        for group in found.values()
        if len(group) > 1
        for source in group
    }


def _one_side_file(one: Source, other: Source, place: str) -> bool:
    """Whether two clips share the side file that would go to this place: it is copied as it is, whoever comes first.

    At a new frame rate it isn't: see `sharing`.
    """
    return place.endswith(SIDE_ENDING) and _same(one.side, other.side)

"""Writing whole files so that a kill, a crash or a full disk never leaves half of one.

A file is written under a temporary name in its own folder, synced, read back and compared; only then does it
take its name, in one step. What a killed run leaves behind is at most such a temporary file,
`.refine-*.part`, and a kept copy of the old file.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from refine.errors import InputError

Check = Callable[[bytes], None]


class Taken(InputError):
    """The name of a new file is taken."""


_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_FORBIDDEN = (errno.EACCES, errno.EPERM, errno.EROFS)
# Folders without hard links (some network and memory-card file systems) say so in one of these ways.
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
# Some file systems can't sync a folder; the rename is then as safe as they make it.
_NO_FOLDER_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.EBADF)


def replace_file(
    path: Path, data: bytes, keep: bool = True, check: Check | None = None, read: bytes | None = None
) -> Path | None:
    """Give a file new contents in one step, and return where the old ones were kept.

    The old file stays beside it as `NAME.before-1`, or the next free number, unless `keep` is false or there
    was none. At each moment the name holds the whole old or the whole new contents. Permissions stay; a
    symbolic link stays one and the file that it points to is replaced. `check` gets the bytes as read back
    from the disk and raises what it thinks of them. `read` are the old contents that the new ones were made from:
    where others stand there by now, somebody else has saved meanwhile and nothing is replaced. InputError where
    the file can't be written; the old contents stand there then.
    """
    target = _real(path)
    with _explained(path):
        old = _replaceable(target, path)
        with _temporary(target.parent, data, old, check) as temporary:
            kept = _keep(target) if keep and old is not None else None
            try:
                if (
                    read is not None and target.read_bytes() != read
                ):  # asked last: nearly no time is left after it
                    remedy = "look at what has changed, then run the command again"
                    raise InputError(str(path), "somebody has changed it since it was read", remedy=remedy)
                os.replace(temporary, target)
            except BaseException:
                if kept is not None:
                    os.unlink(kept)
                raise
        _sync_folder(target.parent)
    return kept


@dataclass(frozen=True, slots=True)
class New:
    """A file to be written that isn't there yet, or that may be written over (`force`). `check`: see `replace_file`."""

    path: Path
    data: bytes
    force: bool = False
    check: Check | None = None


def new_file(path: Path, data: bytes, force: bool = False, check: Check | None = None) -> None:
    """Write a file that isn't there yet, in one step. Taken where one is, unless `force` is given."""
    with new_files([New(path, data, force, check)]):
        pass


@contextmanager
def new_files(files: Sequence[New]) -> Iterator[None]:
    """Write some files, all or none: each takes its name once all of them are whole on the disk.

    Where one can't take its name, or what is done in the block fails, those that weren't there before are taken
    away again, and those that were get back what they had. InputError for the first that can't be written.
    """
    named: list[tuple[Path, Path | None]] = []
    with ExitStack() as before:
        try:
            with ExitStack() as stack:
                whole = [_whole(stack, file) for file in files]
                for file, (temporary, target, old) in zip(files, whole, strict=True):
                    with _explained(file.path):
                        aside = before.enter_context(_aside(target)) if old else None
                        if file.force:
                            os.replace(temporary, target)
                        else:
                            _name(temporary, target)
                    named.append((target, aside))
            for folder, path in {target.parent: target for _, target, _ in whole}.items():
                with _explained(path):
                    _sync_folder(folder)
            yield
        except BaseException:
            for target, aside in named:
                with suppress(FileNotFoundError):
                    if aside is None:
                        os.unlink(target)
                    else:
                        os.replace(aside, target)
            raise


@contextmanager
def _aside(target: Path) -> Iterator[Path]:
    """Another name for what stands at a target now, until the block is left."""
    aside = target.parent / _part()
    try:
        _also(target, aside)
        yield aside
    finally:
        with suppress(FileNotFoundError):
            os.unlink(aside)


def _also(target: Path, name: Path) -> None:
    """Give a file a second name that is free, or a whole copy of it where that isn't possible."""
    try:
        os.link(target, name)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        with _temporary(target.parent, target.read_bytes(), os.stat(target), None) as temporary:
            _name(temporary, name)


def _part() -> str:
    """A name that no file has; not the target's, which may already be as long as the file system allows."""
    return f".refine-{secrets.token_hex(8)}.part"


def _whole(stack: ExitStack, file: New) -> tuple[Path, Path, os.stat_result | None]:
    """A temporary file with a new file's contents, the name that it will take, and what stands there."""
    with _explained(file.path):
        if not file.force and os.path.lexists(file.path):
            raise _exists(file.path)
        target = _real(file.path) if file.force else file.path
        old = _replaceable(target, file.path) if file.force else None
        temporary = stack.enter_context(_temporary(target.parent, file.data, old, file.check))
        return temporary, target, old


@contextmanager
def made_folder(path: Path) -> Iterator[None]:
    """A folder that is made where it isn't there yet, and taken away again where the block fails. InputError."""
    with _explained(path):
        made = [each for each in (path, *path.parents) if not os.path.lexists(each)]
    try:
        new_folder(path)
        yield
    except BaseException:
        for each in made:
            with suppress(OSError):  # it wasn't made, or somebody else has put something into it
                os.rmdir(each)
        raise


def new_folder(path: Path) -> None:
    """Make a folder and those above it, where they aren't there yet. InputError where it can't be made."""
    with _explained(path):
        path.mkdir(parents=True, exist_ok=True)


def free_names(
    paths: Sequence[Path], sources: Sequence[Path], force: bool = False, folder: bool = False
) -> None:
    """Looks at all outputs of a command before the first is written, so that none is written if one may not be.

    InputError for an output that is one of the sources (by whatever name), that is asked for twice, that is
    there already without `force`, or whose folder isn't there or can't be written to. `folder`: it will be made.
    """
    for n, path in enumerate(paths):
        if any(_same_file(path, source) for source in sources):
            raise InputError(str(path), "that is a source itself", "another file")
        if any(_real(path) == _real(other) or _same_file(path, other) for other in paths[:n]):
            raise InputError(str(path), "two outputs would go to this one file", "a file for each")
        if not force and os.path.lexists(path):
            raise _exists(path)
        with _explained(path):
            _check_place(path, folder)


def _check_place(path: Path, folder: bool) -> None:
    """InputError or OSError where no file of this name can be written, as far as that can be told before."""
    target = _real(path)
    _replaceable(target, path)
    parents = target.parents if folder else target.parents[:1]
    there = next((each for each in parents if os.path.lexists(each)), target.parent)
    if not stat.S_ISDIR(os.stat(there).st_mode):
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
    if not os.access(there, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def _real(path: Path) -> Path:
    """A file by the one name that it has, however it is spelled."""
    return Path(os.path.realpath(path))


def _same_file(path: Path, other: Path) -> bool:
    return os.path.exists(path) and os.path.exists(other) and os.path.samefile(path, other)


def _exists(path: Path) -> Taken:
    return Taken(str(path), "the file is there already", "a new name, or --force to write over it")


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Turn an error of the operating system into one that a user can act on."""
    try:
        yield
    except OSError as error:
        reason, code = error.strerror or str(error), error.errno
        if code in _FULL:
            raise InputError(str(path), f"it can't be written: {reason}", remedy="make room first") from error
        if code in _FORBIDDEN:
            remedy = "choose a folder that you may write to"
            raise InputError(str(path), f"it can't be written: {reason}", remedy=remedy) from error
        if code == errno.ENAMETOOLONG:
            raise InputError(str(path), "the name is too long", remedy="choose a shorter one") from error
        if code in (errno.ENOTDIR, errno.EEXIST):
            file = next((each for each in (path, *path.parents) if os.path.lexists(each)), path)
            raise InputError(
                str(path), f"{file} is a file and no folder", remedy="choose another name"
            ) from error
        if code == errno.ENOENT:
            raise InputError(str(path), "there is no such folder", remedy="make the folder first") from error
        raise InputError(str(path), f"it can't be written: {reason}") from error


def _replaceable(target: Path, path: Path) -> os.stat_result | None:
    """What stands at the target, or None. InputError for anything that isn't a file one may write."""
    try:
        old = os.stat(target)
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(old.st_mode):
        raise InputError(str(path), "it is a folder", "a file")
    if not stat.S_ISREG(old.st_mode):
        raise InputError(str(path), "it is a device or a pipe", "a file")
    if not os.access(target, os.W_OK):
        raise InputError(
            str(path), "the file is read-only", remedy="change its permissions or write another one"
        )
    return old


@contextmanager
def _temporary(folder: Path, data: bytes, old: os.stat_result | None, check: Check | None) -> Iterator[Path]:
    """A temporary file in the folder with these contents, safe on the disk; gone when the block is left."""
    temporary = folder / _part()
    try:
        _write_through(temporary, data, old)
        with open(temporary, "rb") as file:
            found = file.read()
        if found != data:
            raise InputError(
                str(temporary), "the disk gave back other bytes than were written", remedy="check it"
            )
        if check is not None:
            check(found)
        yield temporary
    finally:
        with suppress(FileNotFoundError):
            os.unlink(temporary)


def _write_through(path: Path, data: bytes, old: os.stat_result | None) -> None:
    """Write a new file down to the disk, with the permissions (and if possible the owner) of the old one."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(handle, rest) :]
        if old is not None:
            with suppress(PermissionError):
                os.chown(path, old.st_uid, old.st_gid)
            os.chmod(path, stat.S_IMODE(old.st_mode))
        os.fsync(handle)
    finally:
        os.close(handle)


def _keep(target: Path) -> Path:
    """Give the target's present contents a second name beside it, the first free of NAME.before-1, -2, ..."""
    number = 1
    while True:
        kept = target.with_name(f"{target.name}.before-{number}")
        number += 1
        if os.path.lexists(kept):
            continue
        with suppress(FileExistsError):  # another run may take the name in between
            _also(target, kept)
            return kept


def _name(temporary: Path, path: Path) -> None:
    """Let a whole temporary file take a name that must be free."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise _exists(path) from None
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(path):
            raise _exists(path) from None
        os.replace(temporary, path)


def _sync_folder(folder: Path) -> None:
    """Make the renaming itself safe on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)

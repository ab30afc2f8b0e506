"""Whole-file replacement: whatever happens, the name holds all of the old or all of the new contents."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from refine.errors import InputError
from refine.storage import New, free_names, made_folder, new_file, new_files, new_folder, replace_file

ROOT = Path(__file__).parents[1]
OLD, NEW = b"old\r\n" * 40_000, b"new\n" * 60_000


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "shot.shot.json"
    path.write_bytes(OLD)
    return path


def folder(path: Path) -> dict[str, bytes]:
    """The files beside a path, with their contents."""
    return {found.name: found.read_bytes() for found in sorted(path.parent.iterdir())}


def failing(monkeypatch: pytest.MonkeyPatch, call: str, code: int, nth: int = 1) -> None:
    """Let the nth call of an os function fail with an error number."""
    real, calls = getattr(os, call), [0]

    def fail(*arguments: object, **named: object) -> object:
        calls[0] += 1
        if calls[0] == nth:
            raise OSError(code, os.strerror(code))
        return real(*arguments, **named)

    monkeypatch.setattr(os, call, fail)


def test_what_somebody_else_saved_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    file = tmp_path / "shot"
    file.write_bytes(b"theirs")
    with pytest.raises(InputError, match="somebody has changed it"):
        replace_file(file, b"ours", read=b"as it was")
    assert file.read_bytes() == b"theirs"
    assert [path.name for path in tmp_path.iterdir()] == ["shot"]
    replace_file(file, b"ours", read=b"theirs")
    assert file.read_bytes() == b"ours"


def test_the_old_file_is_kept_under_the_next_free_number(target: Path) -> None:
    assert replace_file(target, NEW) == target.with_name("shot.shot.json.before-1")
    assert replace_file(target, b"third") == target.with_name("shot.shot.json.before-2")
    assert replace_file(target, b"fourth", keep=False) is None
    assert folder(target) == {
        "shot.shot.json": b"fourth",
        "shot.shot.json.before-1": OLD,
        "shot.shot.json.before-2": NEW,
    }


def test_without_hard_links_the_old_file_is_copied(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", refuse)
    replace_file(target, NEW)
    replace_file(target, b"third")
    new_file(target.with_name("other"), b"fresh")
    with pytest.raises(InputError, match="there already"):
        new_file(target, b"fresh")
    assert folder(target) == {
        "other": b"fresh",
        "shot.shot.json": b"third",
        "shot.shot.json.before-1": OLD,
        "shot.shot.json.before-2": NEW,
    }


def test_a_file_that_is_not_there_yet_is_made(tmp_path: Path) -> None:
    assert replace_file(tmp_path / "a", NEW) is None
    assert folder(tmp_path / "a") == {"a": NEW}


def test_permissions_stay_and_new_files_obey_the_umask(target: Path) -> None:
    target.chmod(0o640)
    replace_file(target, NEW)
    assert target.stat().st_mode & 0o777 == 0o640
    old = os.umask(0o027)
    try:
        new_file(target.with_name("fresh"), NEW)
    finally:
        os.umask(old)
    assert target.with_name("fresh").stat().st_mode & 0o777 == 0o640


def test_a_symbolic_link_stays_one(target: Path) -> None:
    inner = target.parent / "real"
    inner.mkdir()
    moved = target.rename(inner / "real.json")
    target.symlink_to(Path("real") / "real.json")
    assert replace_file(target, NEW) == inner / "real.json.before-1"
    assert target.is_symlink()
    assert (moved.read_bytes(), (inner / "real.json.before-1").read_bytes()) == (NEW, OLD)


def test_what_was_read_back_is_checked_before_anything_changes(target: Path) -> None:
    seen: list[bytes] = []

    def refuse(found: bytes) -> None:
        seen.append(found)
        raise InputError("t", "not what it should be")

    with pytest.raises(InputError, match="not what"):
        replace_file(target, NEW, check=refuse)
    assert seen == [NEW]
    assert folder(target) == {target.name: OLD}


def test_a_new_file_refuses_to_overwrite_unless_told(target: Path) -> None:
    with pytest.raises(InputError, match="there already"):
        new_file(target, NEW)
    assert folder(target) == {target.name: OLD}
    new_file(target, NEW, force=True)
    assert folder(target) == {target.name: NEW}


def test_a_name_taken_in_the_last_moment_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a"

    def take_the_name(_: bytes) -> None:
        path.write_bytes(OLD)

    with pytest.raises(InputError, match="there already"):
        new_file(path, NEW, check=take_the_name)
    assert folder(path) == {"a": OLD}


def test_a_dangling_link_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to(tmp_path / "gone")
    with pytest.raises(InputError, match="there already"):
        new_file(tmp_path / "a", NEW)


@pytest.mark.parametrize("nth", [1, 2])
@pytest.mark.parametrize(
    ("call", "code", "words"),
    [
        ("write", errno.ENOSPC, "make room"),
        ("fsync", errno.ENOSPC, "make room"),
        ("write", errno.EIO, "can't be written"),
        ("open", errno.EACCES, "choose a folder"),
        ("open", errno.EROFS, "choose a folder"),
        ("link", errno.ENOSPC, "make room"),
        ("replace", errno.EACCES, "choose a folder"),
    ],
)
def test_a_refused_step_leaves_the_old_file_and_nothing_else(
    target: Path, monkeypatch: pytest.MonkeyPatch, call: str, code: int, words: str, nth: int
) -> None:
    """The second call of a kind fails only after the file has its name, if there is one at all."""
    with monkeypatch.context() as patch:
        failing(patch, call, code, nth)
        if nth == 1:
            with pytest.raises(InputError, match=words):
                replace_file(target, NEW)
            assert folder(target) == {target.name: OLD}
        elif call in ("open", "fsync"):
            with pytest.raises(InputError, match=words):
                replace_file(target, NEW)
    replace_file(target, NEW)
    assert target.read_bytes() == NEW
    assert not list(target.parent.glob(".refine-*"))


def test_short_writes_are_continued(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: real(handle, data[:1000]))
    replace_file(target, NEW)
    assert target.read_bytes() == NEW


@pytest.mark.parametrize(("call", "nth"), [("write", 3), ("link", 2), ("fsync", 3)])
def test_of_several_files_all_are_written_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, nth: int
) -> None:
    inside = tmp_path / "deep" / "er"
    files = [New(inside / name, NEW) for name in "abc"]
    with monkeypatch.context() as patch:
        failing(patch, call, errno.ENOSPC, nth)
        with pytest.raises(InputError, match="make room"), made_folder(inside), new_files(files):
            raise AssertionError("not all were written")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(InputError, match="later"), made_folder(inside), new_files(files):
        raise InputError("x", "failed later")
    assert list(tmp_path.iterdir()) == []
    with made_folder(inside), new_files(files):
        assert folder(inside / "a") == dict.fromkeys("abc", NEW)


@pytest.mark.parametrize("copies", [False, True], ids=["links", "copies"])
def test_what_was_written_over_is_put_back_where_a_later_one_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, copies: bool
) -> None:
    """With `force`, and whether or not the folder can give a file two names."""
    for name in "ab":
        (tmp_path / name).write_bytes(OLD)
    files = [New(tmp_path / name, NEW, force=True) for name in "abc"]
    if copies:
        failing(monkeypatch, "link", errno.EPERM, 1)
    with monkeypatch.context() as patch:
        failing(patch, "replace", errno.EIO, 3)
        with pytest.raises(InputError, match="can't be written"), new_files(files):
            raise AssertionError("not all were written")
    assert folder(tmp_path / "a") == dict.fromkeys("ab", OLD)
    with pytest.raises(InputError, match="later"), new_files(files):
        raise InputError("x", "failed later")
    assert folder(tmp_path / "a") == dict.fromkeys("ab", OLD)
    with new_files(files):
        pass
    assert folder(tmp_path / "a") == dict.fromkeys("abc", NEW)


def test_outputs_are_looked_at_before_the_first_is_written(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    one, other = tmp_path / "sub" / ".." / "same", tmp_path / "same"
    for force in (False, True):
        with pytest.raises(InputError, match="two outputs"):
            free_names([one, other], [], force)
        with pytest.raises(InputError, match="no such folder"):
            free_names([other, tmp_path / "no" / "x"], [], force)
    free_names([other, tmp_path / "no" / "x"], [], folder=True)


@pytest.mark.skipif(os.geteuid() == 0, reason="the super-user may write anywhere")
def test_a_read_only_folder_or_file_is_told(target: Path) -> None:
    target.chmod(0o444)
    with pytest.raises(InputError, match="read-only"):
        replace_file(target, NEW)
    target.chmod(0o644)
    target.parent.chmod(0o555)
    try:
        with pytest.raises(InputError, match="choose a folder"):
            replace_file(target, NEW)
    finally:
        target.parent.chmod(0o755)
    assert folder(target) == {target.name: OLD}


def test_a_read_only_file_is_told(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(InputError, match="read-only"):
        replace_file(target, NEW)


def test_targets_that_cannot_be_files_are_told(target: Path) -> None:
    for path, words in (
        (target.parent, "it is a folder"),
        (Path("/dev/null"), "device"),
        (target.parent / "nowhere" / "a", "no such folder"),
        (target / "a", f"{target.name} is a file and no folder"),
        (target / "a" / "b", f"{target.name} is a file and no folder"),
        (target.parent / ("n" * 300), "too long"),
    ):
        with pytest.raises(InputError, match=words):
            replace_file(path, NEW)
    for path in (target, target / "a"):
        with pytest.raises(InputError, match=f"{target.name} is a file and no folder"):
            new_folder(path)
    longest = target.rename(target.parent / ("n" * 250))
    with pytest.raises(InputError, match="too long"):
        replace_file(longest, NEW)  # the name of the kept file would be too long
    replace_file(longest, NEW, keep=False)
    assert folder(longest) == {longest.name: NEW}


# --- killed -----------------------------------------------------------------------------------------------


def child(target: Path, step: int, moment: str) -> subprocess.Popen[str]:
    new = target.parent.with_name("new-contents")
    new.write_bytes(NEW)
    command = [
        sys.executable,
        str(ROOT / "tests" / "storage_driver.py"),
        str(target),
        str(new),
        str(step),
        moment,
    ]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )


def assert_whole(target: Path) -> None:
    """The name and all kept files hold whole contents, and a next run works."""
    assert target.read_bytes() in (OLD, NEW)
    for kept in target.parent.glob("*.before-*"):
        assert kept.read_bytes() in (OLD, NEW)
    replace_file(target, b"next run")
    assert target.read_bytes() == b"next run"


@pytest.mark.parametrize("moment", ["before", "within", "after"])
def test_killed_at_any_step_the_file_is_whole(target: Path, moment: str) -> None:
    step, outcomes = 0, set()
    while True:
        step += 1
        target.write_bytes(OLD)
        with child(target, step, moment) as process:
            assert process.stdout is not None
            printed = process.stdout.read()
        if process.returncode != -signal.SIGKILL:
            break
        outcomes.add(target.read_bytes())
        assert_whole(target)
    assert process.returncode == 0
    assert int(printed) == step - 1  # every step was one to die at
    assert outcomes == {OLD, NEW}


def test_killed_at_any_moment_the_file_is_whole(target: Path) -> None:
    chance = random.Random(7)
    for _ in range(24):
        target.write_bytes(OLD)
        with child(target, 0, "never") as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            time.sleep(chance.uniform(0, 0.03))
            process.kill()
        assert process.returncode == -signal.SIGKILL
        assert_whole(target)

"""The command in a process of its own: pipes that close, Ctrl-C, full disks, terminals, letters that don't fit."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.console import COMMAND, ROOT, document, folder, process, refine
from tests.cli.small_shots import FRAMES, HIPS, write_bvh, write_shot


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    return write_shot(tmp_path)


def start(*arguments: object, **options: object) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    words = [*COMMAND, *map(str, arguments)]
    return subprocess.Popen(words, env=environment, stderr=subprocess.PIPE, **options)  # type: ignore[call-overload,no-any-return]


# --- pipes ---


@pytest.mark.parametrize(
    "arguments", [["show"], ["show", "--json"], ["suggest", "--frames", FRAMES, "--json"]], ids=" ".join
)
def test_a_reader_that_has_seen_enough_is_no_error(arguments: list[str], shot: Path) -> None:
    """As under `| head -1`: the reading end is closed before anything is printed."""
    reading, writing = os.pipe()
    os.close(reading)
    with start(*arguments, shot, "--quiet", stdout=writing) as running:
        os.close(writing)
        _, err = running.communicate(timeout=60)
    assert (running.returncode, err) == (0, b"")


def test_in_a_pipeline_the_first_line_comes_through(shot: Path) -> None:
    line = f'"{sys.executable}" -c "from refine.cli import main; main()" show "$0" --json | head -1'
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(["bash", "-c", line, str(shot)], env=environment, capture_output=True, check=True)
    assert (done.stdout, done.stderr) == (b"{\n", b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_a_full_disk_behind_stdout_is_told_in_one_line(shot: Path) -> None:
    with open("/dev/full", "wb") as full, start("show", shot, "--json", stdout=full) as running:
        _, err = running.communicate(timeout=60)
    assert running.returncode == 2
    assert len(err.splitlines()) == 1
    assert b"stdout: it can't be written" in err


def test_without_stdout_nothing_breaks(shot: Path) -> None:
    line = f'exec "{sys.executable}" -c "from refine.cli import main; main()" show "$0" >&-'
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(["bash", "-c", line, str(shot)], env=environment, capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


# --- Ctrl-C ---


def test_ctrl_c_ends_with_130_and_without_a_traceback(tmp_path: Path) -> None:
    """The command is given a file that takes a minute to read, and says when it has begun."""
    code = (
        "import sys, time, refine.formats\n"
        "def slow(path):\n"
        "    print('begun', file=sys.stderr, flush=True)\n"
        "    time.sleep(60)\n"
        "refine.formats.read_bytes = slow\n"
        "from refine.cli import main\n"
        "main()\n"
    )
    command = [sys.executable, "-c", code, "show", str(tmp_path / "x.shot.json")]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as running:
        assert running.stderr is not None
        assert running.stderr.readline() == b"begun\n"
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=60)
    assert running.returncode == 130
    assert out == b""
    assert b"Traceback" not in err


@pytest.mark.parametrize("call", ["write", "fsync", "link", "replace"])
def test_ctrl_c_while_writing_leaves_the_old_file(
    call: str, shot: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    suggestion = shot.with_name("s.json")
    assert refine("suggest", shot, "--frames", FRAMES, "-o", suggestion).code == 0
    before = folder(shot.parent)

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, call, interrupted)
        result = refine("apply", shot, suggestion, "--in-place")
    assert (result.code, result.out, result.err) == (130, "", "")
    assert folder(shot.parent) == before


# --- terminals and letters ---


def on_a_terminal(*arguments: object, **environment: str) -> str:
    """What the command prints on a terminal."""
    ours, theirs = pty.openpty()
    env = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", **environment}
    with subprocess.Popen([*COMMAND, *map(str, arguments)], env=env, stdout=theirs, stderr=theirs) as running:
        os.close(theirs)
        printed = b""
        while select.select([ours], [], [], 60)[0]:
            try:
                part = os.read(ours, 65536)
            except OSError:  # Linux says so when the other end is closed
                break
            if not part:
                break
            printed += part
        running.wait(timeout=60)
    os.close(ours)
    return printed.decode()


def test_a_terminal_gets_emphasis_unless_no_color_is_set(shot: Path) -> None:
    arguments = ["suggest", shot, "--frames", FRAMES]
    assert "\x1b[1m" in on_a_terminal(*arguments)
    assert "\x1b" in on_a_terminal(*arguments, NO_COLOR="")  # an empty one doesn't count
    plain = on_a_terminal(*arguments, NO_COLOR="1")
    assert "\x1b" not in plain
    assert plain.replace("\r\n", "\n").endswith(refine(*arguments).out)  # nothing is said by emphasis alone


def test_letters_that_do_not_fit_the_terminal_do_no_harm(shot: Path) -> None:
    shot.write_text(shot.read_text().replace(f'"{HIPS}"', '"hüfte影"'))
    for encoding in ("ascii", "latin-1", "utf-8"):
        plain = process("show", shot, env={"PYTHONIOENCODING": encoding})
        assert (plain.returncode, plain.stderr) == (0, b"")
        shown = document(
            process("show", shot, "--json", env={"PYTHONIOENCODING": encoding}).stdout.decode(encoding),
            "show",
        )
        assert shown["controls"][0]["name"] == "hüfte影"
    assert "hüfte影" in process("show", shot, env={"PYTHONIOENCODING": "utf-8"}).stdout.decode()


def test_a_file_name_that_is_no_text_does_no_harm(shot: Path, tmp_path: Path) -> None:
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/r\xe9ach.shot.json"))
    shot.rename(odd)
    suggestion = tmp_path / "s.json"
    for arguments in (
        ["show", odd],
        ["show", odd, "--json"],
        ["suggest", odd, "--frames", FRAMES, "-o", suggestion],
    ):
        done = process(*arguments)
        assert (done.returncode, b"Traceback" in done.stderr) == (0, False)
    assert json.loads(suggestion.read_text())["changes"]
    done = process("apply", odd, suggestion, "--in-place")
    assert done.returncode == 0
    assert len(list(tmp_path.glob("*.before-1"))) == 1


# --- the way it is installed ---


def test_the_installed_command_is_the_same(shot: Path) -> None:
    command = Path(sys.executable).with_name("refine")
    if not command.exists():
        pytest.fail(f"the project isn't installed beside {sys.executable}: pip install -e .")
    done = subprocess.run([command, "show", shot], capture_output=True, check=True)
    assert done.stdout.decode() == refine("show", shot).out


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    waiting = tmp_path / "waiting.shot.json"
    os.mkfifo(waiting)
    with start("show", waiting, stdout=subprocess.PIPE) as running:
        out, err = running.communicate(timeout=60)
    assert (running.returncode, out) == (2, b"")
    assert b"no regular file" in err


# --- names that would break a line or steer the terminal ---


@pytest.mark.parametrize("words", [["show"], ["suggest", "--frames", FRAMES]], ids=" ".join)
def test_a_name_that_turns_the_direction_of_text_turns_nothing(words: list[str], tmp_path: Path) -> None:
    """Readers refuse control characters in names; this is what is left."""
    walk = write_bvh(tmp_path)
    plain = refine(words[0], walk, *words[1:])
    walk.write_bytes(walk.read_bytes().replace(b"ns:Chest.upper", "Chest\u202edlog".encode()))
    wild = refine(words[0], walk, *words[1:])
    assert wild.code == plain.code
    assert r"Chest\u202edlog" in wild.out
    assert "\u202e" not in wild.out + wild.err
    assert len(wild.out.splitlines()) == len(plain.out.splitlines())


def test_a_wild_name_in_an_error_stays_on_its_line(shot: Path) -> None:
    result = refine("suggest", shot, "--frames", FRAMES, "--controls", "no\nsuch\x1b[2Jone")
    assert result.code == 2
    assert len(result.err.splitlines()) == 1
    assert r"\x1b[2J" in result.err


def test_a_wild_file_name_stays_on_its_line_of_progress(tmp_path: Path) -> None:
    walk = write_bvh(tmp_path)
    walk.rename(tmp_path / "two\nlines.bvh")
    result = refine("clean", tmp_path / "two\nlines.bvh", "-o", tmp_path / "out")
    assert result.code == 0, result.err
    assert any(r"two\nlines.bvh" in line for line in result.err.splitlines())

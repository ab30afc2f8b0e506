"""The corpus of broken files through the command line: exit code 2, one line, nothing written, no traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bad_input.corpus import Bad, bad_files, lay_out
from tests.cli.console import assert_refused, folder, process, refine
from tests.cli.small_shots import write_shot

FILES = bad_files()


@pytest.mark.parametrize("bad", FILES, ids=lambda bad: bad[0])
def test_every_command_refuses_a_broken_file(bad: Bad, tmp_path: Path) -> None:
    path, sound = lay_out(tmp_path, bad), write_shot(tmp_path)
    suggestion = tmp_path / "suggestion.json"
    suggestion.write_text("{}")
    outputs = tmp_path / "out"
    outputs.mkdir()
    before = folder(tmp_path)
    for arguments in (
        ["show", path],
        ["show", path, "--json", "--quiet"],
        ["check", path, "--pictures", outputs],
        [
            "suggest",
            path,
            "--frames",
            "0:2",
            "-o",
            outputs / "s.json",
            "--picture",
            outputs / "s.svg",
            "--force",
        ],
        ["apply", path, suggestion, "--in-place"],
        ["apply", path, suggestion, "-o", outputs / path.name, "--undo"],
        ["diff", path, sound, "--picture", outputs / "d.svg"],
        ["diff", sound, path],
        ["compare", path, "--frames", "0:2", "-o", outputs],
    ):
        result = refine(*arguments)
        assert_refused(result, bad[0])
        assert len(result.err) < 700
    assert folder(tmp_path) == before


@pytest.mark.parametrize("bad", FILES[3::61], ids=lambda bad: bad[0])
def test_a_broken_file_ends_a_process_with_2(bad: Bad, tmp_path: Path) -> None:
    path = lay_out(tmp_path, bad)
    before = folder(tmp_path)
    done = process("suggest", path, "--frames", "0:2", "-o", tmp_path / "s.json")
    assert (done.returncode, done.stdout) == (2, b"")
    assert len(done.stderr.splitlines()) == 1
    assert b"Traceback" not in done.stderr
    assert folder(tmp_path) == before

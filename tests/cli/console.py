"""The command `refine` as its user meets it: arguments in; exit code, stdout and stderr out."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

import refine as package
from refine.cli import main

ROOT = Path(__file__).parents[2]
SCHEMAS = Path(str(package.__file__)).parent / "schemas"
COMMAND = (sys.executable, "-c", "from refine.cli import main; main(prog_name='refine')")

Folder = dict[str, bytes]


@dataclass(frozen=True, slots=True)
class Result:
    code: int
    out: str
    err: str


def refine(*arguments: object) -> Result:
    """Runs a command in this process. An error that isn't caught is a failed test, with its traceback."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    code: Any = None
    with redirect_stdout(out), redirect_stderr(err):
        try:
            main(args=[str(argument) for argument in arguments], prog_name="refine")
        except SystemExit as end:
            code = end.code
    assert isinstance(code, int)
    return Result(code, _written(out), _written(err))


def _written(stream: io.TextIOWrapper) -> str:
    stream.flush()
    stream.seek(0)
    return stream.read()


def process(*arguments: object, **options: Any) -> subprocess.CompletedProcess[bytes]:
    """Runs a command in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **options.pop("env", {})}
    words = [os.fsencode(argument) if isinstance(argument, Path) else argument for argument in arguments]
    options = {"capture_output": True, "timeout": 120, **options}
    return subprocess.run([*COMMAND, *words], env=environment, check=False, **options)  # type: ignore[call-overload,no-any-return]


@cache
def validator(kind: str) -> Draft202012Validator:
    return Draft202012Validator(json.loads((SCHEMAS / f"{kind}.schema.json").read_text()))


def document(text: str | bytes, kind: str) -> dict[str, Any]:
    """One JSON document, in the strict sense of the word, that its schema describes."""
    plain: dict[str, Any] = json.loads(text, parse_constant=_refuse)
    validator(kind).validate(plain)
    assert plain["schema"] == f"motion-refine/{kind}/1"
    return plain


def _refuse(constant: str) -> None:
    raise AssertionError(f"{constant} isn't JSON")


def folder(path: Path) -> Folder:
    """The files of a folder and those below it, with their bytes."""
    return {
        str(found.relative_to(path)): found.read_bytes()
        for found in sorted(path.rglob("*"))
        if found.is_file()
    }


def assert_refused(result: Result, *words: str) -> None:
    """Exit code 2, nothing on stdout, one line on stderr that says these words."""
    assert (result.code, result.out) == (2, "")
    lines = result.err.splitlines()
    assert len(lines) == 1, result.err
    assert lines[0].startswith("refine: ")
    for word in words:
        assert word in lines[0]


def flags_of(*arguments: object, code: int = 1) -> list[dict[str, Any]]:
    """The flags that `check --json` lists, by the schema."""
    result = refine("check", *arguments, "--json")
    assert result.code == code, result.err
    return list(document(result.out, "flags")["flags"])


def only_id(path: Path, *arguments: object) -> str:
    (flag,) = flags_of(path, *arguments)
    return str(flag["id"])


def unchanged(path: Path, before: Folder, *new: str) -> None:
    """The folder holds what it held, to the byte, and these new files."""
    after = folder(path)
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == set(new)

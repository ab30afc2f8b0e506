"""Any valid shot, however odd, through all commands: an answer, never a traceback; undo gives back the bytes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refine.formats import write
from refine.shot import Shot
from tests.cli.console import document, refine
from tests.strategies import shots

SLOW = settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
ANSWERS = (0, 2)  # 2: a camera may be collapsed to a point, or its angle of view no angle


def written(folder: Path, shot: Shot, table: bool) -> Path:
    path = folder / ("any.keys.csv" if table else "any.shot.json")
    path.write_bytes(write(shot, path))
    return path


@pytest.mark.property
@SLOW
@given(
    st.booleans().flatmap(lambda table: st.tuples(st.just(table), shots(not table, int(table)))),
    st.integers(0, 2),
)
def test_any_shot_gets_an_answer(given_shot: tuple[bool, Shot], strength: int) -> None:
    table, shot = given_shot
    with tempfile.TemporaryDirectory() as name:
        path = written(Path(name), shot, table)
        shown = refine("show", path, "--json")
        assert shown.code == 0, shown.err
        first, last = document(shown.out, "show")["frames"]
        assert refine("show", path).code == 0
        checked = refine("check", path, "--json")
        assert checked.code in (0, 1, 2), checked.err
        suggestion = path.with_name("s.json")
        options = ["--frames", f"{first}:{last}", "--strength", strength]
        result = refine("suggest", path, *options, "--json", "-o", suggestion)
        assert result.code in ANSWERS, result.err
        if result.code == 2:
            assert len([line for line in result.err.splitlines() if line.startswith("refine: ")]) == 1
            return
        found = document(result.out, "suggestion")
        for n in range(len(found["candidates"])):
            assert refine("suggest", path, *options, "--candidate", n + 1).code == 0
        there_and_back(path, suggestion)
        compared = refine("compare", path, "--frames", f"{first}:{last}", "--retime", "--json")
        assert compared.code == 0, compared.err
        document(compared.out, "comparison")


def there_and_back(path: Path, suggestion: Path) -> None:
    """Applied, told apart and undone."""
    ending = path.name.partition(".")[2]
    after, back = path.with_name(f"after.{ending}"), path.with_name(f"back.{ending}")
    applied = refine("apply", path, suggestion, "-o", after, "--json")
    assert applied.code == 0, applied.err
    made = document(applied.out, "applied")["made"]
    differing = refine("diff", path, after, "--json")
    assert differing.code == bool(made), differing.err
    document(differing.out, "diff")
    assert refine("apply", after, suggestion, "--undo", "-o", back).code == 0
    assert back.read_bytes() == path.read_bytes()

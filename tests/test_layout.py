"""The layout that DEVELOPERS.md describes: what lies where, who imports whom, and what is loaded when."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "refine",
    "constraints",
    "benchmarks",
    "tests",
    "demo",
}
OPTIONAL = {"distributed", "pyarrow"}  # used where they are installed, never needed
HEAVY = {"networkx", "cvxpy", "piqp", "scipy", "matplotlib", *OPTIONAL}
# These need names for annotations alone: the command line loads nothing, the rig's graph comes late.
ANNOTATING = {"refine.commands.outputs", "refine.commands.suggest", "refine.rig"}


@dataclass(frozen=True, slots=True)
class Import:
    """One imported module or name: who imports it, where, and how late."""

    module: str
    target: str  # dotted; a name inside a module is cut off where it is none of ours
    line: int
    late: bool  # inside a function
    annotating: bool  # under TYPE_CHECKING


def sources(package: str) -> dict[str, Path]:
    """The modules of one of our packages by their dotted names."""
    found = {}
    for path in sorted((ROOT / package).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


@cache
def imports() -> tuple[Import, ...]:
    """Every import of both packages."""
    known = {**sources("refine"), **sources("constraints")}
    return tuple(
        Import(module, target, node.lineno, late, annotating)
        for module, path in known.items()
        for node, late, annotating in import_nodes(ast.parse(path.read_text()))
        for target in targets(node, module, set(known))
    )


def import_nodes(
    tree: ast.AST, late: bool = False, annotating: bool = False
) -> Iterator[tuple[ast.Import | ast.ImportFrom, bool, bool]]:
    """Import statements, whether a function holds them, and whether TYPE_CHECKING guards them."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node, late, annotating
            continue
        inside = late or isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        guarded = annotating or (isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test))
        yield from import_nodes(node, inside, guarded)


def targets(node: ast.Import | ast.ImportFrom, module: str, known: set[str]) -> Iterator[str]:
    """The modules that a statement imports; `from refine import names` means the module refine.names."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
        return
    assert node.level == 0, f"{module}: relative import"
    base = node.module or ""
    for alias in node.names:
        whole = f"{base}.{alias.name}"
        yield whole if whole in known else base


def top(name: str) -> str:
    return name.partition(".")[0]


# --- files ---


def tracked() -> list[Path]:
    """The files that belong to the project: those that git knows, all but ignored ones without git."""
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0 or not done.stdout:
        pytest.skip("this copy of the project isn't a git repository")
    return [Path(line) for line in done.stdout.splitlines() if (ROOT / line).is_file()]


def test_only_the_named_entries_lie_at_the_top() -> None:
    entries = {path.parts[0] for path in tracked()}
    assert {entry for entry in entries if not entry.startswith(".")} == TOP_LEVEL


def test_modules_have_docstrings_and_a_readable_size() -> None:
    for module, path in {**sources("refine"), **sources("constraints")}.items():
        text = path.read_text()
        if not text:
            continue
        assert ast.get_docstring(ast.parse(text)), module
        assert len(text.splitlines()) <= 500, module


def test_nothing_names_this_machine_a_registry_or_how_the_project_was_made() -> None:
    """Built from pieces, so that this file doesn't hold the words itself."""
    words = ["/" + "work" + "/", "/" + "root" + "/", "/" + "home" + "/", "pypi" + r"\.org", "npm" + r"js\."]
    words += [
        "deb" + r"\.debian",
        "files" + r"\.pythonhosted",
        "TO" + r"DO\b",
        "FIX" + r"ME\b",
        "NotImplemented" + "Error",
    ]
    pattern = re.compile("|".join(words))
    found = []
    for path in tracked():
        if path.suffix in (".py", ".md", ".toml", ".json", ".svg", ".yml", "") and path != Path(
            "tests/test_layout.py"
        ):
            text = (ROOT / path).read_text(errors="replace")
            found += [f"{path}: {match[0]}" for match in pattern.finditer(text)]
    assert found == []


def test_each_tolerance_of_the_tests_is_named_once_and_used() -> None:
    named = Counter(
        (module, node.targets[0].id)
        for module, path in sources("tests").items()
        if path.name == "tolerances.py"
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    )
    used = {
        (node.module, alias.name)
        for path in sources("tests").values()
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert len(named) > 100
    assert [name for name, times in named.items() if times > 1 or name not in used] == []


# --- imports ---


def test_constraints_knows_nothing_of_refine_and_little_of_the_world() -> None:
    allowed = {"constraints", "numpy", "scipy", *sys.stdlib_module_names}
    mine = [each for each in imports() if top(each.module) == "constraints"]
    assert len(mine) > 20
    assert [each for each in mine if top(each.target) not in allowed] == []


def test_refine_imports_only_what_it_declares() -> None:
    declared = set(
        re.findall(
            r'^ {4}"([a-z]+)>=',
            (ROOT / "pyproject.toml").read_text().split("[project.optional")[0],
            re.MULTILINE,
        )
    )
    assert declared >= {"numpy", "scipy", "click"}
    allowed = {"refine", "constraints", *declared, *OPTIONAL, *sys.stdlib_module_names}
    assert [each for each in imports() if top(each.target) not in allowed] == []


def test_imports_go_one_way() -> None:
    """Also those inside functions and under TYPE_CHECKING: nothing escapes."""
    graph: dict[str, set[str]] = {}
    for each in imports():
        if (
            top(each.target) in ("refine", "constraints")
            and not each.annotating
            and each.target != each.module
        ):
            graph.setdefault(each.module, set()).add(each.target)
    assert len(graph) > 50
    try:
        order = list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(f"imports in a circle: {' -> '.join(error.args[1])}")
    assert order.index("refine.cli") > order.index("refine.suggest") > order.index("refine.shot")


def test_type_checking_is_no_way_around() -> None:
    assert {each.module for each in imports() if each.annotating} <= ANNOTATING


@pytest.mark.parametrize(
    ("module", "never"),
    [
        ("refine.problem", ["refine.solve"]),  # building never solves
        ("refine.curve", ["refine.formats", "refine.solve", "refine.suggest"]),
        ("refine.formats", ["refine.solve", "refine.suggest", "refine.pose", "refine.cli"]),
        ("refine.solve", ["refine.shot", "refine.motion", "refine.suggest", "refine.formats"]),
        ("refine", ["refine.cli"]),  # nobody needs the command line
        ("refine.commands.options", ["refine.formats", "refine.shot"]),  # help is quick
        ("refine", ["tests", "benchmarks", "demo"]),
    ],
)
def test_some_borders_are_never_crossed(module: str, never: list[str]) -> None:
    crossing = [
        each
        for each in imports()
        if within(each.module, module) and any(within(each.target, other) for other in never)
    ]
    assert crossing == []


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


def named_order() -> list[list[str]]:
    """The modules of refine in the order in which DEVELOPERS.md lists them, line by line, lowest first."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    block = text[text.index("\n    refine/") : text.index("\n    benchmarks/")]
    known = sources("refine")
    rows = [re.match(r" {6}(\S+(?: \S+)*?)(?: {2,}|$)", line) for line in block.splitlines()]
    names = [[f"refine.{word.strip('/')}" for word in row[1].split()] for row in rows if row]
    return [[name for name in line if name in known] for line in names]


def test_imports_go_down_the_list_of_the_developers_page() -> None:
    rank = {name: n for n, line in enumerate(named_order()) for name in line}
    assert {"refine.shot", "refine.pose", "refine.solve", "refine.suggest", "refine.cli"} <= set(rank)

    def place(name: str) -> int | None:
        return next(
            (rank[known] for known in sorted(rank, key=len, reverse=True) if within(name, known)), None
        )

    upward = []
    for each in imports():
        here, there = place(each.module), place(each.target)
        if here is not None and there is not None and there > here and not each.annotating:
            upward.append(f"{each.module} imports {each.target}, which DEVELOPERS.md lists above it")
    assert upward == []


# --- loading ---


def test_heavy_libraries_are_imported_where_they_are_used() -> None:
    early = [each for each in imports() if top(each.target) in HEAVY and not (each.late or each.annotating)]
    assert early == []


def test_help_loads_nothing_that_computes() -> None:
    command = [sys.executable, "-X", "importtime", "-c", "import refine.cli"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = {top(line.rpartition("|")[2].strip()) for line in done.stderr.splitlines()}
    assert "click" in loaded
    assert loaded & {*HEAVY, "numpy", "constraints"} == set()


@pytest.mark.parametrize(
    "module",
    [
        "refine.suggest",
        "refine.compare",
        "refine.review.illustrate",
        "refine.formats",
        "refine.clean.folder.batch",
    ],
)
def test_a_command_loads_the_heavy_libraries_only_when_it_comes_to_them(module: str) -> None:
    code = f"import sys, {module}; print(*[name for name in {sorted(HEAVY)!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []

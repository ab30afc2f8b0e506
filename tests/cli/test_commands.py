"""What all commands have in common: help, README, usage, --json, --quiet, outputs, the exit codes."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from refine.cli import main
from tests.cli.console import ROOT, assert_refused, document, folder, refine
from tests.cli.small_shots import FRAMES, write_shot

COMMANDS = sorted(main.commands)
README = (ROOT / "README.md").read_text()


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    return write_shot(tmp_path)


def options(command: click.Command) -> list[str]:
    """All spellings of a command's options."""
    return [name for each in command.params if isinstance(each, click.Option) for name in each.opts]


# --- help and README ---


@pytest.mark.parametrize("name", COMMANDS)
def test_help_names_every_option_and_says_something_about_it(name: str) -> None:
    result = refine(name, "--help")
    assert (result.code, result.err) == (0, "")
    assert result.out.startswith(f"Usage: refine {name}")
    command = main.commands[name]
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, option.name
            assert max(option.opts, key=len) in result.out
    assert (command.help or "").strip()


def test_the_help_of_the_whole_names_every_option_that_writes() -> None:
    every = {
        (name, o.help or "")
        for c in main.commands.values()
        for o in c.params
        if isinstance(o, click.Option)
        for name in o.opts
    }
    writing = {name for name, words in every if re.match("Write (?!over)|Replace FILE|.*: record it", words)}
    assert writing == {"--picture", "--pictures", "--in-place", "--keep", "-o", "--out"}
    words = re.findall(r"[-\w]+", refine("--help").out)
    assert writing - {"--out"} <= {*words}


def test_help_and_version_of_the_whole() -> None:
    for flag in ("--help", "-h"):
        assert refine(flag).code == 0
        assert all(name in refine(flag).out for name in COMMANDS)
    assert re.fullmatch(r"refine, version \d+\.\d+\.\d+\n", refine("--version").out)


def readme_sections() -> dict[str, str]:
    """What the README says about each command, by the heading that names it."""
    parts = re.split(r"^### `refine ([a-z]+)[^\n]*$", README, flags=re.MULTILINE)
    return {
        name: re.split(r"^#", text, flags=re.MULTILINE)[0]
        for name, text in zip(parts[1::2], parts[2::2], strict=True)
    }


def test_the_readme_has_a_section_for_each_command_and_no_other() -> None:
    assert sorted(readme_sections()) == COMMANDS


@pytest.mark.parametrize("name", COMMANDS)
def test_the_readme_documents_every_option(name: str) -> None:
    common = README[README.index("## The commands") : README.index("### `refine")]
    section = readme_sections()[name]
    missing = []
    for option in options(main.commands[name]):
        where = common if option in ("--json", "--quiet", "-q", "--help") else section
        if not re.search(rf"(?<![\w-]){re.escape(option)}(?![\w-])", where):
            missing.append(option)
    assert missing == []


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_that_the_readme_names_is_there(name: str) -> None:
    known = {*options(main.commands[name]), "--help", "-h", "--version"}
    assert set(re.findall(r"`(--?[a-z][a-z-]*)", readme_sections()[name])) <= known


def shown_commands() -> Iterator[list[str]]:
    """The command lines that the README shows."""
    for line in README.splitlines():
        match = re.match(r"(?: {4}|\$ )refine (.*)", line)
        if match:
            yield shlex.split(match[1])


def test_every_command_line_of_the_readme_is_understood() -> None:
    shown = list(shown_commands())
    assert len(shown) >= 3
    for name, *arguments in shown:
        main.commands[name].make_context(name, arguments).close()


# --- usage ---


@pytest.mark.parametrize(
    "arguments",
    [
        ["nothing"],
        ["suggest"],
        ["apply", "a.bvh"],
        ["diff", "a.bvh"],
        ["show"],
        ["show", "a.bvh", "b.bvh"],
        ["show", "a.bvh", "--colour"],
        ["suggest", "a.bvh", "--strength", "much"],
        ["suggest", "a.bvh", "--candidate", "1.5"],
        ["suggest", "a.bvh", "--frames"],
        ["clean", "-o", "out"],
        ["clean", "a.bvh"],
        ["clean", "a.bvh", "-o", "out", "--jobs", "0"],
    ],
    ids=" ".join,
)
def test_wrong_usage_ends_with_2_and_says_what_is_wrong(arguments: list[str]) -> None:
    result = refine(*arguments)
    assert (result.code, result.out) == (2, "")
    assert result.err.splitlines()[-1].startswith("Error: ")


def test_a_mistyped_command_is_met_with_the_near_one() -> None:
    assert "suggest" in refine("sugest").err


@pytest.mark.parametrize("command", ["suggest", "compare"])
def test_without_a_range_there_is_nothing_to_do(command: str, shot: Path) -> None:
    assert_refused(refine(command, shot), "--frames", "A:B", "0 to 96")


@pytest.mark.parametrize("command", ["suggest", "compare"])
@pytest.mark.parametrize("frames", ["", "a:b", "5:1", "1.5:3", "1:2:3", "97:120", "-9:-1", "1-3", "9" * 5000])
def test_a_range_that_is_none_is_refused(command: str, frames: str, shot: Path) -> None:
    assert_refused(refine(command, shot, "--frames", frames), "--frames")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--controls", "hops"], ["no control 'hops'", "hips"]),
        (["--controls", "hips,ns:arm"], ["no control 'ns:arm'", "ns:arm.L"]),
        (["--controls", ""], ["no control ''"]),
        (["--pin", "hop@30"], ["no control 'hop'", "hips"]),
        (["--pin", "hips.translation.z@30"], ["no such channel", "hips.translation.x"]),
        (["--pin", "hips"], ["no frame", "@FRAME"]),
        (["--pin", "hips@400"], ["outside the shot", "0 to 96"]),
        (["--camera", "side"], ["no camera 'side'", "side, front"]),
    ],
    ids=lambda value: " ".join(value)[:40],
)
@pytest.mark.parametrize("command", ["suggest", "compare"])
def test_an_unknown_name_is_met_with_near_ones(
    command: str, arguments: list[str], words: list[str], shot: Path
) -> None:
    assert_refused(refine(command, shot, "--frames", FRAMES, *arguments), *words)


@pytest.mark.parametrize(
    "arguments",
    [
        ["suggest", "--strength", "-1"],
        ["suggest", "--strength", "nan"],
        ["suggest", "--strength", "inf"],
        ["suggest", "--strength", "1001"],
        ["suggest", "--strength", "1e-320"],
        ["suggest", "--candidate", "0"],
        ["suggest", "--candidate", "99"],
        ["compare", "--strengths", ""],
        ["compare", "--strengths", "1,much"],
        ["compare", "--strengths", "1,-2"],
        ["compare", "--strengths", "nan"],
        ["compare", "--strengths", "1,1e308"],
        ["compare", "--strengths", "1,0.5,1"],
        ["compare", "--strengths", "0,-0"],
        ["compare", "--strengths", "1,1.0000001"],
    ],
    ids=" ".join,
)
def test_a_number_out_of_bounds_is_refused(arguments: list[str], shot: Path) -> None:
    command, *rest = arguments
    assert_refused(refine(command, shot, "--frames", FRAMES, *rest), rest[0])


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("Unable to allocate 1.30 GiB for an array with shape (9, 9)", "unable to allocate 1.30 GiB;"),
        ("", "isn't enough;"),
    ],
)
def test_a_shot_that_is_too_large_for_the_machine_is_refused(
    shot: Path, monkeypatch: pytest.MonkeyPatch, said: str, words: str
) -> None:
    def posed(*_: object) -> None:
        raise MemoryError(said)

    monkeypatch.setattr("refine.flags.stage.pose", posed)
    assert_refused(refine("check", shot), "memory", words, "cut it into parts")


# --- streams ---


def runs(folder: Path) -> dict[str, list[object]]:
    """Each command on something that it has to say a lot about."""
    shot = write_shot(folder)
    suggestion, mended = folder / "s.json", folder / "mended.shot.json"
    assert refine("suggest", shot, "--frames", FRAMES, "-o", suggestion).code == 0
    assert refine("apply", shot, suggestion, "-o", mended).code == 0
    return {
        "show": [shot],
        "check": [shot, "--at-least", "note"],
        "suggest": [shot, "--frames", FRAMES],
        "apply": [shot, suggestion],
        "diff": [shot, mended],
        "compare": [shot, "--frames", FRAMES, "--strengths", "0.5,1"],
    }


KINDS = {
    "show": "show",
    "check": "flags",
    "suggest": "suggestion",
    "apply": "applied",
    "diff": "diff",
    "compare": "comparison",
}


@pytest.mark.parametrize(
    "name", [name for name in COMMANDS if name != "clean"]
)  # see test_clean: it has to write
def test_stdout_carries_only_the_result_and_nothing_is_written(name: str, tmp_path: Path) -> None:
    arguments = runs(tmp_path)[name]
    before = folder(tmp_path)
    plain, quiet, as_json = (refine(name, *arguments, *more) for more in ([], ["--quiet"], ["--json", "-q"]))
    expected = 1 if name in ("diff", "check") else 0
    assert [plain.code, quiet.code, as_json.code] == [expected] * 3
    assert plain.out == quiet.out != ""
    assert quiet.err == as_json.err == ""
    assert "\x1b" not in plain.out + plain.err  # this is no terminal
    document(as_json.out, KINDS[name])
    assert folder(tmp_path) == before


@pytest.mark.parametrize("name", COMMANDS)
def test_quiet_keeps_errors(name: str, tmp_path: Path) -> None:
    more: list[object] = {"suggest": ["--frames", "1:2"], "compare": ["--frames", "1:2"]}.get(name, [])
    more += ["-o", tmp_path / "out"] if name == "clean" else []
    second = [tmp_path / "other.bvh"] if name in ("apply", "diff") else []
    assert_refused(refine(name, tmp_path / "gone.bvh", *second, *more, "--quiet"), "gone.bvh", "no such file")


# --- outputs ---


def outputs(folder: Path) -> dict[str, list[object]]:
    """Each command that writes, up to the name of its output."""
    ready = runs(folder)
    return {
        "suggest": ["suggest", *ready["suggest"], "-o"],
        "picture": ["suggest", *ready["suggest"], "--picture"],
        "apply": ["apply", *ready["apply"], "-o"],
        "diff": ["diff", *ready["diff"], "--picture"],
    }


@pytest.mark.parametrize("name", ["suggest", "picture", "apply", "diff"])
def test_an_output_is_never_a_source(name: str, tmp_path: Path) -> None:
    command = outputs(tmp_path)[name]
    sources = [tmp_path / "reach.shot.json"]
    sources += [tmp_path / "s.json"] if name == "apply" else []
    sources += [tmp_path / "mended.shot.json"] if name == "diff" else []
    (tmp_path / "link.shot.json").symlink_to(sources[0])
    (tmp_path / "same.shot.json").hardlink_to(sources[0])
    before = folder(tmp_path)
    for target in (*sources, tmp_path / "link.shot.json", tmp_path / "same.shot.json"):
        for force in ([], ["--force"]):
            assert_refused(refine(*command, target, *force), "source", target.name)
    assert folder(tmp_path) == before


@pytest.mark.parametrize("name", ["suggest", "picture", "apply", "diff"])
def test_an_existing_output_needs_force(name: str, tmp_path: Path) -> None:
    command = outputs(tmp_path)[name]
    target = tmp_path / "out.shot.json"
    target.write_text("mine")
    assert_refused(refine(*command, target), "there already", "--force")
    assert target.read_text() == "mine"
    assert refine(*command, target, "--force").code in (0, 1)
    assert len(target.read_bytes()) > 100


@pytest.mark.parametrize("name", ["suggest", "picture", "apply", "diff"])
def test_an_output_that_cannot_be_is_refused(name: str, tmp_path: Path) -> None:
    command = outputs(tmp_path)[name]
    before = folder(tmp_path)
    (tmp_path / "folder.shot.json").mkdir()
    for target in ("nowhere/x.shot.json", "n" * 300 + ".shot.json", "folder.shot.json", "s.json/x.shot.json"):
        for force in ([], ["--force"]):
            assert_refused(refine(*command, tmp_path / target, "--quiet", *force), target[-12:])
    assert folder(tmp_path) == before


def test_of_two_outputs_none_is_written_if_one_may_not_be(tmp_path: Path) -> None:
    command = outputs(tmp_path)["picture"]
    before = folder(tmp_path)
    assert_refused(
        refine(*command, tmp_path / "new.svg", "-o", tmp_path / "s.json"), "s.json", "there already"
    )
    for force in ([], ["--force"]):
        both = [tmp_path / "new.svg", "-o", tmp_path / "new.svg"]
        assert_refused(refine(*command, *both, *force), "new.svg", "two outputs")
    assert folder(tmp_path) == before

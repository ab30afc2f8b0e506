"""Which clips a cleaning is about: files, folders and patterns, and where each goes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from refine.clean.folder.inputs import check_places, found, links_left
from refine.errors import InputError
from tests.clean.stand_in import write_clip


@pytest.fixture
def takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Clips in some folders, with what isn't a clip beside them; the present folder is above them."""
    for name in (
        "walk.bvh",
        "day_1/walk.bvh",
        "day_1/RUN.BVH",
        "day_2/deep/sit.shot.json",
        "day_2/x.keys.csv",
    ):
        write_clip(tmp_path / "takes" / name)
    for name in ("notes.txt", "walk.marks.json", ".hidden.bvh", ".cache/old.bvh", "day_1/.refine-0.part"):
        write_clip(tmp_path / "takes" / name)
    monkeypatch.chdir(tmp_path)
    return Path("takes")


def places(*paths: str | Path, out: str = "out") -> list[str]:
    return [source.place for source in found([Path(path) for path in paths], Path(out))]


ALL = ["day_1/RUN.BVH", "day_1/walk.bvh", "day_2/deep/sit.shot.json", "day_2/x.keys.csv", "walk.bvh"]


def test_a_folder_means_the_clips_in_it_and_below(takes: Path) -> None:
    assert places(takes) == ALL
    assert places(takes / "day_2", takes / "walk.bvh") == ["deep/sit.shot.json", "walk.bvh", "x.keys.csv"]


def test_a_pattern_keeps_places_from_its_first_wildcard_on(takes: Path) -> None:
    assert places("takes/day_*/*.bvh") == ["day_1/walk.bvh"]
    assert places("takes/**/*") == ALL
    assert places("takes/**") == ALL
    assert places("takes/day_?") == ALL[:-1]
    assert places("*/walk.bvh") == ["takes/walk.bvh"]
    assert places(Path.cwd() / "takes/w*.bvh") == ["walk.bvh"]


def test_links_that_go_round_change_no_place(takes: Path) -> None:
    (takes / "again").symlink_to("../takes")
    assert places("takes/**/*") == ALL


def test_a_name_with_a_wildcard_in_it_is_a_name_first(takes: Path) -> None:
    write_clip(takes / "take[1].bvh")
    assert places("takes/take[1].bvh") == ["take[1].bvh"]


def test_earlier_results_are_not_found_again(takes: Path) -> None:
    write_clip(takes / "out/walk.bvh")
    assert places(takes, out="takes/out") == ALL
    assert places("takes/**/*.bvh", out="takes/out") == ["day_1/walk.bvh", "walk.bvh"]
    assert "out/walk.bvh" in places(takes)


def test_a_clip_that_is_named_twice_counts_once(takes: Path) -> None:
    (takes / "day_1/same.bvh").symlink_to("walk.bvh")
    assert places(takes / "walk.bvh", takes, "takes/*.bvh").count("walk.bvh") == 1
    assert places(takes / "day_1") == ["RUN.BVH", "same.bvh"]


def test_a_circle_of_folders_ends(takes: Path) -> None:
    (takes / "day_1/up").symlink_to("..")
    assert places(takes) == ALL


@pytest.mark.parametrize(
    "path", ["gone.bvh", "takes/gone", "empty", "takes/*.fbm", "takes/notes.txt", "takes/[.bvh"]
)
def test_what_means_no_clip_is_refused(path: str, takes: Path) -> None:
    Path("empty").mkdir()
    with pytest.raises(InputError) as caught:
        found([takes, Path(path)], Path("out"))
    assert path in str(caught.value)


@pytest.mark.parametrize("path", ["gone", "gone.bvh", "gone.txt"])
def test_a_name_of_nothing_is_said_to_be_that(path: str, takes: Path) -> None:
    with pytest.raises(InputError, match="there is no such file or folder"):
        found([Path(path)], Path("out"))


@pytest.mark.skipif(os.geteuid() == 0, reason="root reads everything")
def test_a_folder_that_cannot_be_read_is_said(takes: Path) -> None:
    (takes / "day_1").chmod(0)
    try:
        with pytest.raises(InputError, match="permissions"):
            places(takes)
    finally:
        (takes / "day_1").chmod(0o755)


def check(*paths: str | Path, out: str = "out", keyed: bool = False) -> None:
    check_places(found([Path(path) for path in paths], Path(out)), Path(out), keyed)


def test_two_clips_for_one_place_are_refused(takes: Path) -> None:
    with pytest.raises(InputError) as caught:
        check("takes/walk.bvh", "takes/day_1/walk.bvh")
    for word in ("takes/walk.bvh", "takes/day_1/walk.bvh", "out/walk.bvh", "folder"):
        assert word in str(caught.value)
    check(takes)


def test_endings_that_become_one_are_refused(takes: Path) -> None:
    write_clip(takes / "day_2/x.bvh")
    check(takes / "day_2")
    with pytest.raises(InputError, match=r"x\.shot\.json"):
        check(takes / "day_2", keyed=True)


def test_names_that_differ_in_case_alone_are_refused(takes: Path) -> None:
    write_clip(takes / "day_1/Walk.bvh")
    if len(os.listdir(takes / "day_1")) == 3:
        pytest.skip("this disk doesn't tell them apart either")
    with pytest.raises(InputError, match="both go there"):
        check(takes / "day_1")


def test_two_clips_may_share_their_side_file_but_not_have_two(takes: Path) -> None:
    write_clip(takes / "walk.keys.csv")  # beside walk.bvh and walk.marks.json
    check(takes)
    write_clip(takes / "day_1/walk.marks.json")
    write_clip(takes / "day_1/walk.keys.csv")
    with pytest.raises(InputError, match=r"walk\.marks\.json"):
        check("takes/walk.bvh", "takes/day_1/walk.keys.csv")


@pytest.mark.parametrize("out", ["takes", "takes/../takes", "."])
def test_a_result_never_goes_over_what_is_read(out: str, takes: Path) -> None:
    if out == ".":
        check(takes, out=out)  # goes to ./walk.bvh, which nobody reads
        write_clip(Path("walk.bvh"))
        with pytest.raises(InputError, match="file that is read"):
            check("walk.bvh", out=out)
    else:
        with pytest.raises(InputError, match="file that is read"):
            check(takes, out=out)


def test_links_to_folders_are_told_and_not_followed(takes: Path) -> None:
    """One may lead round to where it stands."""
    (takes / "day_1" / "round").symlink_to(takes.resolve())
    assert places(takes) == ALL
    assert list(links_left([takes])) == [takes / "day_1" / "round"]


def test_patterns_that_go_through_folders_end_where_links_go_round(takes: Path) -> None:
    (takes / "day_1" / "round").symlink_to(takes.resolve())
    assert places("takes/**/**/**/*.bvh") == ["day_1/walk.bvh", "walk.bvh"]
    assert places("takes/**/day_?/**") == ALL[:-1]
    assert places("takes/**/deep/*") == ["day_2/deep/sit.shot.json"]
    assert places("**/[rw]*.bvh") == ["takes/day_1/walk.bvh", "takes/walk.bvh"]

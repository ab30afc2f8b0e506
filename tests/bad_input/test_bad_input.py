"""Every broken file of the corpus is refused by `refine.formats.read` with one line that names it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from refine.errors import InputError
from refine.formats import ENDINGS, read
from tests.bad_input.corpus import BVH, SHOT, SIDE, TABLE, Bad, bad_files, lay_out


@pytest.mark.parametrize("bad", bad_files(), ids=lambda bad: bad[0])
def test_a_broken_file_is_refused_in_one_line_with_its_name(bad: Bad, tmp_path: Path) -> None:
    path = lay_out(tmp_path, bad)
    before = {found.name: found.read_bytes() for found in tmp_path.iterdir()}
    with pytest.raises(InputError) as caught:
        read(path)
    message = str(caught.value)
    assert bad[0] in message
    assert len(message.splitlines()) == 1
    assert message.isprintable()
    assert len(message) < 600
    assert {found.name: found.read_bytes() for found in tmp_path.iterdir()} == before


def test_the_corpus_is_large_and_its_names_differ() -> None:
    names = [name for name, _ in bad_files()]
    assert len(names) == len(set(names))
    for ending in (*ENDINGS, ".marks.json"):
        assert sum(name.endswith(ending) for name in names) >= 20
    assert len(names) >= 60


def test_what_the_corpus_breaks_is_sound(tmp_path: Path) -> None:
    """Otherwise a file could be refused for another reason than the one it was made for."""
    sound = {
        "a.shot.json": json.dumps(SHOT),
        "b.keys.csv": TABLE,
        "c.bvh": BVH,
        "c.marks.json": json.dumps(SIDE),
    }
    for name, text in sound.items():
        (tmp_path / name).write_text(text)
    for name in ("a.shot.json", "b.keys.csv", "c.bvh"):
        assert read(tmp_path / name).shot.controls


def test_what_is_no_readable_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder.shot.json").mkdir()
    (tmp_path / "loop.bvh").symlink_to(tmp_path / "loop.bvh")
    (tmp_path / "dangling.bvh").symlink_to(tmp_path / "nowhere.bvh")
    (tmp_path / "no_ending").write_text(BVH)
    shutil.copy(tmp_path / "no_ending", tmp_path / "walk.bvh.gz")
    names = [
        "folder.shot.json",
        "loop.bvh",
        "dangling.bvh",
        "no_ending",
        "walk.bvh.gz",
        "missing.bvh",
        "n" * 300 + ".bvh",
    ]
    for name in names:
        with pytest.raises(InputError) as caught:
            read(tmp_path / name)
        assert name in str(caught.value)
        assert "\n" not in str(caught.value)


def test_a_side_file_that_cannot_be_there_does_no_harm(tmp_path: Path) -> None:
    longest = tmp_path / ("n" * 250 + ".bvh")  # the name of its side file would be too long
    longest.write_text(BVH)
    assert read(longest).side is None

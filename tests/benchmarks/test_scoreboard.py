"""The scoreboard plants what it says: a row for each fault, sizes measured another way, one seed one fault."""

from __future__ import annotations

import itertools
import tomllib
from functools import lru_cache
from importlib import resources

import numpy as np
import pytest
from scipy.signal import welch
from scipy.spatial.transform import Rotation

from benchmarks.planted.catalogue import ROWS
from benchmarks.planted.planted import CATALOGUE, SIZES, Row, Size, Truth
from benchmarks.scoreboard import table
from benchmarks.scored import Outcome, Trial, found_by, names_cause, rows
from refine.flags.flag import Cause, Flag
from refine.pose import Point, pose, world_point
from refine.shot import Array, Shot
from tests.benchmarks.tolerances import PLANTED, SLID_BETWEEN_KEYS, WELCH
from tests.open_clips import clip_or_skip
from tests.tolerances import SAME_TURN

# The catalogue's rows by the names of the flags [doc: the catalogue of faults].
FAULTS = {
    "uneven spacing", "kinked arc", "stray slope", "spike", "jitter", "dead stop", "too much overshoot",
    "sliding contact", "through floor", "straight limb pop", "angle wrap", "gaze off target", "eyes diverge",
    "never animated", "twinned sides", "frozen hold", "missing overlap", "loop seam", "dropout", "doubled key",
    "off-frame key", "past limit", "changed bone length", "leftover step", "false flight", "attachment pop",
}  # fmt: skip
# Sizes that are found in the shot, not made, or measured to a part of a frame; keyed jumps aren't quite parabolas.
LOOSE = {"never animated", "false flight", "loop seam", "missing overlap"}
QUICK = ("moved key, keyed", "angle wrap, baked", "sliding contact, keyed")


@pytest.fixture(scope="module", autouse=True)
def clip() -> str:
    clip_or_skip("01_01")
    return "01_01"


@lru_cache
def anywhere(name: str) -> tuple[Shot, Shot, Truth]:
    """The first of some seeds and sizes that has a place for the fault."""
    return next(found for seed in range(3) for size in SIZES if (found := made(name, size, seed)) is not None)


def made(name: str, size: Size, seed: int) -> tuple[Shot, Shot, Truth] | None:
    (row,) = rows([name])
    base = row.base("01_01", seed)
    found = row.plant(base, seed, size)
    return None if found is None else (found[1].sound or base, *found)


@lru_cache
def planted(name: str, size: Size, seed: int = 0) -> tuple[Shot, Shot, Truth]:
    """The sound shot, the faulty one and the truth."""
    found = made(name, size, seed)
    assert found is not None
    return found


def test_each_fault_of_the_catalogue_and_of_the_tool_has_a_row() -> None:
    named = {row.fault for row in ROWS}
    assert named >= FAULTS
    table = tomllib.loads(resources.files("refine.flags").joinpath("thresholds.toml").read_text("utf-8"))
    assert named >= {name.replace("-", " ") for name in table}
    assert named == set(CATALOGUE)
    assert len({row.name for row in ROWS}) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_a_planted_fault_is_a_fault_by_the_rows_own_measure_and_the_sound_shot_has_none(row: Row) -> None:
    sound, faulty, truth = anywhere(row.name)
    amount = row.measure(faulty, sound, truth)
    assert not row.scale.sound(amount)
    if row.fault not in LOOSE:
        assert amount == pytest.approx(truth.size, rel=PLANTED)
    assert truth.fault == row.fault
    assert [c.name for c in sound.controls] == [c.name for c in faulty.controls]
    if not row.banded and row.fault != "false flight":  # the sound jump lands on another frame
        assert row.scale.sound(row.measure(sound, sound, truth))


@pytest.mark.parametrize("name", QUICK)
def test_the_seed_decides_all(name: str) -> None:
    (row,) = rows([name])
    again = row.plant(row.base("01_01", 0), 0, "warn")
    other = row.plant(row.base("01_01", 1), 1, "warn")
    assert again is not None
    assert other is not None
    _, faulty, truth = planted(name, "warn")
    assert again[0] == faulty
    assert again[1] == truth
    assert other[1] != truth


# --- sizes, measured another way -------------------------------------------------------------------------


def pixels(shot: Shot, point: Point, frames: Array) -> Array:
    """A pinhole by hand: level, turned about the vertical axis, square pixels [mem]."""
    camera = shot.cameras[0]
    world = world_point(pose(shot, frames), shot, point) - np.array(camera.control.rest_translation)
    inside = Rotation.from_quat(camera.control.rest_rotation).inv().apply(world)
    focal = camera.height / 2 / np.tan(np.deg2rad(camera.vertical_angle) / 2)
    return np.column_stack([inside[:, 0], -inside[:, 1]]) * focal / -inside[:, [2]]


@pytest.mark.parametrize("size", SIZES)
def test_a_moved_key_is_off_by_its_pixels(size: Size) -> None:
    sound, faulty, truth = planted("moved key, keyed", size)
    assert truth.point is not None
    at = np.array(truth.keys)
    off = np.linalg.norm(pixels(faulty, truth.point, at) - pixels(sound, truth.point, at))
    assert off == pytest.approx({"warn": 1.5, "error": 12.0}[size], rel=PLANTED)


@pytest.mark.parametrize("size", SIZES)
def test_jitter_has_its_power_above_six_hertz(size: Size) -> None:
    """[lib] scipy's Welch estimate of the path's spectrum over the planted range."""
    _, faulty, truth = planted("jitter, baked", size)
    assert truth.point is not None
    path = pixels(faulty, truth.point, np.arange(truth.frames[0], truth.frames[1] + 1.0))
    hz, density = welch(path - path.mean(axis=0), faulty.fps, nperseg=len(path), detrend="linear", axis=0)
    rms = np.sqrt(density[hz >= 6.0].sum() * (hz[1] - hz[0]))
    assert rms == pytest.approx({"warn": 0.6, "error": 1.5}[size], rel=WELCH)


@pytest.mark.parametrize("size", SIZES)
def test_a_dropout_repeats_its_samples(size: Size) -> None:
    _, faulty, truth = planted("dropout, baked", size)
    samples = faulty.control(truth.control).channels[0].samples
    assert samples is not None
    longest = max(len(list(group)) for _, group in itertools.groupby(samples[:, 0].tolist()))
    assert longest == truth.size == {"warn": 5, "error": 12}[size]


@pytest.mark.parametrize("size", SIZES)
def test_a_baked_wrap_is_the_same_rotation_written_otherwise(size: Size) -> None:
    """[lib] scipy's Rotation."""
    sound, faulty, truth = planted("angle wrap, baked", size)
    turns = []
    for shot in (sound, faulty):
        control = shot.control(truth.control)
        angles = [control.channel(f"rotation.{axis}") for axis in control.order]
        columns = np.column_stack([c.samples for c in angles if c is not None and c.samples is not None])
        turns.append(Rotation.from_euler(control.order.upper(), columns, degrees=True))
        largest = np.abs(np.diff(columns, axis=0)).max()
    assert (turns[0].inv() * turns[1]).magnitude().max() < SAME_TURN
    assert largest > {"warn": 120, "error": 270}[size]


@pytest.mark.parametrize("size", SIZES)
def test_a_bone_grows_by_its_share_and_a_foot_slides_by_its_millimetres(size: Size) -> None:
    _, faulty, truth = planted("changed bone length, baked", size)
    posed = pose(faulty, faulty.frames)
    a, b = (posed.origin[faulty.index(name)] for name in (truth.way, truth.control))
    length = np.linalg.norm(a - b, axis=1)
    share = np.abs(length / length[0] - 1).max()
    assert share == pytest.approx({"warn": 0.015, "error": 0.045}[size], rel=PLANTED)
    _, walk, truth = planted("sliding contact, keyed", size)
    ankle = pose(walk, walk.frames).origin[walk.index(truth.controls[-1])]
    stood = ankle[truth.frames[0] : truth.frames[1] + 1, ::2]
    drift = 1000 * np.linalg.norm(stood - stood[0], axis=1).max()
    assert drift == pytest.approx({"warn": 7.5, "error": 30.0}[size], rel=SLID_BETWEEN_KEYS)


# --- the score -------------------------------------------------------------------------------------------


def flag(fault: str, control: str, cause: Cause, frames: tuple[int, int] = (50, 50), px: float = 3.0) -> Flag:
    return Flag(fault, control, cause.channel, frames, "warn", px, "px", cause, "", "", px)


def test_only_the_right_name_at_the_right_time_and_place_is_a_find() -> None:
    _, faulty, truth = planted("moved key, keyed", "warn")
    control, channel, (key,) = truth.control, truth.channels[0], truth.keys
    at = int(key), int(key)
    right = flag("moved key", control, Cause(control, channel, (key,)), at)
    late = flag("moved key", control, Cause(control, channel, (key,)), (at[0] + 60, at[0] + 60))
    other = flag("jitter", control, Cause(control, channel, (key,)), at)
    note = Flag(**{**{n: getattr(right, n) for n in right.__slots__}, "severity": "note"})
    assert found_by([late, other, note, right], [], truth, faulty) == [right]
    assert found_by([right], [right], truth, faulty) == []  # the sound shot has it too
    assert names_cause(right, truth)
    assert not names_cause(flag("moved key", control, Cause(control, channel, (key, key + 4)), at), truth)
    assert not names_cause(flag("moved key", control, Cause(control, "rotation.none", (key,)), at), truth)
    assert not names_cause(flag("moved key", control, Cause("none", channel, (key,)), at), truth)


def test_the_table_counts_by_hand() -> None:
    def done(size: Size, seed: int, **fields: object) -> Outcome:
        return Outcome(Trial("spike, baked", "01_01", seed, size), True, **fields)  # type: ignore[arg-type]

    outcomes = [
        done("warn", 0, found=True, named=True, mended=True, recovery=0.9),
        done("warn", 1),
        done("error", 0, found=True, named=False, mended=True, recovery=-0.5, worse=True, new_error=True),
        done("error", 1, found=True, named=True),
        Outcome(Trial("spike, baked", "01_01", 2, "error"), False),
    ]
    cells = [cell.strip() for cell in list(table(outcomes))[-1].split("|")[1:-1]]
    assert cells == [
        "spike, baked",
        "2 + 2",
        "50 % !",
        "100 %",
        "66.7 % !",
        "66.7 %",
        "0.20 !",
        "50 % !",
        "50 % !",
    ]

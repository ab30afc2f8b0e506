"""What feet ask for: what is a slide and what isn't, and that those that were planted ask for no more."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from benchmarks.cleaning.table import first_seconds, table, with_table
from benchmarks.cleaning.trial import degraded_of, evaluate
from benchmarks.cleaning.truth import raw
from refine.clean import clip
from refine.clean.clip import cleaned
from refine.clean.feet.footing import Footing, footing
from refine.clean.feet.plant import Planting, planted
from refine.clean.folder.rows import LEAST as LEAST_DECIMALS
from refine.clean.settings import Settings
from refine.limbs.limb import figure
from refine.limbs.planted import Planted
from refine.limbs.planting import minimum_jerk
from refine.pose import pose
from refine.shot import Array, Limits, Shot
from tests.clean.shots import rms_moved
from tests.clean.tolerances import AGAIN_PLANTED, SECOND_RUN, STANDING_STILL
from tests.clean.walks import FOOT, path, smoothed, walk
from tests.open_clips import clip_or_skip

CLIPS = ("01_01", "01_03", "Boxing_Toes")
T = np.linspace(0.0, 1.0, 121)  # s


# --- what is a slide ---------------------------------------------------------------------------------------


def asked(along: Array) -> Footing:
    """What a found contact of a foot that goes along a level line (121,) in m asks for, when it has no noise."""
    shot = walk(False)[0]
    limb = next(limb for limb in figure(shot)[0] if limb.end == FOOT.control)
    way = np.stack([along, np.zeros(121), np.zeros(121)], axis=1)
    anchor = np.broadcast_to(np.median(way, axis=0), way.shape)
    contact = Planted(FOOT, np.arange(100.0, 221.0), anchor, way, FOOT.control, False, limb)
    return footing(shot, contact, 1.0, np.zeros((len(shot.frames), 3)))


@pytest.mark.parametrize("size", [0.05, 0.08])
@pytest.mark.parametrize("rocking", [0.0, 0.004])
def test_a_foot_that_creeps_slides(size: float, rocking: float) -> None:
    found = asked(size * (0.5 - 0.5 * np.cos(np.pi * T)) + rocking * np.sin(6 * np.pi * T))
    assert found.slides
    assert found.needed > 0.2 * size


@pytest.mark.parametrize(
    "along",
    [
        0.018 * np.sin(2 * np.pi * T),  # it rocks, and comes back
        0.05 * minimum_jerk((T - 0.4) / 0.2),  # it shuffles, and stands before and after
        0.03 * T,  # it goes no farther than feet of captures do
    ],
)
def test_a_foot_that_rocks_or_shuffles_or_hardly_moves_doesn_t(along: Array) -> None:
    assert not asked(along).slides


def test_a_slide_once_taken_out_is_none() -> None:
    along = 0.06 * minimum_jerk(T / 0.9)
    first = asked(along)
    assert first.slides
    assert not asked(along + first.at(np.arange(100.0, 221.0))[:, 0]).slides


def test_feet_of_the_truth_may_slide() -> None:
    """They do by 20 mm in this clip: taking that out cost more than all their noise is worth."""
    clip_or_skip("01_01")

    def unplanted(shot: Shot) -> Shot:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(clip, "planted", lambda given, *rest, **more: Planting(given, (), (0.0, 0.0), {}))
            return cleaned(shot, Settings()).shot

    done = [
        evaluate(method, "01_01", "white-0.1", seconds=8.0)
        for method in (lambda shot: cleaned(shot, Settings()).shot, unplanted)
    ]
    assert done[0].rms <= done[1].rms
    assert done[0].planted <= done[0].planted_truth


# --- feet that stand ask for no more -----------------------------------------------------------------------


@pytest.mark.parametrize("name", CLIPS)
def test_contacts_are_those_that_the_planted_feet_show(name: str) -> None:
    """A foot that stands is seen to stand longer, and to go on standing where two contacts were seen."""
    shot = smoothed(name)
    once = planted(shot)
    twice = planted(once.shot)
    spans = [[(c.point, c.frames[0], c.frames[-1]) for c in done.contacts] for done in (once, twice)]
    assert spans[0] == spans[1]
    apart = pose(twice.shot, shot.frames).origin - pose(once.shot, shot.frames).origin
    assert float(np.abs(apart).max()) * figure(shot)[1] * 1000 < SECOND_RUN


@lru_cache(maxsize=8)
def given(name: str, degradation: str) -> Shot:
    shot = raw(name) if degradation == "raw" else degraded_of(name, degradation, 0, 12.0).shot
    return first_seconds(shot, 12.0)


@pytest.mark.parametrize("degradation", ["raw", "white-0.1", "drift"])
@pytest.mark.parametrize("name", CLIPS)
def test_a_second_cleaning_hardly_moves_anything(name: str, degradation: str) -> None:
    """Of a renamed copy, its numbers as a file has them, and its feet planted."""
    clip_or_skip(name)
    shot = given(name, degradation)
    once = cleaned(shot, Settings()).shot
    once = with_table(once, np.round(table(once).values, LEAST_DECIMALS))
    again = cleaned(once, Settings()).shot
    assert rms_moved(once, again) < AGAIN_PLANTED * rms_moved(shot, once)


def test_what_was_planted_in_part_isn_t_told_as_left() -> None:
    """A knee at its limit lets a foot go only part of the way; asked for the rest it would hardly slide less."""
    bad = walk(True)[1]
    channel = bad.control("shin.L").channel("rotation.x")
    assert channel is not None
    shot = bad.with_channel("shin.L", replace(channel, limits=Limits(upper=30.0)))
    done = planted(shot)
    assert done.left
    for each in done.left:
        inner = each.contact.frames[each.contact.core(20)].astype(np.intp)
        moved = path(done.shot, each.contact.point) - path(shot, each.contact.point)
        assert float(np.abs(moved[inner]).max()) * 1000 < STANDING_STILL

"""Contact and extension: each holds when it is on and is broken when it is off, by the same penalties."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pytest

from constraints.affine import Affine
from constraints.contact import Contact
from constraints.extension import Extension
from constraints.stay_close import StayClose
from constraints.terms import Constraint, Penalty, Terms
from refine.problem import build
from refine.solve import solve
from tests.constraints.tolerances import COST
from tests.tolerances import ROW

FRAMES = np.arange(10.0, 30.0)


@dataclass(frozen=True, eq=False)
class TwoPoints:
    """Two points in the world, each frame moved by three unknowns that all frames share with a weight of their own."""

    size: int = 6
    frames: np.ndarray = None  # type: ignore[assignment]
    channels: tuple[str, ...] = ()

    def samples(self, channel: str) -> Affine:
        raise KeyError(channel)

    def points(self, space: Literal["screen", "world"]) -> tuple[Affine, ...]:
        rng = np.random.default_rng(3)
        return tuple(
            Affine(rng.normal(size=(len(FRAMES), 6)), 2.0 * (p // 3) + rng.normal(size=len(FRAMES)))
            for p in range(6)
        )

    def control_values(self, channel: str) -> Affine | None:
        return None

    def control_rates(self, channel: str) -> Affine | None:
        return None


MOTION = TwoPoints(frames=FRAMES)


@dataclass(frozen=True, eq=False)
class Push:
    """Something that pulls every unknown by one."""

    def terms(self, motion: TwoPoints) -> Terms:
        pull = Penalty("push", Affine(np.eye(6), np.zeros(6)), np.ones(6), np.full(6, 5.0))
        return Terms(penalties=(pull,))


def place(x: np.ndarray, point: int) -> np.ndarray:
    return np.stack([m(x) for m in MOTION.points("world")[3 * point : 3 * point + 3]], axis=1)


def solved(*rules: Constraint) -> np.ndarray:
    return solve(build(MOTION, [StayClose(1.0), Push(), *rules])).x


def test_a_contact_holds_its_point_within_eps_and_no_longer_without_it() -> None:
    at, eps = FRAMES[[3, 9]], 0.01
    anchor = place(np.full(6, 0.1), 1)[[3, 9]]
    held = place(solved(Contact(1, at, anchor, eps)), 1)[[3, 9]]
    free = place(solved(), 1)[[3, 9]]
    assert np.abs(held - anchor).max() <= eps + ROW
    assert np.abs(free - anchor).max() > 10 * eps


def test_the_anchor_may_be_one_for_all_frames_and_eps_one_for_each() -> None:
    anchor = place(np.zeros(6), 0)[4]
    (rows,) = Contact(0, FRAMES[[4, 5]], anchor, np.array([0.1, np.inf])).terms(MOTION).rows
    np.testing.assert_array_equal(rows.frames, np.full(3, FRAMES[4]))
    np.testing.assert_allclose(rows.upper - rows.lower, 0.2, atol=ROW)


def test_the_charge_is_the_sum_of_squared_distances() -> None:
    anchor, x = np.array([0.3, -0.2, 0.5]), np.linspace(-1, 1, 6)
    terms = Contact(1, FRAMES, anchor, np.inf, weight=2.5).terms(MOTION)
    assert terms.rows == ()
    expected = 2.5 * np.sum((place(x, 1) - anchor) ** 2)
    assert terms.penalties[0].cost(x) == pytest.approx(expected, rel=COST)


def test_frames_outside_the_motion_make_no_rows() -> None:
    outside = Contact(0, np.array([1.0, 99.0]), np.zeros(3), 0.1).terms(MOTION)
    assert outside == Terms()
    half = Contact(0, np.array([1.0, 12.0]), np.array([[9.0, 9, 9], [1, 2, 3]]), 0.0).terms(MOTION)
    np.testing.assert_array_equal(half.rows[0].upper, [1.0, 2.0, 3.0])


def test_an_extension_linearised_at_its_own_solution_holds() -> None:
    """Tangents of a cone lie below it: made anew where the last solution is, they close in on the true length."""
    start = np.linalg.norm(place(np.zeros(6), 1) - place(np.zeros(6), 0), axis=1)
    free = solved()
    longest = np.maximum(start, 1.0)
    assert np.any(np.linalg.norm(place(free, 1) - place(free, 0), axis=1) > longest + 0.1)
    x = np.zeros(6)
    for _ in range(60):
        x = solved(Extension(0, 1, longest, about=x))
    assert np.all(np.linalg.norm(place(x, 1) - place(x, 0), axis=1) <= longest + 1e3 * ROW)


def test_an_extension_without_bounds_says_nothing() -> None:
    assert Extension(0, 1, np.inf).terms(MOTION) == Terms()

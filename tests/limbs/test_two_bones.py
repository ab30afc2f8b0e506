"""A limb of two bones in closed form, against forward kinematics and an independent solve of the same limb."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar
from scipy.spatial.transform import Rotation

from refine.limbs.limb import Limb
from refine.limbs.two_bones import angles_near, closed, hinge, solved, usual_axis
from refine.pose import Point, pose, world_point
from refine.rotation import EULER_ORDERS, euler_matrix, vector_quaternion
from refine.shot import Array, Channel, Control, Shot, frozen
from tests.limbs.tolerances import IN_PROPORTION, PLACE_OF_LIMB, SOLVED_ANGLE
from tests.tolerances import ANGLE, SAME_TURN

LIMB = Limb("leg", "upper", "lower", "end", 2.0, (Point("end", (0.0, 0.0, 0.0)),))
COUNT = 12


def limb_shot(seed: int, bend: tuple[float, float] = (25.0, 110.0), knee: str = "angles") -> Shot:
    """A limb below a moving root, of random rest, orders and motion, its bend in degrees within `bend`.

    knee: "angles" about all three axes, "hinge" about one, or "quaternion".
    """
    rng = np.random.default_rng(seed)

    def turned(size: float) -> tuple[Channel, ...]:
        values = rng.normal(0, size, (3, COUNT))
        return tuple(
            Channel(f"rotation.{a}", samples=frozen(values[i][:, None])) for i, a in enumerate("xyz")
        )

    def rest() -> tuple[float, float, float, float]:
        x, y, z, w = Rotation.random(random_state=int(rng.integers(1 << 30))).as_quat()
        return float(x), float(y), float(z), float(w)

    order = [EULER_ORDERS[int(i)] for i in rng.integers(0, 6, 4)]
    place = tuple(Channel(f"translation.{a}", samples=frozen(rng.normal(0, 1, (COUNT, 1)))) for a in "xyz")
    angle = rng.uniform(*bend, COUNT)
    if knee == "hinge":
        turns: tuple[Channel, ...] = (Channel("rotation.x", samples=frozen(angle[:, None])),)
    else:
        axis = np.array([1.0, 0.0, 0.0]) + rng.normal(0, 0.05, (COUNT, 3)) * [0.0, 0.0, 1.0]
        axis /= np.linalg.norm(axis, axis=1, keepdims=True)
        q = vector_quaternion(np.deg2rad(angle)[:, None] * axis)
        xyz = Rotation.from_quat(q).as_euler(order[2].upper(), degrees=True)
        by_axis = {letter: xyz[:, i] for i, letter in enumerate(order[2])}
        turns = tuple(Channel(f"rotation.{a}", samples=frozen(by_axis[a][:, None])) for a in "xyz")
        if knee == "quaternion":
            turns = (Channel("rotation", samples=frozen(q * rng.choice([-1.0, 1.0], (COUNT, 1)))),)
    controls = (
        Control("root", rest_rotation=rest(), order=order[0], channels=(*place, *turned(60.0))),
        Control("upper", "root", None, (0.3, 0.1, 0.0), rest(), order=order[1], channels=turned(40.0)),
        Control("lower", "upper", None, (0.0, -1.1, 0.0), order=order[2], channels=turns),
        Control("end", "lower", None, (0.0, -0.9, 0.0), rest(), order=order[3], channels=turned(40.0)),
    )
    return Shot("limb", 24.0, 0, COUNT - 1, controls)


@dataclass(frozen=True, eq=False)
class Case:
    shot: Shot
    after: Shot
    by: Array
    hip: Array
    knee: tuple[Array, Array]
    ankle: tuple[Array, Array]


def case(shot: Shot, seed: int, size: float = 0.08, stretch: float = 1.0) -> Case:
    """A limb moved by random shifts of about `size`, towards the hip so that it can."""
    rng = np.random.default_rng([seed, 1])
    posed = pose(shot, shot.frames)
    hip, _, ankle = places(shot)
    line = (hip - ankle) / np.linalg.norm(hip - ankle, axis=1, keepdims=True)
    by = size * (line + rng.normal(0, 0.5, (COUNT, 3)))
    done = solved(shot, LIMB, shot.frames, by, np.full(COUNT, stretch), usual_axis(shot, LIMB))
    after = shot
    for (control, name), samples in done.samples.items():
        after = after.with_channel(control, Channel(name, samples=frozen(samples)))
    now = places(after)
    np.testing.assert_allclose(done.ankle[1], now[2], atol=PLACE_OF_LIMB)
    np.testing.assert_allclose(done.knee[1], now[1], atol=PLACE_OF_LIMB)
    end = shot.index("end")
    np.testing.assert_allclose(pose(after, shot.frames).linear[end], posed.linear[end], atol=SAME_TURN)
    return Case(shot, after, by, hip, (places(shot)[1], now[1]), (ankle, now[2]))


def places(shot: Shot) -> tuple[Array, Array, Array]:
    posed = pose(shot, shot.frames)
    a, b, c = (world_point(posed, shot, Point(name, (0.0, 0.0, 0.0))) for name in LIMB.chain)
    return a, b, c


@pytest.mark.parametrize("knee", ["angles", "quaternion", "hinge"])
@pytest.mark.parametrize("seed", range(4))
def test_the_ankle_arrives_and_the_end_keeps_how_it_is_turned(seed: int, knee: str) -> None:
    found = case(limb_shot(seed, knee=knee), seed)
    np.testing.assert_allclose(found.ankle[1], found.ankle[0] + found.by, atol=PLACE_OF_LIMB)


@pytest.mark.parametrize("seed", range(3))
def test_bend_and_shortest_turn_are_those_of_an_independent_solve(seed: int) -> None:
    """[lib] scipy: the bend by a root search on the distance, the hip's turn by minimising its angle."""
    found = case(limb_shot(seed), seed)
    for n in range(0, COUNT, 4):
        u, v = found.knee[0][n] - found.hip[n], found.ankle[0][n] - found.knee[0][n]
        goal = found.ankle[0][n] + found.by[n] - found.hip[n]
        axis = np.cross(u, v) / np.linalg.norm(np.cross(u, v))

        def off(angle: float, u: Array = u, v: Array = v, goal: Array = goal, axis: Array = axis) -> float:
            bent = u + Rotation.from_rotvec(angle * axis).apply(v)
            return float(np.linalg.norm(bent) - np.linalg.norm(goal))

        bend = brentq(off, -0.4, 0.8, xtol=1e-14)
        bent = u + Rotation.from_rotvec(bend * axis).apply(v)
        way = Rotation.align_vectors(goal[None], bent[None])[
            0
        ]  # one of all turns that arrive: any twist may follow

        def angle(twist: float, way: Rotation = way, goal: Array = goal) -> float:
            return float((Rotation.from_rotvec(twist * goal / np.linalg.norm(goal)) * way).magnitude())

        twist = minimize_scalar(angle, bounds=(-3.0, 3.0), method="bounded", options={"xatol": 1e-12}).x
        best = Rotation.from_rotvec(twist * goal / np.linalg.norm(goal)) * way
        knee = found.hip[n] + best.apply(u)
        np.testing.assert_allclose(found.knee[1][n], knee, atol=SOLVED_ANGLE)


@pytest.mark.parametrize("seed", range(3))
def test_the_knee_stays_in_its_plane(seed: int) -> None:
    """The bend's axis in the upper control's space is what it was."""
    found = case(limb_shot(seed), seed)
    axes = []
    for shot, knee, ankle in zip((found.shot, found.after), found.knee, found.ankle, strict=True):
        axis = np.cross(knee - found.hip, ankle - knee)
        axis /= np.linalg.norm(axis, axis=1, keepdims=True)
        upper = pose(shot, shot.frames).linear[shot.index("upper")]
        axes.append(np.einsum("nji,nj->ni", upper, axis))
    np.testing.assert_allclose(axes[1], axes[0], atol=SAME_TURN)


def test_without_a_move_nothing_turns() -> None:
    found = case(limb_shot(5), 5, size=0.0)
    for before, after in zip(found.shot.controls, found.after.controls, strict=True):
        for one, other in zip(before.channels, after.channels, strict=True):
            assert one.samples is not None
            assert other.samples is not None
            np.testing.assert_allclose(other.samples, one.samples, atol=ANGLE)


def test_a_share_of_no_stretch_keeps_the_bend() -> None:
    found = case(limb_shot(6), 6, stretch=0.0)
    apart = [np.linalg.norm(ankle - found.hip, axis=1) for ankle in found.ankle]
    np.testing.assert_allclose(apart[1], apart[0], atol=PLACE_OF_LIMB)
    wanted = found.ankle[0] + found.by - found.hip
    way = found.ankle[1] - found.hip
    np.testing.assert_allclose(np.cross(wanted, way), 0.0, atol=PLACE_OF_LIMB)


def test_a_nearly_straight_knee_moves_in_proportion() -> None:
    """On the true curve a knee at 2 degrees would bend by the root of the move; here twice the move, twice the bend."""
    shot = limb_shot(7, bend=(2.0, 2.0))
    bends = []
    for size in (0.002, 0.004):
        hip, knee, ankle = places(shot)
        by = size * (hip - ankle) / np.linalg.norm(hip - ankle, axis=1, keepdims=True)
        done = solved(shot, LIMB, shot.frames, by, np.ones(COUNT), usual_axis(shot, LIMB))
        cosines = [
            np.einsum("ni,ni->n", k - hip, a - k) / (1.1 * 0.9)
            for k, a in ((knee, ankle), (done.knee[1], done.ankle[1]))
        ]
        bends.append(np.arccos(np.clip(cosines[1], -1, 1)) - np.arccos(np.clip(cosines[0], -1, 1)))
    np.testing.assert_allclose(bends[1], 2 * bends[0], atol=IN_PROPORTION)
    assert np.all(bends[0] > 0)


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_angles_are_the_nearest_way_to_write_a_turn(order: str) -> None:
    rng = np.random.default_rng(3)
    angles, near = rng.uniform(-9, 9, (50, 3)), rng.uniform(-9, 9, (50, 3))
    matrices = euler_matrix(angles, order)
    found = angles_near(matrices, order, near)
    np.testing.assert_allclose(euler_matrix(found, order), matrices, atol=SAME_TURN)
    i, j, k = ("xyz".index(letter) for letter in order)
    other = found + np.pi
    other[:, j] = np.pi - found[:, j]
    np.testing.assert_allclose(euler_matrix(other, order), matrices, atol=SAME_TURN)
    assert np.all(np.abs(found - near) <= np.pi + ANGLE)
    other = near + (other - near + np.pi) % (2 * np.pi) - np.pi
    assert np.all(np.abs(found - near).sum(axis=1) <= np.abs(other - near).sum(axis=1) + ANGLE)
    assert {i, j, k} == {0, 1, 2}


@pytest.mark.parametrize("order", EULER_ORDERS)
def test_in_gimbal_lock_the_last_angle_stays(order: str) -> None:
    angles = np.array([[0.4, 0.7, -0.3]])
    angles[:, "xyz".index(order[1])] = np.pi / 2
    near = angles + 0.2
    found = angles_near(euler_matrix(angles, order), order, near)
    np.testing.assert_allclose(euler_matrix(found, order), euler_matrix(angles, order), atol=SAME_TURN)
    last = "xyz".index(order[2])
    np.testing.assert_allclose(found[:, last], near[:, last], atol=ANGLE)


def test_which_limbs_have_a_closed_form() -> None:
    shot = limb_shot(0)
    assert closed(shot, LIMB)
    assert closed(limb_shot(0, knee="hinge"), LIMB)
    assert hinge(limb_shot(0, knee="hinge").controls[2]) == 0
    scaled = replace(
        shot.controls[0],
        channels=(*shot.controls[0].channels, Channel("scale.x", samples=frozen(np.ones((COUNT, 1))))),
    )
    assert not closed(replace(shot, controls=(scaled, *shot.controls[1:])), LIMB)
    fewer = replace(shot.controls[3], channels=shot.controls[3].channels[:2])
    assert not closed(replace(shot, controls=(*shot.controls[:3], fewer)), LIMB)
    apart = replace(shot.controls[3], parent="upper")
    assert not closed(replace(shot, controls=(*shot.controls[:3], apart)), LIMB)

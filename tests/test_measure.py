"""What a change does on screen: displacements in pixels, and how unevenly points travel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from refine.measure import carried, largest_moves, marked_points, most_moved, unevenness, wobble
from refine.pose import Point, pose, world_point
from refine.shot import Array, Channel, Control, Shot, make_keys
from refine.view import project, view
from tests.hand_made import keys_of, two_part_shot, with_keys
from tests.tolerances import ARITHMETIC, DERIVATIVE_STEP, PIXEL, PIXEL_DERIVATIVE

FRAMES = np.arange(40.0, 101.0)
# px per shot unit at the depth of 6 units: 1080 px high, vertical angle 40 deg.
SCALE = 540 / np.tan(np.deg2rad(20)) / 6


def shifted(shot: Shot, control: str, name: str, amount: float) -> Shot:
    keys = keys_of(shot, control, name)
    return with_keys(shot, control, name, keys.changed(values=keys.values + amount))


def still(shot: Shot) -> Shot:
    """The shot at its rest: all channels gone."""
    return replace(shot, controls=tuple(replace(control, channels=()) for control in shot.controls))


def one_box(x: float, z: float = 0.0) -> Shot:
    """A box that hangs still at x, z, before the camera at z = 6."""
    channels = tuple(Channel(f"translation.{a}", make_keys([0], [v], [0])) for a, v in (("x", x), ("z", z)))
    return replace(two_part_shot(), controls=(Control("box", channels=channels),))


def test_points_of_a_control_and_of_what_it_carries() -> None:
    shot = two_part_shot()
    tip = Point("arm", (0.7, 0.2, 0.1))
    assert marked_points(shot.controls[0]) == (Point("hips", (0, 0, 0)),)
    assert carried(shot, "hips") == [Point("hips", (0, 0, 0)), Point("arm", (0, 0, 0)), tip]
    assert carried(shot, "arm") == [Point("arm", (0, 0, 0)), tip]


def test_a_move_is_measured_in_pixels_of_the_camera() -> None:
    before, after = one_box(0.0), one_box(0.25)
    posed = pose(before, FRAMES)
    moves = largest_moves(before, view(before, posed), posed, pose(after, FRAMES), ["box"])
    assert moves[0].pixels == pytest.approx(0.25 * SCALE, abs=PIXEL)
    assert (moves[0].control, moves[0].frame) == ("box", 40.0)


def test_the_largest_comes_first_and_says_when() -> None:
    shot = two_part_shot()
    keys = keys_of(shot, "arm", "rotation.z")
    values = keys.values.copy()
    values[11] += 5.0
    after = with_keys(shot, "arm", "rotation.z", keys.changed(values=values))
    before_pose, after_pose = pose(shot, FRAMES), pose(after, FRAMES)
    seen = view(shot, before_pose)
    moves = largest_moves(shot, seen, before_pose, after_pose, ["hips", "arm"])
    assert [move.control for move in moves] == ["arm", "hips"]
    assert moves[1].pixels == 0.0
    tips = [
        project(seen, world_point(p, shot, Point("arm", (0.7, 0.2, 0.1)))) for p in (before_pose, after_pose)
    ]
    apart = np.linalg.norm(tips[1] - tips[0], axis=1)
    assert moves[0].pixels == pytest.approx(apart.max(), abs=PIXEL)
    assert moves[0].frame == FRAMES[np.argmax(apart)]
    assert [move.where for move in moves] == ["tip of arm", "hips"]


@pytest.mark.parametrize(("x", "z", "counts"), [(0.0, 0.0, True), (50.0, 0.0, False), (0.0, 30.0, False)])
def test_what_nobody_sees_counts_as_nothing(x: float, z: float, counts: bool) -> None:
    """Beside the image, and behind the camera."""
    before, after = one_box(x, z), one_box(x + 0.1, z)
    posed = pose(before, FRAMES)
    found = largest_moves(before, view(before, posed), posed, pose(after, FRAMES), ["box"])[0].pixels
    assert (found > 0) == counts
    entering = one_box(0.0, 0.0)
    assert (
        largest_moves(before, view(before, posed), posed, pose(entering, FRAMES), ["box"])[0].pixels > 0
        or counts
    )


@pytest.mark.parametrize(
    ("control", "name"), [("arm", "rotation.z"), ("arm", "rotation.y"), ("hips", "translation.x")]
)
def test_the_most_moved_point_by_finite_differences(control: str, name: str) -> None:
    shot = two_part_shot()
    posed = pose(shot, FRAMES)
    seen = view(shot, posed)

    def screen(amount: float) -> Array:
        changed = shifted(shot, control, name, amount)
        at = pose(changed, FRAMES)
        return np.stack([project(seen, world_point(at, changed, point)) for point in carried(shot, control)])

    speed = np.linalg.norm(screen(DERIVATIVE_STEP) - screen(-DERIVATIVE_STEP), axis=2).max(axis=1)
    speed /= 2 * DERIVATIVE_STEP
    point, most = most_moved(shot, posed, seen, control, name)
    assert point == carried(shot, control)[int(np.argmax(speed))]
    assert most == pytest.approx(speed.max(), rel=PIXEL_DERIVATIVE)


def test_a_custom_channel_moves_no_point() -> None:
    shot = two_part_shot()
    blink = Channel("blink", keys_of(shot, "arm", "rotation.z"))
    shot = replace(shot, controls=(*shot.controls[:1], replace(shot.controls[1], channels=(blink,))))
    posed = pose(shot, FRAMES)
    assert most_moved(shot, posed, view(shot, posed), "arm", "blink") == (None, 0.0)


# --- unevenness ----------------------------------------------------------------------------------------------


def test_cubic_paths_have_no_wobble_across_or_along() -> None:
    t = np.linspace(-1, 1, 30)
    found = wobble(100 * np.column_stack([t**3 - t, t**2 + 3 * t]))
    assert found.arc == pytest.approx(0, abs=PIXEL)
    assert found.timing == pytest.approx(0, abs=PIXEL)


@pytest.mark.parametrize("across", [True, False])
def test_a_zigzag_counts_16_sixths_across_or_along(across: bool) -> None:
    """The fourth difference of +-d is 16 d; over 6 that is 2.67 d."""
    t = np.arange(20.0)
    off = 0.5 * (-1.0) ** t
    path = np.column_stack([10 * t, off]) if across else np.column_stack([10 * t + off, 0 * t])
    found = wobble(path)
    sizes = (found.arc, found.timing) if across else (found.timing, found.arc)
    assert sizes == pytest.approx((16 / 6 * 0.5, 0.0), abs=PIXEL)


def test_spacing_is_how_much_the_point_speeds_up_and_down() -> None:
    """0 at constant speed; from rest to speed 3 and back to rest: 3 up, 3 down."""
    t = np.arange(20.0)
    assert wobble(np.column_stack([3 * t, 4 * t])).spacing == pytest.approx(0, abs=PIXEL)
    spacings = np.array([0.0, 1, 2, 3, 3, 2, 1, 0])
    eased = np.column_stack([np.append(0, np.cumsum(spacings)), np.zeros(9)])
    assert wobble(eased).spacing == pytest.approx(6.0, abs=ARITHMETIC)


def test_few_frames_and_standing_still_have_none() -> None:
    for path in (np.random.default_rng(0).normal(size=(4, 2)), np.ones((30, 2))):
        found = wobble(path)
        assert (found.arc, found.timing, found.spacing) == (0.0, 0.0, 0.0)


def test_the_worst_point_speaks() -> None:
    shot = two_part_shot()
    posed = pose(shot, FRAMES)
    seen = view(shot, posed)
    points = carried(shot, "hips")
    single = [unevenness(shot, posed, seen, [point]) for point in points]
    every = unevenness(shot, posed, seen, points)
    assert every.arc == max(w.arc for w in single)
    assert every.spacing == max(w.spacing for w in single) > min(w.spacing for w in single)
    assert unevenness(shot, posed, seen, []).spacing == 0.0
    rest = still(shot)
    at_rest = pose(rest, FRAMES)
    assert unevenness(rest, at_rest, view(rest, at_rest), points).arc == 0.0

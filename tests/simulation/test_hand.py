"""The invented hand does to a photo what is known of real ones."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.camera.scene import HEIGHT, LENS, WIDTH
from tests.simulation.hand import (
    CALM,
    DEVELOPED,
    HELD,
    MILD,
    OTHERWISE,
    SHAKY,
    STEADY,
    STILL,
    Camera,
    Setting,
    user_of,
)
from visioncheck.camera.survey_frame import print_error

NO_WARP = user_of(Setting(STILL, MILD), np.random.default_rng(0)).warp
STRAIGHT_DOWN = np.array([-105.0, -148.5, 320.0])


def camera(moved, matrix=None, tremor=0.0):
    place = STRAIGHT_DOWN if matrix is None else matrix @ np.array([-105.0, -148.5, 0]) + [0, 0, 320.0]
    return Camera(LENS, np.eye(3) if matrix is None else matrix, place, np.array(moved), tremor, np.zeros(6), NO_WARP)


def field(height_mm=115.0):
    """A grid that fills 230 mm of the field as the rows run."""
    x, y = np.meshgrid(np.linspace(-100, 100, 9), np.linspace(-height_mm, height_mm, 9))
    return np.column_stack([x.ravel() + 105, y.ravel() + 148.5, np.zeros(x.size)])


def test_a_still_camera_is_opencvs():
    turn = np.array([0.1, -0.2, 0.3])
    shot = camera(np.zeros(6), cv2.Rodrigues(turn)[0])
    fx, cx, cy = LENS.terms[:3]
    matrix = np.array([[fx, 0, cx], [0, fx, cy], [0, 0, 1]])
    seen, _ = cv2.projectPoints(field(), turn, shot.translation_mm, matrix, LENS.terms[3:])
    assert shot.project(field()) == pytest.approx(seen[:, 0], abs=1e-6)


def sheared(shot):
    """Shear, deg, with which a camera that is thought still would see the field."""
    points = field()
    still = camera(np.zeros(6), shot.matrix)
    rays = still.lens.directions(shot.project(points))
    on_paper = rays * still.height_mm
    return print_error(points[:, :2], on_paper)[1]


def test_a_drift_while_the_rows_are_read_is_a_shear():
    # "a sideways drift of 0.16 mm while a 230 mm field is read is a shear of 0.04°": arctan(0.16 / 230); the field
    # here is 320 mm · 3000 px / 2950 px
    read_mm = 320.0 * HEIGHT / LENS.f_px
    assert np.degrees(np.arctan(0.16 / 230)) == pytest.approx(0.04, abs=5e-4)
    assert sheared(camera([0, 0, 0, 0.16, 0, 0])) == pytest.approx(np.degrees(np.arctan(0.16 / read_mm)), rel=0.05)
    assert sheared(camera([0, 0, 0, 0, 0, 0])) == pytest.approx(0, abs=1e-3)


def test_rows_are_those_of_the_stored_picture():
    """The phone turned a quarter: the same drift along the rows shears the sheet the other way."""
    quarter = cv2.Rodrigues(np.array([0, 0, np.pi / 2]))[0]
    drift = [0, 0, 0, 0.16, 0, 0]
    points = field()
    moved = camera(drift, quarter).project(points) - camera(np.zeros(6), quarter).project(points)
    rows = camera(np.zeros(6), quarter).project(points)[:, 1] / HEIGHT - 0.5
    assert moved[:, 0] == pytest.approx(rows * 0.16 * LENS.f_px / 320, abs=0.02)


def test_the_middle_row_is_where_the_pose_is():
    points = np.array([[105.0, 148.5, 0.0]])
    still = camera(np.zeros(6)).project(points)
    shot = camera([3e-4, -2e-4, 1e-3, 0.4, -0.3, 0.2]).project(points)
    assert abs(still[0, 1] / HEIGHT - 0.5) < 0.01
    assert shot == pytest.approx(still, abs=0.05)


def test_tremor_of_no_phase_is_a_steady_motion():
    points, moved = field(), np.array([1e-4, 2e-4, 5e-4, 0.2, 0.1, 0.0])
    steady = camera(moved).project(points)
    assert camera(moved / np.sqrt(2), tremor=1e-4).project(points) == pytest.approx(steady, abs=1e-4)
    assert np.abs(camera(moved / np.sqrt(2), tremor=2.0).project(points) - steady).max() > 0.05


def test_focusing_draws_the_lens_out():
    """f (1 + f/d): 5.7 mm at 350 and 450 mm differ by 0.36 % (thin lens)."""
    rng = np.random.default_rng(1)
    user = user_of(Setting(STILL, MILD), rng)
    near, far = (user.shoot(0, 0, 0, np.array([105.0, 148.5]), d, rng).lens.f_px for d in (350.0, 450.0))
    assert near / far - 1 == pytest.approx(0.0036 * 6.0 / 5.7, rel=0.05)


@pytest.mark.parametrize("habits", [STEADY, OTHERWISE])
@pytest.mark.parametrize(
    ("hand", "axis", "turn", "shift"), [(CALM, 4, 1.5e-4, 0.06), (HELD, 8, 4e-4, 0.16), (SHAKY, 16, 1e-3, 0.4)]
)
def test_every_hand_moves_as_far_as_it_should(habits, hand, axis, turn, shift):
    rng = np.random.default_rng(2)
    shots = [
        user_of(Setting(hand, DEVELOPED, habits), rng).shoot(10, 0, 0, np.array([105.0, 148.5]), 300.0, rng)
        for _ in range(3000)
    ]
    centres = np.array([shot.lens.centre_px for shot in shots]) - LENS.centre_px
    moved = np.array([shot.moved for shot in shots])
    # 3000 draws of heavy tails give a standard deviation to some 4 %
    assert centres.std(axis=0) == pytest.approx([axis, axis], rel=0.12)
    assert moved.std(axis=0) == pytest.approx([turn / 3, turn / 3, turn, shift, shift, shift], rel=0.12)


def test_one_users_pan_is_alike_in_all_photos():
    rng = np.random.default_rng(3)
    for habits, most in ((STEADY, 0.2), (OTHERWISE, 0.95)):
        users = [user_of(Setting(HELD, DEVELOPED, habits), rng) for _ in range(60)]
        means = [np.mean([u.shoot(10, 0, 0, np.zeros(2), 300.0, rng).moved for _ in range(40)], axis=0) for u in users]
        spread = np.std(means, axis=0) / HELD.sizes[2:]
        assert (spread < most).all()
        assert (spread > 0.5).all() == (habits is OTHERWISE)


def test_the_warp_is_smooth_and_as_large_as_said():
    warps = [user_of(Setting(HELD, DEVELOPED), np.random.default_rng(seed)).warp for seed in range(40)]
    places = np.random.default_rng(4).uniform(0, 1, (200, 2)) * [WIDTH, HEIGHT]
    shifts = np.array([warp.at(places) for warp in warps])
    assert np.sqrt(np.mean(shifts**2)) == pytest.approx(DEVELOPED.warp_px, rel=0.25)
    beside = places + np.array([100.0, 0.0])
    step = np.array([warp.at(beside) for warp in warps]) - shifts
    assert np.sqrt(np.mean(step**2)) < 0.3 * DEVELOPED.warp_px

"""Whether a survey's stated uncertainty is what two halves of one set of real photos differ by."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.camera.test_published_cameras import FIXTURES
from visioncheck.camera.bundle import Bundle, Observations, adjust, left_out
from visioncheck.camera.jackknife import excess, smooth_shapes
from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import still
from visioncheck.camera.steadiness import held
from visioncheck.camera.survey_frame import print_error
from visioncheck.camera.survey_start import SMOOTH_TERMS
from visioncheck.geometry import similarity

BOARD = (9, 6)
PLANE = np.stack(np.meshgrid(np.arange(9), np.arange(6)), -1).reshape(-1, 2) * 25.0
WIDTH, HEIGHT = 640, 480
SPATIAL = np.column_stack([PLANE, np.zeros(len(PLANE))])


def corners(side):
    """Inner corners of the board in each photo of one camera, found by the reference library."""
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.001)
    found = []
    for path in sorted((FIXTURES / "opencv-stereo").glob(f"{side}*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, rough = cv2.findChessboardCorners(grey, BOARD)
        assert seen, path.name
        found.append(cv2.cornerSubPix(grey, rough, (5, 5), (-1, -1), criteria).reshape(-1, 2).astype(float))
    return found


def surveyed(pictures):
    """Shear (rad) and stretch of the board and the focal length (px), and their standard uncertainties, (3,) each."""
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST
    _, matrix, terms, turns, shifts = cv2.calibrateCamera(
        [SPATIAL.astype(np.float32)] * len(pictures),
        [picture.astype(np.float32) for picture in pictures],
        (WIDTH, HEIGHT),
        np.array([[535.0, 0, WIDTH / 2], [0, 535.0, HEIGHT / 2], [0, 0, 1]]),
        None,
        flags=flags | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3,
    )
    first = np.array([matrix[0, 0], matrix[0, 2], matrix[1, 2], np.ravel(terms)[0], 0, 0, 0, 0])
    lens = Lens(WIDTH, HEIGHT, first, np.zeros((2, SMOOTH_TERMS)))
    exposures = still(np.stack([cv2.Rodrigues(turn)[0] for turn in turns]), np.stack([each.ravel() for each in shifts]))
    start = Bundle(lens, exposures, SPATIAL, np.ones(8, bool), steadiness=held(WIDTH, HEIGHT))
    count = len(pictures)
    seen = Observations(
        np.repeat(np.arange(count), len(PLANE)),
        np.tile(np.arange(len(PLANE)), count),
        np.concatenate(pictures),
        np.full(count * len(PLANE), 0.1),
    )
    best = adjust(start, seen)
    points, to_frame = in_boards_frame(best.bundle.points_mm)
    covariance = to_frame @ best.covariance @ to_frame.T
    factor = excess((left_out(best) @ to_frame.T)[:, 8:], covariance[8:, 8:], smooth_shapes(PLANE))
    rows = np.zeros((3, len(covariance)))
    slope = np.linalg.pinv(np.column_stack([PLANE, np.ones(len(PLANE))]))[:2]
    by_point = rows[:2, 8:].reshape(2, -1, 3)
    by_point[0, :, 0], by_point[0, :, 1] = slope[1], slope[0]
    by_point[1, :, 0], by_point[1, :, 1] = slope[0], -slope[1]
    rows[:2, 8:] = by_point.reshape(2, -1)
    rows[2, 0] = 1
    u = np.sqrt(np.einsum("kp,pq,kq->k", rows, covariance, rows) * factor)
    scales, shear_deg, _ = print_error(PLANE, points[:, :2])
    return np.array([np.radians(shear_deg), scales[0] / scales[1] - 1, best.bundle.lens.f_px]), u


def in_boards_frame(points):
    """The points laid onto the board as drawn, and the matrix that brings a fit's changes there."""
    turn, shift, scale = similarity(points, SPATIAL)
    placed = scale * points @ turn.T + shift
    mover = np.kron(np.eye(len(points)), scale * turn)
    centred = placed - placed.mean(axis=0)
    free = [np.tile(axis, len(points)) for axis in np.eye(3)] + [np.cross(axis, centred).ravel() for axis in np.eye(3)]
    motions = np.column_stack([*free, centred.ravel()])
    mover -= motions @ (np.linalg.pinv(motions) @ mover)
    to_frame = np.eye(8 + 3 * len(points))
    to_frame[8:, 8:] = mover
    return placed, to_frame


@pytest.fixture(scope="module")
def left():
    return corners("left")


@pytest.fixture(scope="module")
def right():
    return corners("right")


def test_halves_of_real_sets_agree_within_what_is_stated(left, right):
    # sample photos of the OpenCV library (Apache-2.0): two cameras, one printed board
    halves = [(side[::2], side[1::2]) for side in (left, right)] + [(side[:6], side[6:]) for side in (left, right)]
    z = []
    for one, other in halves:
        (a, u_a), (b, u_b) = surveyed(one), surveyed(other)
        z.append((a - b) / np.hypot(u_a, u_b))
    rms = float(np.sqrt(np.mean(np.square(z))))
    assert 0.3 < rms < 1.3
    assert np.abs(z).max() < 3


def test_two_cameras_find_one_board(left, right):
    (a, u_a), (b, u_b) = surveyed(left), surveyed(right)
    z = ((a - b) / np.hypot(u_a, u_b))[:2]
    assert np.abs(z).max() < 3
    # and know it well enough to tell: right angles to 0.02 degrees
    assert np.degrees(np.append(u_a[:2], u_b[:2])).max() < 0.02

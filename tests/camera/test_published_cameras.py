"""The bundle on other people's points and photos, against the results they published."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from visioncheck.camera.bundle import adjust
from visioncheck.camera.lens import Lens
from visioncheck.camera.normal_equations import Bundle, Observations
from visioncheck.camera.rays import still

FIXTURES = Path(__file__).parents[2] / "fixtures"


def start_from_plane(plane, pictures, width, height, free):
    """A pinhole at the usual guess, and each photo's pose from the plane's points."""
    f = 0.75 * width * 4 / 3
    matrix = np.array([[f, 0, width / 2], [0, f, height / 2], [0, 0, 1.0]])
    spatial = np.column_stack([plane, np.zeros(len(plane))])
    poses = [cv2.solvePnP(spatial, picture, matrix, None)[1:] for picture in pictures]
    lens = Lens(width, height, np.array([f, width / 2, height / 2, 0, 0, 0, 0, 0]))
    rotations = np.stack([cv2.Rodrigues(turn)[0] for turn, _ in poses])
    exposures = still(rotations, np.stack([shift.ravel() for _, shift in poses]))
    bundle = Bundle(lens, exposures, spatial, free, (0, 0, 0))
    seen = Observations(
        np.repeat(np.arange(len(pictures)), len(plane)),
        np.tile(np.arange(len(plane)), len(pictures)),
        np.concatenate(pictures).astype(float),
        np.full(len(pictures) * len(plane), 0.2),
    )
    return bundle, seen


def test_zhangs_points_give_his_published_camera():
    # Z. Zhang, A Flexible New Technique for Camera Calibration, IEEE TPAMI 22(11), 2000; his own data and
    # result file. His model: two radial terms and a skew of 0.20, no tangential terms.
    plane = np.loadtxt(FIXTURES / "zhang" / "Model.txt").reshape(-1, 2)
    pictures = [np.loadtxt(FIXTURES / "zhang" / f"data{n}.txt").reshape(-1, 2) for n in range(1, 6)]
    free = np.array([True, True, True, True, True, False, False, False])
    fitted = adjust(*start_from_plane(plane, pictures, 640, 480, free))
    f, cx, cy, k1, k2, p1, p2, k3 = fitted.bundle.lens.terms
    assert abs(f / 832.5 - 1) < 0.002
    assert abs(f / 832.53 - 1) < 0.002
    assert abs(cx - 303.959) < 1.0
    assert abs(cy - 206.585) < 1.0
    assert abs(k1 - -0.228601) < 0.002
    assert abs(k2 - 0.190353) < 0.02
    assert p1 == p2 == k3 == 0
    distance = np.linalg.norm(fitted.residuals_px, axis=1)
    assert np.sqrt(np.mean(distance**2)) < 0.345  # published: 0.335 px with the skew


def test_chessboard_photos_give_the_published_focal_length():
    # Sample photos of the OpenCV library (Apache-2.0) with its left_intrinsics.yml: f 535.916, c (342.283, 235.571).
    # An older corner finder made that file; a present one gives 532.5, hence 1 %.
    board = (9, 6)
    plane = np.stack(np.meshgrid(np.arange(9), np.arange(6)), -1).reshape(-1, 2) * 25.0
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.001)
    pictures = []
    for path in sorted((FIXTURES / "opencv-stereo").glob("left*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        found, corners = cv2.findChessboardCorners(grey, board)
        assert found, path.name
        pictures.append(cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), criteria).reshape(-1, 2).astype(float))
    assert len(pictures) == 13
    fitted = adjust(*start_from_plane(plane, pictures, 640, 480, np.ones(8, bool)))
    f, cx, cy = fitted.bundle.lens.terms[:3]
    assert abs(f / 535.916 - 1) < 0.01
    assert abs(cx - 342.283) < 5
    assert abs(cy - 235.571) < 5

    # the reference library on the same corners, with the same model and no robust weights
    _, matrix, terms, _, _ = cv2.calibrateCamera(
        [np.column_stack([plane, np.zeros(54)]).astype(np.float32)] * 13,
        [picture.astype(np.float32) for picture in pictures],
        (640, 480),
        np.array([[535.0, 0, 320], [0, 535.0, 240], [0, 0, 1]]),
        None,
        flags=cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO,
    )
    u = np.sqrt(np.diag(fitted.covariance))
    reference = np.array([matrix[0, 0], matrix[0, 2], matrix[1, 2], *terms.ravel()[:5]])
    assert np.all(np.abs(fitted.bundle.lens.terms - reference) < 2 * u)

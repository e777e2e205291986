"""Surveys of invented prints: what is found, how far it may be trusted, and when it is refused."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.camera.scene import HEIGHT, LENS, ROUND, WIDTH, Print, home_print, photograph, pose, survey_photos
from visioncheck.camera.lens import Lens, smooth_basis
from visioncheck.camera.support import photo_to_add
from visioncheck.camera.survey import survey
from visioncheck.camera.view import rotation_matrix
from visioncheck.errors import UserError
from visioncheck.geometry import similarity
from visioncheck.printed.layout import target_layout


def ruled(prints, paper="a4"):
    first, last = target_layout(paper).ruled_points
    return float(np.linalg.norm(prints[0].points_mm[last] - prints[0].points_mm[first]))


def shape_error(found, prints):
    """Errors (n, 3) of the surveyed points after the best similarity."""
    truth = {p.sheet: p.points_mm for p in prints}
    true = np.stack([truth[s][i] for s, i in zip(found.sheet.tolist(), found.index.tolist(), strict=True)])
    turn, shift, scale = similarity(found.points_mm, true)
    return scale * found.points_mm @ turn.T + shift - true


def normalised_square(found, error):
    """Error squared over its stated covariance, the free motions left out; expected 1."""
    values, vectors = np.linalg.eigh(found.covariance[8:, 8:])
    kept = values > values.max() * 1e-6
    return float(np.mean((vectors[:, kept].T @ error.ravel()) ** 2 / values[kept]))


def test_print_and_lens_come_out_with_an_honest_covariance():
    squares, lens_squares = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        prints = [home_print(rng)]
        found = survey(survey_photos(prints, rng), WIDTH, HEIGHT, ruled(prints))
        error = shape_error(found, prints)
        assert np.sqrt(np.mean(np.sum(error[:, :2] ** 2, axis=1))) < 0.006
        assert error[:, 2].std() < 0.01
        assert abs(found.lens.f_px - LENS.f_px) < 1
        assert abs(np.linalg.norm(found.points_mm[0] - found.points_mm[target_layout("a4").ruled_points[1]])) == (
            pytest.approx(ruled(prints), abs=1e-9)
        )
        squares.append(normalised_square(found, error))
        lens_squares.append((found.lens.terms - LENS.terms) ** 2 / found.lens_u**2)
    assert 0.5 < np.mean(squares) < 1.3  # the points' 0.02 px floor makes it a little below 1
    assert 0.4 < np.mean(lens_squares) < 1.6


def test_the_reference_library_agrees_where_the_print_is_true():
    # with a true print, OpenCV's calibrateCamera may be given the points; the survey has to find them
    rng = np.random.default_rng(3)
    prints = [home_print(rng)]
    flat = target_layout("a4").saddles_mm
    prints[0].points_mm[:] = np.column_stack([flat, np.zeros(len(flat))])
    photos = survey_photos(prints, rng)
    found = survey(photos, WIDTH, HEIGHT, ruled(prints))
    _, matrix, terms, _, _ = cv2.calibrateCamera(
        [np.column_stack([flat[p.index], np.zeros(len(p.index))]).astype(np.float32) for p in photos],
        [p.xy_px.astype(np.float32) for p in photos],
        (WIDTH, HEIGHT),
        np.array([[2900.0, 0, WIDTH / 2], [0, 2900.0, HEIGHT / 2], [0, 0, 1]]),
        None,
        flags=cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO,
    )
    reference = np.array([matrix[0, 0], matrix[0, 2], matrix[1, 2], *terms.ravel()[:5]])
    assert np.all(np.abs(found.lens.terms - reference) < 3 * found.lens_u)


def test_two_sheets_taped_askew_come_out_in_one_frame():
    rng = np.random.default_rng(11)
    prints = [home_print(rng), home_print(rng, sheet=1, place=(212.0, 1.8), turn_deg=0.16)]
    found = survey(survey_photos(prints, rng, distance_mm=640.0), WIDTH, HEIGHT, ruled(prints))
    assert set(found.sheet.tolist()) == {0, 1}
    error = shape_error(found, prints)
    assert np.sqrt(np.mean(np.sum(error[:, :2] ** 2, axis=1))) < 0.012


def test_a_lens_beyond_browns_model_gets_its_smooth_correction():
    rng = np.random.default_rng(5)
    prints = [home_print(rng)]
    smooth = np.zeros((2, 28))
    smooth[:, 9:24] = rng.normal(0, 0.06, (2, 15))  # px; the low degrees are the pose's and Brown's
    bent = Lens(WIDTH, HEIGHT, LENS.terms, smooth)
    found = survey(survey_photos(prints, rng, lens=bent), WIDTH, HEIGHT, ruled(prints))
    assert found.lens.smooth.shape == (2, 28)
    error = shape_error(found, prints)
    assert np.sqrt(np.mean(np.sum(error[:, :2] ** 2, axis=1))) < 0.012
    shift = smooth_basis(np.array([[0.0, 0.0], [WIDTH, HEIGHT]]), WIDTH, HEIGHT, 28) @ smooth.T
    assert np.abs(shift).max() > 0.05  # the scene's correction is one worth having

    true_to_brown = survey(survey_photos(prints, rng), WIDTH, HEIGHT, ruled(prints))
    left = smooth_basis(true_to_brown.points_mm[:, :2] * 10, WIDTH, HEIGHT, 28) @ true_to_brown.lens.smooth.T
    assert np.abs(left).max() < 0.02  # px


def test_lateral_colour_is_measured_where_there_is_some():
    rng = np.random.default_rng(6)
    prints = [home_print(rng)]
    photos = survey_photos(prints, rng, lateral=(8e-5, -1.1e-4))
    blue, green, red = survey(photos, WIDTH, HEIGHT, None).lens.lateral
    assert blue == pytest.approx(8e-5, abs=5e-6)
    assert red == pytest.approx(-1.1e-4, abs=5e-6)
    assert green == 0
    assert survey(survey_photos(prints, rng), WIDTH, HEIGHT, None).lens.lateral == (0.0, 0.0, 0.0)


def test_misread_points_are_outvoted():
    rng = np.random.default_rng(7)
    prints = [home_print(rng)]
    photos = survey_photos(prints, rng)
    for points in photos:
        points.xy_px[rng.choice(len(points.index), 5, replace=False)] += rng.choice([-1, 1], (5, 2)) * 2.0
    error = shape_error(survey(photos, WIDTH, HEIGHT, ruled(prints)), prints)
    assert np.median(np.linalg.norm(error[:, :2], axis=1)) < 0.006


def aim(prints):
    return prints[0].points_mm[:, :2].mean(axis=0)


WEAK = {
    "from above": [(1, 45 * n, 47 * n, 430.0) for n in range(8)],
    "one pose, other heights": [(20, 0, 90, 380.0 + 20 * n) for n in range(8)],
    "two opposite sides": [(20 * (-1) ** n, 0, 90, 400.0 + 10 * n) for n in range(8)],
    "little tilt, one side": [(10, 0, 0, 400.0 + 10 * n) for n in range(8)],
}


@pytest.mark.parametrize("name", WEAK)
@pytest.mark.parametrize("seed", range(4))
def test_photos_that_leave_the_angles_open_are_refused(name, seed):
    # taken at their word, such photos gave a sheet whose right angles were up to 0.9° off, with small residuals
    rng = np.random.default_rng(seed)
    prints = [home_print(rng)]
    photos = [photograph(pose(*attitude[:3], aim(prints), attitude[3]), prints, rng) for attitude in WEAK[name]]
    with pytest.raises(UserError, match=r"add "):
        survey(photos, WIDTH, HEIGHT, ruled(prints))


def test_what_is_accepted_has_right_angles_as_good_as_it_says():
    misses = []
    for seed, attitudes in enumerate(
        [ROUND, ROUND[:4], ROUND[:6], [(5, 45 * n) for n in range(8)], [(8.5, 0)] * 8] * 3
    ):
        rng = np.random.default_rng(seed)
        prints = [home_print(rng)]
        found = survey(survey_photos(prints, rng, attitudes), WIDTH, HEIGHT, ruled(prints))
        design = np.column_stack([target_layout("a4").saddles_mm[found.index], np.ones(len(found.index))])
        error = shape_error(found, prints)[:, :2]
        slope = np.linalg.lstsq(design, error, rcond=None)[0][:2]
        worst = max(abs(slope[0, 1] + slope[1, 0]), abs(slope[0, 0] - slope[1, 1]))
        misses.append(np.degrees(worst) / found.angle_u_deg)
    assert np.max(misses) < 3
    assert np.median(misses) > 0.15  # and not by claiming little


@pytest.mark.parametrize(
    ("missing", "stand"), [("left", (-1, 0)), ("right", (1, 0)), ("top", (0, -1)), ("bottom", (0, 1))]
)
def test_the_photo_to_add_is_the_one_that_is_missing(missing, stand):
    sides = {(-1, 0), (1, 0), (0, -1), (0, 1)} - {stand}
    rotations = []
    for n, (x, y) in enumerate(sorted(sides)):
        # the camera stands on that side and looks back at the middle, z into the table
        look = np.array([-x * np.sin(0.4), -y * np.sin(0.4), np.cos(0.4)])
        right = np.cross([0.0, 1.0, 0.0], look)
        right /= np.linalg.norm(right)
        upright = np.stack([right, np.cross(look, right), look])
        rotations.append(rotation_matrix(np.array([0, 0, n * np.pi / 2])) @ upright)
    assert f"from the sheet's {missing} side" in photo_to_add(np.array(rotations))
    assert "quarter turn" not in photo_to_add(np.array(rotations))


def test_one_bad_photo_is_left_out_and_named():
    rng = np.random.default_rng(12)
    prints = [home_print(rng)]
    photos = survey_photos(prints, rng)
    bent = Print(prints[0].points_mm + np.outer(np.sin(prints[0].points_mm[:, 0] / 40), [0, 0, 1.5]))
    photos[3] = photograph(pose(20, 30, 10, aim(prints)), [bent], rng)
    hidden = photograph(pose(20, 30, 10, aim(prints)), prints, rng, keep=lambda at: at[:, 1] < 25)
    found = survey([*photos, replace(hidden, sheet=hidden.sheet + 1)], WIDTH, HEIGHT, ruled(prints))
    assert found.left_out == (3, 8)
    error = shape_error(found, prints)
    assert np.sqrt(np.mean(np.sum(error[:, :2] ** 2, axis=1))) < 0.01


def test_a_stretch_that_no_printer_makes_is_refused():
    rng = np.random.default_rng(13)
    prints = [home_print(rng)]
    centre = prints[0].points_mm.mean(axis=0)
    prints[0].points_mm[:] = (prints[0].points_mm - centre) * [1.05, 1.0, 1.0] + centre
    with pytest.raises(UserError, match="no printer makes"):
        survey(survey_photos(prints, rng), WIDTH, HEIGHT, None)


def test_too_few_photos_and_a_print_at_the_wrong_scale_are_refused():
    rng = np.random.default_rng(9)
    prints = [home_print(rng)]
    photos = survey_photos(prints, rng)
    with pytest.raises(UserError, match="at least"):
        survey(photos[:3], WIDTH, HEIGHT, None)
    shrunk = [home_print(rng, scale=0.94)]
    with pytest.raises(UserError, match=re.escape("100 %")):
        survey(survey_photos(shrunk, rng), WIDTH, HEIGHT, ruled(shrunk))

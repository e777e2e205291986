"""Points of pictures as phones develop them, and the parts that make them hold there."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.photo.develop import developed
from tests.points.scene import page, shoot, through, tilted
from visioncheck.points.crossing import crossing
from visioncheck.points.find import find_points
from visioncheck.points.sheet_map import fit_sheet_map
from visioncheck.printed.layout import target_layout

LAYOUT = target_layout("a4")


@cache
def plain(blur_px, field):
    homography, size = tilted(LAYOUT, tilt_deg=25.0)
    return shoot(page(LAYOUT, field=field), homography, size, blur_px=blur_px), homography


@pytest.mark.parametrize("field", ["light", "dark"])
@pytest.mark.parametrize(("blur_px", "sharpen"), [(0.4, 0.6), (0.7, 1.2), (1.6, 2.0)])
def test_developing_loses_no_point_and_no_honesty(blur_px, sharpen, field):
    photo, homography = plain(blur_px, field)
    before = find_points(photo, colours=False)
    after = find_points(replace(photo, bgr=developed(photo.bgr, sharpen=sharpen)), colours=False)
    assert len(after.index) >= 0.97 * len(before.index)
    now = after.xy_px - through(homography, LAYOUT.saddles_mm[after.index])
    assert np.sqrt(np.mean(now**2)) < 0.015
    assert np.abs(now.mean(axis=0)).max() < 0.01
    assert 0.7 < np.sqrt(np.mean((now / after.u_px[:, None]) ** 2)) < 1.35


def test_derivatives_of_the_model():
    """By central differences."""
    terms = np.array([[0.2, -0.1, 0.1, 1.5, 0.7, 1.1, 100, 80, 6, 0.002, -0.003, -25]])
    offset = np.stack(np.meshgrid(np.arange(-8, 9), np.arange(-8, 9)), axis=-1).reshape(1, -1, 2).astype(np.float32)
    _, slopes = crossing(terms, offset)
    for k, step in enumerate([1e-3] * 6 + [1e-2] * 3 + [1e-4] * 2 + [1e-2]):
        up, down = terms.copy(), terms.copy()
        up[0, k], down[0, k] = terms[0, k] + step, terms[0, k] - step
        differences = (crossing(up, offset)[0].astype(float) - crossing(down, offset)[0]) / (2 * step)
        assert np.allclose(slopes[0, k], differences, atol=2e-3 * np.abs(differences).max())


def test_a_map_through_points_that_stand_in_rows():
    """A sheet's two long sides: four points drawn at random are mostly three in a row, which fix no map."""
    homography, _ = tilted(LAYOUT)
    page_mm = LAYOUT.saddles_mm[np.isin(LAYOUT.saddles_mm[:, 0], [20.0, 190.0])]
    assert len(page_mm) > 40
    sheet_map, residuals = fit_sheet_map(page_mm, through(homography, page_mm), 0, 0.1)
    assert np.abs(residuals).max() < 1e-3
    assert np.allclose(sheet_map.pixels(LAYOUT.saddles_mm), through(homography, LAYOUT.saddles_mm), atol=0.01)


def test_uncertainty_does_not_jump_with_the_number_of_points():
    photo, _ = plain(0.7, "light")
    counts, typical = [], []
    for rows in range(500, 1300, 100):
        points = find_points(replace(photo, bgr=np.ascontiguousarray(photo.bgr[:rows])), colours=False)
        counts.append(len(points.index))
        typical.append(np.median(points.u_px))
    assert min(counts) < 38
    assert max(counts) > 60
    assert np.abs(np.diff(np.log(typical))).max() < 0.2
